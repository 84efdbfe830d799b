//! Settings on a command line.

/// A text that is no table of settings.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct SettingsError(String);

/// Reads settings as TOML (`rate = 2`, lines or one inline table) or as a JSON object.
///
/// # Errors
/// [`SettingsError`] says what is wrong and where.
pub fn settings(text: &str) -> Result<toml::Table, SettingsError> {
    let text = text.trim();
    let table = if text.starts_with('{') {
        // An inline table of TOML begins like an object of JSON.
        match serde_json::from_str::<toml::Table>(text) {
            Ok(table) => table,
            Err(json) => inline(text).map_err(|toml| {
                SettingsError(format!(
                    "neither a JSON object ({json}) nor a TOML table ({})",
                    toml.message()
                ))
            })?,
        }
    } else {
        text.parse::<toml::Table>()
            .map_err(|error| SettingsError(format!("no TOML: {}", error.to_string().trim_end())))?
    };
    for (key, value) in &table {
        check(key, value)?;
    }
    Ok(table)
}

fn inline(text: &str) -> Result<toml::Table, toml::de::Error> {
    #[derive(serde::Deserialize)]
    struct Whole {
        settings: toml::Table,
    }
    toml::from_str::<Whole>(&format!("settings = {text}")).map(|whole| whole.settings)
}

/// What JSON, in which the plugin gets them, can't say is refused, as in the configuration.
fn check(key: &str, value: &toml::Value) -> Result<(), SettingsError> {
    match value {
        toml::Value::Datetime(_) => Err(SettingsError(format!(
            "{key} is a date or time: put it in quotes, the plugin gets it as text"
        ))),
        toml::Value::Float(number) if !number.is_finite() => Err(SettingsError(format!(
            "{key} is {number}: write a number with digits"
        ))),
        toml::Value::Array(items) => items.iter().try_for_each(|item| check(key, item)),
        toml::Value::Table(table) => table
            .iter()
            .try_for_each(|(inner, value)| check(&format!("{key}.{inner}"), value)),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn toml_and_json_say_the_same() {
        let wanted: toml::Table = "rate = 2.5\nzones = [{ name = 'gate' }]".parse().unwrap();
        for text in [
            "rate = 2.5\nzones = [{ name = 'gate' }]",
            r#"{"rate": 2.5, "zones": [{"name": "gate"}]}"#,
            r#" { rate = 2.5, zones = [{ name = "gate" }] } "#,
        ] {
            assert_eq!(settings(text).as_ref(), Ok(&wanted), "{text}");
        }
        assert_eq!(settings(""), Ok(toml::Table::new()));
        assert_eq!(settings("{}"), Ok(toml::Table::new()));
    }

    #[test]
    fn what_is_wrong_is_said() {
        for (text, words) in [
            ("rate", "no TOML"),
            ("{rate}", "neither a JSON object"),
            (r#"{"a": null}"#, "neither a JSON object"),
            ("[1, 2]", "no TOML"),
            ("a.b = 2026-05-04", "a.b is a date or time"),
            ("a = [inf]", "a is inf"),
        ] {
            let error = settings(text).unwrap_err().to_string();
            assert!(error.contains(words), "{text}: {error}");
        }
    }
}
