//! The table `[sink.settings]` of a motion sink.

use serde::Deserialize;

use crate::background::Tuning;
use crate::health::{self, Fault};
use crate::motion;
use crate::polygon::{Area, AreaError};

/// What to look for, and where.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Pictures that are looked at in a second; 0.02 to 10.
    pub pictures_per_second: f64,
    /// Longest side of these pictures in pixels; 160 to 1920.
    pub longest_side: u32,
    /// Where to look for motion: in the whole picture where there are none; at most 16.
    pub zones: Vec<Area>,
    /// Where not to look for motion and for copies; at most 16.
    pub masks: Vec<Area>,
    /// Share of the picture that a moving thing covers at least; 0.0001 to 0.5.
    pub minimum_area: f64,
    /// Grey levels (of 255) by which it differs from what is behind it at least; 2 to 100.
    pub contrast: f64,
    /// Score from which on it is motion; 0.35 to 0.99.
    pub threshold: f64,
    /// For so long the background is learned before anything is motion; 2 to 3600.
    pub warm_up_seconds: f64,
    /// Motion is over after so long without; 0.5 to 600.
    pub quiet_seconds: f64,
    /// While there is motion, a mark with its score and place each so many seconds; 0: none; up to
    /// 3600.
    pub mark_seconds: f64,
    /// What came and stays is background after about so long; 10 to 86400.
    pub absorb_seconds: f64,
    /// The health of the view.
    pub health: Health,
}

/// What is said of the view itself.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Health {
    /// Tell when it is dark.
    pub dark: bool,
    /// Tell when it is blinded.
    pub blinded: bool,
    /// Tell when it is less sharp than it was.
    pub blurred: bool,
    /// Tell when the same picture comes again and again.
    pub frozen: bool,
    /// Tell when the view is gone.
    pub covered: bool,
    /// Tell when the view has moved.
    pub moved: bool,
    /// A pixel is dark up to this level; 5 to 100.
    pub dark_level: u8,
    /// The same picture for so long is frozen; 2 to 3600.
    pub frozen_seconds: f64,
    /// From so many pixels (of the picture that is looked at) on the view has moved; 1 to 100.
    pub moved_pixels: f64,
    /// A view that has been another one for so long is taken for the right one; 1 to 10080.
    pub relearn_minutes: u32,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            pictures_per_second: 2.0,
            longest_side: 640,
            zones: Vec::new(),
            masks: Vec::new(),
            minimum_area: 0.0005,
            contrast: 6.0,
            threshold: 0.5,
            warm_up_seconds: 20.0,
            quiet_seconds: 4.0,
            mark_seconds: 5.0,
            absorb_seconds: 120.0,
            health: Health::default(),
        }
    }
}

impl Default for Health {
    fn default() -> Self {
        Self {
            dark: true,
            blinded: true,
            blurred: true,
            frozen: true,
            covered: true,
            moved: true,
            dark_level: 30,
            frozen_seconds: 8.0,
            moved_pixels: 2.0,
            relearn_minutes: 10,
        }
    }
}

/// Zones, and masks.
pub const AREAS_MAX: usize = 16;

/// A setting that can't be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SettingsFault {
    /// A number outside of what is allowed.
    #[error("{name} = {value}: give {least} to {most}")]
    Range {
        /// The setting.
        name: &'static str,
        /// As given.
        value: f64,
        /// Allowed.
        least: f64,
        /// Allowed.
        most: f64,
    },
    /// Too many of them.
    #[error("{count} {kind}: give at most {AREAS_MAX}")]
    Many {
        /// "zones" or "masks".
        kind: &'static str,
        /// As given.
        count: usize,
    },
    /// A zone or a mask is wrong.
    #[error("{kind}, number {number}{}: {error}", name.as_ref().map(|n| format!(" ({n:?})")).unwrap_or_default())]
    Area {
        /// "zones" or "masks".
        kind: &'static str,
        /// Counted from 1.
        number: usize,
        /// Its name.
        name: Option<String>,
        /// What is wrong.
        error: AreaError,
    },
    /// The masks leave nothing of the zones.
    #[error("the masks cover all that the zones leave to be looked at: make one of them smaller")]
    Nothing,
}

impl Settings {
    /// Gives the settings back where each is in its range.
    ///
    /// # Errors
    /// [`SettingsFault`] names the setting, the value and what is allowed.
    pub fn checked(self) -> Result<Self, SettingsFault> {
        let health = &self.health;
        let ranges = [
            ("pictures_per_second", self.pictures_per_second, 0.02, 10.0),
            ("longest_side", f64::from(self.longest_side), 160.0, 1920.0),
            ("minimum_area", self.minimum_area, 0.0001, 0.5),
            ("contrast", self.contrast, 2.0, 100.0),
            // Below lies what has not been seen twice, and the end of motion.
            ("threshold", self.threshold, 0.35, 0.99),
            ("warm_up_seconds", self.warm_up_seconds, 2.0, 3600.0),
            ("quiet_seconds", self.quiet_seconds, 0.5, 600.0),
            ("mark_seconds", self.mark_seconds, 0.0, 3600.0),
            ("absorb_seconds", self.absorb_seconds, 10.0, 86400.0),
            (
                "health.dark_level",
                f64::from(health.dark_level),
                5.0,
                100.0,
            ),
            ("health.frozen_seconds", health.frozen_seconds, 2.0, 3600.0),
            ("health.moved_pixels", health.moved_pixels, 1.0, 100.0),
            (
                "health.relearn_minutes",
                f64::from(health.relearn_minutes),
                1.0,
                10080.0,
            ),
        ];
        for (name, value, least, most) in ranges {
            if !(least..=most).contains(&value) {
                return Err(SettingsFault::Range {
                    name,
                    value,
                    least,
                    most,
                });
            }
        }
        for (kind, areas) in [("zones", &self.zones), ("masks", &self.masks)] {
            let count = areas.len();
            if count > AREAS_MAX {
                return Err(SettingsFault::Many { kind, count });
            }
            for (at, area) in areas.iter().enumerate() {
                area.check().map_err(|error| SettingsFault::Area {
                    kind,
                    number: at + 1,
                    name: area.name.clone(),
                    error,
                })?;
            }
        }
        let cells = crate::polygon::looked_at(&self.zones, &self.masks, (160, 90));
        if !cells.contains(&true) {
            return Err(SettingsFault::Nothing);
        }
        Ok(self)
    }

    /// For the part that looks for motion.
    #[must_use]
    pub fn motion(&self) -> motion::Wanted {
        motion::Wanted {
            minimum_area: self.minimum_area,
            tuning: Tuning {
                absorb_seconds: self.absorb_seconds as f32,
                contrast: self.contrast as f32,
            },
            warm_up_seconds: self.warm_up_seconds,
            zones: self.zones.clone(),
            masks: self.masks.clone(),
        }
    }

    /// For the part that watches over the view.
    #[must_use]
    pub fn health(&self) -> health::Wanted {
        let health = &self.health;
        let wanted = [
            (health.dark, Fault::Dark),
            (health.blinded, Fault::Blinded),
            (health.blurred, Fault::Blurred),
            (health.frozen, Fault::Frozen),
            (health.covered, Fault::Covered),
            (health.moved, Fault::Moved),
        ];
        let faults = wanted.iter().filter(|(on, _)| *on).map(|(_, fault)| *fault);
        health::Wanted {
            faults: faults.collect(),
            dark_level: health.dark_level,
            frozen_nanos: (health.frozen_seconds * 1e9) as i64,
            moved_pixels: health.moved_pixels as f32,
            relearn_nanos: i64::from(health.relearn_minutes) * 60_000_000_000,
            masks: self.masks.clone(),
        }
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
        let given = r#"{"pictures_per_second": 1, "longest_side": 320, "minimum_area": 0.01,
            "zones": [{"name": "slip", "polygon": [[0, 0.5], [1, 0.5], [1, 1], [0, 1]]}],
            "masks": [{"polygon": [[0, 0.9], [0.3, 0.9], [0.3, 1]]}],
            "health": {"blurred": false, "moved_pixels": 5}}"#;
        let settings = read(given).unwrap();
        assert_eq!(settings.zones[0].name.as_deref(), Some("slip"));
        assert_eq!(settings.health().faults.len(), 5);
        for (bad, words) in [
            (
                r#"{"longest_side":40}"#,
                "longest_side = 40: give 160 to 1920",
            ),
            (
                r#"{"minimum_area":0.6}"#,
                "minimum_area = 0.6: give 0.0001 to 0.5",
            ),
            (r#"{"contrast":"6"}"#, "invalid type"),
            (
                r#"{"health":{"frozen_seconds":1}}"#,
                "health.frozen_seconds = 1: give 2 to 3600",
            ),
            (r#"{"health":{"foggy":true}}"#, "unknown field `foggy`"),
            (r#"{"zone":[]}"#, "unknown field `zone`"),
            (r#"{"zones":[{"polygon":[[0,0],[1]]}]}"#, "invalid length 1"),
            (
                r#"{"zones":[{"polygon":[[0,0],[1,1]]}]}"#,
                "zones, number 1: its polygon has 2 corners",
            ),
            (
                r#"{"masks":[{"name":"street","polygon":[[0,0],[1,0],[1,2]]}]}"#,
                r#"masks, number 1 ("street"): corner 3 of its polygon is [1, 2]"#,
            ),
            (
                r#"{"masks":[{"polygon":[[0,0],[1,0],[1,1],[0,1]]}]}"#,
                "the masks cover all that the zones leave",
            ),
        ] {
            let error = read(bad).unwrap_err();
            assert!(error.contains(words), "{bad}: {error}");
        }
        let many = vec![r#"{"polygon":[[0,0],[1,0],[1,1]]}"#; 17].join(",");
        let error = read(&format!(r#"{{"zones":[{many}]}}"#)).unwrap_err();
        assert_eq!(error, "17 zones: give at most 16");
    }
}
