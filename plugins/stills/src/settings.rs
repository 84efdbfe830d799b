//! The table `[sink.settings]` of a stills sink.

use serde::Deserialize;

/// Minutes of a day.
const DAY_MINUTES: u32 = 1440;
/// Smaller stills show nothing.
const SIDE_MIN: u32 = 16;
/// A JPEG has 16 bits for a side (ISO/IEC 10918-1, B.2.2).
const SIDE_MAX: u32 = 65_535;

/// When stills are taken, and how.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// A still whenever the site's clock shows a multiple of so many minutes since midnight; a
    /// divisor of 1440.
    pub every_minutes: u32,
    /// Only from the first to the second of these readings of the site's clock, both included; over
    /// midnight where the second is earlier.
    pub between: Option<[Clock; 2]>,
    /// Only while the middle of the sun's disc is at least so many degrees above the horizon,
    /// refraction left out; -90 to 90.
    pub sun_above: Option<f64>,
    /// Only on these days; all where there are none named.
    pub days: Option<Vec<Day>>,
    /// Of the JPEG, 1 to 100.
    pub quality: u8,
    /// In pixels; larger pictures are scaled down. 0: the size that the camera sends.
    pub longest_side: u32,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            every_minutes: 10,
            between: None,
            sun_above: None,
            days: None,
            quality: 90,
            longest_side: 0,
        }
    }
}

/// A reading of a clock, "07:30".
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(try_from = "String")]
pub struct Clock {
    minute: u16,
}

impl Clock {
    /// Minutes since midnight, 0 to 1439.
    #[must_use]
    pub fn minute(self) -> u32 {
        u32::from(self.minute)
    }
}

/// A text that is no clock time.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is no clock time: give hours and minutes from \"00:00\" to \"23:59\"")]
pub struct ClockError(String);

impl TryFrom<String> for Clock {
    type Error = ClockError;

    fn try_from(text: String) -> Result<Self, ClockError> {
        let number = |digits: &str, below: u16| {
            let plain = digits.len() == 2 && digits.bytes().all(|byte| byte.is_ascii_digit());
            let number = digits.parse::<u16>().ok().filter(|_| plain)?;
            (number < below).then_some(number)
        };
        text.split_once(':')
            .and_then(|(hour, minute)| Some(number(hour, 24)? * 60 + number(minute, 60)?))
            .map(|minute| Self { minute })
            .ok_or(ClockError(text))
    }
}

/// A day of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Day {
    /// Monday.
    Mon,
    /// Tuesday.
    Tue,
    /// Wednesday.
    Wed,
    /// Thursday.
    Thu,
    /// Friday.
    Fri,
    /// Saturday.
    Sat,
    /// Sunday.
    Sun,
}

/// A value outside of what is allowed.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum RangeError {
    /// `every_minutes`.
    #[error(
        "every_minutes = {given}: give a divisor of 1440, the minutes of a day, so that each day \
         has the same clock times; the nearest are {nearest}"
    )]
    Every {
        /// As configured.
        given: u32,
        /// One or two that are allowed.
        nearest: String,
    },
    /// `sun_above`.
    #[error("sun_above = {0}: give -90 to 90 degrees above the horizon")]
    Sun(f64),
    /// `sun_above` of a site that has no position.
    #[error("sun_above needs to know where the site is: give it `latitude` and `longitude`")]
    Place,
    /// `days`.
    #[error("days = []: name at least one day, or leave `days` out for all of them")]
    Days,
    /// `quality`.
    #[error("quality = {0}: give 1 to 100")]
    Quality(u8),
    /// `longest_side`.
    #[error("longest_side = {0}: give {SIDE_MIN} to {SIDE_MAX} pixels, or 0 for the camera's size")]
    Side(u32),
}

impl Settings {
    /// Gives the settings back where each is in its range. `placed`: it is known where the site
    /// is.
    ///
    /// # Errors
    /// [`RangeError`] names the setting, the value and what is allowed.
    pub fn checked(self, placed: bool) -> Result<Self, RangeError> {
        let divides = |minutes: &u32| DAY_MINUTES.is_multiple_of(*minutes);
        let given = self.every_minutes;
        if given == 0 || !divides(&given) {
            let below = (1..given.min(DAY_MINUTES)).rfind(divides);
            let above = (given.saturating_add(1)..=DAY_MINUTES).find(divides);
            let nearest: Vec<String> = below.iter().chain(&above).map(u32::to_string).collect();
            let nearest = nearest.join(" and ");
            return Err(RangeError::Every { given, nearest });
        }
        match self.sun_above {
            Some(degrees) if !(-90.0..=90.0).contains(&degrees) => {
                return Err(RangeError::Sun(degrees));
            }
            Some(_) if !placed => return Err(RangeError::Place),
            _ => {}
        }
        if self.days.as_ref().is_some_and(Vec::is_empty) {
            return Err(RangeError::Days);
        }
        if !(1..=100).contains(&self.quality) {
            return Err(RangeError::Quality(self.quality));
        }
        if self.longest_side != 0 && !(SIDE_MIN..=SIDE_MAX).contains(&self.longest_side) {
            return Err(RangeError::Side(self.longest_side));
        }
        Ok(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Settings, String> {
        let settings: Settings = serde_json::from_str(text).map_err(|e| e.to_string())?;
        settings.checked(true).map_err(|e| e.to_string())
    }

    #[test]
    fn settings_have_defaults() {
        assert_eq!(read("{}"), Ok(Settings::default()));
        let given = read(
            r#"{"every_minutes":15,"between":["22:05","02:00"],"sun_above":-6,
                "days":["mon","sun"],"quality":1,"longest_side":1280}"#,
        );
        let expected = Settings {
            every_minutes: 15,
            between: Some([Clock { minute: 1325 }, Clock { minute: 120 }]),
            sun_above: Some(-6.0),
            days: Some(vec![Day::Mon, Day::Sun]),
            quality: 1,
            longest_side: 1280,
        };
        assert_eq!(given, Ok(expected));
    }

    #[test]
    fn settings_out_of_range_are_refused_by_name() {
        for (bad, words) in [
            (
                r#"{"every_minutes":7}"#,
                "every_minutes = 7: give a divisor of 1440",
            ),
            (r#"{"every_minutes":7}"#, "the nearest are 6 and 8"),
            (r#"{"every_minutes":0}"#, "the nearest are 1"),
            (r#"{"every_minutes":4294967295}"#, "the nearest are 720"),
            (r#"{"every_minutes":2.5}"#, "expected u32"),
            (
                r#"{"every":7}"#,
                "unknown field `every`, expected one of `every_minutes`",
            ),
            (
                r#"{"between":["7:00","18:00"]}"#,
                "\"7:00\" is no clock time",
            ),
            (
                r#"{"between":["07:00","24:00"]}"#,
                "\"24:00\" is no clock time",
            ),
            (
                r#"{"between":["07:+1","18:00"]}"#,
                "\"07:+1\" is no clock time",
            ),
            (r#"{"between":["07:00"]}"#, "an array of length 2"),
            (r#"{"sun_above":91}"#, "sun_above = 91: give -90 to 90"),
            (r#"{"days":[]}"#, "days = []"),
            (
                r#"{"days":["Monday"]}"#,
                "unknown variant `Monday`, expected one of `mon`",
            ),
            (r#"{"quality":0}"#, "quality = 0: give 1 to 100"),
            (r#"{"quality":101}"#, "quality = 101"),
            (
                r#"{"longest_side":15}"#,
                "longest_side = 15: give 16 to 65535",
            ),
            (r#"{"longest_side":70000}"#, "longest_side = 70000"),
        ] {
            let error = read(bad).unwrap_err();
            assert!(error.contains(words), "{bad}: {error}");
        }
        let sun = Settings {
            sun_above: Some(5.0),
            ..Settings::default()
        };
        assert_eq!(sun.checked(false), Err(RangeError::Place));
        assert!(Settings::default().checked(false).is_ok());
    }
}
