//! Tells when it is dark.

use forebay_plugin_sdk::{
    Analyzer, Configuration, Episode, Finding, Picture, Request, export_analyzer,
};

/// `[sink.settings]`
#[derive(serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Settings {
    /// Mean brightness, 0 to 255, below which it is dark.
    below: f64,
    /// How long it must be so.
    seconds: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            below: 40.0,
            seconds: 2.0,
        }
    }
}

struct Dark {
    below: f64,
    dark: Episode,
}

impl Analyzer for Dark {
    fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
        let Settings { below, seconds } = configuration.settings().map_err(|e| e.to_string())?;
        let dark = Episode::new("dark").seconds(seconds, seconds);
        // A picture a second, 64 pixels wide, of luma alone.
        Ok((Self { below, dark }, Request::gray(1.0, 64)))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        let mean = picture.luma().map_err(|e| e.to_string())?.mean();
        let score = if mean < self.below { 1.0 } else { 0.0 };
        let finding = self.dark.observe(score, picture.captured);
        Ok(finding.into_iter().collect())
    }
}

export_analyzer!(Dark);
