//! A time as people write it.

use std::str::FromStr;

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::units::CaptureTime;

/// An instant, or a time that each site's zone makes one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// With an offset from UTC.
    Instant(Timestamp),
    /// On the site's clocks.
    Civil(DateTime),
}

impl FromStr for When {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        // A time with an offset is tried first: as civil time it would lose the offset.
        let instant = text.parse().map(Self::Instant);
        instant
            .or_else(|_| text.parse().map(Self::Civil))
            .map_err(|_| {
                "a date like 2026-05-04, a time in the site's zone like 2026-05-04T07:30, or one \
                 with its offset from UTC like 2026-05-04T05:30:00Z"
                    .to_owned()
            })
    }
}

impl When {
    /// None outside of the years that a capture time holds (1677 to 2262).
    #[must_use]
    pub fn at(self, zone: &TimeZone) -> Option<CaptureTime> {
        let timestamp = match self {
            Self::Instant(timestamp) => timestamp,
            Self::Civil(civil) => civil.to_zoned(zone.clone()).ok()?.timestamp(),
        };
        let nanos = i64::try_from(timestamp.as_nanosecond()).ok()?;
        Some(CaptureTime::from_unix_nanos(nanos))
    }
}
