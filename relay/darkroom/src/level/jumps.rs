//! Jumps of brightness that stay: another exposure, a cleaned lens. Not what comes again each day.

use super::{Curve, Curves, DAY, Jump, KNOTS, Leveller};
use crate::calendar::Instant;

/// Frames on either side of what may be a jump.
const JUMP_SIDE: usize = 10;
/// Days on either side, where a day has several: two dark ones before two bright ones are weather.
const JUMP_DAYS: usize = 5;
/// Pairs of frames that tell of a jump, at the most.
const PAIRS_MAX: usize = 128;
/// How far from the same time of another day a frame may be: an hour where clocks were set between them.
const SAME_TIME_NANOS: i64 = 75 * 60_000_000_000;
/// Levels of mean luma that a jump has at the least.
const JUMP_MIN: f64 = 8.0;

impl Leveller {
    /// Frames on either side of what may be a jump: those of some days.
    fn side(&self) -> usize {
        match self.options.period_frames {
            0 | 1 => JUMP_SIDE,
            period => period.saturating_mul(JUMP_SIDE.div_ceil(period).max(JUMP_DAYS)),
        }
    }

    pub(super) fn find_jumps(&mut self) {
        let means: Vec<f64> = self.curves.iter().map(|[luma, ..]| luma.mean()).collect();
        let side = self.side();
        let mut found: Vec<(Jump, f64)> = Vec::new();
        for frame in side..=means.len().saturating_sub(side) {
            let step = means
                .get(frame)
                .zip(means.get(frame - 1))
                .map_or(0.0, |(b, a)| b - a);
            let step = step - self.usual_step(&means, frame, side);
            let same = self.views.get(frame - side) == self.views.get(frame + side - 1);
            // Most frames go no further.
            if !same || step.abs() < 0.5 * JUMP_MIN {
                continue;
            }
            let jump = match (self.options.period_frames, frame) {
                (0 | 1, _) => means
                    .get(frame - side..frame)
                    .zip(means.get(frame..frame + side))
                    .and_then(|(before, after)| jump(before, after)),
                _ => jump_of_days(&self.risen(&means, frame, side)),
            };
            let Some((levels, size)) = jump else {
                continue;
            };
            // From one frame to the next, not little by little.
            if step * levels.signum() < 0.5 * levels.abs() {
                continue;
            }
            let jump = Jump { frame, levels };
            match found.last_mut() {
                Some((last, largest)) if frame - last.frame < side => {
                    if size > *largest {
                        (*last, *largest) = (jump, size);
                    }
                }
                _ => found.push((jump, size)),
            }
        }
        self.jumps = found
            .into_iter()
            .filter_map(|(jump, _)| Some((jump, self.step(jump.frame)?)))
            .collect();
    }

    /// Frames behind a place with those of the same time of each day before it.
    fn pairs(&self, frame: usize, side: usize) -> Vec<(usize, usize)> {
        if self.options.period_frames < 2 {
            return (frame - side..frame).zip(frame..frame + side).collect();
        }
        let Some(begin) = self.times.get(frame) else {
            return Vec::new();
        };
        let mut days: Vec<i64> = (frame - side..frame)
            .filter_map(|at| Some((self.times.get(at)? - begin).div_euclid(DAY)))
            .collect();
        days.dedup();
        let every = (side * days.len()).div_ceil(PAIRS_MAX).max(1);
        let behind = (frame..frame + side).step_by(every);
        let pairs = behind.flat_map(|own| {
            let past = self
                .times
                .get(own)
                .map_or(0, |at| (at - begin).rem_euclid(DAY));
            let days = days.iter();
            days.filter_map(move |day| {
                let other = self.nearest(begin + day * DAY + past, (frame - side, frame))?;
                Some((other, own))
            })
        });
        pairs.collect()
    }

    /// The frame of some that is nearest to a time, if it is near.
    fn nearest(&self, wanted: Instant, (from, to): (usize, usize)) -> Option<usize> {
        let times = self.times.get(from..to.min(self.times.len()))?;
        let behind = times.partition_point(|at| *at < wanted);
        let far = |index: usize| times.get(index).map(|at| (at.abs_diff(wanted), index));
        let both = [behind.checked_sub(1).and_then(far), far(behind)];
        let (far, index) = both.into_iter().flatten().min()?;
        (far <= SAME_TIME_NANOS.unsigned_abs()).then_some(from + index)
    }

    /// By how many levels frames behind a place are brighter than those before it.
    fn risen(&self, means: &[f64], frame: usize, side: usize) -> Vec<f64> {
        let pairs = self.pairs(frame, side).into_iter();
        pairs
            .filter_map(|(before, after)| Some(means.get(after)? - means.get(before)?))
            .collect()
    }

    /// How much brighter a frame is than the one before it at its time of other days.
    fn usual_step(&self, means: &[f64], frame: usize, side: usize) -> f64 {
        let period = self.options.period_frames;
        let both = self.times.get(frame).zip(self.times.get(frame - 1));
        let (Some((own, last)), 2..) = (both, period) else {
            return 0.0;
        };
        let around = (frame.saturating_sub(2 * side), frame + 2 * side);
        let days = i64::try_from((side / period).max(1)).unwrap_or(1);
        let others = (-days..=days).filter(|day| *day != 0);
        let mut steps: Vec<f64> = others
            .filter_map(|day| {
                let later = self.nearest(own + day * DAY, around)?;
                let earlier = self.nearest(last + day * DAY, around)?;
                Some(means.get(later)? - means.get(earlier)?)
            })
            .collect();
        middle(&mut steps).0
    }

    /// Mean curves behind a jump less those before it.
    fn step(&self, frame: usize) -> Option<Curves> {
        let pairs = self.pairs(frame, self.side());
        let part = 1.0 / pairs.len() as f64;
        let mut step = [Curve([0.0; KNOTS]); 3];
        for (before, after) in pairs {
            for (index, sign) in [(after, part), (before, -part)] {
                for (step, curve) in step.iter_mut().zip(self.curves.get(index)?) {
                    step.add(curve, sign);
                }
            }
        }
        Some(step)
    }
}

/// Median, and the median of how far others are from it.
fn middle(values: &mut [f64]) -> (f64, f64) {
    values.sort_by(f64::total_cmp);
    let median = values.get(values.len() / 2).copied().unwrap_or(0.0);
    for value in values.iter_mut() {
        *value = (*value - median).abs();
    }
    values.sort_by(f64::total_cmp);
    (median, values.get(values.len() / 2).copied().unwrap_or(0.0))
}

/// By how many levels frames differ from those before, if that is more than they do among each other; and
/// how much that tells.
fn jump(before: &[f64], after: &[f64]) -> Option<(f64, f64)> {
    let (low, noise) = middle(&mut before.to_vec());
    let (high, other_noise) = middle(&mut after.to_vec());
    let levels = high - low;
    (levels.abs() >= JUMP_MIN.max(4.0 * noise.max(other_noise))).then_some((levels, levels.abs()))
}

/// The same of differences of frames of the same times of day.
fn jump_of_days(risen: &[f64]) -> Option<(f64, f64)> {
    let (levels, noise) = middle(&mut risen.to_vec());
    // A difference has the noise of two frames.
    if levels.abs() < JUMP_MIN.max(4.0 / std::f64::consts::SQRT_2 * noise) {
        return None;
    }
    // A bright day is no jump: nearly all frames must have risen beside each day before.
    let like = |value: &&f64| **value * levels.signum() >= 0.5 * levels.abs();
    if risen.iter().filter(like).count() * 10 < risen.len() * 9 {
        return None;
    }
    // Largest where all of one side are before it, and the others behind.
    let size = risen.iter().sum::<f64>().abs() / risen.len() as f64;
    Some((levels, size))
}
