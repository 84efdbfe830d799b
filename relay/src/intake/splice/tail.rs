//! What was let out last of a kind of track, and whether the next unit follows on it.

use std::collections::VecDeque;

use super::Passed;
use crate::hold::TrackKind;

/// Media times of the last group that are remembered, so that none passes twice.
const PASSED_MAX: usize = 2048;
/// A unit that comes so long after its forerunner, in usual distances, has others missing before
/// it. Less may be a camera that slows down in the dark.
const HOLE_STEPS: f64 = 3.5;
/// The same for a random access point: at least two are missing.
const KEY_STEPS: f64 = 2.5;
/// At a seam whose axes are tied, the next unit is the very next, or something is missing.
const SEAM_STEPS: f64 = 1.8;
/// The least that counts as a hole within a session, in seconds.
const HOLE_SECONDS_MIN: f64 = 0.25;

/// What lies between two units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Seam {
    /// They are of one session.
    Inside,
    /// Of two sessions whose axes are tied.
    Tied,
    /// Of two sessions of which no more is known than their capture times.
    #[default]
    Loose,
}

/// What was let out of one kind of track.
#[derive(Debug, Default)]
pub(super) struct Tail {
    /// What lies between the last unit and the next.
    pub(super) seam: Seam,
    /// To be added to the session's media times.
    pub(super) offset: i64,
    /// Of the last unit: media time on the axis let out, capture time.
    pub(super) last: Option<(i64, i64)>,
    /// The latest media time let out; with reordering not the last.
    pub(super) latest: Option<i64>,
    /// Usual distance of units in ticks.
    pub(super) usual: Option<f64>,
    /// The last distance that was taken for a hole.
    pub(super) odd: Option<f64>,
    pub(super) clock_rate: u32,
    /// Media times on the axis let out since the last random access point but one.
    pub(super) passed: VecDeque<i64>,
    pub(super) group_begin: Option<i64>,
}

impl Tail {
    pub(super) fn usual_nanos(&self) -> i64 {
        let rate = f64::from(self.clock_rate.max(1));
        self.usual
            .map_or(40_000_000, |ticks| (ticks / rate * 1e9) as i64)
    }

    /// Whether units are missing between the last one and one at `time` (on the axis let out).
    pub(super) fn is_hole(&self, time: i64, random_access: bool, seam: Seam) -> bool {
        let Some(latest) = self.latest else {
            return seam == Seam::Loose;
        };
        let step = time.saturating_sub(latest) as f64;
        let least = HOLE_SECONDS_MIN * f64::from(self.clock_rate);
        match (seam, self.usual) {
            (Seam::Loose, _) => true,
            // A camera whose buffer is full leaves out what comes up to the next key frame.
            (Seam::Inside, Some(usual)) if random_access => step > KEY_STEPS * usual,
            (Seam::Inside, Some(usual)) => step > (HOLE_STEPS * usual).max(least),
            (Seam::Tied, Some(usual)) => step > SEAM_STEPS * usual,
            (_, None) => step > least,
        }
    }

    pub(super) fn end(&self) -> Option<i64> {
        let (_, captured) = self.last?;
        Some(captured.saturating_add(self.usual_nanos()))
    }

    pub(super) fn note(&mut self, unit: &Passed, time: i64) {
        self.clock_rate = unit.clock_rate;
        if unit.duration > 0 {
            self.usual = Some(f64::from(unit.duration));
        } else if let Some(latest) = self.latest
            && time > latest
        {
            let step = time.saturating_sub(latest) as f64;
            if self.is_hole(time, unit.random_access, Seam::Inside) {
                // The same hole twice is the camera's new pace.
                let same = |odd: f64| (step - odd).abs() < odd / 4.0;
                if self.odd.replace(step).is_some_and(same) {
                    self.usual = Some(step);
                }
            } else {
                self.odd = None;
                // Follows a camera that changes its rate within some ten pictures.
                let follow = |usual: f64| usual + (step - usual) / 8.0;
                self.usual = Some(self.usual.map_or(step, follow));
            }
        }
        if unit.random_access
            && unit.kind == TrackKind::Video
            && let Some(begin) = self.group_begin.replace(time)
        {
            self.passed.retain(|passed| *passed >= begin);
        }
        if self.passed.len() == PASSED_MAX {
            self.passed.pop_front();
        }
        self.passed.push_back(time);
        self.last = Some((time, unit.captured));
        self.latest = Some(self.latest.map_or(time, |latest| latest.max(time)));
    }
}
