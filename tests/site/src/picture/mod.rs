//! Pictures in I420 and the little raster code that draws them.

mod cover;
mod font;
mod strip;

pub use strip::{STRIP_BITS, StripStamp, read_strip, strip_height};

use cover::Coverage;

/// A colour in the video range of ITU-R BT.601: Y 16–235, Cb and Cr 16–240.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Colour {
    y: u8,
    u: u8,
    v: u8,
}

impl Colour {
    pub(crate) const BLACK: Self = Self {
        y: 16,
        u: 128,
        v: 128,
    };
    pub(crate) const WHITE: Self = Self {
        y: 235,
        u: 128,
        v: 128,
    };

    /// From red, green and blue, 0 to 255 each (ITU-R BT.601-7 §2.5.1 and table 3, scaled to
    /// 8 bits); values beyond are cut.
    pub(crate) fn rgb(rgb: [f32; 3]) -> Self {
        let [r, g, b] = rgb.map(|c| c.clamp(0.0, 255.0));
        Self {
            y: (16.5 + 0.2568 * r + 0.5041 * g + 0.0979 * b) as u8,
            u: (128.5 - 0.1482 * r - 0.2910 * g + 0.4392 * b) as u8,
            v: (128.5 + 0.4392 * r - 0.3678 * g - 0.0714 * b) as u8,
        }
    }
}

/// A point in pixels; (0, 0) is the upper left corner of the upper left pixel.
pub(crate) type Point = (f32, f32);

/// One picture: 8 bits, planar, chroma halved both ways (I420).
#[derive(Debug, Clone)]
pub struct Picture {
    width: usize,
    height: usize,
    y: Vec<u8>,
    u: Vec<u8>,
    v: Vec<u8>,
    coverage: Coverage,
}

impl Picture {
    /// A black picture. Odd sizes are rounded up, since chroma has half the resolution.
    #[must_use]
    pub fn new(width: usize, height: usize) -> Self {
        let (width, height) = (width.next_multiple_of(2), height.next_multiple_of(2));
        let chroma = width / 2 * (height / 2);
        Self {
            width,
            height,
            y: vec![Colour::BLACK.y; width * height],
            u: vec![128; chroma],
            v: vec![128; chroma],
            coverage: Coverage::default(),
        }
    }

    /// Pixels a row.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// The planes Y, Cb, Cr without padding: `width × height`, then a quarter of it, twice.
    #[must_use]
    pub fn planes(&self) -> [&[u8]; 3] {
        [&self.y, &self.u, &self.v]
    }

    /// The same, to be changed.
    pub(crate) fn planes_mut(&mut self) -> [&mut [u8]; 3] {
        [&mut self.y, &mut self.u, &mut self.v]
    }

    /// Fills whole pixels; what lies outside the picture is left out.
    pub(crate) fn block(&mut self, x: usize, y: usize, w: usize, h: usize, colour: Colour) {
        let paint = |plane: &mut [u8], stride: usize, [x, y, w, h]: [usize; 4], value: u8| {
            let rows = plane.chunks_exact_mut(stride).skip(y).take(h);
            for row in rows {
                let end = (x + w).min(stride);
                if let Some(run) = row.get_mut(x.min(end)..end) {
                    run.fill(value);
                }
            }
        };
        let half = [x / 2, y / 2, w.div_ceil(2), h.div_ceil(2)];
        paint(&mut self.y, self.width, [x, y, w, h], colour.y);
        paint(&mut self.u, self.width / 2, half, colour.u);
        paint(&mut self.v, self.width / 2, half, colour.v);
    }

    /// Fills a polygon with smooth edges. Several outlines of the same sense of rotation make the
    /// union of their areas. `alpha`: 0 leaves the picture as it is, 1 covers it.
    pub(crate) fn fill(&mut self, outlines: &[&[Point]], colour: Colour, alpha: f32) {
        let Some(area) = self.coverage.trace(outlines, self.width, self.height) else {
            return;
        };
        let (stride, half) = (self.width, self.width / 2);
        let cells = area.columns / 2;
        for (index, rows) in self.coverage.row_pairs(area).enumerate() {
            let top = area.top + 2 * index;
            let Some((upper, lower)) = rows.split_at_checked(area.columns) else {
                continue;
            };
            for (row, line) in [upper, lower].into_iter().enumerate() {
                let start = (top + row) * stride + area.left;
                if let Some(pixels) = self.y.get_mut(start..start + area.columns) {
                    for (pixel, cover) in pixels.iter_mut().zip(line) {
                        *pixel = blend(*pixel, colour.y, cover * alpha);
                    }
                }
            }
            let start = top / 2 * half + area.left / 2;
            let (Some(u), Some(v)) = (
                self.u.get_mut(start..start + cells),
                self.v.get_mut(start..start + cells),
            ) else {
                continue;
            };
            let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
            for ((u, v), (above, below)) in u.iter_mut().zip(v).zip(pairs) {
                let cover = above.iter().chain(below).sum::<f32>() * 0.25 * alpha;
                if cover > 0.0 {
                    *u = blend(*u, colour.u, cover);
                    *v = blend(*v, colour.v, cover);
                }
            }
        }
    }
}

fn blend(below: u8, above: u8, cover: f32) -> u8 {
    let below = f32::from(below);
    (below + (f32::from(above) - below) * cover + 0.5) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_of_the_standard() {
        // 75 % colour bars, 8 bits: common practice (SMPTE EG 1, values from memory):
        // white Y 180, red 65/100/212, blue 35/212/114.
        assert_eq!(
            Colour::rgb([191.0; 3]),
            Colour {
                y: 180,
                u: 128,
                v: 128
            }
        );
        assert_eq!(
            Colour::rgb([191.0, 0.0, 0.0]),
            Colour {
                y: 65,
                u: 100,
                v: 212
            }
        );
        assert_eq!(
            Colour::rgb([0.0, 0.0, 191.0]),
            Colour {
                y: 35,
                u: 212,
                v: 114
            }
        );
        assert_eq!(Colour::rgb([255.0; 3]), Colour::WHITE);
    }

    #[test]
    fn a_polygon_covers_its_area() {
        // The shoelace formula gives the area; the sum of the pixels must agree.
        let triangle = [(2.5, 3.0), (40.25, 10.0), (12.0, 30.75)];
        let mut picture = Picture::new(64, 48);
        picture.fill(&[&triangle], Colour::WHITE, 1.0);
        let sum: f64 = picture.y.iter().map(|y| f64::from(y - 16) / 219.0).sum();
        let [a, b, c] = triangle.map(|(x, y)| (f64::from(x), f64::from(y)));
        let area = ((b.0 - a.0) * (c.1 - a.1) - (c.0 - a.0) * (b.1 - a.1)).abs() / 2.0;
        assert!((sum - area).abs() < 1.0, "{sum} {area}");
    }

    #[test]
    fn what_lies_outside_is_cut() {
        let mut picture = Picture::new(16, 16);
        let big = [(-1e6, -50.0), (1e6, -50.0), (1e6, 50.0), (-1e6, 50.0)];
        picture.fill(&[&big], Colour::WHITE, 1.0);
        assert!(picture.y.iter().all(|y| *y == 235));
        let mut picture = Picture::new(16, 16);
        for shape in [
            [(20.0, 1.0), (30.0, 1.0), (25.0, 9.0)],
            [(1.0, -9.0), (5.0, -9.0), (3.0, -1.0)],
        ] {
            picture.fill(&[&shape], Colour::WHITE, 1.0);
        }
        picture.fill(
            &[&[(f32::NAN, 1.0), (3.0, 4.0), (5.0, f32::INFINITY)]],
            Colour::WHITE,
            1.0,
        );
        picture.block(12, 99, 40, 40, Colour::WHITE);
        assert!(picture.y.iter().all(|y| *y == 16));
        picture.block(12, 12, 40, 40, Colour::WHITE);
        assert_eq!(picture.y.iter().filter(|y| **y == 235).count(), 16);
    }
}
