//! What must be known of a stream before a decoder is let at it: parameter sets and the heads of
//! slices, read by these modules alone. They get whatever a camera sends; all counts are bounded,
//! and what does not hold together is an error.

pub mod avc;
mod avc_slice;
mod bits;
mod color;
pub mod hevc;

pub use bits::{Bits, unescape, unescape_head};
pub use color::{Matrix, Signal};

/// A header that can't be read, with what is wrong about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Broken(pub &'static str);

impl std::fmt::Display for Broken {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.0)
    }
}

/// Splits an access unit into its NAL units; each stands behind its length in four bytes, big
/// endian. Zero bytes at the end of a NAL unit belong to a byte stream and not to it
/// (H.264, B.1.1): they are cut off. Empty ones are left out.
///
/// # Errors
/// When a length leaves the payload.
pub fn nal_units(payload: &[u8]) -> Result<Vec<&[u8]>, Broken> {
    let mut units = Vec::new();
    let mut rest = payload;
    while !rest.is_empty() {
        let (length, after) = rest
            .split_first_chunk::<4>()
            .ok_or(Broken("the unit ends within a length"))?;
        let length = u32::from_be_bytes(*length) as usize;
        let unit = after
            .get(..length)
            .ok_or(Broken("a NAL unit is longer than what is there"))?;
        rest = after.get(length..).unwrap_or_default();
        let used = unit
            .iter()
            .rposition(|byte| *byte != 0)
            .map_or(0, |at| at + 1);
        if let Some(unit) = unit.get(..used).filter(|unit| !unit.is_empty()) {
            units.push(unit);
        }
    }
    Ok(units)
}

/// Takes `length` bytes off the front.
fn take<'a>(bytes: &mut &'a [u8], length: usize) -> Result<&'a [u8], Broken> {
    let (head, tail) = bytes
        .split_at_checked(length)
        .ok_or(Broken("the decoder configuration is cut off"))?;
    *bytes = tail;
    Ok(head)
}

/// Takes a parameter set off the front, which stands behind its length in two bytes.
fn take_set<'a>(bytes: &mut &'a [u8]) -> Result<&'a [u8], Broken> {
    let length = take(bytes, 2)?
        .iter()
        .fold(0, |sum, byte| sum << 8 | usize::from(*byte));
    take(bytes, length)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nal_units_are_split_at_their_lengths() {
        let payload = [0, 0, 0, 2, 0x65, 1, 0, 0, 0, 0, 0, 0, 0, 3, 0x41, 0, 0];
        assert_eq!(nal_units(&payload).unwrap(), [&[0x65, 1][..], &[0x41][..]]);
        assert!(nal_units(&payload[..16]).is_err());
        assert!(nal_units(&[0, 0, 0]).is_err());
        assert!(nal_units(&[0xff; 5]).is_err());
    }
}
