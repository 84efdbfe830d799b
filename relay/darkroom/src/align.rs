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

/// Once all poses are known: frames that were given up on until a new view began were taken by the camera
/// as it has hung since then. They belong to that view, and lie as its first frame does.
///
/// Where fewer were lost, as in a fog, the frame before them goes on standing in.
#[must_use]
pub fn settled(mut poses: Vec<Pose>) -> Vec<Pose> {
    let views = crate::film::views(&poses);
    for begin in views {
        let Some(view) = poses.get(begin).map(|pose| pose.view) else {
            continue;
        };
        let before = poses.get_mut(begin.saturating_sub(LOST_MAX)..begin);
        let lost = before.filter(|lost| {
            lost.len() == LOST_MAX && lost.iter().all(|pose| pose.correlation == 0.0)
        });
        for pose in lost.into_iter().flatten() {
            pose.affine = Affine::IDENTITY;
            pose.view = view;
        }
    }
    poses
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

/// Samples that are sorted at a time: one after the other in nine of these takes fifteen times as long.
const LANES: usize = 64;

/// Comparisons that sort nine numbers: R. W. Floyd's network, in D. E. Knuth, "The Art of Computer
/// Programming", volume 3, §5.3.4 (from memory; a test has it sort all that there can be).
const NETWORK: [(usize, usize); 25] = [
    (0, 1),
    (3, 4),
    (6, 7),
    (1, 2),
    (4, 5),
    (7, 8),
    (0, 1),
    (3, 4),
    (6, 7),
    (2, 5),
    (0, 3),
    (1, 4),
    (5, 8),
    (3, 6),
    (4, 7),
    (2, 5),
    (0, 3),
    (1, 4),
    (5, 7),
    (2, 6),
    (1, 3),
    (4, 6),
    (2, 4),
    (5, 6),
    (2, 3),
];

/// Sorts the nine values of each lane.
fn sort(lanes: &mut [[u8; LANES]; LAGS.len()]) {
    for pair in NETWORK {
        let Ok([low, high]) = lanes.get_disjoint_mut([pair.0, pair.1]) else {
            continue;
        };
        for (low, high) in low.iter_mut().zip(high) {
            (*low, *high) = ((*low).min(*high), (*low).max(*high));
        }
    }
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
        let count = frames.len();
        for begin in (0..width * height).step_by(LANES) {
            let there = LANES.min(width * height - begin);
            // What is not there sorts to the end.
            let mut lanes = [[u8::MAX; LANES]; LAGS.len()];
            for (lane, frame) in lanes.iter_mut().zip(&frames) {
                let part = frame.samples.get(begin..begin + there).unwrap_or_default();
                for (value, sample) in lane.iter_mut().zip(part) {
                    *value = *sample;
                }
            }
            sort(&mut lanes);
            let at = |part: usize| {
                let lane = lanes.get(part * count.saturating_sub(1) / 4);
                lane.unwrap_or(&[128; LANES])
                    .iter()
                    .map(|value| f32::from(*value))
            };
            samples.extend(at(2).take(there));
            let apart = at(3).zip(at(1)).map(|(high, low)| (high - low) / 16.0);
            trust.extend(apart.map(|apart| 1.0 / (1.0 + apart * apart)).take(there));
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What sorts all rows of zeros and ones sorts everything (Knuth, §5.3.4, theorem Z).
    #[test]
    fn nine_values_are_sorted() {
        for begin in (0..512usize).step_by(LANES) {
            let mut lanes = [[0u8; LANES]; LAGS.len()];
            for (nth, lane) in lanes.iter_mut().enumerate() {
                for (row, value) in lane.iter_mut().enumerate() {
                    *value = ((begin + row) >> nth & 1) as u8;
                }
            }
            let before = lanes;
            sort(&mut lanes);
            for row in 0..LANES {
                let of = |lanes: &[[u8; LANES]; 9]| lanes.map(|lane| lane[row]);
                let mut sorted = of(&before);
                sorted.sort_unstable();
                assert_eq!(of(&lanes), sorted);
            }
        }
    }
}
