//! How far a picture has moved as a whole, by phase correlation: C. D. Kuglin and D. C. Hines, "The
//! phase correlation image alignment method", Proc. IEEE Int. Conf. on Cybernetics and Society, 1975.
//!
//! Taken of gradients, as complex numbers: brightness and slow shading drop out.

use std::f32::consts::TAU;

use crate::image::Image;

/// Work space for pictures of one size.
#[derive(Debug)]
pub(crate) struct Correlator {
    /// Of the picture.
    size: (usize, usize),
    /// Powers of two that it fits into.
    width: usize,
    height: usize,
    turns: Turns,
}

/// A complex number.
type Complex = (f32, f32);

fn times((a, b): Complex, (c, d): Complex) -> Complex {
    (a * c - b * d, a * d + b * c)
}

/// Roots of unity for the steps of a transform: of 2, 4, 8 and so on, the first half of each.
#[derive(Debug)]
struct Turns(Vec<Vec<Complex>>);

impl Turns {
    fn up_to(length: usize) -> Self {
        let halves = std::iter::successors(Some(1), |half| Some(half * 2));
        let of = |half: usize| {
            let turn = |index| {
                let (sin, cos) = (TAU * index as f32 / (2 * half) as f32).sin_cos();
                (cos, sin)
            };
            (0..half).map(turn).collect()
        };
        Self(halves.take_while(|half| *half < length).map(of).collect())
    }
}

/// The Fourier transform of a row whose length is a power of two: J. W. Cooley and J. W. Tukey, "An
/// algorithm for the machine calculation of complex Fourier series", Math. Comp. 19, 1965. `way`: -1
/// there, 1 back (not divided by the length).
fn fourier(row: &mut [Complex], way: f32, turns: &Turns) {
    let length = row.len();
    let mut turned = 0;
    for index in 1..length {
        let mut bit = length >> 1;
        while turned & bit != 0 {
            turned ^= bit;
            bit >>= 1;
        }
        turned |= bit;
        if index < turned {
            row.swap(index, turned);
        }
    }
    for turns in turns.0.iter().take_while(|turns| turns.len() < length) {
        let half = turns.len();
        for block in row.chunks_exact_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            for ((low, high), (cos, sin)) in low.iter_mut().zip(high).zip(turns) {
                let part = times(*high, (*cos, way * sin));
                *high = (low.0 - part.0, low.1 - part.1);
                *low = (low.0 + part.0, low.1 + part.1);
            }
        }
    }
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shift {
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// How far the peak stands out, in standard deviations of all else.
    pub(crate) confidence: f64,
}

/// The transform of a picture's gradients.
pub(crate) type Spectrum = Vec<(f32, f32)>;

impl Correlator {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let size = (width, height);
        let (width, height) = (width.next_power_of_two(), height.next_power_of_two());
        Self {
            size,
            width,
            height,
            turns: Turns::up_to(width.max(height)),
        }
    }

    /// What is to be compared of a picture of this size.
    pub(crate) fn spectrum(&self, image: &Image) -> Spectrum {
        let hann = |at: usize, of: usize| 0.5 - 0.5 * (TAU * (at as f32 + 0.5) / of as f32).cos();
        let (width, height) = self.size;
        let across: Vec<f32> = (0..width).map(|x| hann(x, width)).collect();
        let mut field = vec![(0.0, 0.0); self.width * self.height];
        for (y, row) in field.chunks_exact_mut(self.width).take(height).enumerate() {
            let down = hann(y, height);
            for ((x, across), value) in across.iter().enumerate().zip(row) {
                let (gx, gy) = image.gradient(x, y);
                *value = (gx * down * across, gy * down * across);
            }
        }
        self.transform(&mut field, -1.0);
        field
    }

    fn transform(&self, field: &mut Spectrum, way: f32) {
        for (across, down) in [(self.width, self.height), (self.height, self.width)] {
            for row in field.chunks_exact_mut(across) {
                fourier(row, way, &self.turns);
            }
            // The other way round, so that rows follow each other again.
            let mut turned = Vec::with_capacity(field.len());
            for x in 0..across {
                turned.extend(field.iter().skip(x).step_by(across).take(down));
            }
            *field = turned;
        }
    }

    /// How far what is seen in `of` has moved in `now`.
    pub(crate) fn shift(&self, of: &Spectrum, now: &Spectrum) -> Shift {
        let mut cross: Spectrum = of
            .iter()
            .zip(now)
            .map(|((a, b), now)| times(*now, (*a, -*b)))
            .collect();
        let mean = cross.iter().map(|c| c.0.hypot(c.1)).sum::<f32>() / cross.len().max(1) as f32;
        // Frequencies that are hardly there have a random phase.
        let floor = 0.1 * mean + f32::MIN_POSITIVE;
        for value in &mut cross {
            let length = value.0.hypot(value.1) + floor;
            *value = (value.0 / length, value.1 / length);
        }
        self.transform(&mut cross, 1.0);
        let power: Vec<f32> = cross.iter().map(|c| c.0).collect();
        let best = power.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
        let (index, peak) = best.map_or((0, 0.0), |(index, peak)| (index, *peak));
        let (x, y) = (index % self.width, index / self.width);
        let at = |x: i64, y: i64| {
            let x = x.rem_euclid(self.width as i64) as usize;
            let y = y.rem_euclid(self.height as i64) as usize;
            f64::from(power.get(y * self.width + x).copied().unwrap_or(0.0))
        };
        // The top of the parabola through the peak and its neighbours.
        let top = |before: f64, peak: f64, after: f64| {
            let bend = before - 2.0 * peak + after;
            if bend.abs() < 1e-12 {
                0.0
            } else {
                ((before - after) / (2.0 * bend)).clamp(-0.5, 0.5)
            }
        };
        let (ix, iy) = (x as i64, y as i64);
        let middle = at(ix, iy);
        let part_x = top(at(ix - 1, iy), middle, at(ix + 1, iy));
        let part_y = top(at(ix, iy - 1), middle, at(ix, iy + 1));
        let signed = |at: usize, of: usize| {
            if 2 * at > of {
                at as f64 - of as f64
            } else {
                at as f64
            }
        };
        let count = power.len().max(1) as f64;
        let square: f64 = power.iter().map(|p| f64::from(*p).powi(2)).sum();
        Shift {
            x: signed(x, self.width) + part_x,
            y: signed(y, self.height) + part_y,
            confidence: f64::from(peak) / (square / count).sqrt().max(1e-12),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the definition.
    #[test]
    fn it_is_the_fourier_transform() {
        let row: Vec<Complex> = (0..16)
            .map(|n| ((n * 7 % 5) as f32, (n * 3 % 4) as f32))
            .collect();
        // Of a longer transform, too: its first steps are those of a shorter one.
        let turns = Turns::up_to(64);
        let mut out = row.clone();
        fourier(&mut out, -1.0, &turns);
        for (k, found) in out.iter().enumerate() {
            let terms = row.iter().enumerate().map(|(n, value)| {
                let (sin, cos) = (-TAU * (k * n) as f32 / 16.0).sin_cos();
                times(*value, (cos, sin))
            });
            let sum = terms.fold((0.0, 0.0), |sum: Complex, term| {
                (sum.0 + term.0, sum.1 + term.1)
            });
            assert!((sum.0 - found.0).abs() < 1e-3 && (sum.1 - found.1).abs() < 1e-3);
        }
        fourier(&mut out, 1.0, &turns);
        for (was, is) in row.iter().zip(&out) {
            assert!((was.0 - is.0 / 16.0).abs() < 1e-4 && (was.1 - is.1 / 16.0).abs() < 1e-4);
        }
    }
}
