//! How a picture has moved, to fractions of a pixel, by the enhanced correlation coefficient: G. D.
//! Evangelidis and E. Z. Psarakis, "Parametric Image Alignment Using Enhanced Correlation Coefficient
//! Maximization", IEEE Trans. PAMI 30(10), 2008; their forward additive iteration, with a weight for
//! each sample.
//!
//! Only samples with edges are looked at, spread over the picture: the others tell nothing.

use crate::affine::Affine;
use crate::image::Image;

/// Samples that are looked at, at the most.
const POINTS_MAX: usize = 24_000;
const ITERATIONS_MAX: usize = 30;
/// An iteration that moves the corners by less is the last one; pixels.
const STILL: f64 = 0.004;

/// A sample of the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    x: f32,
    y: f32,
    value: f32,
    /// How much it counts.
    weight: f32,
}

/// What may move.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Motion {
    /// Two numbers.
    Shift,
    /// Six.
    Affine,
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fit {
    pub(crate) affine: Affine,
    /// Correlation, at most 1.
    pub(crate) correlation: f64,
}

/// The samples of a reference that tell most. `trust`: how far each can be relied on, 0 to 1.
pub(crate) fn points(reference: &Image, trust: &[f32]) -> Vec<Point> {
    /// Cells, in each of which as many are taken.
    const CELL: usize = 20;
    let (across, down) = (
        reference.width.div_ceil(CELL),
        reference.height.div_ceil(CELL),
    );
    let each = (POINTS_MAX / (across * down).max(1)).max(4);
    let mut points = Vec::with_capacity(POINTS_MAX);
    let mut cell: Vec<(f32, Point)> = Vec::with_capacity(CELL * CELL);
    for row in 0..down {
        for column in 0..across {
            cell.clear();
            for y in row * CELL..((row + 1) * CELL).min(reference.height) {
                for x in column * CELL..((column + 1) * CELL).min(reference.width) {
                    let weight = trust.get(y * reference.width + x).copied().unwrap_or(1.0);
                    let (gx, gy) = reference.gradient(x, y);
                    let strength = (gx * gx + gy * gy) * weight;
                    // Less than 2 levels from sample to sample is noise.
                    if strength < 4.0 {
                        continue;
                    }
                    let value = reference.at(x, y);
                    let (x, y) = (x as f32, y as f32);
                    cell.push((
                        strength,
                        Point {
                            x,
                            y,
                            value,
                            weight,
                        },
                    ));
                }
            }
            if cell.len() > each {
                cell.select_nth_unstable_by(each, |a, b| b.0.total_cmp(&a.0));
                cell.truncate(each);
            }
            points.extend(cell.iter().map(|(_, point)| *point));
        }
    }
    points
}

/// Correlation of the reference with a picture, moved so.
pub(crate) fn correlation(points: &[Point], image: &Image, affine: &Affine) -> f64 {
    let mut sums = Moments::default();
    for point in points {
        let (x, y) = affine.apply(point.x.into(), point.y.into());
        if let Some((value, ..)) = image.sample(x, y) {
            sums.add(point.weight.into(), point.value.into(), value.into());
        }
    }
    sums.correlation()
}

#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    weight: f64,
    t: f64,
    i: f64,
    tt: f64,
    ii: f64,
    ti: f64,
}

impl Moments {
    fn add(&mut self, weight: f64, t: f64, i: f64) {
        self.weight += weight;
        self.t += weight * t;
        self.i += weight * i;
        self.tt += weight * t * t;
        self.ii += weight * i * i;
        self.ti += weight * t * i;
    }

    /// Sums of products about the means: of the reference, of the picture, of both.
    fn central(&self) -> (f64, f64, f64) {
        let weight = self.weight.max(1e-9);
        (
            self.tt - self.t * self.t / weight,
            self.ii - self.i * self.i / weight,
            self.ti - self.t * self.i / weight,
        )
    }

    fn correlation(&self) -> f64 {
        let (tt, ii, ti) = self.central();
        ti / (tt * ii).sqrt().max(1e-9)
    }
}

/// Moves `start` to where the correlation is highest; none where it leads nowhere.
pub(crate) fn refine(
    points: &[Point],
    image: &Image,
    start: Affine,
    motion: Motion,
) -> Option<Fit> {
    let mut affine = start;
    let centre = (image.width as f64 / 2.0, image.height as f64 / 2.0);
    let size = (image.width as f64, image.height as f64);
    // Positions from the middle in halves of the width, so that all six numbers are of one size.
    let unit = centre.0.max(1.0);
    let count = match motion {
        Motion::Shift => 2,
        Motion::Affine => 6,
    };
    for _ in 0..ITERATIONS_MAX {
        let mut sums = Moments::default();
        let mut hessian = [[0f64; 6]; 6];
        let (mut of_i, mut of_t, mut of_1) = ([0f64; 6], [0f64; 6], [0f64; 6]);
        for point in points {
            let (px, py) = (f64::from(point.x), f64::from(point.y));
            let (x, y) = affine.apply(px, py);
            let Some((value, gx, gy)) = image.sample(x, y) else {
                continue;
            };
            let (w, t, i) = (
                f64::from(point.weight),
                f64::from(point.value),
                f64::from(value),
            );
            let (gx, gy) = (f64::from(gx), f64::from(gy));
            let (ux, uy) = ((px - centre.0) / unit, (py - centre.1) / unit);
            let slopes = [gx, gy, gx * ux, gx * uy, gy * ux, gy * uy];
            sums.add(w, t, i);
            for (row, slope) in hessian.iter_mut().zip(slopes).take(count) {
                for (sum, other) in row.iter_mut().zip(slopes).take(count) {
                    *sum += w * slope * other;
                }
            }
            for ((((si, st), s1), slope), _) in of_i
                .iter_mut()
                .zip(&mut of_t)
                .zip(&mut of_1)
                .zip(slopes)
                .zip(0..count)
            {
                *si += w * slope * i;
                *st += w * slope * t;
                *s1 += w * slope;
            }
        }
        if sums.weight < 100.0 {
            return None;
        }
        let (mean_i, mean_t) = (sums.i / sums.weight, sums.t / sums.weight);
        for ((si, st), s1) in of_i.iter_mut().zip(&mut of_t).zip(of_1) {
            *si -= mean_i * s1;
            *st -= mean_t * s1;
        }
        let (_, ii, ti) = sums.central();
        let projected = solve(&hessian, &of_i, count)?;
        let dot = |a: &[f64; 6], b: &[f64; 6]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let (over, under) = (ii - dot(&of_i, &projected), ti - dot(&of_t, &projected));
        if under <= 0.0 {
            return None;
        }
        let lambda = over / under;
        let mut error = [0f64; 6];
        for ((error, t), i) in error.iter_mut().zip(of_t).zip(of_i) {
            *error = lambda * t - i;
        }
        let [x, y, xx, xy, yx, yy] = solve(&hessian, &error, count)?;
        let (xx, xy, yx, yy) = (xx / unit, xy / unit, yx / unit, yy / unit);
        let mut next = affine;
        let (cx, cy) = centre;
        let step = [xx, xy, x - xx * cx - xy * cy, yx, yy, y - yx * cx - yy * cy];
        for (value, step) in next.0.iter_mut().zip(step) {
            *value += step;
        }
        let [.., sx, _, _, sy] = step;
        let moved = Affine([1.0 + xx, xy, sx, yx, 1.0 + yy, sy]).reach(size);
        affine = next;
        if !moved.is_finite() || moved > size.0 {
            return None;
        }
        if moved < STILL {
            break;
        }
    }
    let correlation = correlation(points, image, &affine);
    Some(Fit {
        affine,
        correlation,
    })
}

/// The same points, with less weight for those that don't fit: what has grown, moved or lies in shade.
pub(crate) fn robust(points: &[Point], image: &Image, affine: &Affine) -> Vec<Point> {
    let mut sums = Moments::default();
    let values: Vec<Option<f32>> = points
        .iter()
        .map(|point| {
            let (x, y) = affine.apply(point.x.into(), point.y.into());
            let value = image.sample(x, y).map(|(value, ..)| value);
            if let Some(value) = value {
                sums.add(point.weight.into(), point.value.into(), value.into());
            }
            value
        })
        .collect();
    let (tt, _, ti) = sums.central();
    let weight = sums.weight.max(1e-9);
    let slope = (ti / tt.max(1e-9)).max(0.1);
    let base = sums.i / weight - slope * sums.t / weight;
    let far = |point: &Point, value: f32| {
        (f64::from(value) - base - slope * f64::from(point.value)).abs()
    };
    let known = points
        .iter()
        .zip(&values)
        .filter_map(|(point, value)| Some(far(point, (*value)?)));
    let mut distances: Vec<f64> = known.collect();
    if distances.is_empty() {
        return points.to_vec();
    }
    let middle = distances.len() / 2;
    let (_, typical, _) = distances.select_nth_unstable_by(middle, f64::total_cmp);
    // 1.4826 times the median distance is the deviation of a normal distribution.
    let scale = (1.4826 * *typical).max(2.0) * 1.5;
    let weighed = points.iter().zip(&values).map(|(point, value)| {
        let ratio = value.map_or(0.0, |value| far(point, value) / scale);
        let weight = point.weight * (1.0 / (1.0 + ratio * ratio).powi(2)) as f32;
        Point { weight, ..*point }
    });
    weighed.collect()
}

/// Solves the first `count` equations (symmetric, positive) by elimination; none where they don't hold.
fn solve(matrix: &[[f64; 6]; 6], right: &[f64; 6], count: usize) -> Option<[f64; 6]> {
    let mut rows: Vec<Vec<f64>> = Vec::with_capacity(count);
    for (row, right) in matrix.iter().zip(right).take(count) {
        let mut line: Vec<f64> = row.iter().take(count).copied().collect();
        line.push(*right);
        rows.push(line);
    }
    for pivot in 0..count {
        let best = (pivot..count).max_by(|a, b| {
            let size = |row: &usize| {
                rows.get(*row)
                    .and_then(|row| row.get(pivot))
                    .map_or(0.0, |v| v.abs())
            };
            size(a).total_cmp(&size(b))
        })?;
        rows.swap(pivot, best);
        let top = rows.get(pivot)?.clone();
        let lead = *top.get(pivot)?;
        if lead.abs() < 1e-9 {
            return None;
        }
        for (number, row) in rows.iter_mut().enumerate() {
            if number == pivot {
                continue;
            }
            let factor = *row.get(pivot)? / lead;
            for (value, top) in row.iter_mut().zip(&top) {
                *value -= factor * top;
            }
        }
    }
    let mut solution = [0.0; 6];
    for ((number, row), out) in rows.iter().enumerate().zip(&mut solution) {
        *out = row.get(count)? / row.get(number)?;
    }
    Some(solution)
}
