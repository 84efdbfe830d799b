//! Precision and recall of what was found against what was there.

use forebay_motion::frame::Frame;
use forebay_motion::settings::Settings;
use forebay_motion::watcher::{Note, Phase, Watcher};

use crate::scene::Scene;

/// Pictures a second.
pub(crate) const RATE: f32 = 2.0;
/// Motion may be told for so many pictures after its end: the wait for quiet (4 s), and one.
const GRACE: usize = 10;

#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Verdict {
    pub(crate) events: usize,
    pub(crate) found: usize,
    pub(crate) alarms: usize,
    pub(crate) false_alarms: usize,
    pub(crate) pictures: usize,
    pub(crate) pictures_found: usize,
    /// Held to be on while nothing moved, after the grace.
    pub(crate) pictures_false: usize,
    /// Findings that the health of the view began.
    pub(crate) faults: usize,
}

impl Verdict {
    /// Of the things that moved, the share that was found.
    pub(crate) fn recall(&self) -> f64 {
        self.found as f64 / self.events.max(1) as f64
    }

    /// Of the findings, the share that is right.
    pub(crate) fn precision(&self) -> f64 {
        if self.alarms == 0 {
            return 1.0;
        }
        1.0 - self.false_alarms as f64 / self.alarms as f64
    }

    /// Of the pictures with motion, the share during which it was told.
    pub(crate) fn picture_recall(&self) -> f64 {
        self.pictures_found as f64 / self.pictures.max(1) as f64
    }
}

fn intervals(row: &[bool]) -> Vec<(usize, usize)> {
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

/// `held`: motion was told at each picture; `truth`: there was motion. A finding is false where it
/// begins with no truth within a second before.
pub(crate) fn verdict(held: &[bool], truth: &[bool], faults: usize) -> Verdict {
    let events = intervals(truth);
    let alarms = intervals(held);
    let lately = |at: usize, pictures: usize| {
        truth
            .iter()
            .take(at + 1)
            .skip(at.saturating_sub(pictures))
            .any(|&t| t)
    };
    // An event is found where motion was told during it, and not only as the rest of the last one.
    let told = |from: usize, to: usize| held.get(from..to).unwrap_or_default().contains(&true);
    let found = events.iter().filter(|&&(from, to)| told(from, to));
    Verdict {
        events: events.len(),
        found: found.count(),
        alarms: alarms.len(),
        false_alarms: alarms.iter().filter(|&&(from, _)| !lately(from, 2)).count(),
        pictures: truth.iter().filter(|&&t| t).count(),
        pictures_found: held.iter().zip(truth).filter(|&(&h, &t)| h && t).count(),
        pictures_false: held
            .iter()
            .enumerate()
            .filter(|&(at, &on)| on && !lately(at, GRACE))
            .count(),
        faults,
    }
}

/// What was told of a row of pictures, and what was so: for each, whether there was motion.
pub(crate) struct Told {
    pub(crate) held: Vec<bool>,
    pub(crate) truth: Vec<bool>,
    pub(crate) faults: usize,
}

/// Judges a row of pictures, each with whether something moves in it.
pub(crate) fn judged(
    name: &str,
    settings: Settings,
    pictures: impl Iterator<Item = (Vec<u8>, bool)>,
    size: (usize, usize),
    group: usize,
) -> Verdict {
    let told = told(name, settings, pictures, size, group);
    let verdict = verdict(&told.held, &told.truth, told.faults);
    println!(
        "{name:20} precision {:.3} recall {:.3} of {:2} events, {:.3} of their pictures; false: {} of {:2} \
         findings, {} pictures",
        verdict.precision(),
        verdict.recall(),
        verdict.events,
        verdict.picture_recall(),
        verdict.false_alarms,
        verdict.alarms,
        verdict.pictures_false,
    );
    verdict
}

/// What is told of a row of pictures, each with whether something moves in it.
pub(crate) fn told(
    name: &str,
    settings: Settings,
    pictures: impl Iterator<Item = (Vec<u8>, bool)>,
    size: (usize, usize),
    group: usize,
) -> Told {
    let mut watcher = Watcher::new(settings.checked().unwrap());
    let (mut held, mut truth) = (Vec::new(), Vec::new());
    let mut faults = 0;
    let verbose = std::env::var_os("FOREBAY_SCORES").is_some();
    for (at, (picture, moving)) in pictures.enumerate() {
        let time = at as f32 / RATE;
        let nanos = (f64::from(time) * 1e9) as i64;
        let key = at % group == 0;
        let frame = Frame::new(size, size.0, &picture, nanos, key).unwrap();
        let notes = watcher.watch(&frame);
        let began = |note: &&Note| note.phase == Phase::Begin && note.kind != "motion";
        for note in notes.iter().filter(began) {
            println!("{name}: {} at {time}: {}", note.kind, note.text);
            faults += 1;
        }
        if verbose {
            let seen = watcher.seen().unwrap();
            println!(
                "{name} {time:6.1} {} {} {:.2} changed {:.3} spread {:.2} global {} {:?}",
                u8::from(moving),
                u8::from(watcher.moving()),
                seen.score,
                seen.changed,
                seen.spread,
                seen.global,
                seen.region
            );
        }
        held.push(watcher.moving());
        truth.push(moving);
    }
    Told {
        held,
        truth,
        faults,
    }
}

/// Judges a made-up scene.
pub(crate) fn run(name: &str, mut scene: Scene, seconds: f32) -> Verdict {
    let size = scene.size;
    let pictures = (0..(seconds * RATE) as usize).map(move |at| {
        let at = at as f32 / RATE;
        (scene.picture(at), scene.truth(at))
    });
    judged(name, Settings::default(), pictures, size, 8)
}
