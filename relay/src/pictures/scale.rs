//! Scales a plane by area average, a row at a time, so that no second picture of full size is held.

use super::taps::{SHIFT, Taps};

/// Fractional bits of scaled samples: a sample of 8 bits is held as a value of 16.
pub(super) const FRACTION: u32 = 8;

/// A plane of eight-bit samples in tight rows.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlaneIn<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) width: usize,
}

impl<'a> PlaneIn<'a> {
    fn row(&self, index: usize) -> &'a [u8] {
        let start = index * self.width;
        self.bytes.get(start..start + self.width).unwrap_or(&[])
    }
}

/// Scales one plane.
#[derive(Debug)]
pub(super) struct Scaler {
    columns: Taps,
    rows: Taps,
    /// Weighted sum of input rows.
    sum: Vec<u32>,
    /// The same with [`FRACTION`] bits behind the point.
    mean: Vec<u16>,
}

impl Scaler {
    /// Scales by these weights.
    pub(super) fn new(columns: Taps, rows: Taps) -> Self {
        Self {
            columns,
            rows,
            sum: Vec::new(),
            mean: Vec::new(),
        }
    }

    /// Samples in a scaled row.
    pub(super) fn width(&self) -> usize {
        self.columns.taps.len()
    }

    /// Scaled rows.
    pub(super) fn height(&self) -> usize {
        self.rows.taps.len()
    }

    /// Computes a row; `out` has the scaled width. What the plane has no bytes for is black.
    pub(super) fn row(&mut self, plane: PlaneIn<'_>, index: usize, out: &mut [u16]) {
        let Some(tap) = self.rows.taps.get(index) else {
            return;
        };
        // Rows first: sums over whole rows are what vector units are good at.
        self.mean.resize(plane.width, 0);
        if let [_] = tap.weights.as_slice() {
            for (mean, sample) in self.mean.iter_mut().zip(plane.row(tap.start)) {
                *mean = u16::from(*sample) << FRACTION;
            }
        } else {
            self.sum.clear();
            self.sum.resize(plane.width, 0);
            for (row, weight) in (tap.start..).zip(&tap.weights) {
                for (sum, sample) in self.sum.iter_mut().zip(plane.row(row)) {
                    *sum += u32::from(*sample) * weight;
                }
            }
            const DOWN: u32 = SHIFT - FRACTION;
            for (mean, sum) in self.mean.iter_mut().zip(&self.sum) {
                *mean = ((sum + (1 << (DOWN - 1))) >> DOWN) as u16;
            }
        }
        if self.columns.identity {
            for (out, mean) in out.iter_mut().zip(&self.mean) {
                *out = *mean;
            }
            return;
        }
        if let Some(pairs) = &self.columns.pairs {
            let sample = |index: u32| {
                let sample = self.mean.get(index as usize);
                u32::from(sample.copied().unwrap_or_default())
            };
            for (out, pair) in out.iter_mut().zip(pairs) {
                let [one, two] = pair.weights;
                let sum = sample(pair.first) * one + sample(pair.second) * two;
                *out = ((sum + (1 << (SHIFT - 1))) >> SHIFT) as u16;
            }
            return;
        }
        for (out, tap) in out.iter_mut().zip(&self.columns.taps) {
            let samples = self.mean.get(tap.start..).unwrap_or_default();
            let sum: u32 = samples
                .iter()
                .zip(&tap.weights)
                .map(|(sample, weight)| u32::from(*sample) * weight)
                .sum();
            *out = ((sum + (1 << (SHIFT - 1))) >> SHIFT) as u16;
        }
    }
}

/// The size after scaling to a longest side; 0 and what is smaller leave it as it is.
#[must_use]
pub(super) fn scaled_size((width, height): (u32, u32), longest_side: u32) -> (u32, u32) {
    let longest = width.max(height);
    if longest_side == 0 || longest <= longest_side {
        return (width, height);
    }
    let scaled = |side: u32| {
        let scaled = (u64::from(side) * u64::from(longest_side) * 2 + u64::from(longest))
            / (u64::from(longest) * 2);
        u32::try_from(scaled).unwrap_or(longest_side).max(1)
    };
    (scaled(width), scaled(height))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::taps::Axis;
    use super::*;

    fn axis(samples: usize) -> Axis {
        Axis {
            samples,
            density: 1.0,
            origin: 0.0,
        }
    }

    fn scale(bytes: &[u8], from: (usize, usize), to: (usize, usize)) -> Vec<Vec<u16>> {
        let mut scaler = Scaler::new(
            Taps::new(axis(from.0), (from.0, to.0), 1),
            Taps::new(axis(from.1), (from.1, to.1), 1),
        );
        let plane = PlaneIn {
            bytes,
            width: from.0,
        };
        (0..to.1)
            .map(|row| {
                let mut out = vec![0; to.0];
                scaler.row(plane, row, &mut out);
                out
            })
            .collect()
    }

    /// The definition: the integral over the rectangle that an output sample covers, in floating
    /// point, input sample by input sample.
    fn by_definition(bytes: &[u8], from: (usize, usize), to: (usize, usize)) -> Vec<Vec<f64>> {
        let cover = |begin: f64, end: f64, cell: usize| {
            (end.min(cell as f64 + 1.0) - begin.max(cell as f64)).max(0.0)
        };
        let (sx, sy) = (from.0 as f64 / to.0 as f64, from.1 as f64 / to.1 as f64);
        (0..to.1)
            .map(|y| {
                (0..to.0)
                    .map(|x| {
                        let mut sum = 0.0;
                        for row in 0..from.1 {
                            let high = cover(y as f64 * sy, (y + 1) as f64 * sy, row);
                            for column in 0..from.0 {
                                let wide = cover(x as f64 * sx, (x + 1) as f64 * sx, column);
                                sum += high * wide * f64::from(bytes[row * from.0 + column]);
                            }
                        }
                        sum / (sx * sy)
                    })
                    .collect()
            })
            .collect()
    }

    proptest! {
        /// Within an eightieth of a level of the exact area average, before rounding to 8 bits.
        #[test]
        fn it_is_the_area_average(
            width in 1_usize..40, height in 1_usize..40, fx in 0.02_f64..1.0, fy in 0.02_f64..1.0,
            seed in any::<u64>(),
        ) {
            let to = (
                ((width as f64 * fx) as usize).max(1),
                ((height as f64 * fy) as usize).max(1),
            );
            let mut random = fastrand::Rng::with_seed(seed);
            let bytes: Vec<u8> = (0..width * height).map(|_| random.u8(..)).collect();
            let scaled = scale(&bytes, (width, height), to);
            let exact = by_definition(&bytes, (width, height), to);
            for (row, exact) in scaled.iter().zip(&exact) {
                for (sample, exact) in row.iter().zip(exact) {
                    let sample = f64::from(*sample) / 256.0;
                    prop_assert!((sample - exact).abs() < 0.0125 + 255.0 * 4.0 / 32768.0 , "{sample} {exact}");
                }
            }
        }

        /// A flat picture stays as it is, whatever the sizes.
        #[test]
        fn flat_stays_flat(width in 1_usize..80, height in 1_usize..80, level: u8, f in 0.01_f64..1.0) {
            let to = (((width as f64 * f) as usize).max(1), ((height as f64 * f) as usize).max(1));
            let scaled = scale(&vec![level; width * height], (width, height), to);
            prop_assert!(scaled.iter().flatten().all(|s| *s == u16::from(level) << 8));
        }

        /// Shape is kept, the longest side is what was asked for, nothing grows.
        #[test]
        fn sizes_keep_their_shape(width in 1_u32..10_000, height in 1_u32..10_000, side in 0_u32..5000) {
            let (w, h) = scaled_size((width, height), side);
            prop_assert!(w >= 1 && h >= 1 && w <= width && h <= height);
            if side > 0 && width.max(height) > side {
                prop_assert_eq!(w.max(h), side);
                let exact = f64::from(width.min(height)) * f64::from(side) / f64::from(width.max(height));
                prop_assert!((f64::from(w.min(h)) - exact).abs() <= 0.5 || w.min(h) == 1);
            } else {
                prop_assert_eq!((w, h), (width, height));
            }
        }
    }

    /// What `cv2.resize(…, interpolation=cv2.INTER_AREA)` of OpenCV 5.0.0 makes of the same samples:
    /// at most one level off, for OpenCV rounds between the two directions where ratios are whole.
    #[test]
    fn it_agrees_with_opencv() {
        let (width, height) = (13, 9);
        let input: Vec<u8> = (0..height)
            .flat_map(|y| (0..width).map(move |x| (x * x * 7 + y * 29 + x * y * 5) as u8))
            .collect();
        let five_by_four = [
            [31, 114, 153, 102, 135],
            [105, 132, 118, 122, 166],
            [159, 112, 147, 136, 133],
            [150, 148, 116, 143, 151],
        ];
        let six_by_three = [
            [37, 100, 148, 130, 110, 156],
            [134, 150, 112, 113, 126, 164],
            [171, 101, 155, 135, 148, 126],
        ];
        let twelve_by_nine_begin = [1, 10, 36, 78, 136, 211, 163, 152, 97, 157, 96, 228];
        let near = |found: &[u16], wanted: &[u8]| {
            let rounded = found.iter().map(|sample| (sample + 128) >> 8);
            let mut pairs = rounded.zip(wanted);
            assert!(
                pairs.all(|(found, wanted)| found.abs_diff(u16::from(*wanted)) <= 1),
                "{found:?} {wanted:?}"
            );
        };
        let found = scale(&input, (width, height), (5, 4));
        for (found, wanted) in found.iter().zip(five_by_four) {
            near(found, &wanted);
        }
        let found = scale(&input, (width, height), (6, 3));
        for (found, wanted) in found.iter().zip(six_by_three) {
            near(found, &wanted);
        }
        let found = scale(&input, (width, height), (12, 9));
        near(&found[0], &twelve_by_nine_begin);
        near(&scale(&input, (width, height), (1, 1))[0], &[129]);
    }

    #[test]
    fn usual_sizes() {
        assert_eq!(scaled_size((1920, 1080), 640), (640, 360));
        assert_eq!(scaled_size((2560, 1920), 640), (640, 480));
        assert_eq!(scaled_size((1080, 1920), 640), (360, 640));
        assert_eq!(scaled_size((640, 360), 1920), (640, 360));
        assert_eq!(scaled_size((640, 360), 0), (640, 360));
    }
}
