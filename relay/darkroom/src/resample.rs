//! Frames cut and scaled, and moved by fractions of a pixel.
//!
//! The kernel is the cubic convolution of Keys ("Cubic convolution interpolation for digital image
//! processing", IEEE Trans. ASSP 29(6), 1981) with a = -1/2, widened where a picture gets smaller.

use crate::align::Affine;
use crate::frame::{Frame, Plane};

/// A part of a picture; pixels, may begin and end within one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// To the right.
    pub width: f64,
    /// Down.
    pub height: f64,
}

impl Area {
    /// All of a picture.
    #[must_use]
    pub fn whole((width, height): (usize, usize)) -> Self {
        Self {
            x: 0.0,
            y: 0.0,
            width: width as f64,
            height: height as f64,
        }
    }
}

/// Keys' kernel.
fn cubic(x: f64) -> f64 {
    let x = x.abs();
    if x < 1.0 {
        (1.5 * x - 2.5) * x * x + 1.0
    } else if x < 2.0 {
        ((-0.5 * x + 2.5) * x - 4.0) * x + 2.0
    } else {
        0.0
    }
}

/// For each sample that comes out: the first sample that counts, and weights from there on.
struct Taps(Vec<(usize, Vec<f32>)>);

impl Taps {
    /// `shift`: of the samples that come out, in their own widths.
    fn new(from: f64, length: f64, has: usize, wants: usize, shift: f64) -> Self {
        let step = length / wants.max(1) as f64;
        let wide = step.max(1.0);
        let taps = (0..wants).map(|index| {
            let centre = from + (index as f64 + 0.5 + shift) * step - 0.5;
            let first = (centre - 2.0 * wide).ceil() as i64;
            let last = (centre + 2.0 * wide).floor() as i64;
            let top = has.saturating_sub(1) as i64;
            let begin = first.clamp(0, top);
            let end = last.clamp(0, top);
            let mut weights = vec![0.0; (end - begin + 1).max(1) as usize];
            for at in first..=last {
                // Beyond the edge its last sample goes on.
                let place = (at.clamp(0, top) - begin) as usize;
                if let Some(weight) = weights.get_mut(place) {
                    *weight += cubic((at as f64 - centre) / wide);
                }
            }
            let sum: f64 = weights.iter().sum();
            let weights = weights.iter().map(|weight| (weight / sum) as f32);
            (begin as usize, weights.collect())
        });
        Self(taps.collect())
    }
}

/// A part of a plane at another size. `shift`: how far to the left the samples that come out stand
/// of where they would, in their own widths.
pub(crate) fn plane(
    plane: &Plane,
    area: Area,
    (width, height): (usize, usize),
    shift: f64,
) -> Plane {
    let whole = Area::whole((plane.width, plane.height));
    if area == whole && (width, height) == (plane.width, plane.height) && shift == 0.0 {
        return plane.clone();
    }
    let down = Taps::new(area.y, area.height, plane.height, height, 0.0);
    let across = Taps::new(area.x, area.width, plane.width, width, -shift);
    let mut samples = Vec::with_capacity(width * height);
    let mut sums = vec![0f32; plane.width];
    for (first, weights) in &down.0 {
        sums.fill(0.0);
        for (weight, y) in weights.iter().zip(*first..) {
            for (sum, sample) in sums.iter_mut().zip(plane.row(y)) {
                *sum += weight * f32::from(*sample);
            }
        }
        for (first, weights) in &across.0 {
            let samples_in = sums.get(*first..).unwrap_or_default();
            let sum: f32 = samples_in.iter().zip(weights).map(|(s, w)| s * w).sum();
            samples.push((sum + 0.5).clamp(0.0, 255.0) as u8);
        }
    }
    Plane {
        width,
        height,
        samples,
    }
}

/// A part of a frame at another size.
#[must_use]
pub fn scaled(frame: &Frame, area: Area, (width, height): (usize, usize)) -> Frame {
    let [luma, cb, cr] = &frame.planes;
    let half = Area {
        x: area.x / 2.0,
        y: area.y / 2.0,
        width: area.width / 2.0,
        height: area.height / 2.0,
    };
    let chroma = (width.div_ceil(2), height.div_ceil(2));
    Frame {
        planes: [
            plane(luma, area, (width, height), 0.0),
            plane(cb, half, chroma, 0.0),
            plane(cr, half, chroma, 0.0),
        ],
    }
}

/// Steps within a pixel that have weights of their own.
const PHASES: usize = 64;

/// A frame as it would be if each of its points stood where `affine` takes it to in `frame`.
#[must_use]
pub fn moved(frame: &Frame, affine: &Affine) -> Frame {
    let [luma, cb, cr] = &frame.planes;
    let half = affine.scaled(0.5);
    Frame {
        planes: [
            moved_plane(luma, affine),
            moved_plane(cb, &half),
            moved_plane(cr, &half),
        ],
    }
}

pub(crate) fn moved_plane(plane: &Plane, affine: &Affine) -> Plane {
    if affine.is_identity() {
        return plane.clone();
    }
    let (width, height) = (plane.width, plane.height);
    let phases: Vec<[f32; 4]> = (0..=PHASES)
        .map(|phase| {
            let t = phase as f64 / PHASES as f64;
            [cubic(1.0 + t), cubic(t), cubic(1.0 - t), cubic(2.0 - t)].map(|w| w as f32)
        })
        .collect();
    let weights = |t: f64| {
        let phase = (t * PHASES as f64 + 0.5) as usize;
        phases.get(phase).copied().unwrap_or([0.0, 1.0, 0.0, 0.0])
    };
    let mut samples = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let (sx, sy) = affine.apply(x as f64, y as f64);
            let (left, top) = (sx.floor(), sy.floor());
            let (wx, wy) = (weights(sx - left), weights(sy - top));
            let (left, top) = (left as i64 - 1, top as i64 - 1);
            let mut sum = 0.0;
            let inside = left >= 0 && left + 4 <= width as i64;
            for (row, wy) in wy.iter().enumerate() {
                let y = (top + row as i64).clamp(0, height as i64 - 1) as usize;
                let row = plane.row(y);
                let four = if inside {
                    row.get(left as usize..)
                        .and_then(|row| row.first_chunk::<4>())
                        .copied()
                } else {
                    None
                };
                let [a, b, c, d] = four.unwrap_or_else(|| {
                    [0, 1, 2, 3].map(|column| {
                        let x = (left + column).clamp(0, width as i64 - 1) as usize;
                        row.get(x).copied().unwrap_or(0)
                    })
                });
                let [wa, wb, wc, wd] = wx;
                let line =
                    wa * f32::from(a) + wb * f32::from(b) + wc * f32::from(c) + wd * f32::from(d);
                sum += wy * line;
            }
            samples.push((sum + 0.5).clamp(0.0, 255.0) as u8);
        }
    }
    Plane {
        width,
        height,
        samples,
    }
}
