//! A decoded picture as somebody asked for it.

use bytes::Bytes;

use super::convert::Conversion;
use super::decoded::{Decoded, Samples};
use super::picture::Plane;
use super::request::{PixelFormat, Request};
use super::scale::{PlaneIn, Scaler, scaled_size};
use super::taps::{Axis, Taps};

/// Scales and converts. Keeps nothing from picture to picture but room for rows.
#[derive(Debug, Default)]
pub struct Renderer {
    luma: Vec<u16>,
    cb: Vec<u16>,
    cr: Vec<u16>,
}

impl Renderer {
    /// A renderer.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The picture in the format and size of the request, with its width and height: one plane
    /// (gray, RGB) or three (Y, Cb, Cr) in tight rows.
    pub fn render(&mut self, decoded: &Decoded, request: &Request) -> (Vec<Plane>, u32, u32) {
        let (width, height) = scaled_size((decoded.width, decoded.height), request.longest_side);
        let shape = Shape {
            from: (decoded.width as usize, decoded.height as usize),
            to: (width as usize, height as usize),
        };
        let conversion = Conversion::new(decoded.range, decoded.matrix);
        let (luma, chroma) = split(decoded);
        let planes = match (request.format, chroma) {
            (PixelFormat::Gray8, _) => vec![self.gray(shape, &conversion, luma)],
            (PixelFormat::Rgb8, Some(chroma)) => {
                vec![self.rgb(shape, &conversion, luma, &chroma)]
            }
            (PixelFormat::Rgb8, None) => {
                let gray = self.gray(shape, &conversion, luma);
                let bytes = gray.bytes.iter().flat_map(|sample| [*sample; 3]);
                vec![plane(bytes.collect(), gray.width, gray.height, 3)]
            }
            (PixelFormat::I420, Some(chroma)) => {
                let mut planes = vec![if conversion.mixes() {
                    self.mixed_luma(shape, &conversion, luma, &chroma)
                } else {
                    self.gray(shape, &conversion, luma)
                }];
                planes.extend(self.chroma(shape, &conversion, &chroma));
                planes
            }
            (PixelFormat::I420, None) => {
                let gray = self.gray(shape, &conversion, luma);
                let (width, height) = (width.div_ceil(2), height.div_ceil(2));
                let neutral = vec![128; width as usize * height as usize];
                let neutral = plane(neutral, width, height, 1);
                vec![gray, neutral.clone(), neutral]
            }
        };
        (planes, width, height)
    }

    fn gray(&mut self, shape: Shape, conversion: &Conversion, luma: PlaneIn<'_>) -> Plane {
        let mut scaler = shape.luma();
        let mut out = vec![0; shape.pixels()];
        self.luma.resize(scaler.width(), 0);
        for (index, row) in out.chunks_exact_mut(shape.to.0.max(1)).enumerate() {
            scaler.row(luma, index, &mut self.luma);
            conversion.gray(&self.luma, row);
        }
        shape.plane(out, 1)
    }

    fn rgb(
        &mut self,
        shape: Shape,
        conversion: &Conversion,
        luma: PlaneIn<'_>,
        chroma: &Chroma<'_>,
    ) -> Plane {
        let mut out = vec![0; shape.pixels() * 3];
        let width = (shape.to.0 * 3).max(1);
        self.mixed(
            shape,
            luma,
            chroma,
            out.chunks_exact_mut(width),
            |y, c, row| {
                conversion.rgb(y, c, row);
            },
        );
        shape.plane(out, 3)
    }

    fn mixed_luma(
        &mut self,
        shape: Shape,
        conversion: &Conversion,
        luma: PlaneIn<'_>,
        chroma: &Chroma<'_>,
    ) -> Plane {
        let mut out = vec![0; shape.pixels()];
        let width = shape.to.0.max(1);
        self.mixed(
            shape,
            luma,
            chroma,
            out.chunks_exact_mut(width),
            |y, c, row| {
                conversion.luma(y, c, row);
            },
        );
        shape.plane(out, 1)
    }

    /// Rows that need chroma for each pixel.
    fn mixed<'a>(
        &mut self,
        shape: Shape,
        luma: PlaneIn<'_>,
        chroma: &Chroma<'_>,
        rows: impl Iterator<Item = &'a mut [u8]>,
        convert: impl Fn(&[u16], (&[u16], &[u16]), &mut [u8]),
    ) {
        let (mut scaler, mut of_chroma) = (shape.luma(), shape.chroma(chroma, 1));
        for buffer in [&mut self.luma, &mut self.cb, &mut self.cr] {
            buffer.resize(shape.to.0, 0);
        }
        for (index, row) in rows.enumerate() {
            scaler.row(luma, index, &mut self.luma);
            of_chroma.row(chroma.cb, index, &mut self.cb);
            of_chroma.row(chroma.cr, index, &mut self.cr);
            convert(&self.luma, (&self.cb, &self.cr), row);
        }
    }

    fn chroma(&mut self, shape: Shape, conversion: &Conversion, chroma: &Chroma<'_>) -> [Plane; 2] {
        let mut scaler = shape.chroma(chroma, 2);
        let (width, height) = (scaler.width(), scaler.height());
        let (mut cb_out, mut cr_out) = (vec![0; width * height], vec![0; width * height]);
        for buffer in [&mut self.cb, &mut self.cr] {
            buffer.resize(width, 0);
        }
        let rows = cb_out
            .chunks_exact_mut(width.max(1))
            .zip(cr_out.chunks_exact_mut(width.max(1)));
        for (index, (cb_row, cr_row)) in rows.enumerate() {
            scaler.row(chroma.cb, index, &mut self.cb);
            scaler.row(chroma.cr, index, &mut self.cr);
            conversion.chroma((&self.cb, &self.cr), (cb_row, cr_row));
        }
        [cb_out, cr_out].map(|out| plane(out, small(width), small(height), 1))
    }
}

/// From which size to which.
#[derive(Debug, Clone, Copy)]
struct Shape {
    from: (usize, usize),
    to: (usize, usize),
}

impl Shape {
    fn pixels(self) -> usize {
        self.to.0 * self.to.1
    }

    fn luma(self) -> Scaler {
        let taps = |from, to| {
            let axis = Axis {
                samples: from,
                density: 1.0,
                origin: 0.0,
            };
            Taps::new(axis, (from, to), 1)
        };
        Scaler::new(taps(self.from.0, self.to.0), taps(self.from.1, self.to.1))
    }

    /// `step`: 1 for chroma at each pixel, 2 for chroma at each other one, centred.
    fn chroma(self, chroma: &Chroma<'_>, step: usize) -> Scaler {
        let taps = |from: usize, to, origin| {
            let axis = Axis {
                samples: from.div_ceil(2),
                density: 0.5,
                origin,
            };
            Taps::new(axis, (from, to), step)
        };
        // Between the rows of a pair either way (H.264 figure 6-1 and annex E, type 0 and 1).
        let left = if chroma.left { 0.25 } else { 0.0 };
        Scaler::new(
            taps(self.from.0, self.to.0, left),
            taps(self.from.1, self.to.1, 0.0),
        )
    }

    fn plane(self, bytes: Vec<u8>, channels: u32) -> Plane {
        plane(bytes, small(self.to.0), small(self.to.1), channels)
    }
}

fn plane(bytes: Vec<u8>, width: u32, height: u32, channels: u32) -> Plane {
    Plane {
        width,
        height,
        stride: width.saturating_mul(channels),
        bytes: Bytes::from(bytes),
    }
}

/// Sizes came from numbers of 32 bits.
fn small(size: usize) -> u32 {
    u32::try_from(size).unwrap_or(u32::MAX)
}

#[derive(Debug, Clone, Copy)]
struct Chroma<'a> {
    cb: PlaneIn<'a>,
    cr: PlaneIn<'a>,
    left: bool,
}

/// The planes of a decoded picture.
fn split(decoded: &Decoded) -> (PlaneIn<'_>, Option<Chroma<'_>>) {
    let width = decoded.width as usize;
    let pixels = width * decoded.height as usize;
    let plane = |bytes, width| PlaneIn { bytes, width };
    match &decoded.samples {
        Samples::Gray(bytes) => (plane(bytes, width), None),
        Samples::Yuv420 {
            planes,
            chroma_left,
        } => {
            let (luma, chroma) = planes.split_at(pixels.min(planes.len()));
            let half = width.div_ceil(2);
            let size = half * decoded.height.div_ceil(2) as usize;
            let (cb, cr) = chroma.split_at(size.min(chroma.len()));
            let chroma = Chroma {
                cb: plane(cb, half),
                cr: plane(cr, half),
                left: *chroma_left,
            };
            (plane(luma, width), Some(chroma))
        }
    }
}
