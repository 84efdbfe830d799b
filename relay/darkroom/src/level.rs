//! Flicker taken out: each frame's distribution of brightness and colour becomes the mean of those
//! around it.
//!
//! J. Delon, "Movie and video scale-time equalization. Application to flicker reduction", IEEE Trans.
//! Image Processing 15(1), 2006: the inverse cumulative histograms of neighbouring frames are averaged
//! over a Gaussian window in time, for each channel; what changes slowly stays. Here the channels are
//! luma, Cb and Cr.

mod jumps;

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
/// How often a channel is brought to its mean: what is cut off at black or white must be made up for.
const SHIFTS: usize = 3;
const DAY: i64 = 86_400_000_000_000;

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
#[path = "level_tests.rs"]
mod tests;
