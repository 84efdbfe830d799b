//! An analyzer whose calls end badly. `how`: `panic`, in the midst of a state that it has begun;
//! `refuse`, `configure` says no; `complain`, an error for each picture, with 20 kB of text. Each
//! instance leaves to the next one how many there have been: the gauge `lives`.

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Picture, export_analyzer, surroundings, telemetry};

struct Ends {
    how: String,
    pictures: u64,
}

impl Watcher for Ends {
    fn make(settings: Settings) -> Result<Self, String> {
        if settings.how == "refuse" {
            return Err("the lookout is at lunch\n\x1b[2J".to_owned());
        }
        if surroundings::leave(&"x".repeat(4097)).is_ok() {
            return Err("there is no bound to what is left".to_owned());
        }
        let left = surroundings::left().unwrap_or_default();
        let lives = left.parse().unwrap_or(0_u32) + 1;
        surroundings::leave(&lives.to_string())?;
        telemetry::gauge("lives", lives.into());
        Ok(Self {
            how: settings.how,
            pictures: 0,
        })
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        self.pictures += 1;
        match (self.how.as_str(), self.pictures) {
            ("panic", 1) => Ok(vec![Finding::begin("adrift", 1.0, picture.captured)]),
            ("panic", _) => panic!("the lookout fell asleep"),
            ("complain", count) => Err(format!("{count}\n\x1b[31m{}", "fog ".repeat(5000))),
            _ => Ok(Vec::new()),
        }
    }
}

export_analyzer!(Watching<Ends>);
