//! The table `[sink.settings]`.

use forebay_plugin_sdk::Region;

/// As the operator wrote it.
#[derive(Debug, Clone, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Where the gate is in the picture; all of it by default.
    pub(crate) zone: Zone,
    /// Views of the open gate: by day, by lamplight, …
    pub(crate) open: Vec<String>,
    /// Views of the closed gate.
    pub(crate) closed: Vec<String>,
    /// Tell what is seen, as views for these settings, in place of judging it.
    pub(crate) learn: bool,
    /// What is less like any of the views is unclear; 0 to 1.
    pub(crate) likeness: f64,
    /// How long the gate must be open, closed or unclear before that is told.
    pub(crate) seconds: f64,
}

/// A part of the picture, in shares of its width and height.
#[derive(Debug, Clone, Copy, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Zone {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            zone: Zone {
                left: 0.0,
                top: 0.0,
                width: 1.0,
                height: 1.0,
            },
            open: Vec::new(),
            closed: Vec::new(),
            learn: false,
            likeness: 0.6,
            seconds: 2.0,
        }
    }
}

impl Settings {
    /// What is wrong with them, for the operator.
    pub(crate) fn check(&self) -> Result<(), String> {
        self.zone.check()?;
        if !(0.0..=1.0).contains(&self.likeness) {
            return Err(format!("likeness = {}: 0 to 1 is allowed", self.likeness));
        }
        if !(0.0..=3600.0).contains(&self.seconds) {
            return Err(format!("seconds = {}: 0 to 3600 is allowed", self.seconds));
        }
        if !self.learn && (self.open.is_empty() || self.closed.is_empty()) {
            return Err(
                "open, closed: each needs at least one view; run with `learn = true`, \
                        and name here what the findings of kind `view` say"
                    .to_owned(),
            );
        }
        Ok(())
    }
}

impl Zone {
    fn check(self) -> Result<(), String> {
        let Self {
            left,
            top,
            width,
            height,
        } = self;
        let inside = |begin: f64, length: f64| {
            begin >= 0.0 && length > 0.0 && begin + length <= 1.0 + f64::EPSILON
        };
        if inside(left, width) && inside(top, height) {
            return Ok(());
        }
        Err(format!(
            "zone = {{ left = {left}, top = {top}, width = {width}, height = {height} }}: must lie \
             in the picture, which is 1 wide and 1 high, and begins at 0, 0"
        ))
    }

    pub(crate) fn region(self) -> Region {
        Region {
            left: self.left,
            top: self.top,
            width: self.width,
            height: self.height,
        }
    }
}
