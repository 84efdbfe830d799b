//! An analyzer that never returns from the call that `how` names; `burns` returns from `analyze`
//! each time after `seconds`.

use std::hint::black_box;
use std::time::{Duration, Instant};

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Picture, export_analyzer};

struct Loops(Settings);

impl Loops {
    fn here(&self, place: &str) {
        if self.0.how == place {
            let mut turns = 0_u64;
            loop {
                turns = black_box(turns.wrapping_add(1));
            }
        }
    }
}

impl Watcher for Loops {
    fn make(settings: Settings) -> Result<Self, String> {
        let guest = Self(settings);
        guest.here("configure");
        Ok(guest)
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        self.here("analyze");
        if self.0.how == "burns" {
            let begin = Instant::now();
            while begin.elapsed() < Duration::from_secs_f64(self.0.seconds) {
                black_box(&picture);
            }
        }
        Ok(Vec::new())
    }

    fn tick(&mut self, _now: forebay_plugin_sdk::Instant) -> Vec<Finding> {
        self.here("tick");
        Vec::new()
    }

    fn stop(&mut self) -> Vec<Finding> {
        self.here("stop");
        Vec::new()
    }
}

export_analyzer!(Watching<Loops>);
