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
    /// Capture time of what it tells: a state begins with the first picture that shows it, and is
    /// over with the first one that doesn't.
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
            let (phase, at_nanos) = phase(change.turn);
            let begins = phase == Phase::Begin;
            let size = if begins && change.fault == Fault::Moved {
                let (width, height) = frame.size();
                format!(" in a picture of {width} × {height}")
            } else {
                String::new()
            };
            notes.push(Note {
                kind: change.fault.kind(),
                phase,
                score: change.score,
                at_nanos,
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
        let note = |phase, at_nanos, score, region, text| Note {
            kind: MOTION,
            phase,
            score,
            at_nanos,
            region,
            text,
        };
        match self.moving.step(now, seen.score as f32) {
            Some(Turn::Begin { at_nanos }) => {
                self.best = None;
                self.marked_nanos = now;
                let (score, region) = (seen.score, seen.region);
                notes.push(note(Phase::Begin, at_nanos, score, region, place));
                return;
            }
            Some(Turn::End {
                since_nanos,
                at_nanos,
            }) => {
                let score = f64::from(self.moving.peak());
                let text = lasted(since_nanos, at_nanos);
                notes.push(note(Phase::End, at_nanos, score, None, text));
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
            notes.push(note(Phase::Mark, at_nanos, score, region, place));
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
        let changes = self.health.finish(last, text).into_iter();
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
        let end = self.moving.over(at_nanos).map(|_| Note {
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

/// What a turn is, and its instant.
fn phase(turn: Turn) -> (Phase, i64) {
    match turn {
        Turn::Begin { at_nanos } => (Phase::Begin, at_nanos),
        Turn::End { at_nanos, .. } => (Phase::End, at_nanos),
    }
}

fn lasted(since_nanos: i64, until_nanos: i64) -> String {
    let seconds = until_nanos.saturating_sub(since_nanos) as f64 * 1e-9;
    format!("lasted {seconds:.0} s")
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: (usize, usize) = (320, 180);

    /// A textured view with, where given, a bright square whose left edge is there.
    fn picture(square: Option<usize>, seed: u32) -> Vec<u8> {
        let mut state = seed.wrapping_mul(747_796_405).wrapping_add(1);
        let mut picture = Vec::with_capacity(SIZE.0 * SIZE.1);
        for y in 0..SIZE.1 {
            for x in 0..SIZE.0 {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = (state >> 30) as u8;
                let inside = square
                    .is_some_and(|left| (left..left + 30).contains(&x) && (70..110).contains(&y));
                let view = 60 + (x / 16 * 7 + y / 12 * 13) as u8 % 60;
                picture.push(if inside { 200 } else { view } + noise);
            }
        }
        picture
    }

    fn watch(watcher: &mut Watcher, at: usize, square: Option<usize>) -> Vec<Note> {
        let bytes = picture(square, at as u32);
        let nanos = at as i64 * 500_000_000;
        let frame = Frame::new(SIZE, SIZE.0, &bytes, nanos, false).unwrap();
        watcher.watch(&frame)
    }

    fn settings(text: &str) -> Settings {
        let settings: Settings = serde_json::from_str(text).unwrap();
        settings.checked().unwrap()
    }

    #[test]
    fn motion_begins_is_marked_and_ends() {
        let zone = r#"{"zones": [{"name": "slip", "polygon": [[0, 0], [1, 0], [1, 1], [0, 1]]}]}"#;
        let mut watcher = Watcher::new(settings(zone));
        let still: Vec<Note> = (0..60)
            .flat_map(|at| watch(&mut watcher, at, None))
            .collect();
        assert_eq!(still, []);
        let moving = (60..84).flat_map(|at| watch(&mut watcher, at, Some((at - 60) * 12)));
        let moving: Vec<Note> = moving.collect();
        let kinds: Vec<_> = moving.iter().map(|n| (n.kind, n.phase)).collect();
        // The second sighting begins it; a mark each five seconds.
        let mark = (MOTION, Phase::Mark);
        assert_eq!(kinds, [(MOTION, Phase::Begin), mark, mark]);
        let begin = &moving[0];
        assert_eq!(begin.at_nanos, 61 * 500_000_000);
        assert_eq!(begin.text, "in slip");
        let region = begin.region.unwrap();
        // The square is at 12 to 42 of 320, 70 to 110 of 180.
        assert!(
            region.left <= 0.04 && region.left + region.width >= 0.13,
            "{region:?}"
        );
        assert!(
            region.top <= 0.4 && region.top + region.height >= 0.6,
            "{region:?}"
        );
        assert!(region.width * region.height < 0.08, "{region:?}");
        let after: Vec<Note> = (84..100)
            .flat_map(|at| watch(&mut watcher, at, None))
            .collect();
        let end = after.last().unwrap();
        assert_eq!((end.kind, end.phase), (MOTION, Phase::End));
        // With the picture in which the square is gone, not when that has lasted.
        assert_eq!(end.at_nanos, 84 * 500_000_000);
        assert_eq!(end.text, "lasted 12 s");
        assert_eq!(watcher.stop(), []);
    }

    #[test]
    fn what_is_masked_does_not_move() {
        let mask = r#"{"masks": [{"polygon": [[0, 0.3], [1, 0.3], [1, 0.7], [0, 0.7]]}]}"#;
        let mut watcher = Watcher::new(settings(mask));
        for at in 0..60 {
            assert_eq!(watch(&mut watcher, at, None), []);
        }
        for at in 60..84 {
            assert_eq!(watch(&mut watcher, at, Some((at - 60) * 12)), []);
        }
    }

    #[test]
    fn motion_ends_where_no_picture_comes_or_the_watch_ends() {
        for stop in [false, true] {
            let mut watcher = Watcher::new(Settings::default());
            for at in 0..60 {
                assert_eq!(watch(&mut watcher, at, None), []);
            }
            for at in 60..64 {
                watch(&mut watcher, at, Some((at - 60) * 12));
            }
            assert!(watcher.moving());
            let last = 63 * 500_000_000;
            assert_eq!(watcher.tick(last + 40_000_000_000), []);
            let notes = if stop {
                watcher.stop()
            } else {
                watcher.tick(last + 60_000_000_000)
            };
            assert_eq!(notes.len(), 1);
            assert_eq!((notes[0].phase, notes[0].at_nanos), (Phase::End, last));
            assert!(!watcher.moving());
        }
    }

    #[test]
    fn a_picture_out_of_order_is_left_out_and_another_size_begins_anew() {
        let mut watcher = Watcher::new(Settings::default());
        for at in 0..60 {
            watch(&mut watcher, at, None);
        }
        assert_eq!(watch(&mut watcher, 10, Some(100)), []);
        let bytes = vec![90; 64 * 48];
        let frame = Frame::new((64, 48), 64, &bytes, 40_000_000_000, true).unwrap();
        assert_eq!(watcher.watch(&frame), []);
        assert!(watcher.seen().is_some_and(|seen| seen.warming));
    }
}
