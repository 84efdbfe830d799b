//! Byte counts as a person writes them.

use std::fmt;
use std::str::FromStr;

/// A number of bytes.
///
/// Written as a whole number and a unit, `64 MiB` or `500 kB`; the units are B, kB, MB, GB, TB
/// (powers of 1000, SI) and KiB, MiB, GiB, TiB (powers of 1024, IEC 80000-13).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ByteCount(u64);

/// Why a text is not a [`ByteCount`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ByteCountError {
    /// Neither digits nor digits and a unit.
    #[error("it isn't a whole number followed by a unit")]
    Form,
    /// A fraction, `1.5 GiB`.
    #[error("it has a fraction: take the next smaller unit, as 1536 MiB for 1.5 GiB")]
    Fraction,
    /// Letters that are no unit.
    #[error("its unit isn't one of B, kB, MB, GB, TB, KiB, MiB, GiB, TiB")]
    Unit,
    /// More than 2⁶⁴ − 1 bytes.
    #[error("it is larger than any size that can be counted here")]
    Overflow,
}

/// Largest first within each system: the order in which Display tries them.
const UNITS: [(&str, u64); 9] = [
    ("TiB", 1 << 40),
    ("GiB", 1 << 30),
    ("MiB", 1 << 20),
    ("KiB", 1 << 10),
    ("TB", 1_000_000_000_000),
    ("GB", 1_000_000_000),
    ("MB", 1_000_000),
    ("kB", 1000),
    ("B", 1),
];

impl ByteCount {
    /// A number of bytes.
    #[must_use]
    pub const fn new(bytes: u64) -> Self {
        Self(bytes)
    }

    /// A number of KiB (1024 bytes); the greatest count where that overflows.
    #[must_use]
    pub const fn kib(count: u64) -> Self {
        Self(count.saturating_mul(1 << 10))
    }

    /// A number of MiB (1024² bytes); the greatest count where that overflows.
    #[must_use]
    pub const fn mib(count: u64) -> Self {
        Self(count.saturating_mul(1 << 20))
    }

    /// A number of GiB (1024³ bytes); the greatest count where that overflows.
    #[must_use]
    pub const fn gib(count: u64) -> Self {
        Self(count.saturating_mul(1 << 30))
    }

    /// The number of bytes.
    #[must_use]
    pub const fn bytes(self) -> u64 {
        self.0
    }

    /// The number of bytes as a length in memory; on a 32-bit machine at most what it can address.
    #[must_use]
    pub fn as_usize(self) -> usize {
        usize::try_from(self.0).unwrap_or(usize::MAX)
    }
}

impl FromStr for ByteCount {
    type Err = ByteCountError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let text = text.trim();
        let digits = text.bytes().take_while(u8::is_ascii_digit).count();
        let (number, rest) = text.split_at(digits);
        if number.is_empty() {
            return Err(ByteCountError::Form);
        }
        if rest.starts_with(['.', ',']) {
            return Err(ByteCountError::Fraction);
        }
        let unit = rest.trim_start();
        let (_, factor) = UNITS
            .iter()
            .find(|(name, _)| *name == unit)
            .or_else(|| UNITS.last().filter(|_| unit.is_empty()))
            .ok_or(ByteCountError::Unit)?;
        // Only digits are left, so that too many of them is the one way to fail.
        let number: u64 = number.parse().map_err(|_| ByteCountError::Overflow)?;
        number
            .checked_mul(*factor)
            .map(Self)
            .ok_or(ByteCountError::Overflow)
    }
}

impl fmt::Display for ByteCount {
    /// The largest unit in which the count is whole: reads back as the same count.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = UNITS
            .iter()
            .find(|(_, factor)| self.0 != 0 && self.0.is_multiple_of(*factor));
        let (name, factor) = whole.unwrap_or(&("B", 1));
        write!(f, "{} {name}", self.0 / factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_those_of_si_and_iec() {
        // Factors by definition: IEC 80000-13 and the SI prefixes.
        for (text, bytes) in [
            ("0", 0),
            ("4096", 4096),
            ("7 B", 7),
            ("500 kB", 500_000),
            ("500kB", 500_000),
            (" 3 MB ", 3_000_000),
            ("2 GB", 2_000_000_000),
            ("1 TB", 1_000_000_000_000),
            ("64 KiB", 65_536),
            ("64 MiB", 67_108_864),
            ("4 GiB", 4_294_967_296),
            ("16 TiB", 17_592_186_044_416),
            ("18446744073709551615", u64::MAX),
        ] {
            assert_eq!(text.parse(), Ok(ByteCount::new(bytes)), "{text}");
        }
    }

    #[test]
    fn other_texts_are_refused_with_the_reason() {
        use ByteCountError::{Form, Fraction, Overflow, Unit};
        for (text, error) in [
            ("", Form),
            ("MiB", Form),
            ("-1 MiB", Form),
            ("1.5 GiB", Fraction),
            ("1,5 GiB", Fraction),
            ("64 mib", Unit),
            ("64 MiB/s", Unit),
            ("64 ø", Unit),
            ("16777216 TiB", Overflow),
            ("99999999999999999999", Overflow),
        ] {
            assert_eq!(text.parse::<ByteCount>(), Err(error), "{text}");
        }
    }

    #[test]
    fn a_shown_count_reads_back() {
        for (count, shown) in [
            (ByteCount::new(0), "0 B"),
            (ByteCount::new(1023), "1023 B"),
            (ByteCount::mib(64), "64 MiB"),
            (ByteCount::new(500_000), "500 kB"),
            (ByteCount::gib(4096), "4 TiB"),
        ] {
            assert_eq!(count.to_string(), shown);
            assert_eq!(shown.parse(), Ok(count));
        }
    }
}
