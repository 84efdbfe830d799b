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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::decoded::{Matrix, Range};
    use super::super::request::Source;
    use super::*;

    const ALL: [PixelFormat; 3] = [PixelFormat::Gray8, PixelFormat::Rgb8, PixelFormat::I420];

    fn request(format: PixelFormat, longest_side: u32) -> Request {
        Request {
            rate: 1.0,
            longest_side,
            format,
            source: Source::Main,
        }
    }

    /// A picture whose planes are functions of the place, chroma's in its own samples.
    fn picture(
        (width, height): (u32, u32),
        chroma_left: bool,
        luma: impl Fn(u32, u32) -> u8,
        chroma: impl Fn(u32, u32) -> [u8; 2],
    ) -> Decoded {
        let (half_width, half_height) = (width.div_ceil(2), height.div_ceil(2));
        let mut planes = Vec::new();
        for y in 0..height {
            planes.extend((0..width).map(|x| luma(x, y)));
        }
        for channel in 0..2 {
            for y in 0..half_height {
                planes.extend((0..half_width).map(|x| chroma(x, y)[channel]));
            }
        }
        let decoded = Decoded {
            width,
            height,
            samples: Samples::Yuv420 {
                planes: planes.into(),
                chroma_left,
            },
            range: Range::Full,
            matrix: Matrix::Bt601,
        };
        assert!(decoded.is_whole());
        decoded
    }

    /// A ramp of chroma along the rows, by 2 levels a pixel, as a camera would sample it: at the
    /// left pixel of each pair, or between the two. Wherever it is drawn again it must have the
    /// same value at the same place. Away from the edges, where the ramp does not go on.
    #[test]
    fn chroma_stays_in_its_place() {
        let ramp = |place: f64| 40.0 + 2.0 * place;
        for left in [true, false] {
            let coded = picture(
                (96, 8),
                left,
                |_, _| 128,
                |x, _| {
                    let place = f64::from(x) * 2.0 + if left { 0.5 } else { 1.0 };
                    [ramp(place) as u8, 128]
                },
            );
            let (planes, ..) = Renderer::new().render(&coded, &request(PixelFormat::I420, 0));
            for index in 1..46 {
                let found = f64::from(planes[1].bytes[index]);
                let wanted = ramp(index as f64 * 2.0 + 1.0);
                assert!(
                    (found - wanted).abs() <= 1.0,
                    "{left} {index}: {found} {wanted}"
                );
            }
            // Half the size: each sample between four pixels of the camera.
            let (planes, ..) = Renderer::new().render(&coded, &request(PixelFormat::I420, 48));
            for index in 1..23 {
                let found = f64::from(planes[1].bytes[index]);
                let wanted = ramp(index as f64 * 4.0 + 2.0);
                assert!(
                    (found - wanted).abs() <= 1.0,
                    "{left} {index}: {found} {wanted}"
                );
            }
            // Blue follows Cb by 1.772 (T.871): at each pixel.
            let (planes, ..) = Renderer::new().render(&coded, &request(PixelFormat::Rgb8, 0));
            for x in 8..88 {
                let found = f64::from(planes[0].bytes[x * 3 + 2]);
                let wanted = 128.0 + 1.772 * (ramp(x as f64 + 0.5) - 128.0);
                let wanted = wanted.clamp(0.0, 255.0);
                assert!(
                    (found - wanted).abs() <= 1.8,
                    "{left} {x}: {found} {wanted}"
                );
            }
        }
    }

    #[test]
    fn a_thermal_picture_has_no_colour() {
        let decoded = Decoded {
            width: 3,
            height: 2,
            samples: Samples::Gray(vec![16, 126, 235, 16, 126, 235].into()),
            range: Range::Limited,
            matrix: Matrix::Bt601,
        };
        let mut renderer = Renderer::new();
        let (gray, ..) = renderer.render(&decoded, &request(PixelFormat::Gray8, 0));
        // (126 − 16) · 255 / 219 = 128.08.
        assert_eq!(gray[0].bytes[..], [0, 128, 255, 0, 128, 255]);
        let (rgb, ..) = renderer.render(&decoded, &request(PixelFormat::Rgb8, 0));
        assert_eq!(rgb[0].bytes[..9], [0, 0, 0, 128, 128, 128, 255, 255, 255]);
        assert_eq!((rgb[0].width, rgb[0].stride), (3, 9));
        let (planes, ..) = renderer.render(&decoded, &request(PixelFormat::I420, 0));
        assert_eq!(planes[0].bytes, gray[0].bytes);
        assert_eq!(planes[1].bytes[..], [128, 128]);
    }

    proptest! {
        /// Whatever the size, format and kind: planes have the size that they say, chroma is half
        /// of luma rounded up, and a flat gray picture is flat and gray.
        #[test]
        fn planes_have_the_size_that_they_say(
            width in 1_u32..70, height in 1_u32..70, side in 0_u32..80, level: u8, left: bool,
            range in prop::sample::select(vec![Range::Limited, Range::Full]),
            matrix in prop::sample::select(vec![Matrix::Bt601, Matrix::Bt709, Matrix::Bt2020]),
        ) {
            let mut decoded = picture((width, height), left, |_, _| level, |_, _| [128, 128]);
            (decoded.range, decoded.matrix) = (range, matrix);
            let mut renderer = Renderer::new();
            let mut gray = None;
            for format in ALL {
                let (planes, w, h) = renderer.render(&decoded, &request(format, side));
                prop_assert_eq!((w, h), scaled_size((width, height), side));
                prop_assert_eq!(planes.len(), if format == PixelFormat::I420 { 3 } else { 1 });
                for (index, plane) in planes.iter().enumerate() {
                    let (pw, ph) = if index == 0 { (w, h) } else { (w.div_ceil(2), h.div_ceil(2)) };
                    prop_assert_eq!((plane.width, plane.height), (pw, ph));
                    let channels = if format == PixelFormat::Rgb8 { 3 } else { 1 };
                    prop_assert_eq!(plane.stride, pw * channels);
                    prop_assert_eq!(plane.bytes.len(), (plane.stride * ph) as usize);
                    let wanted = if index == 0 {
                        *gray.get_or_insert(plane.bytes[0])
                    } else {
                        128
                    };
                    prop_assert!(plane.bytes.iter().all(|byte| *byte == wanted));
                }
            }
        }

        /// Too few samples, which a broken decoder may give, are no reason to panic.
        #[test]
        fn missing_samples_do_no_harm(width in 1_u32..40, height in 1_u32..40, has in 0_usize..2000) {
            let decoded = Decoded {
                width, height, range: Range::Limited, matrix: Matrix::Bt709,
                samples: Samples::Yuv420 { planes: vec![90; has].into(), chroma_left: true },
            };
            for format in ALL {
                let (planes, ..) = Renderer::new().render(&decoded, &request(format, 16));
                prop_assert!(!planes.is_empty());
            }
        }
    }
}
