//! The table `[sink.settings]` of a recorder.

use serde::Deserialize;

/// How footage is cut.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// A new file begins at wall-clock (UTC) multiples of this; 1 to 3600.
    pub segment_seconds: u32,
    /// What a power cut may cost: a longer group of pictures is written in pieces of about this;
    /// 0.2 to 10.
    pub fragment_seconds: f64,
    /// Record sound too, where the camera sends it.
    pub audio: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            segment_seconds: 60,
            fragment_seconds: 2.0,
            audio: true,
        }
    }
}

/// A value outside of what is allowed.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum RangeError {
    /// `segment_seconds`.
    #[error("segment_seconds = {0}: give 1 to 3600 seconds")]
    Segment(u32),
    /// `fragment_seconds`.
    #[error("fragment_seconds = {0}: give 0.2 to 10.0 seconds")]
    Fragment(f64),
}

impl Settings {
    /// Gives the settings back where each is in its range.
    ///
    /// # Errors
    /// [`RangeError`] names the setting, the value and what is allowed.
    pub fn checked(self) -> Result<Self, RangeError> {
        if !(1..=3600).contains(&self.segment_seconds) {
            return Err(RangeError::Segment(self.segment_seconds));
        }
        if !(0.2..=10.0).contains(&self.fragment_seconds) {
            return Err(RangeError::Fragment(self.fragment_seconds));
        }
        Ok(self)
    }

    pub(crate) fn segment_nanos(self) -> i64 {
        i64::from(self.segment_seconds) * 1_000_000_000
    }

    pub(crate) fn fragment_nanos(self) -> i64 {
        (self.fragment_seconds * 1e9) as i64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Settings, String> {
        let settings: Settings = serde_json::from_str(text).map_err(|e| e.to_string())?;
        settings.checked().map_err(|e| e.to_string())
    }

    #[test]
    fn settings_have_defaults_and_bounds() {
        assert_eq!(read("{}"), Ok(Settings::default()));
        let given = r#"{"segment_seconds":3600,"fragment_seconds":0.2,"audio":false}"#;
        let expected = Settings {
            segment_seconds: 3600,
            fragment_seconds: 0.2,
            audio: false,
        };
        assert_eq!(read(given), Ok(expected));
        for (bad, words) in [
            (
                r#"{"segment_seconds":0}"#,
                "segment_seconds = 0: give 1 to 3600",
            ),
            (r#"{"segment_seconds":3601}"#, "segment_seconds = 3601"),
            (r#"{"segment_seconds":-1}"#, "invalid value"),
            (
                r#"{"fragment_seconds":0.1}"#,
                "fragment_seconds = 0.1: give 0.2 to 10.0",
            ),
            (r#"{"fragment_seconds":11}"#, "fragment_seconds = 11"),
            (r#"{"fragment_seconds":"2"}"#, "invalid type"),
            (r#"{"segment_second":60}"#, "unknown field `segment_second`"),
        ] {
            let error = read(bad).unwrap_err();
            assert!(error.contains(words), "{bad}: {error}");
        }
    }
}
