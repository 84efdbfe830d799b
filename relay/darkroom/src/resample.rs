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
/// Samples with the same weights that are worth being treated as such.
const RUN_MIN: usize = 24;

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
    let weights: Vec<[f32; 4]> = (0..=PHASES)
        .map(|phase| {
            let t = phase as f64 / PHASES as f64;
            [cubic(1.0 + t), cubic(t), cubic(1.0 - t), cubic(2.0 - t)].map(|w| w as f32)
        })
        .collect();
    let weight = |phase: i64| {
        let place = phase.clamp(0, PHASES as i64) as usize;
        weights.get(place).copied().unwrap_or_default()
    };
    let bordered = Bordered::of(plane);
    let Affine([a, _, _, d, ..]) = affine;
    // Phases by which places are off from one sample to the next: as long as they stay within one, so do
    // the weights. A camera is hardly turned, and that is some hundred samples, or a whole row.
    let (across, down) = ((a - 1.0) * PHASES as f64, d * PHASES as f64);
    let mut column = Vec::with_capacity(width + 3);
    let mut samples = Vec::with_capacity(width * height);
    for y in 0..height {
        let mut x = 0;
        while x < width {
            let (sx, sy) = affine.apply(x as f64, y as f64);
            let (off, at) = ((sx - x as f64) * PHASES as f64, sy * PHASES as f64);
            let (phase_x, phase_y) = (nearest(off), nearest(at));
            let (left, tx) = split(phase_x);
            let (top, ty) = split(phase_y);
            let left = left.saturating_add(x as i64).saturating_sub(1);
            let same = until(at, phase_y, down);
            // Turned by more, each sample gets its own weights, as long as the rows are the same.
            let turned = same < RUN_MIN;
            let same = if turned {
                let room = if down < 0.0 { ty } else { PHASES as i64 - ty };
                ((room as f64 / down.abs()) as usize).saturating_add(1)
            } else {
                same
            };
            let steps = until(off, phase_x, across).min(same);
            let count = bordered.fitting(left, steps.min(width - x));
            let rows = bordered.rows(left, top.saturating_sub(1), count + 3);
            column.clear();
            if turned {
                let begin = at - down - (top * PHASES as i64) as f64;
                let own = (0..count + 3).map(|nth| weight(nearest(begin + down * nth as f64)));
                column.extend(own.zip(columns(rows)).map(|(own, four)| dot(own, four)));
            } else {
                let own = weight(ty);
                column.extend(columns(rows).map(|four| dot(own, four)));
            }
            let taps = [0, 1, 2, 3].map(|tap| column.get(tap..tap + count).unwrap_or_default());
            let own = weight(tx);
            let sums = columns(taps).map(|four| dot(own, four));
            samples.extend(sums.map(|sum| (sum + 0.5).clamp(0.0, 255.0) as u8));
            x += count;
        }
    }
    samples.resize(width * height, 0);
    Plane {
        width,
        height,
        samples,
    }
}

/// The whole number that is nearest.
fn nearest(at: f64) -> i64 {
    // Cut off is rounded down where it is positive; `floor` is a call where the processor's own instruction
    // can't be taken for granted.
    let up = at + 0.5;
    let whole = up as i64;
    whole - i64::from((whole as f64) > up)
}

/// Whole samples, and phases between them.
fn split(phases: i64) -> (i64, i64) {
    let all = PHASES as i64;
    (phases.div_euclid(all), phases.rem_euclid(all))
}

/// After how many steps of `rate` a place is nearest to another number than `nearest`; at least one.
fn until(at: f64, nearest: i64, rate: f64) -> usize {
    let end = nearest as f64 + 0.5f64.copysign(rate);
    (((end - at) / rate).max(0.0) as usize).saturating_add(1)
}

/// Four rows, sample by sample.
fn columns([a, b, c, d]: [&[f32]; 4]) -> impl Iterator<Item = [f32; 4]> {
    let pairs = a.iter().zip(b).zip(c.iter().zip(d));
    pairs.map(|((a, b), (c, d))| [*a, *b, *c, *d])
}

fn dot([wa, wb, wc, wd]: [f32; 4], [a, b, c, d]: [f32; 4]) -> f32 {
    wa * a + wb * b + wc * c + wd * d
}

/// A plane whose edges go on for some samples, in numbers that need not be converted each time.
struct Bordered {
    width: i64,
    height: i64,
    stride: usize,
    samples: Vec<f32>,
}

impl Bordered {
    /// Four samples that begin so far outside are nothing but the edge.
    const BORDER: usize = 4;

    fn of(plane: &Plane) -> Self {
        let stride = plane.width + 2 * Self::BORDER;
        let bottom = plane.height.saturating_sub(1);
        let mut samples = Vec::with_capacity(stride * (plane.height + 2 * Self::BORDER));
        for y in 0..plane.height + 2 * Self::BORDER {
            let row = plane.row(y.saturating_sub(Self::BORDER).min(bottom));
            let edge = |sample: Option<&u8>| f32::from(sample.copied().unwrap_or(0));
            samples.extend([edge(row.first()); Self::BORDER]);
            samples.extend(row.iter().map(|sample| f32::from(*sample)));
            samples.extend([edge(row.last()); Self::BORDER]);
        }
        Self {
            width: plane.width as i64,
            height: plane.height as i64,
            stride,
            samples,
        }
    }

    /// How many of so many places that begin at `left` can be had one after the other: at the edges one.
    fn fitting(&self, left: i64, count: usize) -> usize {
        let border = Self::BORDER as i64;
        let room = (self.width + border - 3).saturating_sub(left);
        match left >= -border && room > 0 {
            true => count.min(room as usize),
            false => 1,
        }
    }

    /// Four rows from `top` on, each from `left` on.
    fn rows(&self, left: i64, top: i64, count: usize) -> [&[f32]; 4] {
        let border = Self::BORDER as i64;
        let x = (left.clamp(-border, self.width) + border) as usize;
        let y = (top.clamp(-border, self.height) + border) as usize;
        let begin = y * self.stride + x;
        [0, 1, 2, 3].map(|row| {
            let from = begin + row * self.stride;
            self.samples.get(from..from + count).unwrap_or_default()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each sample by Keys' formula, at exactly its place.
    fn by_the_formula(plane: &Plane, affine: &Affine) -> Vec<f64> {
        let (width, height) = (plane.width as i64, plane.height as i64);
        let at = |x: i64, y: i64| {
            let row = plane.row(y.clamp(0, height - 1) as usize);
            f64::from(row[x.clamp(0, width - 1) as usize])
        };
        let mut samples = Vec::new();
        for y in 0..height {
            for x in 0..width {
                let (sx, sy) = affine.apply(x as f64, y as f64);
                let (left, top) = (sx.floor(), sy.floor());
                let mut sum = 0.0;
                for down in -1..=2i64 {
                    for across in -1..=2i64 {
                        let (px, py) = (left as i64 + across, top as i64 + down);
                        sum += cubic(sx - px as f64) * cubic(sy - py as f64) * at(px, py);
                    }
                }
                samples.push(sum.clamp(0.0, 255.0));
            }
        }
        samples
    }

    /// Hardly turned, turned, stretched, far outside: the same as by the formula, to what a 64th of a
    /// sample makes at an edge, and what a kernel makes that is turned with the picture.
    #[test]
    fn a_moved_plane_is_what_the_formula_says() {
        let (width, height) = (157, 93);
        let mut plane = Plane::filled(width, height, 0);
        for (index, sample) in plane.samples.iter_mut().enumerate() {
            let (x, y) = (index % width, index / width);
            let wave = (x as f64 / 3.1).sin() * (y as f64 / 4.3).cos();
            *sample = (120.0
                + 80.0 * wave
                + if (x / 20 + y / 20) % 2 == 0 {
                    40.0
                } else {
                    0.0
                }) as u8;
        }
        let centre = (78.0, 46.0);
        let turned = |degrees, shift| Affine::turn(degrees, centre, shift);
        let mut stretched = turned(-0.2, (2.5, -3.25));
        stretched.0[0] *= 1.03;
        stretched.0[4] *= 0.97;
        for affine in [
            turned(0.0, (0.3, -0.7)),
            turned(0.0, (-3.0, 2.0)),
            turned(0.004, (1.6, 0.2)),
            turned(0.35, (-7.3, 5.9)),
            turned(-1.7, (4.4, 0.5)),
            turned(4.0, (0.0, -20.0)),
            turned(0.1, (300.0, -500.0)),
            turned(-0.1, (-152.5, 90.5)),
            stretched,
        ] {
            let moved = moved_plane(&plane, &affine);
            let wanted = by_the_formula(&plane, &affine);
            let off = moved.samples.iter().zip(&wanted);
            let off: Vec<f64> = off.map(|(a, b)| (f64::from(*a) - b).abs()).collect();
            let most = off.iter().copied().fold(0.0, f64::max);
            let mean = off.iter().sum::<f64>() / off.len() as f64;
            let bar = 2.5 + 40.0 * affine.degrees().to_radians().abs();
            assert!(most < bar && mean < 0.45, "{affine:?}: {most} {mean}");
        }
    }
}
