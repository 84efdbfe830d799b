//! An analyzer whose calls end badly. `how`: `panic`, in the midst of a state that it has begun;
//! `refuse`, `configure` says no; `complain`, an error for each picture, with 20 kB of text.

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Picture, export_analyzer};

struct Ends {
    how: String,
    pictures: u64,
}

impl Watcher for Ends {
    fn make(settings: Settings) -> Result<Self, String> {
        if settings.how == "refuse" {
            return Err("the lookout is at lunch\n\x1b[2J".to_owned());
        }
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
