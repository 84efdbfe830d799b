//! The discrete Fourier transform, for sizes that are powers of two.
//!
//! Stockham's form of the radix-2 algorithm (Cochran et al.: "What is the fast Fourier transform?",
//! Proc. IEEE 55 (10), 1967): it needs a second buffer and no reordering, and does all columns of a
//! grid in one go.

/// Real and imaginary part.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Complex {
    /// Real part.
    pub re: f32,
    /// Imaginary part.
    pub im: f32,
}

impl Complex {
    /// The product with another number.
    #[must_use]
    pub fn times(self, other: Self) -> Self {
        Self {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }

    /// The conjugate.
    #[must_use]
    pub fn conjugate(self) -> Self {
        Self {
            re: self.re,
            im: -self.im,
        }
    }

    /// The absolute value.
    #[must_use]
    pub fn size(self) -> f32 {
        (self.re * self.re + self.im * self.im).sqrt()
    }
}

/// Transforms grids of one size.
#[derive(Debug)]
pub struct Transform {
    width: usize,
    across: Vec<Complex>,
    down: Vec<Complex>,
    buffer: Vec<Complex>,
}

/// e^(−2πi k/n) for the first half of k.
fn roots(length: usize) -> Vec<Complex> {
    let step = -std::f64::consts::TAU / length as f64;
    let root = |k: usize| {
        let (im, re) = (step * k as f64).sin_cos();
        Complex {
            re: re as f32,
            im: im as f32,
        }
    };
    (0..length / 2).map(root).collect()
}

impl Transform {
    /// For grids of this size; both sides are rounded up to powers of two.
    #[must_use]
    pub fn new((width, height): (usize, usize)) -> Self {
        let (width, height) = (width.next_power_of_two(), height.next_power_of_two());
        Self {
            width,
            across: roots(width),
            down: roots(height),
            buffer: vec![Complex::default(); width * height],
        }
    }

    /// Width and height of the grids.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.buffer.len() / self.width)
    }

    /// Replaces `grid`, row by row, by its transform.
    pub fn forward(&mut self, grid: &mut Vec<Complex>) {
        grid.resize(self.buffer.len(), Complex::default());
        let (rows, others) = (
            grid.chunks_exact_mut(self.width),
            self.buffer.chunks_exact_mut(self.width),
        );
        for (row, other) in rows.zip(others) {
            along(row, other, &self.across, 1);
        }
        along(grid, &mut self.buffer, &self.down, self.width);
    }

    /// The inverse transform, but for the factor 1/n.
    pub fn backward(&mut self, grid: &mut Vec<Complex>) {
        for value in grid.iter_mut() {
            *value = value.conjugate();
        }
        self.forward(grid);
        for value in grid.iter_mut() {
            *value = value.conjugate();
        }
    }
}

/// Transforms `batch` sequences that lie interleaved in `values`.
fn along(values: &mut [Complex], other: &mut [Complex], roots: &[Complex], batch: usize) {
    let mut stride = batch;
    let mut steps = 0;
    let half = values.len() / 2;
    let (mut from, mut to) = (&mut *values, &mut *other);
    while stride <= half {
        let (low, high) = from.split_at(half);
        let pairs = low.chunks_exact(stride).zip(high.chunks_exact(stride));
        // The sequence of roots of this stage: each (stride / batch)-th one.
        let roots = roots.iter().step_by(stride / batch);
        for (((a, b), out), root) in pairs.zip(to.chunks_exact_mut(2 * stride)).zip(roots) {
            let (sums, differences) = out.split_at_mut(stride);
            let out = sums.iter_mut().zip(differences);
            for ((a, b), (sum, difference)) in a.iter().zip(b).zip(out) {
                *sum = Complex {
                    re: a.re + b.re,
                    im: a.im + b.im,
                };
                *difference = Complex {
                    re: a.re - b.re,
                    im: a.im - b.im,
                }
                .times(*root);
            }
        }
        std::mem::swap(&mut from, &mut to);
        stride *= 2;
        steps += 1;
    }
    if steps % 2 == 1 {
        // The result is in the other buffer, which `from` now is.
        to.copy_from_slice(from);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_sum_that_defines_it() {
        let (width, height) = (16, 8);
        let value = |at: usize| Complex {
            re: ((at * at + 3) % 17) as f32,
            im: ((at * 7) % 5) as f32,
        };
        let mut grid: Vec<Complex> = (0..width * height).map(value).collect();
        let given = grid.clone();
        let mut transform = Transform::new((13, 8));
        assert_eq!(transform.size(), (16, 8));
        transform.forward(&mut grid);
        for v in 0..height {
            for u in 0..width {
                let (mut re, mut im) = (0.0f64, 0.0f64);
                for y in 0..height {
                    for x in 0..width {
                        let turn = (u * x) as f64 / width as f64 + (v * y) as f64 / height as f64;
                        let (sin, cos) = (-std::f64::consts::TAU * turn).sin_cos();
                        let value = given[y * width + x];
                        re += f64::from(value.re) * cos - f64::from(value.im) * sin;
                        im += f64::from(value.re) * sin + f64::from(value.im) * cos;
                    }
                }
                let found = grid[v * width + u];
                assert!((f64::from(found.re) - re).abs() < 2e-3, "{u} {v}");
                assert!((f64::from(found.im) - im).abs() < 2e-3, "{u} {v}");
            }
        }
        transform.backward(&mut grid);
        for (found, given) in grid.iter().zip(given) {
            assert!((found.re / 128.0 - given.re).abs() < 1e-4);
            assert!((found.im / 128.0 - given.im).abs() < 1e-4);
        }
    }
}
