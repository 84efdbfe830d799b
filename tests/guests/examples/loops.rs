//! Never returns from the call that `how` names; `burns` returns each time after `seconds`.

use std::hint::black_box;
use std::time::{Duration, Instant};

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, Track, export_sink};

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

impl Guest for Loops {
    fn make(settings: Settings) -> Result<Self, String> {
        let guest = Self(settings);
        guest.here("configure");
        Ok(guest)
    }

    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        self.here("tracks");
        tracks.iter().map(|track| track.id).collect()
    }

    fn handle(&mut self, _units: Vec<AccessUnit>) -> Result<(), String> {
        self.here("handle");
        if self.0.how == "burns" {
            let begin = Instant::now();
            while begin.elapsed() < Duration::from_secs_f64(self.0.seconds) {
                black_box(begin);
            }
        }
        Ok(())
    }

    fn tick(&mut self) {
        self.here("tick");
    }

    fn stop(&mut self) {
        self.here("stop");
    }
}

export_sink!(Misbehaving<Loops>);
