//! The table `[sink.settings]`.

use serde::de::DeserializeOwned;

use crate::Configuration;

/// Why the settings can't be used.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
#[error("[sink.settings] of sink {sink:?}: {reason}")]
pub struct SettingsError {
    sink: String,
    reason: String,
}

impl Configuration {
    /// Reads the settings into a type of the plugin's own. Give that type
    /// `#[serde(deny_unknown_fields)]`, so that a misspelt name is refused instead of ignored.
    ///
    /// # Errors
    /// [`SettingsError`] names the sink, the setting and what is allowed.
    pub fn settings<T: DeserializeOwned>(&self) -> Result<T, SettingsError> {
        // No table at all is a table with nothing in it.
        let text = if self.settings.trim().is_empty() {
            "{}"
        } else {
            &self.settings
        };
        let mut json = serde_json::Deserializer::from_str(text);
        serde_path_to_error::deserialize(&mut json).map_err(|error| {
            // A place in the JSON that the relay made says nothing to who wrote TOML; the path of
            // the setting does. "." is the table itself.
            let path = error.path().to_string();
            let error = error.into_inner();
            let place = format!(" at line {} column {}", error.line(), error.column());
            let mut reason = error.to_string().replace(&place, "");
            if path != "." {
                reason = format!("{path}: {reason}");
            }
            SettingsError {
                sink: self.sink.clone(),
                reason,
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, PartialEq, serde::Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Settings {
        #[serde(default)]
        work_hours: bool,
    }

    fn configuration(settings: &str) -> Configuration {
        Configuration {
            camera: "slipway".into(),
            sink: "footage".into(),
            site: "boatyard".into(),
            time_zone: "Europe/Oslo".into(),
            latitude: None,
            longitude: None,
            settings: settings.into(),
        }
    }

    #[test]
    fn settings_are_read_or_refused_by_name() {
        let read = |text: &str| configuration(text).settings::<Settings>();
        assert_eq!(
            read(r#"{"work_hours":true}"#).unwrap(),
            Settings { work_hours: true }
        );
        assert_eq!(read("").unwrap(), Settings { work_hours: false });

        let error = read(r#"{"work_hour":true}"#).unwrap_err().to_string();
        assert_eq!(
            error,
            "[sink.settings] of sink \"footage\": work_hour: unknown field `work_hour`, expected `work_hours`"
        );
        let error = read(r#"{"work_hours":3}"#).unwrap_err().to_string();
        assert!(
            error.contains("work_hours") && error.contains("boolean"),
            "{error}"
        );
    }
}
