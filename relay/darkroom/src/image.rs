//! Small pictures to measure movement on: luma, freed of brightness and contrast.

use crate::affine::Affine;
use crate::frame::Plane;

/// Samples of a neighbourhood, to each side, whose mean and contrast are taken out.
const AROUND: usize = 12;
/// What a sample of one standard deviation is stored as, beside [`MIDDLE`].
const UNIT: f32 = 32.0;
const MIDDLE: f32 = 128.0;

/// A picture of numbers.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Image {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) samples: Vec<f32>,
}

impl Image {
    pub(crate) fn of(plane: &Plane) -> Self {
        Self {
            width: plane.width,
            height: plane.height,
            samples: plane
                .samples
                .iter()
                .map(|sample| f32::from(*sample))
                .collect(),
        }
    }

    pub(crate) fn at(&self, x: usize, y: usize) -> f32 {
        self.samples.get(y * self.width + x).copied().unwrap_or(0.0)
    }

    /// Half the difference of the neighbours; 0 at the edge.
    pub(crate) fn gradient(&self, x: usize, y: usize) -> (f32, f32) {
        if x == 0 || y == 0 || x + 1 >= self.width || y + 1 >= self.height {
            return (0.0, 0.0);
        }
        let gx = self.at(x + 1, y) - self.at(x - 1, y);
        let gy = self.at(x, y + 1) - self.at(x, y - 1);
        (gx / 2.0, gy / 2.0)
    }

    /// Of half the size.
    pub(crate) fn half(&self) -> Self {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut samples = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let four = [(0, 0), (1, 0), (0, 1), (1, 1)];
                let sum: f32 = four
                    .iter()
                    .map(|(dx, dy)| self.at(2 * x + dx, 2 * y + dy))
                    .sum();
                samples.push(sum / 4.0);
            }
        }
        Self {
            width,
            height,
            samples,
        }
    }

    /// Slightly blurred (1 2 1): differences of neighbours tell less of noise then.
    pub(crate) fn smooth(&self) -> Self {
        let pass = |image: &Self, dx: usize, dy: usize| {
            let mut samples = Vec::with_capacity(image.samples.len());
            for y in 0..image.height {
                for x in 0..image.width {
                    let before = image.at(x.saturating_sub(dx), y.saturating_sub(dy));
                    let after = image.at(
                        (x + dx).min(image.width - 1),
                        (y + dy).min(image.height - 1),
                    );
                    samples.push((before + 2.0 * image.at(x, y) + after) / 4.0);
                }
            }
            Self { samples, ..*image }
        };
        pass(&pass(self, 1, 0), 0, 1)
    }

    /// Mean of the samples around each.
    fn around(&self) -> Self {
        let pass = |samples: &[f32], length: usize, other: usize| {
            // Along rows of `length`, written the other way round.
            let mut out = vec![0.0; samples.len()];
            for (y, row) in samples.chunks_exact(length.max(1)).enumerate() {
                let mut sums = Vec::with_capacity(length + 1);
                let mut sum = 0f64;
                sums.push(sum);
                for sample in row {
                    sum += f64::from(*sample);
                    sums.push(sum);
                }
                for x in 0..length {
                    let (from, to) = (x.saturating_sub(AROUND), (x + AROUND + 1).min(length));
                    let total = sums
                        .get(to)
                        .zip(sums.get(from))
                        .map_or(0.0, |(to, from)| to - from);
                    if let Some(out) = out.get_mut(x * other + y) {
                        *out = (total / (to - from) as f64) as f32;
                    }
                }
            }
            out
        };
        let turned = pass(&self.samples, self.width, self.height);
        Self {
            samples: pass(&turned, self.height, self.width),
            ..*self
        }
    }

    /// Freed of brightness and contrast of the neighbourhood, in bytes.
    pub(crate) fn normal(&self) -> Plane {
        let mean = self.around();
        let squares = Self {
            samples: self.samples.iter().map(|s| s * s).collect(),
            ..*self
        };
        let squares = squares.around();
        let pairs = self.samples.iter().zip(&mean.samples).zip(&squares.samples);
        let samples = pairs.map(|((sample, mean), square)| {
            // Three levels of noise are no contrast.
            let spread = (square - mean * mean).max(0.0).sqrt() + 3.0;
            (MIDDLE + UNIT * (sample - mean) / spread).clamp(0.0, 255.0) as u8
        });
        Plane {
            width: self.width,
            height: self.height,
            samples: samples.collect(),
        }
    }

    /// Value and gradient between samples; none beyond the edge.
    pub(crate) fn sample(&self, x: f64, y: f64) -> Option<(f32, f32, f32)> {
        let (right, bottom) = (self.width as f64, self.height as f64);
        if !(1.0..right).contains(&x) || !(1.0..bottom).contains(&y) {
            return None;
        }
        // Cut off is rounded down, since they are positive; `floor` is a call where the processor's own
        // instruction can't be taken for granted.
        let (column, row) = (x as usize, y as usize);
        if column + 2 >= self.width || row + 2 >= self.height {
            return None;
        }
        let (fx, fy) = ((x - column as f64) as f32, (y - row as f64) as f32);
        let index = row * self.width + column;
        let line = |index: usize| {
            let four = self.samples.get(index - 1..index + 3)?;
            let four: &[f32; 4] = four.first_chunk::<4>()?;
            Some(*four)
        };
        let [_, a, b, _] = line(index - self.width)?;
        let [c, d, e, f] = line(index)?;
        let [g, h, i, j] = line(index + self.width)?;
        let [_, k, l, _] = line(index + 2 * self.width)?;
        let mix = |tl: f32, tr: f32, bl: f32, br: f32| {
            let upper = tl + fx * (tr - tl);
            let lower = bl + fx * (br - bl);
            upper + fy * (lower - upper)
        };
        let value = mix(d, e, h, i);
        let gx = mix(e - c, f - d, i - g, j - h) / 2.0;
        let gy = mix(h - a, i - b, k - d, l - e) / 2.0;
        Some((value, gx, gy))
    }
}

/// Moves a picture back to where it belongs. Where nothing is known the middle stands.
pub(crate) fn moved(plane: &Plane, affine: &Affine) -> Plane {
    let image = Image::of(plane);
    let mut samples = Vec::with_capacity(plane.samples.len());
    for y in 0..plane.height {
        for x in 0..plane.width {
            let (sx, sy) = affine.apply(x as f64, y as f64);
            let value = image.sample(sx, sy).map_or(MIDDLE, |(value, ..)| value);
            samples.push((value + 0.5) as u8);
        }
    }
    Plane {
        width: plane.width,
        height: plane.height,
        samples,
    }
}
