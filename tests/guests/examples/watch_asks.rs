//! An analyzer that wants pictures of its own choice, and too many. `how`:
//! - `many`: a hundred thousand questions in each call;
//! - `forever`: questions without end, in `tick`: it comes up for air only in calls of the host;
//! - `extreme`: instants at both ends of time;
//! - `wanted`: the same without end, of the plan in place of pictures.

use std::hint::black_box;

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{
    Finding, Instant, Picture, Request, export_analyzer, pictures, surroundings, telemetry,
};

const SECOND: Instant = 1_000_000_000;

struct Asks(String);

impl Watcher for Asks {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self(settings.how))
    }

    fn request(&self) -> Request {
        // Only what is asked for.
        Request::gray(0.0, 160)
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        let answered = picture.asked.is_some();
        telemetry::count(if answered { "answered" } else { "unasked" }, 1);
        Ok(Vec::new())
    }

    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        match self.0.as_str() {
            "many" => (0..100_000).for_each(|n| pictures::ask(now - n % 3600 * SECOND)),
            "forever" => loop {
                pictures::ask(now);
            },
            "extreme" => [Instant::MIN, -1, 0, Instant::MAX]
                .into_iter()
                .for_each(|at| {
                    pictures::ask(at);
                    black_box(surroundings::wanted(at));
                }),
            "wanted" => loop {
                black_box(surroundings::wanted(black_box(now)));
            },
            _ => pictures::ask(now),
        }
        Vec::new()
    }
}

export_analyzer!(Watching<Asks>);
