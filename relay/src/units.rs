//! One type for each quantity, so that a byte count is never taken for a time.

use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;

/// The name of a camera, site or sink: `[a-z0-9][a-z0-9-]{0,62}`.
///
/// The grammar is that of a DNS label (RFC 1123 §2.1) in lower case: such a name is safe as a
/// folder, a metric label and a part of a URL. Cheap to clone.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Name(Arc<str>);

/// A camera's name.
pub type CameraName = Name;
/// A sink's name.
pub type SinkName = Name;
/// A site's name.
pub type SiteName = Name;

/// Why a text is not a [`Name`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "a name has 1 to 63 characters a-z, 0-9 and '-', and begins and ends with a letter or digit"
)]
pub struct NameError;

impl Name {
    /// Checks the grammar.
    ///
    /// # Errors
    /// [`NameError`] when the text is empty, too long or holds another character.
    pub fn new(text: &str) -> Result<Self, NameError> {
        let inner = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'-';
        let edge = |c: Option<&u8>| c.is_some_and(|c| *c != b'-');
        let bytes = text.as_bytes();
        let fits = bytes.len() <= 63
            && bytes.iter().all(|c| inner(*c))
            && edge(bytes.first())
            && edge(bytes.last());
        if fits {
            Ok(Self(text.into()))
        } else {
            Err(NameError)
        }
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Debug for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", &*self.0)
    }
}

/// When the light reached the camera: nanoseconds since 1970-01-01T00:00:00 UTC, no leap seconds.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct CaptureTime(i64);

impl CaptureTime {
    /// From nanoseconds since the Unix epoch.
    #[must_use]
    pub const fn from_unix_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// The home clock's present instant.
    #[must_use]
    pub fn now() -> Self {
        let now = std::time::SystemTime::now();
        match now.duration_since(std::time::UNIX_EPOCH) {
            Ok(after) => Self(i64::try_from(after.as_nanos()).unwrap_or(i64::MAX)),
            Err(before) => {
                Self(i64::try_from(before.duration().as_nanos()).map_or(i64::MIN, |n| -n))
            }
        }
    }

    /// Nanoseconds since the Unix epoch.
    #[must_use]
    pub const fn unix_nanos(self) -> i64 {
        self.0
    }

    /// Seconds since the Unix epoch, as metrics want them.
    #[must_use]
    pub fn unix_seconds(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// The UTC day, `2026-05-04`: a folder of the archive.
    #[must_use]
    pub fn day(self) -> String {
        self.civil().strftime("%Y-%m-%d").to_string()
    }

    /// UTC to the millisecond (rounded down) in the basic time format of ISO 8601,
    /// `2026-05-04T073100.120Z`: a file name of the archive.
    #[must_use]
    pub fn file_stem(self) -> String {
        self.civil().strftime("%Y-%m-%dT%H%M%S.%3fZ").to_string()
    }

    /// Reads what [`file_stem`](Self::file_stem) writes.
    #[must_use]
    pub fn from_file_stem(stem: &str) -> Option<Self> {
        let (date, time) = stem.strip_suffix('Z')?.split_once('T')?;
        let (hours, rest) = (time.get(..2)?, time.get(2..)?);
        let (minutes, seconds) = (rest.get(..2)?, rest.get(2..)?);
        let parsed: Timestamp = format!("{date}T{hours}:{minutes}:{seconds}Z")
            .parse()
            .ok()?;
        let time = Self(i64::try_from(parsed.as_nanosecond()).ok()?);
        (time.file_stem() == stem).then_some(time)
    }

    fn civil(self) -> jiff::Zoned {
        // Any i64 of nanoseconds lies between the years 1677 and 2262, which the calendar holds.
        let timestamp = Timestamp::from_nanosecond(self.0.into()).unwrap_or(Timestamp::UNIX_EPOCH);
        timestamp.to_zoned(TimeZone::UTC)
    }
}

impl fmt::Display for CaptureTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.civil().strftime("%Y-%m-%dT%H:%M:%S.%3fZ"))
    }
}

impl fmt::Debug for CaptureTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_follow_the_grammar() {
        for good in ["a", "mast-crane", "0gate", &"x".repeat(63)] {
            assert!(Name::new(good).is_ok(), "{good}");
        }
        for bad in [
            "",
            "-a",
            "a-",
            "Gate",
            "a/b",
            "..",
            "a b",
            "ø",
            &"x".repeat(64),
        ] {
            assert_eq!(Name::new(bad), Err(NameError), "{bad}");
        }
    }

    #[test]
    fn file_stems_read_back() {
        // 2026-05-04T07:31:00.120Z, seconds by GNU date.
        let time = CaptureTime::from_unix_nanos(1_777_879_860_120_000_000);
        assert_eq!(time.file_stem(), "2026-05-04T073100.120Z");
        assert_eq!(time.day(), "2026-05-04");
        assert_eq!(
            CaptureTime::from_file_stem("2026-05-04T073100.120Z"),
            Some(time)
        );
        for bad in [
            "",
            "2026-05-04",
            "2026-13-04T073100.120Z",
            "2026-05-04T073100Z",
            "øøT",
        ] {
            assert_eq!(CaptureTime::from_file_stem(bad), None, "{bad}");
        }
    }
}
