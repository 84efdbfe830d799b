//! Precision and recall of what was found against what was there.

use forebay_motion::background::Tuning;
use forebay_motion::frame::Frame;
use forebay_motion::lasting::{Lasting, Turn, Turns};
use forebay_motion::motion::{Motion, Wanted};

use crate::scene::Scene;

/// Pictures a second.
pub const RATE: f32 = 2.0;

#[derive(Debug, Clone, Copy, Default)]
pub struct Verdict {
    pub events: usize,
    pub found: usize,
    pub alarms: usize,
    pub false_alarms: usize,
    pub pictures: usize,
    pub pictures_found: usize,
    /// Held to be on while nothing moved, after the grace.
    pub pictures_false: usize,
}

impl Verdict {
    pub fn recall(&self) -> f64 {
        self.found as f64 / self.events.max(1) as f64
    }

    pub fn precision(&self) -> f64 {
        if self.alarms == 0 {
            return 1.0;
        }
        1.0 - self.false_alarms as f64 / self.alarms as f64
    }

    pub fn picture_recall(&self) -> f64 {
        self.pictures_found as f64 / self.pictures.max(1) as f64
    }
}

/// Intervals of a row of answers.
pub fn intervals(row: &[bool]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut begin = None;
    for (at, &on) in row.iter().chain([&false]).enumerate() {
        match (on, begin) {
            (true, None) => begin = Some(at),
            (false, Some(from)) => {
                found.push((from, at));
                begin = None;
            }
            _ => {}
        }
    }
    found
}

/// `held`: motion was held to be on at each picture; `truth`: it was. A finding is false where it
/// overlaps no truth, with a second of grace behind one.
pub fn verdict(held: &[bool], truth: &[bool]) -> Verdict {
    let events = intervals(truth);
    let alarms = intervals(held);
    let grace = (RATE * 1.0) as usize;
    let near = |at: usize| {
        truth
            .iter()
            .take(at + 1)
            .skip(at.saturating_sub(2 * grace))
            .any(|&t| t)
    };
    let wrong = |&(at, &on): &(usize, &bool)| on && !near(at);
    let meets = |a: (usize, usize), b: (usize, usize)| a.0 < b.1 && b.0 < a.1;
    let found = events
        .iter()
        .filter(|&&e| alarms.iter().any(|&a| meets(a, e)));
    let right = |a: &&(usize, usize)| events.iter().any(|&e| meets(**a, (e.0, e.1 + grace)));
    Verdict {
        events: events.len(),
        found: found.count(),
        alarms: alarms.len(),
        false_alarms: alarms.len() - alarms.iter().filter(right).count(),
        pictures: truth.iter().filter(|&&t| t).count(),
        pictures_found: held.iter().zip(truth).filter(|&(&h, &t)| h && t).count(),
        pictures_false: held.iter().enumerate().filter(wrong).count(),
    }
}

pub fn wanted() -> Wanted {
    Wanted {
        minimum_area: 0.0005,
        tuning: Tuning {
            absorb_seconds: 120.0,
            contrast: 6.0,
        },
        warm_up_seconds: 20.0,
        zones: Vec::new(),
        masks: Vec::new(),
    }
}

pub fn judged(
    name: &str,
    pictures: impl Iterator<Item = (Vec<u8>, bool)>,
    size: (usize, usize),
) -> Verdict {
    let mut motion = Motion::new(wanted());
    let mut state = Lasting::new(Turns {
        begin: 0.5,
        end: 0.35,
        begin_nanos: 0,
        end_nanos: 1_500_000_000,
    });
    let (mut held, mut truth) = (Vec::new(), Vec::new());
    let verbose = std::env::var_os("FOREBAY_SCORES").is_some();
    for (at, (picture, moving)) in pictures.enumerate() {
        let nanos = (at as f32 / RATE * 1e9) as i64;
        let frame = Frame::new(size, size.0, &picture, nanos, false).unwrap();
        let seen = motion.look(&frame);
        let turn = state.step(nanos, seen.score as f32);
        if verbose {
            println!(
                "{name} {:6.1} {} {:.2} {:?} changed {:.3} spread {:.2} g {} {:?}",
                at as f32 / RATE,
                u8::from(moving),
                seen.score,
                turn,
                seen.changed,
                seen.spread,
                seen.global,
                seen.region
            );
        }
        let _: Option<Turn> = turn;
        held.push(state.holds());
        truth.push(moving);
    }
    let verdict = verdict(&held, &truth);
    println!(
        "{name:24} precision {:.3} recall {:.3} of {:3} events; pictures {:.3}; false {} ({} pictures)",
        verdict.precision(),
        verdict.recall(),
        verdict.events,
        verdict.picture_recall(),
        verdict.false_alarms,
        verdict.pictures_false
    );
    verdict
}

pub fn run(name: &str, mut scene: Scene, seconds: f32) -> Verdict {
    let size = scene.size;
    let pictures = (0..(seconds * RATE) as usize).map(|at| {
        let at = at as f32 / RATE;
        (scene.picture(at), scene.truth(at))
    });
    judged(name, pictures.collect::<Vec<_>>().into_iter(), size)
}
