//! How far a picture has moved as a whole, by phase correlation: C. D. Kuglin and D. C. Hines, "The
//! phase correlation image alignment method", Proc. IEEE Int. Conf. on Cybernetics and Society, 1975.
//!
//! Taken of gradients, as complex numbers: brightness and slow shading drop out.

use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::image::Image;

/// Work space for pictures of one size.
pub(crate) struct Correlator {
    width: usize,
    height: usize,
    rows: [Arc<dyn Fft<f32>>; 2],
    columns: [Arc<dyn Fft<f32>>; 2],
}

impl std::fmt::Debug for Correlator {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Correlator({} × {})", self.width, self.height)
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
pub(crate) type Spectrum = Vec<Complex<f32>>;

impl Correlator {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let mut planner = FftPlanner::new();
        let mut both = |length| [planner.plan_fft_forward(length), planner.plan_fft_inverse(length)];
        Self {
            width,
            height,
            rows: both(width),
            columns: both(height),
        }
    }

    /// What is to be compared of a picture of this size.
    pub(crate) fn spectrum(&self, image: &Image) -> Spectrum {
        let hann = |at: usize, of: usize| {
            let turn = std::f32::consts::TAU * (at as f32 + 0.5) / of as f32;
            0.5 - 0.5 * turn.cos()
        };
        let across: Vec<f32> = (0..self.width).map(|x| hann(x, self.width)).collect();
        let mut field = Vec::with_capacity(self.width * self.height);
        for y in 0..self.height {
            let down = hann(y, self.height);
            for (x, across) in across.iter().enumerate() {
                let (gx, gy) = image.gradient(x, y);
                field.push(Complex::new(gx, gy) * (down * across));
            }
        }
        self.transform(&mut field, 0);
        field
    }

    fn transform(&self, field: &mut Vec<Complex<f32>>, way: usize) {
        for (plans, across, down) in [
            (&self.rows, self.width, self.height),
            (&self.columns, self.height, self.width),
        ] {
            if let Some(plan) = plans.get(way) {
                plan.process(field);
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
        let mut cross: Vec<Complex<f32>> = of.iter().zip(now).map(|(a, b)| b * a.conj()).collect();
        let mean = cross.iter().map(|c| c.norm()).sum::<f32>() / cross.len().max(1) as f32;
        // Frequencies that are hardly there have a random phase.
        let floor = 0.1 * mean + f32::MIN_POSITIVE;
        for value in &mut cross {
            *value /= value.norm() + floor;
        }
        self.transform(&mut cross, 1);
        let power: Vec<f32> = cross.iter().map(|c| c.re).collect();
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
            if bend.abs() < 1e-12 { 0.0 } else { ((before - after) / (2.0 * bend)).clamp(-0.5, 0.5) }
        };
        let (ix, iy) = (x as i64, y as i64);
        let middle = at(ix, iy);
        let part_x = top(at(ix - 1, iy), middle, at(ix + 1, iy));
        let part_y = top(at(ix, iy - 1), middle, at(ix, iy + 1));
        let signed = |at: usize, of: usize| if 2 * at > of { at as f64 - of as f64 } else { at as f64 };
        let count = power.len().max(1) as f64;
        let square: f64 = power.iter().map(|p| f64::from(*p).powi(2)).sum();
        Shift {
            x: signed(x, self.width) + part_x,
            y: signed(y, self.height) + part_y,
            confidence: f64::from(peak) / (square / count).sqrt().max(1e-12),
        }
    }
}
