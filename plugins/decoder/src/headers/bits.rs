//! Bits of a raw byte sequence payload (H.264, 7.2 and 9.1; H.265 the same).

use super::Broken;

const SHORT: Broken = Broken("a header is cut off");

/// Reads from the most significant bit on.
#[derive(Debug, Clone)]
pub struct Bits<'a> {
    bytes: &'a [u8],
    /// In bits.
    at: usize,
}

impl<'a> Bits<'a> {
    /// Over bytes without emulation prevention.
    #[must_use]
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// u(1).
    ///
    /// # Errors
    /// At the end of the bytes.
    pub fn flag(&mut self) -> Result<bool, Broken> {
        let byte = self.bytes.get(self.at / 8).ok_or(SHORT)?;
        let bit = byte >> (7 - self.at % 8) & 1;
        self.at += 1;
        Ok(bit == 1)
    }

    /// u(n), of 32 bits at the most.
    ///
    /// # Errors
    /// At the end of the bytes, and for more than 32 bits.
    pub fn bits(&mut self, count: u32) -> Result<u32, Broken> {
        if count > 32 {
            return Err(Broken("a field is wider than 32 bits"));
        }
        let mut value = 0;
        for _ in 0..count {
            value = value << 1 | u32::from(self.flag()?);
        }
        Ok(value)
    }

    /// Leaves bits out.
    ///
    /// # Errors
    /// At the end of the bytes.
    pub fn skip(&mut self, count: u32) -> Result<(), Broken> {
        let at = self.at.saturating_add(count as usize);
        if at > self.bytes.len().saturating_mul(8) {
            return Err(SHORT);
        }
        self.at = at;
        Ok(())
    }

    /// ue(v).
    ///
    /// # Errors
    /// At the end of the bytes, and for a value of more than 32 bits.
    pub fn ue(&mut self) -> Result<u32, Broken> {
        let mut zeros = 0;
        while !self.flag()? {
            zeros += 1;
            if zeros > 31 {
                return Err(Broken("an Exp-Golomb code is too long"));
            }
        }
        let tail = self.bits(zeros)?;
        Ok((1_u32 << zeros) - 1 + tail)
    }

    /// ue(v) that must not exceed `max`; `what` tells of it if it does.
    ///
    /// # Errors
    /// As [`Self::ue`], and beyond the bound.
    pub fn ue_max(&mut self, max: u32, what: &'static str) -> Result<u32, Broken> {
        let value = self.ue()?;
        if value > max {
            Err(Broken(what))
        } else {
            Ok(value)
        }
    }

    /// se(v).
    ///
    /// # Errors
    /// As [`Self::ue`].
    pub fn se(&mut self) -> Result<i32, Broken> {
        let code = i64::from(self.ue()?);
        let value = if code % 2 == 1 {
            code / 2 + 1
        } else {
            -(code / 2)
        };
        i32::try_from(value).map_err(|_| Broken("an Exp-Golomb code is too long"))
    }

    /// Whether there is more before the stop bit (`more_rbsp_data`).
    #[must_use]
    pub fn more_data(&self) -> bool {
        let stop = self
            .bytes
            .iter()
            .rposition(|byte| *byte != 0)
            .and_then(|at| {
                let byte = self.bytes.get(at)?;
                Some(at * 8 + 7 - byte.trailing_zeros() as usize)
            });
        stop.is_some_and(|stop| self.at < stop)
    }
}

/// Removes emulation prevention: `00 00 03` stands for `00 00`.
#[must_use]
pub fn unescape(bytes: &[u8]) -> Vec<u8> {
    unescape_head(bytes, usize::MAX)
}

/// The same, of no more than the first `bytes_max` coded bytes.
#[must_use]
pub fn unescape_head(bytes: &[u8], bytes_max: usize) -> Vec<u8> {
    let bytes = bytes.get(..bytes_max).unwrap_or(bytes);
    let mut plain = Vec::with_capacity(bytes.len());
    let mut zeros = 0;
    for byte in bytes {
        if zeros >= 2 && *byte == 3 {
            zeros = 0;
            continue;
        }
        zeros = if *byte == 0 { zeros + 1 } else { 0 };
        plain.push(*byte);
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Codes of H.264, Table 9-2 and Table 9-3.
    #[test]
    fn exp_golomb_codes_of_the_standard() {
        let mut bits = Bits::new(&[0b1_010_011_0, 0b0100_0010, 0b1_00110_00, 0b111_0000_0]);
        let values: Vec<u32> = (0..7).map(|_| bits.ue().unwrap()).collect();
        assert_eq!(values, [0, 1, 2, 3, 4, 5, 6]);
        let mut bits = Bits::new(&[0b1_010_011_0, 0b0100_0010, 0b1_0000000]);
        let values: Vec<i32> = (0..5).map(|_| bits.se().unwrap()).collect();
        assert_eq!(values, [0, 1, -1, 2, -2]);
    }

    #[test]
    fn ends_are_errors() {
        assert!(Bits::new(&[]).flag().is_err());
        assert!(Bits::new(&[0, 0, 0, 0, 0]).ue().is_err());
        assert!(Bits::new(&[1]).bits(9).is_err());
        assert!(Bits::new(&[1; 9]).bits(33).is_err());
        assert!(Bits::new(&[1]).skip(9).is_err());
        let largest = [0, 0, 0, 1, 0xff, 0xff, 0xff, 0xff];
        assert_eq!(Bits::new(&largest).ue().unwrap(), u32::MAX - 1);
    }

    #[test]
    fn the_stop_bit_ends_the_data() {
        let mut bits = Bits::new(&[0b1010_0000, 0]);
        assert!(bits.more_data());
        bits.skip(2).unwrap();
        assert!(!bits.more_data());
        assert!(!Bits::new(&[0, 0]).more_data());
    }

    #[test]
    fn emulation_prevention_goes() {
        assert_eq!(unescape(&[0, 0, 3, 1, 0, 0, 3]), [0, 0, 1, 0, 0]);
        assert_eq!(unescape(&[0, 0, 0, 3]), [0, 0, 0]);
        assert_eq!(unescape_head(&[1, 2, 3], 2), [1, 2]);
    }
}
