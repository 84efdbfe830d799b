//! A checked view of samples that lie in rows.

use crate::Region;

/// Why a plane can't be looked at.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RasterError {
    /// The picture has another format than the one that is read.
    #[error("a picture in {given:?} has no {wanted}: configure() asked for another format")]
    Format {
        /// What was looked for.
        wanted: &'static str,
        /// What the picture says that it is.
        given: String,
    },
    /// No plane in this place.
    #[error("the picture has no plane {0}")]
    Missing(usize),
    /// Fewer bytes than width, height and stride promise.
    #[error("{bytes} bytes are too few for {height} rows of {width} bytes, {stride} bytes apart")]
    Short {
        /// Length of the plane.
        bytes: usize,
        /// Bytes that a row shows.
        width: usize,
        /// Rows.
        height: usize,
        /// Bytes from one row to the next.
        stride: usize,
    },
}

/// Samples in rows, top to bottom: a plane of a picture, or a part of one. What is asked of it
/// outside its size is `None`, never a panic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Raster<'a> {
    bytes: &'a [u8],
    width: usize,
    height: usize,
    stride: usize,
    samples: usize,
}

impl<'a> Raster<'a> {
    /// A view of `height` rows, `stride` bytes apart, each of `width` pixels of `samples` bytes.
    ///
    /// # Errors
    /// [`RasterError::Short`], where that is not in `bytes`, or rows would overlap.
    pub fn new(
        bytes: &'a [u8],
        width: usize,
        height: usize,
        stride: usize,
        samples: usize,
    ) -> Result<Self, RasterError> {
        let row = width.checked_mul(samples);
        let needed = row.and_then(|row| match height.checked_sub(1) {
            None => Some(0),
            Some(_) if row > stride => None,
            Some(above) => above.checked_mul(stride)?.checked_add(row),
        });
        if samples == 0 || needed.is_none_or(|needed| needed > bytes.len()) {
            return Err(RasterError::Short {
                bytes: bytes.len(),
                width: row.unwrap_or(usize::MAX),
                height,
                stride,
            });
        }
        Ok(Self {
            bytes,
            width,
            height,
            stride,
            samples,
        })
    }

    /// Pixels in a row.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// The samples of a pixel: one byte of luma, or three of `rgb8`.
    #[must_use]
    pub fn pixel(&self, x: usize, y: usize) -> Option<&'a [u8]> {
        let begin = x.checked_mul(self.samples)?;
        self.row(y)?.get(begin..begin.checked_add(self.samples)?)
    }

    /// The first sample of a pixel: its luma where that is all there is.
    #[must_use]
    pub fn get(&self, x: usize, y: usize) -> Option<u8> {
        self.pixel(x, y)?.first().copied()
    }

    /// A row's samples, without what lies between rows.
    #[must_use]
    pub fn row(&self, y: usize) -> Option<&'a [u8]> {
        if y >= self.height {
            return None;
        }
        let begin = y.checked_mul(self.stride)?;
        let end = begin.checked_add(self.width.checked_mul(self.samples)?)?;
        self.bytes.get(begin..end)
    }

    /// All rows, from top to bottom.
    pub fn rows(&self) -> impl Iterator<Item = &'a [u8]> + use<'a> {
        let raster = *self;
        (0..raster.height).filter_map(move |y| raster.row(y))
    }

    /// The part that a region covers, to whole pixels: those whose centre is in it, and at least
    /// one where there is any. What of the region lies outside is cut off.
    #[must_use]
    pub fn crop(&self, region: &Region) -> Self {
        let across = span(region.left, region.width, self.width);
        let down = span(region.top, region.height, self.height);
        let skipped = down.0 * self.stride + across.0 * self.samples;
        Self {
            bytes: self.bytes.get(skipped..).unwrap_or_default(),
            width: across.1 - across.0,
            height: down.1 - down.0,
            ..*self
        }
    }

    /// Mean of all samples, 0 to 255; 0 where there are none.
    #[must_use]
    pub fn mean(&self) -> f64 {
        let sum: u64 = self.rows().map(sum).sum();
        let count = self.width * self.height * self.samples;
        if count == 0 {
            return 0.0;
        }
        sum as f64 / count as f64
    }

    /// The picture as a small grid, row by row: each cell the mean of the pixels of its part (area
    /// average; pixels on a border count to both cells by their share). Of `rgb8` the mean over
    /// all three samples. Empty where there are no pixels.
    #[must_use]
    pub fn grid(&self, columns: usize, rows: usize) -> Vec<f64> {
        if self.width == 0 || self.height == 0 {
            return Vec::new();
        }
        let across = shares(self.width, columns);
        let mut cells = Vec::with_capacity(columns * rows);
        for part in shares(self.height, rows) {
            let mut sums = vec![0.0; columns];
            for (y, weight) in part {
                let row = self.row(y).unwrap_or_default();
                for (sum, part) in sums.iter_mut().zip(&across) {
                    for &(x, share) in part {
                        let pixel = row.get(x * self.samples..(x + 1) * self.samples);
                        let value = pixel.map_or(0, self::sum) as f64 / self.samples as f64;
                        *sum += value * share * weight;
                    }
                }
            }
            cells.extend(sums);
        }
        cells
    }
}

fn sum(samples: &[u8]) -> u64 {
    samples.iter().map(|&sample| u64::from(sample)).sum()
}

/// From and to which pixel of `size` a region reaches that begins at `begin` and is `length` long,
/// both in shares.
fn span(begin: f64, length: f64, size: usize) -> (usize, usize) {
    if size == 0 {
        return (0, 0);
    }
    // Casts cut off at 0 and the type's end, and make 0 of what is no number.
    let place = |share: f64| ((share * size as f64).round() as usize).min(size);
    let from = place(begin).min(size - 1);
    (from, place(begin + length).max(from + 1))
}

/// For each of `parts` equal parts of `size` pixels: which pixels, and by which share of the part.
fn shares(size: usize, parts: usize) -> Vec<Vec<(usize, f64)>> {
    let length = size as f64 / parts as f64;
    let part = |index: usize| {
        let (from, to) = (index as f64 * length, (index + 1) as f64 * length);
        let pixels = from as usize..(to.ceil() as usize).min(size);
        pixels
            .map(|pixel| {
                let covered = (pixel as f64 + 1.0).min(to) - (pixel as f64).max(from);
                (pixel, covered.max(0.0) / length)
            })
            .collect()
    };
    (0..parts).map(part).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const REGION: Region = Region {
        left: 0.5,
        top: 0.25,
        width: 0.5,
        height: 0.5,
    };

    /// 4 × 4 with a stride of 6: rows 0 1 2 3, 10 11 12 13, …; 255 between rows.
    fn ramp() -> Vec<u8> {
        (0..4_u8)
            .flat_map(|y| (0..6_u8).map(move |x| if x < 4 { y * 10 + x } else { 255 }))
            .collect()
    }

    #[test]
    fn rows_and_pixels() {
        let bytes = ramp();
        let raster = Raster::new(&bytes, 4, 4, 6, 1).unwrap();
        assert_eq!(raster.get(3, 2), Some(23));
        assert_eq!(raster.get(4, 2), None);
        assert_eq!(raster.get(0, 4), None);
        assert_eq!(raster.rows().nth(1), Some(&[10, 11, 12, 13][..]));
        assert_eq!(raster.rows().count(), 4);
        // (0 + … + 3) / 4 + 10 (0 + … + 3) / 4
        assert!((raster.mean() - 16.5).abs() < 1e-12);
        let rgb = Raster::new(&bytes, 2, 4, 6, 3).unwrap();
        assert_eq!(rgb.pixel(1, 0), Some(&[3, 255, 255][..]));
    }

    #[test]
    fn what_is_not_there_is_refused() {
        let bytes = [0; 20];
        // The last row needs no full stride.
        assert!(Raster::new(&bytes, 4, 4, 5, 1).is_ok());
        assert!(Raster::new(&bytes[..19], 4, 4, 5, 1).is_ok());
        for (width, height, stride, samples) in [
            (4, 5, 5, 1),
            (6, 4, 5, 1),
            (4, 4, 5, 0),
            (2, 4, 5, 3),
            (usize::MAX, 2, usize::MAX, 2),
            (1, usize::MAX, usize::MAX, 1),
        ] {
            let raster = Raster::new(&bytes, width, height, stride, samples);
            assert!(raster.is_err(), "{width} {height} {stride} {samples}");
        }
        let empty = Raster::new(&[], 0, 0, 0, 1).unwrap();
        assert_eq!((empty.mean(), empty.rows().count()), (0.0, 0));
        assert!(empty.grid(2, 2).is_empty());
        assert_eq!(empty.crop(&REGION).rows().count(), 0);
    }

    #[test]
    fn a_crop_is_a_raster_of_its_own() {
        let bytes = ramp();
        let raster = Raster::new(&bytes, 4, 4, 6, 1).unwrap();
        let part = raster.crop(&REGION);
        let rows: Vec<_> = part.rows().collect();
        assert_eq!(rows, [&[12, 13][..], &[22, 23]]);
        assert_eq!(part.get(2, 0), None);
        let crop = |left, top, width, height| {
            raster.crop(&Region {
                left,
                top,
                width,
                height,
            })
        };
        // Outside, empty, no number: at least a pixel, and nothing beyond the picture.
        for (left, top, width, height) in [
            (0.0, 0.0, 0.0, 0.0),
            (2.0, 2.0, 1.0, 1.0),
            (-1.0, -1.0, 0.5, 0.5),
            (f64::NAN, f64::NAN, f64::NAN, f64::NAN),
            (0.99, 0.99, f64::INFINITY, f64::INFINITY),
        ] {
            let part = crop(left, top, width, height);
            assert_eq!((part.width(), part.height()), (1, 1), "{left} {top}");
            assert!(part.get(0, 0).is_some_and(|sample| sample < 255));
        }
        assert_eq!(crop(-1.0, -1.0, 9.0, 9.0).rows().count(), 4);
    }

    #[test]
    fn a_grid_averages_areas() {
        let bytes = ramp();
        let raster = Raster::new(&bytes, 4, 4, 6, 1).unwrap();
        assert_eq!(raster.grid(2, 2), [5.5, 7.5, 25.5, 27.5]);
        // A grid as fine as the picture is the picture.
        let all: Vec<f64> = raster.rows().flatten().map(|&s| f64::from(s)).collect();
        assert_eq!(raster.grid(4, 4), all);
        // Three cells of 4/3 pixels: the first one is pixel 0 and a third of pixel 1.
        let row = raster.grid(3, 4);
        for (cell, expected) in row[..3].iter().zip([0.25, 1.5, 2.75]) {
            assert!((cell - expected).abs() < 1e-9, "{row:?}");
        }
    }
}
