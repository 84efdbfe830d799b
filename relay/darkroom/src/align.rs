//! Knocks and drift of a camera, found and taken back.
//!
//! Each frame is laid upon a rolling reference: the median of frames that came before it, near ones and
//! ever farther ones. What has grown, moved or changed its shade is in few of them, or differs between
//! them, and hardly counts; those far back keep small errors from adding up.

use std::collections::VecDeque;

pub use crate::affine::Affine;
pub use crate::ecc::Motion;
use crate::ecc::{Point, correlation, points, refine, robust};
use crate::frame::{Frame, Plane};
use crate::image::{Image, moved};
use crate::phase::{Correlator, Spectrum};

/// Movement is measured in pictures of at most this width.
const WIDTH_MAX: usize = 640;
/// How many frames back those are that make the reference.
const LAGS: [usize; 9] = [1, 2, 3, 5, 8, 13, 21, 34, 55];
/// Frames that are kept for it.
pub const MEMORY: usize = 55;
/// Below this nothing was found: fog, night, another view.
const CORRELATION_MIN: f64 = 0.25;
/// A peak of phase correlation that stands out less is none.
const CONFIDENCE_MIN: f64 = 8.0;
/// A camera hangs where it hangs: more than this is a mistake of the measurement.
const DEGREES_MAX: f64 = 5.0;
const SCALE_MAX: f64 = 0.04;
/// So many frames in a row that can't be laid upon the reference, and it is another view.
const LOST_MAX: usize = 24;

/// What is needed of a frame to measure its movement. Made on any thread.
#[derive(Debug, Clone, PartialEq)]
pub struct Sketch {
    normal: Plane,
    spectrum: Spectrum,
    /// Pixels of the frame for each of the sketch.
    by: f64,
}

/// Makes sketches of frames of one size.
#[derive(Debug)]
pub struct Sketcher {
    by: usize,
    size: (usize, usize),
    correlator: Correlator,
}

impl Sketcher {
    /// For frames of a size.
    #[must_use]
    pub fn new((width, height): (usize, usize)) -> Self {
        let by = width.div_ceil(WIDTH_MAX).max(1);
        let size = ((width / by).max(1), (height / by).max(1));
        Self {
            by,
            size,
            correlator: Correlator::new((size.0 / 2).max(1), (size.1 / 2).max(1)),
        }
    }

    /// Of a frame. `hidden`: what doesn't count, in shares of width and height.
    #[must_use]
    pub fn sketch(&self, frame: &Frame, hidden: &dyn Fn(f64, f64) -> bool) -> Sketch {
        let mut normal = Image::of(&frame.luma().shrunk(self.by)).smooth().normal();
        let (width, height) = self.size;
        for (index, sample) in normal.samples.iter_mut().enumerate() {
            let (x, y) = ((index % width) as f64 + 0.5, (index / width) as f64 + 0.5);
            if hidden(x / width as f64, y / height as f64) {
                *sample = 128;
            }
        }
        Sketch {
            spectrum: self.correlator.spectrum(&Image::of(&normal).half()),
            normal,
            by: self.by as f64,
        }
    }
}

/// How a frame lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Where a point of the first frame of this view is in this one; pixels of the frame.
    pub affine: Affine,
    /// How well it fits, at most 1; 0 where nothing was found and the frame before it stands in.
    pub correlation: f64,
    /// Counts views: a camera that was turned too far for its pictures to be laid upon each other.
    pub view: u32,
}

/// Lays frames upon each other, in order.
#[derive(Debug)]
pub struct Aligner {
    sketcher: Sketcher,
    motion: Motion,
    /// How far a camera may be moved, as a share of the picture, until it is another view.
    limit: f64,
    /// Laid upon each other; the newest first.
    memory: VecDeque<Plane>,
    reference: Option<Reference>,
    last: Affine,
    /// The same in pixels of the frame.
    whole: Affine,
    view: u32,
    lost: usize,
}

#[derive(Debug)]
struct Reference {
    points: Vec<Point>,
    spectrum: Spectrum,
}

impl Aligner {
    /// For frames of a size. `limit`: the largest movement, as a share of the picture.
    #[must_use]
    pub fn new(size: (usize, usize), motion: Motion, limit: f64) -> Self {
        Self {
            sketcher: Sketcher::new(size),
            motion,
            limit,
            memory: VecDeque::with_capacity(MEMORY),
            reference: None,
            last: Affine::IDENTITY,
            whole: Affine::IDENTITY,
            view: 0,
            lost: 0,
        }
    }

    /// Goes on behind a frame whose pose is known: at least the last [`MEMORY`] must be handed over.
    pub fn recall(&mut self, sketch: &Sketch, pose: &Pose) {
        if pose.view != self.view {
            self.begin_view(pose.view);
        }
        self.whole = pose.affine;
        self.last = pose.affine.scaled(1.0 / sketch.by);
        self.lost = if pose.correlation > 0.0 {
            0
        } else {
            self.lost + 1
        };
        if pose.correlation > 0.0 {
            self.remember(sketch);
        }
    }

    fn begin_view(&mut self, view: u32) {
        self.memory.clear();
        self.reference = None;
        self.last = Affine::IDENTITY;
        self.whole = Affine::IDENTITY;
        self.view = view;
        self.lost = 0;
    }

    fn remember(&mut self, sketch: &Sketch) {
        self.memory.truncate(MEMORY - 1);
        self.memory.push_front(moved(&sketch.normal, &self.last));
        self.reference = None;
    }

    /// Where the next frame lies.
    pub fn next(&mut self, sketch: &Sketch) -> Pose {
        if self.memory.is_empty() {
            self.remember(sketch);
            return self.pose(1.0);
        }
        let found = self.find(sketch);
        match found {
            Some((affine, correlation)) => {
                // As `recall` has it, to the last bit.
                self.whole = affine.scaled(sketch.by);
                self.last = self.whole.scaled(1.0 / sketch.by);
                self.lost = 0;
                self.remember(sketch);
                self.pose(correlation)
            }
            None => {
                self.lost += 1;
                if self.lost > LOST_MAX {
                    self.begin_view(self.view + 1);
                    self.remember(sketch);
                    return self.pose(1.0);
                }
                self.pose(0.0)
            }
        }
    }

    fn pose(&self, correlation: f64) -> Pose {
        Pose {
            affine: self.whole,
            correlation,
            view: self.view,
        }
    }

    fn find(&mut self, sketch: &Sketch) -> Option<(Affine, f64)> {
        if self.reference.is_none() {
            self.reference = Some(self.median());
        }
        let reference = self.reference.as_ref()?;
        let image = Image::of(&sketch.normal);
        let shift = self
            .sketcher
            .correlator
            .shift(&reference.spectrum, &sketch.spectrum);
        let mut start = self.last;
        if shift.confidence > CONFIDENCE_MIN {
            // What the whole picture does, with the turn that is known already.
            let (width, height) = (image.width as f64, image.height as f64);
            let (x, y) = self.last.middle((width, height));
            let other = Affine::shift(2.0 * shift.x - x, 2.0 * shift.y - y).after(&self.last);
            let of = |affine| correlation(&reference.points, &image, affine);
            if of(&other) > of(&start) {
                start = other;
            }
        }
        let fit = refine(&reference.points, &image, start, Motion::Shift)?;
        let weighed = robust(&reference.points, &image, &fit.affine);
        let fit = refine(&weighed, &image, fit.affine, self.motion)?;
        let weighed = robust(&reference.points, &image, &fit.affine);
        let fit = refine(&weighed, &image, fit.affine, self.motion)?;
        (fit.correlation >= CORRELATION_MIN && self.plausible(&fit.affine, &image))
            .then_some((fit.affine, fit.correlation))
    }

    fn plausible(&self, affine: &Affine, image: &Image) -> bool {
        let Affine([a, b, _, d, e, _]) = affine;
        let size = (image.width as f64, image.height as f64);
        let (x, y) = affine.middle(size);
        let scale = |first: f64, second: f64| (first.hypot(second) - 1.0).abs() < SCALE_MAX;
        scale(*a, *d)
            && scale(*b, *e)
            && affine.degrees().abs() < DEGREES_MAX
            && x.abs() < self.limit * size.0
            && y.abs() < self.limit * size.1
    }

    /// Of what is remembered; less weight where it differs.
    fn median(&self) -> Reference {
        let frames: Vec<&Plane> = LAGS
            .iter()
            .filter_map(|lag| self.memory.get(lag - 1))
            .collect();
        let (width, height) = self.sketcher.size;
        let mut samples = Vec::with_capacity(width * height);
        let mut trust = Vec::with_capacity(width * height);
        let mut values: [u8; LAGS.len()] = [0; LAGS.len()];
        let count = frames.len();
        for index in 0..width * height {
            for (value, frame) in values.iter_mut().zip(&frames) {
                *value = frame.samples.get(index).copied().unwrap_or(128);
            }
            let values = values.get_mut(..count).unwrap_or_default();
            values.sort_unstable();
            let at = |part: usize| {
                values
                    .get(part * (count - 1) / 4)
                    .copied()
                    .map_or(128.0, f32::from)
            };
            let apart = (at(3) - at(1)) / 16.0;
            samples.push(at(2));
            trust.push(1.0 / (1.0 + apart * apart));
        }
        let image = Image {
            width,
            height,
            samples,
        };
        Reference {
            spectrum: self.sketcher.correlator.spectrum(&image.half()),
            points: points(&image, &trust),
        }
    }
}
