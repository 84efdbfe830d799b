//! Parts of a pixel: by how much a picture is moved against another, from a good guess.
//!
//! Least squares on their difference (Lucas, Kanade: "An Iterative Image Registration Technique",
//! IJCAI 1981) with the gradients of the reference (Baker, Matthews: "Lucas-Kanade 20 Years On",
//! IJCV 56 (3), 2004), with a gain and an offset for the light, and without what moves.

use crate::field::Field;
use crate::frame::Frame;

/// Steps, at the most.
const ROUNDS_MAX: usize = 12;
/// Steps smaller than this (pixels) end them.
const STEP_MIN: f32 = 0.015;
/// Differences beyond so many times the median one belong to things that move.
const OUTLIER: f32 = 4.0;
/// A result further (in pixels) from the guess is none.
const REACH: f32 = 4.0;

/// A picture that can be read row by row.
pub(super) trait Rows {
    type Cell: Copy + Into<f32>;

    fn size(&self) -> (usize, usize);
    fn row(&self, y: usize) -> &[Self::Cell];
}

impl Rows for Frame<'_> {
    type Cell = u8;

    fn size(&self) -> (usize, usize) {
        Frame::size(self)
    }

    fn row(&self, y: usize) -> &[u8] {
        Frame::row(self, y)
    }
}

impl Rows for Field {
    type Cell = f32;

    fn size(&self) -> (usize, usize) {
        Field::size(self)
    }

    fn row(&self, y: usize) -> &[f32] {
        Field::row(self, y)
    }
}

/// By how much `picture` is moved against `reference`, in pixels to the right and down, from a guess
/// that is about a pixel off. Looks at each `step`-th pixel of each `step`-th row.
pub(super) fn refined<P: Rows>(
    reference: &Field,
    picture: &P,
    (mut right, mut down): (f32, f32),
    step: usize,
) -> (f32, f32) {
    let begin = (right, down);
    let mut scale = f32::INFINITY;
    let mut light = (1.0, 0.0);
    let mut sizes = Vec::new();
    for _ in 0..ROUNDS_MAX {
        let mut sums = Normal::default();
        sizes.clear();
        visit(
            reference,
            picture,
            (right, down),
            step,
            |reference, (gx, gy), value| {
                let difference = value - (light.0 * reference + light.1);
                sizes.push(difference.abs());
                if difference.abs() <= scale {
                    sums.add([gx, gy, reference, 1.0], value - reference);
                }
            },
        );
        if sizes.is_empty() {
            return begin;
        }
        let median = crate::field::quantile(&mut sizes, 0.5);
        scale = OUTLIER * median.max(0.5);
        let Some([by_x, by_y, gain, offset]) = sums.solve() else {
            return begin;
        };
        light = (1.0 + gain, offset);
        // value(x + d) ≈ reference(x) + gradient · (−step): the step that is still missing.
        let limit = |step: f32| step.clamp(-1.5, 1.5);
        let (step_x, step_y) = (limit(-by_x), limit(-by_y));
        right += step_x;
        down += step_y;
        if step_x.abs().max(step_y.abs()) < STEP_MIN {
            break;
        }
    }
    let strayed = (right - begin.0).abs().max((down - begin.1).abs()) > REACH;
    if strayed { begin } else { (right, down) }
}

/// Calls back with level and gradient of the reference, and the level of the picture where that
/// has moved to.
fn visit<P: Rows>(
    reference: &Field,
    picture: &P,
    (right, down): (f32, f32),
    step: usize,
    mut each: impl FnMut(f32, (f32, f32), f32),
) {
    let (width, height) = picture.size();
    let sampler = Sampler::new(right, down);
    for y in (1..height - 1).step_by(step) {
        let Some((upper, lower)) = sampler.rows(picture, y, height) else {
            continue;
        };
        let (above, here, below) = (reference.row(y - 1), reference.row(y), reference.row(y + 1));
        let columns = here.windows(3).zip(above.iter().zip(below).skip(1));
        for (x, (across, (above, below))) in columns.enumerate().step_by(step) {
            let (&[left, level, right], x) = (across, x + 1) else {
                continue;
            };
            if let Some(value) = sampler.at(upper, lower, x, width) {
                each(level, ((right - left) * 0.5, (below - above) * 0.5), value);
            }
        }
    }
}
/// Two rows, the upper one first.
type Pair<'a, C> = (&'a [C], &'a [C]);

/// Reads a picture between its pixels (bilinear).
pub(super) struct Sampler {
    x: isize,
    y: isize,
    weights: [f32; 4],
}

impl Sampler {
    pub(super) fn new(right: f32, down: f32) -> Self {
        let (fx, fy) = (right - right.floor(), down - down.floor());
        Self {
            x: right.floor() as isize,
            y: down.floor() as isize,
            weights: [
                (1.0 - fx) * (1.0 - fy),
                fx * (1.0 - fy),
                (1.0 - fx) * fy,
                fx * fy,
            ],
        }
    }

    /// The rows above and below where row `y` has moved to.
    pub(super) fn rows<'a, P: Rows>(
        &self,
        picture: &'a P,
        y: usize,
        height: usize,
    ) -> Option<Pair<'a, P::Cell>> {
        let upper = y.checked_add_signed(self.y)?;
        (upper < height).then(|| (picture.row(upper), picture.row((upper + 1).min(height - 1))))
    }

    /// The level where column `x` of these rows has moved to.
    pub(super) fn at<C: Copy + Into<f32>>(
        &self,
        upper: &[C],
        lower: &[C],
        x: usize,
        width: usize,
    ) -> Option<f32> {
        let left = x.checked_add_signed(self.x)?;
        let right = (left + 1).min(width - 1);
        let [a, b, c, d] = self.weights;
        let value = |row: &[C], x: usize| row.get(x).map(|&v| v.into());
        Some(
            a * value(upper, left)?
                + b * value(upper, right)?
                + c * value(lower, left)?
                + d * value(lower, right)?,
        )
    }
}

/// Normal equations of four unknowns. The matrix is symmetric: only its upper half is summed.
#[derive(Default)]
struct Normal {
    upper: [f64; 10],
    right: [f64; 4],
}

impl Normal {
    fn add(&mut self, [a, b, c, d]: [f32; 4], right: f32) {
        let products = [
            a * a,
            a * b,
            a * c,
            a * d,
            b * b,
            b * c,
            b * d,
            c * c,
            c * d,
            d * d,
        ];
        for (sum, product) in self.upper.iter_mut().zip(products) {
            *sum += f64::from(product);
        }
        for (sum, factor) in self.right.iter_mut().zip([a, b, c, d]) {
            *sum += f64::from(factor * right);
        }
    }

    /// By elimination; `None` where an unknown can't be told.
    fn solve(&self) -> Option<[f32; 4]> {
        let [aa, ab, ac, ad, bb, bc, bd, cc, cd, dd] = self.upper;
        let [ra, rb, rc, rd] = self.right;
        let mut matrix = [
            [aa, ab, ac, ad, ra],
            [ab, bb, bc, bd, rb],
            [ac, bc, cc, cd, rc],
            [ad, bd, cd, dd, rd],
        ];
        let mut rows = matrix.as_mut_slice();
        let mut pivot_at = 0;
        // The matrix is symmetric and positive, so that pivots need no search.
        while let Some((pivot, rest)) = rows.split_first_mut() {
            let head = *pivot.get(pivot_at)?;
            if head.is_nan() || head <= 1e-3 {
                return None;
            }
            for row in rest.iter_mut() {
                let factor = *row.get(pivot_at)? / head;
                for (cell, above) in row.iter_mut().zip(pivot.iter()) {
                    *cell -= factor * above;
                }
            }
            rows = rest;
            pivot_at += 1;
        }
        let [a, b, c, d] = matrix;
        let w = d[4] / d[3];
        let z = (c[4] - c[3] * w) / c[2];
        let y = (b[4] - b[3] * w - b[2] * z) / b[1];
        let x = (a[4] - a[3] * w - a[2] * z - a[1] * y) / a[0];
        Some([x as f32, y as f32, z as f32, w as f32])
    }
}
