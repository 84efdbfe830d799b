//! One camera's pictures in, findings and gauges out.

use crate::frame::Frame;
use crate::health::{Fault, Health, told};
use crate::lasting::{Lasting, Turn, Turns};
use crate::motion::{Motion, Region, Seen};
use crate::settings::Settings;

/// The kind of the findings of motion.
pub const MOTION: &str = "motion";
/// Share of the threshold at which motion may end. What has been seen only once scores less.
const END_SHARE: f32 = 0.7;
/// Motion ends where no picture has come for so long (and so many times the wait for quiet).
const SILENCE_NANOS: i64 = 30_000_000_000;

/// What a finding is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// This instant.
    Mark,
    /// A state begins.
    Begin,
    /// It is over.
    End,
}

/// A finding, before it crosses the border.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// Its kind.
    pub kind: &'static str,
    /// Of what.
    pub phase: Phase,
    /// 0 to 1.
    pub score: f64,
    /// Capture time.
    pub at_nanos: i64,
    /// Where in the picture.
    pub region: Option<Region>,
    /// For people.
    pub text: String,
}

/// The state for one camera.
#[derive(Debug)]
pub struct Watcher {
    settings: Settings,
    motion: Motion,
    health: Health,
    moving: Lasting,
    /// Best sighting since the last mark.
    best: Option<(f64, i64, Option<Region>)>,
    marked_nanos: i64,
    last_nanos: Option<i64>,
    seen: Option<Seen>,
}

impl Watcher {
    /// With settings that have been [checked](Settings::checked).
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        let begin = settings.threshold as f32;
        Self {
            motion: Motion::new(settings.motion()),
            health: Health::new(settings.health()),
            moving: Lasting::new(Turns {
                begin,
                end: begin * END_SHARE,
                begin_nanos: 0,
                end_nanos: (settings.quiet_seconds * 1e9) as i64,
            }),
            best: None,
            marked_nanos: 0,
            last_nanos: None,
            seen: None,
            settings,
        }
    }

    /// There is motion.
    #[must_use]
    pub fn moving(&self) -> bool {
        self.moving.holds()
    }

    /// What was seen in the last picture.
    #[must_use]
    pub fn seen(&self) -> Option<&Seen> {
        self.seen.as_ref()
    }

    /// The health of the view.
    #[must_use]
    pub fn health(&self) -> &Health {
        &self.health
    }

    /// The next picture. One that is not later than the one before is left out.
    pub fn watch(&mut self, frame: &Frame<'_>) -> Vec<Note> {
        let now = frame.captured_nanos;
        if self.last_nanos.is_some_and(|last| now <= last) {
            return Vec::new();
        }
        self.last_nanos = Some(now);
        let mut notes = Vec::new();
        let seen = self.motion.look(frame);
        self.note_motion(now, &seen, &mut notes);
        self.seen = Some(seen);
        for change in self.health.look(frame) {
            let begins = change.turn == Turn::Begin;
            let size = if begins && change.fault == Fault::Moved {
                let (width, height) = frame.size();
                format!(" in a picture of {width} × {height}")
            } else {
                String::new()
            };
            notes.push(Note {
                kind: change.fault.kind(),
                phase: if begins { Phase::Begin } else { Phase::End },
                score: change.score,
                at_nanos: now,
                region: None,
                text: change.text + &size,
            });
        }
        notes
    }

    fn note_motion(&mut self, now: i64, seen: &Seen, notes: &mut Vec<Note>) {
        let named = seen
            .zone
            .and_then(|zone| self.settings.zones.get(zone)?.name.clone());
        let place = named.map_or(String::new(), |name| format!("in {name}"));
        let note = |phase, score, region, text| Note {
            kind: MOTION,
            phase,
            score,
            at_nanos: now,
            region,
            text,
        };
        match self.moving.step(now, seen.score as f32) {
            Some(Turn::Begin) => {
                self.best = None;
                self.marked_nanos = now;
                notes.push(note(Phase::Begin, seen.score, seen.region, place));
                return;
            }
            Some(Turn::End { since_nanos }) => {
                let score = f64::from(self.moving.peak());
                let text = lasted(since_nanos, now);
                notes.push(note(Phase::End, score, None, text));
                return;
            }
            None => {}
        }
        let pause = (self.settings.mark_seconds * 1e9) as i64;
        if pause == 0 || !self.moving.holds() {
            return;
        }
        if seen.score >= self.settings.threshold && self.best.is_none_or(|b| seen.score > b.0) {
            self.best = Some((seen.score, now, seen.region));
        }
        if now.saturating_sub(self.marked_nanos) >= pause
            && let Some((score, at_nanos, region)) = self.best.take()
        {
            self.marked_nanos = now;
            notes.push(Note {
                at_nanos,
                ..note(Phase::Mark, score, region, place)
            });
        }
    }

    /// The time, also when there are no pictures.
    pub fn tick(&mut self, now: i64) -> Vec<Note> {
        let silence = SILENCE_NANOS + 4 * (self.settings.quiet_seconds * 1e9) as i64;
        let silent = |last: i64| now.saturating_sub(last) > silence;
        let Some(last) = self.last_nanos.filter(|&last| silent(last)) else {
            return Vec::new();
        };
        self.end_motion(last, "no pictures come")
    }

    /// Ends all that holds.
    pub fn stop(&mut self) -> Vec<Note> {
        let Some(last) = self.last_nanos else {
            return Vec::new();
        };
        let text = "the watch ends";
        let mut notes = self.end_motion(last, text);
        let changes = self.health.finish(text).into_iter();
        notes.extend(changes.map(|change| Note {
            kind: change.fault.kind(),
            phase: Phase::End,
            score: change.score,
            at_nanos: last,
            region: None,
            text: change.text,
        }));
        notes
    }

    fn end_motion(&mut self, at_nanos: i64, text: &str) -> Vec<Note> {
        let score = f64::from(self.moving.peak());
        let end = self.moving.over().map(|_| Note {
            kind: MOTION,
            phase: Phase::End,
            score,
            at_nanos,
            region: None,
            text: text.to_owned(),
        });
        end.into_iter().collect()
    }

    /// Name and value of each gauge that can be told now.
    #[must_use]
    pub fn gauges(&self) -> Vec<(&'static str, f64)> {
        let levels = self.health.levels();
        let mut gauges: Vec<(&'static str, Option<f32>)> = vec![
            ("brightness", Some(levels.brightness)),
            ("dark_share", Some(levels.dark)),
            ("white_share", Some(levels.white)),
            ("sharpness_ratio", levels.sharpness),
            ("still_seconds", Some(levels.still_seconds)),
            ("covered_share", levels.covered),
            ("moved_right_pixels", levels.moved.map(|shift| shift.right)),
            ("moved_down_pixels", levels.moved.map(|shift| shift.down)),
            ("noise_levels", levels.noise),
        ];
        if let Some(seen) = &self.seen {
            gauges.push(("motion_score", Some(seen.score as f32)));
            gauges.push(("motion_changed_share", Some(seen.changed)));
            gauges.push(("motion_spread_ratio", Some(seen.spread)));
        }
        let told = gauges.into_iter();
        told.filter_map(|(name, value)| Some((name, f64::from(value?))))
            .collect()
    }

    /// Where the view is, in words; `None` where it can't be told.
    #[must_use]
    pub fn place(&self) -> Option<String> {
        self.health.levels().moved.as_ref().map(told)
    }
}

fn lasted(since_nanos: i64, now: i64) -> String {
    let seconds = now.saturating_sub(since_nanos) as f64 * 1e-9;
    format!("lasted {seconds:.0} s")
}
