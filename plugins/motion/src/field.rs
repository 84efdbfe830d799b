//! A grid of numbers, and what is done to a whole one.

use crate::frame::Frame;

/// Rows from top to bottom, without gaps.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

impl Field {
    /// Of one value everywhere. Neither side is 0.
    #[must_use]
    pub fn new((width, height): (usize, usize), value: f32) -> Self {
        let (width, height) = (width.max(1), height.max(1));
        Self {
            width,
            height,
            values: vec![value; width * height],
        }
    }

    /// Each cell is the mean of `factor` × `factor` pixels; what is left over at the right and the
    /// bottom is dropped.
    #[must_use]
    pub fn reduced(frame: &Frame<'_>, factor: usize) -> Self {
        let mut field = Self::new((frame.width() / factor, frame.height() / factor), 0.0);
        field.reduce(frame, factor);
        field
    }

    /// [`Self::reduced`] into the memory of this one, which must have the size.
    pub fn reduce(&mut self, frame: &Frame<'_>, factor: usize) {
        let scale = 1.0 / (factor * factor) as f32;
        let mut sums = vec![0u16; frame.width()];
        let mut source = frame.rows();
        for row in self.values.chunks_exact_mut(self.width) {
            sums.fill(0);
            for pixels in source.by_ref().take(factor) {
                for (sum, &pixel) in sums.iter_mut().zip(pixels) {
                    *sum += u16::from(pixel);
                }
            }
            if factor == 2 {
                // Written out for the compiler: two at a time becomes one vector operation.
                let (pairs, _) = sums.as_chunks::<2>();
                for (cell, [left, right]) in row.iter_mut().zip(pairs) {
                    *cell = f32::from(left + right) * scale;
                }
            } else {
                for (cell, group) in row.iter_mut().zip(sums.chunks_exact(factor)) {
                    let sum: u32 = group.iter().map(|&sum| u32::from(sum)).sum();
                    *cell = sum as f32 * scale;
                }
            }
        }
    }

    /// Cells in a row.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// Width and height.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// All cells, row by row.
    #[must_use]
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// All cells, row by row.
    pub fn values_mut(&mut self) -> &mut [f32] {
        &mut self.values
    }

    /// Rows from top to bottom.
    pub fn rows(&self) -> std::slice::ChunksExact<'_, f32> {
        self.values.chunks_exact(self.width)
    }

    /// Rows from top to bottom.
    pub fn rows_mut(&mut self) -> std::slice::ChunksExactMut<'_, f32> {
        self.values.chunks_exact_mut(self.width)
    }

    /// Row `y`, the nearest one where there is none.
    #[must_use]
    pub fn row(&self, y: usize) -> &[f32] {
        let begin = y.min(self.height - 1) * self.width;
        self.values
            .get(begin..begin + self.width)
            .unwrap_or_default()
    }

    /// Writes this field to `into` (of the same size) without what is narrower than three cells
    /// across, up or down from 0: a morphological opening of its positive part, and of its negative
    /// one, by a bar of three cells.
    pub fn open_into(&self, into: &mut Self, buffer: &mut Vec<f32>) {
        buffer.resize(self.width + 2, 0.0);
        for (source, target) in self.rows().zip(into.rows_mut()) {
            // What three in a row have in common. Beyond the edges: nothing.
            if let [first, .., last] = buffer.as_mut_slice() {
                *first = 0.0;
                *last = 0.0;
            }
            for (common, three) in buffer.iter_mut().skip(2).zip(source.windows(3)) {
                if let [a, b, c] = three {
                    let least = greater(lesser(lesser(*a, *b), *c), 0.0);
                    let most = lesser(greater(greater(*a, *b), *c), 0.0);
                    *common = least + most;
                }
            }
            if let [_, second, .., before, _] = buffer.as_mut_slice() {
                *second = 0.0;
                *before = 0.0;
            }
            for (cell, three) in target.iter_mut().zip(buffer.windows(3)) {
                if let [a, b, c] = three {
                    let most = greater(greater(greater(*a, *b), *c), 0.0);
                    *cell = most + lesser(lesser(lesser(*a, *b), *c), 0.0);
                }
            }
        }
    }

    /// Writes this field smoothed by the binomial kernel [1 2 1] in both directions (edges are
    /// repeated) to `into`, which has the same size.
    pub fn smooth_into(&self, into: &mut Self, buffer: &mut Vec<f32>) {
        buffer.resize(self.width + 2, 0.0);
        for (y, target) in into.rows_mut().enumerate() {
            let (above, here, below) =
                (self.row(y.saturating_sub(1)), self.row(y), self.row(y + 1));
            let inner = buffer.iter_mut().skip(1);
            for (((sum, a), b), c) in inner.zip(above).zip(here).zip(below) {
                *sum = a + 2.0 * b + c;
            }
            if let [first, second, .., before, last] = buffer.as_mut_slice() {
                *first = *second;
                *last = *before;
            }
            for (cell, sums) in target.iter_mut().zip(buffer.windows(3)) {
                if let [a, b, c] = sums {
                    *cell = (a + 2.0 * b + c) * (1.0 / 16.0);
                }
            }
        }
    }
}

/// The lesser of two numbers, and the second one where either is none.
///
/// `f32::min` promises the number of the two instead. No instruction of WebAssembly does: there it
/// is a call, for each cell of a picture, and no loop around it becomes a vector operation.
#[must_use]
pub fn lesser(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// The greater of two numbers, and the second one where either is none; see [`lesser`].
#[must_use]
pub fn greater(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The value below which `share` of all lie. The order of the values is lost. 0 where there are
/// none.
#[must_use]
pub fn quantile(values: &mut [f32], share: f64) -> f32 {
    let last = values.len().saturating_sub(1);
    let rank = ((last as f64 * share) as usize).min(last);
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(rank, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_means() {
        let bytes: Vec<u8> = (0..33 * 34).map(|i| (i * 7 % 251) as u8).collect();
        let frame = Frame::new((33, 34), 33, &bytes, 0, false).unwrap();
        for factor in [1, 2, 3, 5] {
            let field = Field::reduced(&frame, factor);
            assert_eq!(field.size(), (33 / factor, 34 / factor));
            for (y, row) in field.rows().enumerate() {
                for (x, &cell) in row.iter().enumerate() {
                    let mut sum = 0.0;
                    for dy in 0..factor {
                        for dx in 0..factor {
                            sum += f32::from(bytes[(y * factor + dy) * 33 + x * factor + dx]);
                        }
                    }
                    assert!((cell - sum / (factor * factor) as f32).abs() < 1e-3);
                }
            }
        }
    }

    #[test]
    fn smoothing_keeps_the_sum_and_spreads_a_point() {
        let mut point = Field::new((7, 6), 0.0);
        point.values_mut()[2 * 7 + 3] = 16.0;
        let mut smooth = Field::new((7, 6), -1.0);
        point.smooth_into(&mut smooth, &mut Vec::new());
        assert_eq!(&smooth.row(1)[1..6], [0.0, 1.0, 2.0, 1.0, 0.0]);
        assert_eq!(&smooth.row(2)[1..6], [0.0, 2.0, 4.0, 2.0, 0.0]);
        assert_eq!(smooth.values().iter().sum::<f32>(), 16.0);
        let flat = Field::new((7, 6), 3.0);
        flat.smooth_into(&mut smooth, &mut Vec::new());
        assert_eq!(smooth, flat);
    }

    #[test]
    fn quantiles_of_a_known_row() {
        let mut values: Vec<f32> = (0..101).rev().map(|v| v as f32).collect();
        assert_eq!(quantile(&mut values, 0.5), 50.0);
        assert_eq!(quantile(&mut values, 0.95), 95.0);
        assert_eq!(quantile(&mut values, 1.0), 100.0);
        assert_eq!(quantile(&mut [], 0.5), 0.0);
    }
}
