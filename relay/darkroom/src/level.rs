//! Flicker taken out: each frame's distribution of brightness and colour becomes the mean of those
//! around it.
//!
//! J. Delon, "Movie and video scale-time equalization. Application to flicker reduction", IEEE Trans.
//! Image Processing 15(1), 2006: the inverse cumulative histograms of neighbouring frames are averaged
//! over a Gaussian window in time, for each channel; what changes slowly stays. Here the channels are
//! luma, Cb and Cr.

use serde::{Deserialize, Serialize};

use crate::calendar::Instant;
use crate::frame::{Frame, Plane};

/// Steps of a distribution: values of which 0, 1/128 … 128/128 of all samples are below.
pub const KNOTS: usize = 129;
/// Units of a knot in a level.
const UNIT: f64 = 128.0;
/// Knots are stored from this level on.
const LOWEST: f64 = -0.5;
/// A level that comes out may rise this much faster than what goes in: more only shows noise.
const SLOPE_MAX: f64 = 2.5;
/// Frames on either side of what may be a jump.
const JUMP_SIDE: usize = 10;
/// How often a channel is brought to its mean: what is cut off at black or white must be made up for.
const SHIFTS: usize = 3;
/// Days on either side, where a day has several: two dark ones before two bright ones are weather.
const JUMP_DAYS: usize = 5;
/// Pairs of frames that tell of a jump, at the most.
const PAIRS_MAX: usize = 128;
const DAY: i64 = 86_400_000_000_000;
/// How far from the same time of another day a frame may be: an hour where clocks were set between them.
const SAME_TIME_NANOS: i64 = 75 * 60_000_000_000;
/// Levels of mean luma that a jump has at the least.
const JUMP_MIN: f64 = 8.0;

/// How flicker is taken out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Levelling {
    /// 0: nothing; 1: all of it.
    pub strength: f64,
    /// Standard deviation of the window, in frames of the film.
    pub sigma_frames: f64,
    /// Frames over which a jump that stays (another exposure, a cleaned lens) is spread; 0: jumps are
    /// left to the window.
    pub fade_frames: usize,
    /// Frames of a day; 0 or 1 where a day has one or less. What comes again at the same time of each day is
    /// no jump.
    #[serde(default)]
    pub period_frames: usize,
}

/// The distribution of one channel: the inverse cumulative histogram at equal steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Curve([f32; KNOTS]);

/// Those of luma, Cb and Cr.
pub type Curves = [Curve; 3];

impl Curve {
    /// Of a plane. `hidden` tells what doesn't count, by shares of width and height.
    #[must_use]
    pub fn of(plane: &Plane, hidden: Option<&Plane>) -> Self {
        let mut histogram = [0u32; 256];
        let mut count = |samples: &[u8], skip: Option<&[u8]>, scale: f64| {
            for (x, sample) in samples.iter().enumerate() {
                let skipped = skip.is_some_and(|skip| {
                    skip.get((x as f64 * scale) as usize)
                        .is_some_and(|hidden| *hidden > 0)
                });
                if !skipped && let Some(count) = histogram.get_mut(usize::from(*sample)) {
                    *count += 1;
                }
            }
        };
        for (y, row) in plane.rows().enumerate() {
            let skip = hidden.map(|hidden| hidden.row(y * hidden.height / plane.height.max(1)));
            let scale = hidden.map_or(1.0, |hidden| {
                hidden.width as f64 / plane.width.max(1) as f64
            });
            count(row, skip, scale);
        }
        if histogram.iter().all(|count| *count == 0) {
            return Self::of(plane, None);
        }
        Self::from_histogram(&histogram)
    }

    /// Samples of a level are spread evenly from half a level below it to half above.
    fn from_histogram(histogram: &[u32; 256]) -> Self {
        let all: f64 = histogram.iter().map(|count| f64::from(*count)).sum();
        let mut knots = [0f32; KNOTS];
        let mut below = 0.0;
        let mut counts = histogram
            .iter()
            .zip(0u32..)
            .filter(|(count, _)| **count > 0)
            .peekable();
        for (knot, number) in knots.iter_mut().zip(0u32..) {
            let wanted = all * f64::from(number) / (KNOTS - 1) as f64;
            let mut value = 255.5;
            while let Some((count, level)) = counts.peek() {
                let count = f64::from(**count);
                if below + count >= wanted {
                    value = f64::from(*level) - 0.5 + ((wanted - below) / count).clamp(0.0, 1.0);
                    break;
                }
                below += count;
                counts.next();
            }
            // As it is stored: a run that goes on has the same.
            *knot = (((value - LOWEST) * UNIT).round() / UNIT + LOWEST) as f32;
        }
        Self(knots)
    }

    /// Mean level.
    #[must_use]
    pub fn mean(&self) -> f64 {
        let ends = self
            .0
            .first()
            .zip(self.0.last())
            .map_or(0.0, |(a, b)| f64::from(a + b) / 2.0);
        let sum: f64 = self.0.iter().map(|knot| f64::from(*knot)).sum();
        (sum - ends) / (KNOTS - 1) as f64
    }

    /// Adds `weight` times another.
    fn add(&mut self, other: &Self, weight: f64) {
        for (knot, other) in self.0.iter_mut().zip(&other.0) {
            *knot += weight as f32 * other;
        }
    }

    /// Which share of the samples is below a level.
    fn share(&self, level: f64) -> f64 {
        let level = level as f32;
        let above = self.0.partition_point(|knot| *knot < level);
        let below = self.0.partition_point(|knot| *knot <= level);
        let steps = (KNOTS - 1) as f64;
        if below > above {
            // Many samples have this level: the middle of them.
            return ((above + below - 1) as f64 / 2.0 / steps).clamp(0.0, 1.0);
        }
        match (
            above.checked_sub(1).and_then(|i| self.0.get(i)),
            self.0.get(above),
        ) {
            (Some(low), Some(high)) => {
                let part = f64::from(level - low) / f64::from(high - low).max(1e-6);
                (above as f64 - 1.0 + part) / steps
            }
            (None, _) => 0.0,
            (_, None) => 1.0,
        }
    }

    /// The level that a share of the samples is below.
    fn level(&self, share: f64) -> f64 {
        let place = share.clamp(0.0, 1.0) * (KNOTS - 1) as f64;
        let index = (place.floor() as usize).min(KNOTS - 2);
        let part = place - index as f64;
        let at = |index| self.0.get(index).copied().map_or(0.0, f64::from);
        at(index) + part * (at(index + 1) - at(index))
    }

    /// Two bytes a knot.
    pub fn to_bytes(self) -> impl Iterator<Item = u8> {
        let stored =
            |knot: f32| ((f64::from(knot) - LOWEST) * UNIT + 0.5).clamp(0.0, 65535.0) as u16;
        self.0
            .into_iter()
            .flat_map(move |knot| stored(knot).to_le_bytes())
    }

    /// As [`to_bytes`](Self::to_bytes) wrote it; none where that is not so.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (pairs, rest) = bytes.as_chunks::<2>();
        let knots: Vec<f32> = pairs
            .iter()
            .map(|pair| (f64::from(u16::from_le_bytes(*pair)) / UNIT + LOWEST) as f32)
            .collect();
        let knots = knots.try_into().ok().filter(|_| rest.is_empty())?;
        Some(Self(knots))
    }
}

/// Of all channels of a frame.
#[must_use]
pub fn curves(frame: &Frame, hidden: Option<&Plane>) -> Curves {
    frame
        .planes
        .each_ref()
        .map(|plane| Curve::of(plane, hidden))
}

/// What becomes of each level of each channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table(Vec<[u8; 256]>);

impl Table {
    /// Levels a frame.
    pub fn apply(&self, frame: &mut Frame) {
        for (plane, table) in frame.planes.iter_mut().zip(&self.0) {
            for sample in &mut plane.samples {
                *sample = table.get(usize::from(*sample)).copied().unwrap_or(*sample);
            }
        }
    }

    /// Levels a frame, by `apart` where `weights` are 255, and by some of both in between. `weights` has the
    /// frame's size.
    pub fn apply_beside(&self, apart: &Self, weights: &Frame, frame: &mut Frame) {
        let tables = self.0.iter().zip(&apart.0);
        for ((plane, (own, apart)), weights) in
            frame.planes.iter_mut().zip(tables).zip(&weights.planes)
        {
            for (sample, weight) in plane.samples.iter_mut().zip(&weights.samples) {
                let level = usize::from(*sample);
                let of = |table: &[u8; 256]| table.get(level).copied().map_or(0, u32::from);
                let part = u32::from(*weight);
                *sample = ((of(own) * (255 - part) + of(apart) * part + 127) / 255) as u8;
            }
        }
    }

    /// Mean luma that comes out of a frame with these curves.
    #[must_use]
    pub fn mean(&self, curves: &Curves) -> f64 {
        let ([luma, ..], Some(table)) = (curves, self.0.first()) else {
            return 0.0;
        };
        mean_of(luma, table)
    }
}

/// A jump of brightness that stays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jump {
    /// The first frame behind it.
    pub frame: usize,
    /// Levels of mean luma.
    pub levels: f64,
}

/// A film's curves, and what they should be.
#[derive(Debug)]
pub struct Leveller {
    options: Levelling,
    curves: Vec<Curves>,
    /// Which frames belong together: none is averaged with one of another view.
    views: Vec<u32>,
    times: Vec<Instant>,
    jumps: Vec<(Jump, Curves)>,
}

impl Leveller {
    /// For the frames of a film, in order; each day has as many as the others.
    #[must_use]
    pub fn new(curves: Vec<Curves>, views: Vec<u32>, options: Levelling) -> Self {
        let apart = DAY / i64::try_from(options.period_frames.max(1)).unwrap_or(DAY);
        let times = (0..).map(|number| number * apart);
        let times = times.take(curves.len()).collect();
        Self::timed(curves, views, times, options)
    }

    /// With the time of each frame: days may have unequal numbers of them.
    #[must_use]
    pub fn timed(
        curves: Vec<Curves>,
        views: Vec<u32>,
        times: Vec<Instant>,
        options: Levelling,
    ) -> Self {
        let mut leveller = Self {
            options,
            curves,
            views,
            times,
            jumps: Vec::new(),
        };
        if options.fade_frames > 0 && options.strength > 0.0 {
            leveller.find_jumps();
        }
        leveller
    }

    /// Jumps that are spread over some frames.
    pub fn jumps(&self) -> impl Iterator<Item = Jump> {
        self.jumps.iter().map(|(jump, _)| *jump)
    }

    /// What becomes of a frame's levels; none where it stays as it is.
    #[must_use]
    pub fn table(&self, frame: usize) -> Option<Table> {
        let own = self.curves.get(frame)?;
        let strength = self.options.strength.clamp(0.0, 1.0);
        if strength == 0.0 {
            return None;
        }
        let wanted = self.wanted(frame)?;
        let tables = own.iter().zip(&wanted);
        let tables = tables.map(|(own, wanted)| levels(own, wanted, strength));
        Some(Table(tables.collect()))
    }

    /// The mean of the curves around, jumps spread.
    fn wanted(&self, frame: usize) -> Option<Curves> {
        let view = self.views.get(frame)?;
        let sigma = self.options.sigma_frames.clamp(0.01, 250.0);
        let reach = (3.0 * sigma).ceil() as usize;
        let alike = |other: usize| self.views.get(other) == Some(view);
        let from = (frame.saturating_sub(reach)..frame)
            .rev()
            .take_while(|other| alike(*other))
            .last();
        let to = (frame + 1..=frame + reach)
            .take_while(|other| alike(*other))
            .last();
        let range = from.unwrap_or(frame)..=to.unwrap_or(frame);
        let weight = |other: usize| {
            let far = other.abs_diff(frame) as f64 / sigma;
            let weight = (-0.5 * far * far).exp();
            (weight, other as f64 - frame as f64)
        };
        // Where a film begins or ends the window has one side: a line is laid through what is in it, so
        // that a slow rise is not bent there. In the middle that is the mean.
        let mut moments = [0.0; 3];
        for (weight, far) in range.clone().map(weight) {
            for (moment, power) in moments.iter_mut().zip([1.0, far, far * far]) {
                *moment += weight * power;
            }
        }
        let [zeroth, first, second] = moments;
        let spread = zeroth * second - first * first;
        let mut sum = [Curve([0.0; KNOTS]); 3];
        let mut all = 0.0;
        for other in range {
            let (mut weight, far) = weight(other);
            if spread > 1e-9 {
                weight *= (second - first * far) / spread;
            }
            for (sum, curve) in sum.iter_mut().zip(self.curves.get(other)?) {
                sum.add(curve, weight);
            }
            self.spread(other, weight, &mut sum);
            all += weight;
        }
        for curve in &mut sum {
            for knot in &mut curve.0 {
                *knot /= all as f32;
            }
        }
        Some(sum)
    }

    /// Adds what the jumps near a frame take from it or give to it.
    fn spread(&self, frame: usize, weight: f64, sum: &mut Curves) {
        let half = self.options.fade_frames as f64 / 2.0;
        for (jump, step) in &self.jumps {
            let far = frame as f64 + 0.5 - jump.frame as f64;
            if far.abs() >= half {
                continue;
            }
            // Half of the step before it is given, and half behind it taken back, less the farther off.
            let part = -far.signum() * 0.5 * (1.0 - far.abs() / half);
            for (sum, step) in sum.iter_mut().zip(step) {
                sum.add(step, weight * part);
            }
        }
    }

    /// Frames on either side of what may be a jump: those of some days.
    fn side(&self) -> usize {
        match self.options.period_frames {
            0 | 1 => JUMP_SIDE,
            period => period.saturating_mul(JUMP_SIDE.div_ceil(period).max(JUMP_DAYS)),
        }
    }

    fn find_jumps(&mut self) {
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

/// What becomes of each level of a channel.
fn levels(own: &Curve, wanted: &Curve, strength: f64) -> [u8; 256] {
    let mut out: [f64; 256] = std::array::from_fn(|level| {
        let level = level as f64;
        level + strength * (wanted.level(own.share(level)) - level)
    });
    // Never the other way round, never steeper than noise allows: from the middle of what the frame has to
    // either side, for most of it is there.
    let middle = own.level(0.5).clamp(0.0, 255.0).round() as usize;
    let (below, above) = out.split_at_mut(middle);
    let (mut limited, mut last) = (false, None);
    let mut limit = |value: &mut f64, least: f64, most: f64| {
        let kept = value.max(least).min(most);
        limited |= (kept - *value).abs() > 1e-6;
        *value = kept;
        Some(kept)
    };
    for value in above.iter_mut() {
        last = match last {
            Some(last) => limit(value, last, last + SLOPE_MAX),
            None => Some(*value),
        };
    }
    let mut last = above.first().copied();
    for value in below.iter_mut().rev() {
        last = last.and_then(|last| limit(value, last - SLOPE_MAX, last));
    }
    if limited {
        // What could not be spread as wanted has the wanted mean at least.
        let aim = own.mean() + strength * (wanted.mean() - own.mean());
        for _ in 0..SHIFTS {
            let off = aim - mean_of(own, &out);
            for value in &mut out {
                *value = (*value + off).clamp(0.0, 255.0);
            }
        }
    }
    out.map(|value| (value + 0.5).clamp(0.0, 255.0) as u8)
}

/// Mean of what comes out of a channel.
fn mean_of<T: Copy + Into<f64>>(own: &Curve, table: &[T; 256]) -> f64 {
    let steps = (KNOTS - 1) as f64 * 4.0;
    let of = |step: u32| {
        let level = own.level((f64::from(step) + 0.5) / steps);
        let level = level.clamp(0.0, 255.0);
        let (low, part) = (level.floor(), level.fract());
        let at = |index: f64| {
            let value = table.get(index.min(255.0) as usize).copied();
            value.map_or(0.0, Into::into)
        };
        at(low) + part * (at(low + 1.0) - at(low))
    };
    (0..steps as u32).map(of).sum::<f64>() / steps
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Samples that are spread as a bell, the same each run.
    fn bell(count: usize, mean: f64, deviation: f64) -> Vec<f64> {
        let mut seed = 7u64;
        let mut random = || {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(99);
            (seed >> 11) as f64 / (1u64 << 53) as f64
        };
        let sum = |random: &mut dyn FnMut() -> f64| (0..12).map(|_| random()).sum::<f64>() - 6.0;
        (0..count)
            .map(|_| mean + deviation * sum(&mut random))
            .collect()
    }

    fn plane(samples: &[f64]) -> Plane {
        let mut frame = Frame::filled(samples.len(), 1, [0, 128, 128]);
        for (sample, value) in frame.planes[0].samples.iter_mut().zip(samples) {
            *sample = value.round().clamp(0.0, 255.0) as u8;
        }
        frame.planes[0].clone()
    }

    fn mean(plane: &Plane, table: &[u8; 256]) -> f64 {
        let sum: f64 = plane
            .samples
            .iter()
            .map(|s| f64::from(table[usize::from(*s)]))
            .sum();
        sum / plane.samples.len() as f64
    }

    /// A clear sky among cloudy ones: it can't be spread as they are, and must not get darker for that.
    #[test]
    fn a_narrow_frame_has_the_wanted_mean() {
        // From 110 to 245, 186 in the middle.
        let wide: Vec<f64> = (0..10_000)
            .map(|nth| 110.0 + 135.0 * (f64::from(nth) / 10_000.0).powf(0.776))
            .collect();
        let wide = Curve::of(&plane(&wide), None);
        assert!((wide.mean() - 186.0).abs() < 0.5, "{}", wide.mean());
        // As a blue sky's chroma beside those of clouds.
        let grey = Curve::of(&plane(&bell(10_000, 126.0, 5.0)), None);
        let dark = Curve::of(&plane(&bell(10_000, 8.0, 12.0)), None);
        for (own, wanted) in [
            (bell(10_000, 195.0, 6.0), wide),
            (bell(10_000, 195.0, 0.0), wide),
            (bell(10_000, 60.0, 2.0), wide),
            (bell(10_000, 141.0, 0.8), grey),
            (bell(10_000, 126.0, 0.3), grey),
            (bell(10_000, 20.0, 1.0), dark),
        ] {
            let plane = plane(&own);
            let curve = Curve::of(&plane, None);
            for strength in [1.0, 0.5] {
                let table = levels(&curve, &wanted, strength);
                let aim = curve.mean() + strength * (wanted.mean() - curve.mean());
                let out = mean(&plane, &table);
                assert!((out - aim).abs() < 1.5, "{out} {aim}");
                let rises = |two: &[u8]| two[1] >= two[0] && two[1] - two[0] <= 3;
                assert!(table.windows(2).all(rises));
            }
        }
    }

    /// A year's frames, brighter at noon than in the morning, each with some unrest of the weather.
    fn film(a_day: usize, days: usize, slope: f64, jump: Option<(usize, f64)>) -> Leveller {
        let count = a_day * days;
        let noise = bell(count, 0.0, 2.0);
        let of = |number: usize| {
            let hour = ((number % a_day) as f64 + 0.5) / a_day as f64;
            let day = 40.0 * (std::f64::consts::PI * hour).sin() + slope * hour;
            let behind = jump
                .filter(|(at, _)| number >= *at)
                .map_or(0.0, |(_, levels)| levels);
            let mean = 70.0 + day + behind + noise[number];
            let spread = bell(64, mean, 9.0);
            let luma = Curve::of(&plane(&spread), None);
            [luma, luma, luma]
        };
        let options = Levelling {
            strength: 1.0,
            sigma_frames: 4.0,
            fade_frames: 50,
            period_frames: a_day,
        };
        Leveller::new((0..count).map(of).collect(), vec![0; count], options)
    }

    #[test]
    fn a_night_is_no_jump_and_another_exposure_is() {
        for (a_day, days) in [(1, 60), (3, 40), (7, 20), (20, 14), (60, 12), (144, 11)] {
            for slope in [0.0, 50.0, -50.0] {
                let none: Vec<Jump> = film(a_day, days, slope, None).jumps().collect();
                assert_eq!(none, [], "{a_day} {slope}");
                for (place, levels) in [(0, 25.0), (a_day / 2, 25.0), (a_day / 2, -20.0)] {
                    let at = a_day * (days / 2) + place;
                    let film = film(a_day, days, slope, Some((at, levels)));
                    let found: Vec<Jump> = film.jumps().collect();
                    assert_eq!(found.len(), 1, "{a_day} {slope} {place}: {found:?}");
                    assert!(found[0].frame.abs_diff(at) <= 1, "{a_day} {at}: {found:?}");
                    assert!((found[0].levels - levels).abs() < 4.0, "{found:?}");
                }
            }
        }
    }

    /// Frames of a morning are missing: the days are no longer as long.
    #[test]
    fn a_gap_is_no_jump() {
        for missing in [1, 7, 20, 40] {
            let mut whole = film(60, 14, 50.0, None).curves;
            whole.drain(7 * 60..7 * 60 + missing);
            let options = Levelling {
                strength: 1.0,
                sigma_frames: 4.0,
                fade_frames: 50,
                period_frames: 60,
            };
            let views = vec![0; whole.len()];
            let found: Vec<Jump> = Leveller::new(whole, views, options).jumps().collect();
            assert_eq!(found, [], "{missing}");
        }
    }

    /// Frames are missing here and there, and a day has six or seven.
    #[test]
    fn days_of_unequal_lengths_are_no_jumps() {
        for (a_day, days, share) in [(7, 40, 0.88), (3, 60, 0.8), (60, 14, 0.9), (60, 14, 0.97)] {
            for jump in [None, Some((a_day * (days / 2), 25.0))] {
                for slope in [0.0, 50.0, -50.0] {
                    for period in [a_day, (a_day as f64 * share).round() as usize] {
                        let whole = film(a_day, days, slope, jump);
                        let kept = |nth: &usize| {
                            let of = |nth: usize| (nth as f64 * share) as usize;
                            of(nth + 1) > of(*nth)
                        };
                        let own: Vec<usize> = (0..whole.curves.len()).filter(kept).collect();
                        let views = vec![0; own.len()];
                        let options = Levelling {
                            period_frames: period,
                            ..whole.options
                        };
                        let curves = own.iter().map(|nth| whole.curves[*nth]).collect();
                        // Ten hours of each day.
                        let at = |nth: &usize| {
                            let (day, place) = (nth / a_day, nth % a_day);
                            day as i64 * DAY + place as i64 * DAY / 24 * 10 / a_day as i64
                        };
                        let times = own.iter().map(at).collect();
                        let leveller = Leveller::timed(curves, views, times, options);
                        let found: Vec<Jump> = leveller.jumps().collect();
                        let what = format!("{a_day} {period} {slope} {jump:?}: {found:?}");
                        let Some((at, levels)) = jump else {
                            assert_eq!(found, [], "{what}");
                            continue;
                        };
                        let at = own.partition_point(|nth| *nth < at);
                        assert_eq!(found.len(), 1, "{what}");
                        assert!(found[0].frame.abs_diff(at) <= 1, "{what} {at}");
                        assert!((found[0].levels - levels).abs() < 4.0, "{what}");
                    }
                }
            }
        }
    }

    /// Days of clouds and days of sun, and another exposure among them.
    #[test]
    fn weather_is_no_jump() {
        for a_day in [3, 20, 60] {
            let days = bell(100, 0.0, 9.0);
            let whole = film(a_day, days.len(), 30.0, None);
            for (at, levels) in [(0, 0.0), (50 * a_day + 2, 60.0)] {
                let curve = |(number, [luma, ..]): (usize, &Curves)| {
                    let behind = if at > 0 && number >= at { levels } else { 0.0 };
                    let up = (days[number / a_day] + behind) as f32;
                    [Curve(luma.0.map(|knot| knot + up)); 3]
                };
                let curves: Vec<Curves> = whole.curves.iter().enumerate().map(curve).collect();
                let leveller = Leveller::new(curves, whole.views.clone(), whole.options);
                let found: Vec<usize> = leveller.jumps().map(|jump| jump.frame).collect();
                let wanted: &[usize] = if at > 0 { &[at] } else { &[] };
                assert_eq!(found, wanted);
            }
        }
    }
}
