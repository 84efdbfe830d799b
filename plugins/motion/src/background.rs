//! The learned background: what each cell shows when nothing goes on, and how far it strays.
//!
//! A running Gaussian average (Wren, Azarbayejani, Darrell, Pentland: "Pfinder: Real-Time Tracking
//! of the Human Body", IEEE PAMI 19 (7), 1997): of each cell the mean and the variance, both
//! forgetting exponentially. Three things are added. The light is taken out before the comparison
//! ([`Light`]). The variance is that of the residual after smoothing, so that noise which a codec
//! has smeared over its blocks is judged as it is. And the strays of a picture are divided by their
//! own median over the picture: rain that sets in, a key frame that is coded anew, or a gain that
//! night turns up widen all of them alike, an object only its own.

use crate::field::{Field, greater, lesser, quantile};
use crate::light::Light;

/// Of the means, while nothing goes on.
const MEAN_SECONDS: f32 = 20.0;
/// Of the variances.
const VARIANCE_SECONDS: f32 = 60.0;
/// A residual counts in the variance as no more than this many of its standard deviations.
const VARIANCE_CLIP: f32 = 3.0;
/// The variance is never below this: rounding alone makes as much.
const VARIANCE_MIN: f32 = 0.2;
/// Before anything is known of a cell.
const VARIANCE_START: f32 = 9.0;
/// The median of the absolute values of a normal distribution of deviation 1.
const MEDIAN_NORMAL: f32 = 0.6745;
/// Each how manieth cell is looked at for the median; of those that count, masks left out.
const MEDIAN_STEP: usize = 13;
/// In deviations: beyond it a cell does not count in the fit of the light.
const REACH: f32 = 4.0;

/// How fast, and to what a cell must stand out to be foreground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tuning {
    /// What stays in the picture is background after about this; seconds.
    pub absorb_seconds: f32,
    /// Least contrast of an object, in grey levels.
    pub contrast: f32,
}

/// How far a cell stands out.
pub mod mark {
    /// It is background.
    pub const NONE: u8 = 0;
    /// It belongs to an object where it touches a cell that is [`STRONG`].
    pub const WEAK: u8 = 1;
    /// It is of an object.
    pub const STRONG: u8 = 2;
}

/// What a cell is for.
pub mod part {
    /// Things are looked for in it.
    pub const LOOKED_AT: u8 = 1;
    /// It counts in what is said of the whole picture: no mask covers it.
    pub const COUNTS: u8 = 2;
}

const STRONG_DEVIATIONS: f32 = 5.0;
const WEAK_DEVIATIONS: f32 = 3.0;

/// What the background says of a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// How many times wider than learned the strays are; 1 or more.
    pub spread: f32,
    /// Share of the cells that [count](part::COUNTS) that stand out.
    pub changed: f32,
    /// How many times as bright as learned the whole picture is.
    pub light: f32,
}

/// The background of pictures of one size.
#[derive(Debug)]
pub struct Background {
    mean: Field,
    variance: Field,
    light: Light,
    raw: Field,
    allowed: Field,
    /// Smoothed; its variance is learned.
    residual: Field,
    /// Without what is thin, then smoothed; what stands out is found in it.
    broad: Field,
    reach: Field,
    marks: Vec<u8>,
    /// For each cell, of [`part`].
    parts: Vec<u8>,
    /// Cells that count, and some of them, for the median.
    counting: usize,
    sampled: Vec<usize>,
    buffer: Vec<f32>,
    pictures: u32,
    spread: f32,
}

impl Background {
    /// Begins with a picture. `parts`: for each cell, one or both of [`part`], or 0.
    #[must_use]
    pub fn new(picture: &Field, parts: Vec<u8>) -> Self {
        let size = picture.size();
        let counting = || {
            (0..)
                .zip(&parts)
                .filter(|(_, part)| **part & part::COUNTS != 0)
        };
        Self {
            mean: picture.clone(),
            variance: Field::new(size, VARIANCE_START),
            light: Light::new(size),
            raw: Field::new(size, 0.0),
            allowed: Field::new(size, 0.0),
            broad: Field::new(size, 0.0),
            residual: Field::new(size, 0.0),
            reach: Field::new(size, REACH * VARIANCE_START.sqrt()),
            marks: vec![mark::NONE; picture.values().len()],
            counting: counting().count(),
            sampled: counting().step_by(MEDIAN_STEP).map(|(at, _)| at).collect(),
            parts,
            buffer: Vec::new(),
            pictures: 1,
            spread: 1.0,
        }
    }

    /// Pictures that were learned.
    #[must_use]
    pub fn pictures(&self) -> u32 {
        self.pictures
    }

    /// Size in cells.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        self.mean.size()
    }

    /// For each cell, one of [`mark`].
    #[must_use]
    pub fn marks(&self) -> &[u8] {
        &self.marks
    }

    /// For each cell, what it differs by from the background in this light; grey levels, smoothed.
    #[must_use]
    pub fn standing_out(&self) -> &Field {
        &self.broad
    }

    /// The deviations that the residual of a cell is.
    #[must_use]
    pub fn stray(&self, cell: usize) -> f32 {
        let value = |field: &Field| field.values().get(cell).copied();
        let (r, v) = (value(&self.broad), value(&self.variance));
        r.unwrap_or_default().abs() / (self.spread * v.unwrap_or(VARIANCE_START).sqrt())
    }

    /// Marks what stands out where it is [looked at](part::LOOKED_AT).
    pub fn compare(&mut self, picture: &Field, tuning: &Tuning) -> Compared {
        for (reach, variance) in self
            .reach
            .values_mut()
            .iter_mut()
            .zip(self.variance.values())
        {
            // The residual is smoothed after the fit: unsmoothed, white noise strays 8/3 as far.
            *reach = (REACH * 2.67 * self.spread) * variance.sqrt();
        }
        let (raw, allowed) = (&mut self.raw, &mut self.allowed);
        self.light
            .residual(picture, &self.mean, &self.reach, raw, allowed);
        self.raw.smooth_into(&mut self.residual, &mut self.buffer);
        let (residual, variance) = (self.residual.values(), self.variance.values());
        let square = |&at: &usize| {
            let (r, v) = (residual.get(at)?, variance.get(at)?);
            Some(r * r / v)
        };
        self.buffer.clear();
        self.buffer.extend(self.sampled.iter().filter_map(square));
        let median = quantile(&mut self.buffer, 0.5).sqrt();
        self.spread = (median / MEDIAN_NORMAL).max(1.0);
        let square = self.spread * self.spread;
        let weak = (
            WEAK_DEVIATIONS * WEAK_DEVIATIONS * square,
            tuning.contrast * 0.5,
        );
        let strong = (
            STRONG_DEVIATIONS * STRONG_DEVIATIONS * square,
            tuning.contrast,
        );
        // The reach isn't needed any more: its memory serves in between.
        self.raw.open_into(&mut self.reach, &mut self.buffer);
        self.reach.smooth_into(&mut self.broad, &mut self.buffer);
        let cells = self.broad.values().iter().zip(self.variance.values());
        let cells = cells.zip(self.allowed.values());
        let mut changed = 0u32;
        for ((mark, ((&r, &v), &allowed)), &part) in
            self.marks.iter_mut().zip(cells).zip(&self.parts)
        {
            let (r, rr) = (r.abs(), r * r);
            let is_weak = (rr > weak.0 * v) & (r > weak.1 + allowed);
            let is_strong = (rr > strong.0 * v) & (r > strong.1 + allowed);
            changed += u32::from(u8::from(is_weak) & (part / part::COUNTS));
            *mark = (u8::from(is_weak) + u8::from(is_strong)) * (part & part::LOOKED_AT);
        }
        // Black is not quite 0.
        let light = |field: &Field| field.values().iter().map(|v| v + 1.0).sum::<f32>();
        Compared {
            spread: self.spread,
            changed: changed as f32 / self.counting.max(1) as f32,
            light: light(picture) / light(&self.mean),
        }
    }

    /// Learns the picture that was [compared](Self::compare) last, `seconds` after the one before.
    /// `hurried` learns all of it as if it were new.
    pub fn learn(&mut self, picture: &Field, seconds: f32, hurried: bool, tuning: &Tuning) {
        self.pictures = if hurried {
            // A mean over the next few pictures, as at the begin.
            self.pictures.min(2)
        } else {
            self.pictures.saturating_add(1)
        };
        let first = 1.0 / self.pictures.max(1) as f32;
        let rate = |time: f32| (1.0 - (-seconds / time).exp()).max(first);
        let background = rate(MEAN_SECONDS).min(0.5);
        let object = rate(tuning.absorb_seconds).min(0.5);
        let variance = rate(VARIANCE_SECONDS).min(0.5);
        let clip = VARIANCE_CLIP * VARIANCE_CLIP;
        for ((mean, &x), &mark) in self
            .mean
            .values_mut()
            .iter_mut()
            .zip(picture.values())
            .zip(&self.marks)
        {
            let rate = if mark == mark::NONE {
                background
            } else {
                object
            };
            *mean += rate * (x - *mean);
        }
        for (v, &r) in self
            .variance
            .values_mut()
            .iter_mut()
            .zip(self.residual.values())
        {
            let stray = lesser(r * r, clip * *v);
            *v = greater(*v + variance * (stray - *v), VARIANCE_MIN);
        }
    }
}
