//! A frame in memory: from a JPEG and back.
//!
//! Frames are held as JFIF (ITU-T T.871) has them: YCbCr with the weights of BT.601, full range, chroma
//! of half the width and height, standing in the middle of its four luma samples.

use jpeg_encoder::{EncodingError, ImageBuffer, JpegColorType, SamplingFactor};
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

/// Larger pictures are refused: 64 million pixels take 100 MB.
const PIXELS_MAX: usize = 64 << 20;
/// Either side of a picture.
const SIDE_MAX: usize = 16_384;

/// Rows of samples from top to bottom, without gaps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plane {
    /// Samples in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width * height` of them.
    pub samples: Vec<u8>,
}

impl Plane {
    /// A plane of one value.
    #[must_use]
    pub fn filled(width: usize, height: usize, value: u8) -> Self {
        let samples = vec![value; width * height];
        Self {
            width,
            height,
            samples,
        }
    }

    /// The rows, from top to bottom.
    pub fn rows(&self) -> impl Iterator<Item = &[u8]> {
        self.samples.chunks_exact(self.width.max(1))
    }

    /// A row; empty where there is none.
    #[must_use]
    pub fn row(&self, y: usize) -> &[u8] {
        let begin = y.saturating_mul(self.width);
        self.samples
            .get(begin..begin.saturating_add(self.width))
            .unwrap_or_default()
    }

    /// Mean over whole squares of `by` samples; what is left at the right and bottom is not counted.
    #[must_use]
    pub fn shrunk(&self, by: usize) -> Self {
        let by = by.max(1);
        if by == 1 {
            return self.clone();
        }
        let (width, height) = ((self.width / by).max(1), (self.height / by).max(1));
        let area = (by * by) as u32;
        let mut samples = Vec::with_capacity(width * height);
        let mut sums = vec![0u32; width];
        for rows in self.samples.chunks(self.width.max(1) * by).take(height) {
            sums.fill(0);
            for row in rows.chunks(self.width.max(1)) {
                for (sum, cell) in sums.iter_mut().zip(row.chunks(by)) {
                    *sum += cell.iter().map(|s| u32::from(*s)).sum::<u32>();
                }
            }
            samples.extend(
                sums.iter()
                    .map(|sum| ((sum + area / 2) / area).min(255) as u8),
            );
        }
        samples.resize(width * height, 0);
        Self {
            width,
            height,
            samples,
        }
    }

    fn upright(&self, orientation: u32) -> Self {
        let (right, down) = (self.width.saturating_sub(1), self.height.saturating_sub(1));
        // From 5 on its rows are columns.
        let (width, height) = match orientation {
            5.. => (self.height, self.width),
            _ => (self.width, self.height),
        };
        let place = |x: usize, y: usize| match orientation {
            2 => (right - x, y),
            3 => (right - x, down - y),
            4 => (x, down - y),
            5 => (y, x),
            6 => (y, down - x),
            7 => (right - y, down - x),
            8 => (right - y, x),
            _ => (x, y),
        };
        let mut samples = Vec::with_capacity(self.samples.len());
        for y in 0..height {
            for x in 0..width {
                let (x, y) = place(x, y);
                samples.push(self.row(y).get(x).copied().unwrap_or_default());
            }
        }
        Self {
            width,
            height,
            samples,
        }
    }

    /// Mean of all samples.
    #[must_use]
    pub fn mean(&self) -> f64 {
        let sum: u64 = self.samples.iter().map(|s| u64::from(*s)).sum();
        sum as f64 / self.samples.len().max(1) as f64
    }
}

/// Luma, Cb and Cr.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// In this order.
    pub planes: [Plane; 3],
}

/// Why a JPEG gives no frame.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrameFault {
    /// It is not one, or it is damaged.
    #[error("not a whole JPEG: {0}")]
    Damaged(String),
    /// Too large or too small.
    #[error("{width} × {height} pixels: from 32 × 32 to 64 million are read")]
    Size {
        /// Pixels.
        width: usize,
        /// Pixels.
        height: usize,
    },
}

impl Frame {
    /// A frame of one colour.
    #[must_use]
    pub fn filled(width: usize, height: usize, colour: [u8; 3]) -> Self {
        let half = (width.div_ceil(2), height.div_ceil(2));
        let [y, cb, cr] = colour;
        Self {
            planes: [
                Plane::filled(width, height, y),
                Plane::filled(half.0, half.1, cb),
                Plane::filled(half.0, half.1, cr),
            ],
        }
    }

    /// Pixels, width and height.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        let [luma, ..] = &self.planes;
        (luma.width, luma.height)
    }

    /// Luma.
    #[must_use]
    pub fn luma(&self) -> &Plane {
        let [luma, ..] = &self.planes;
        luma
    }

    /// As it is to be seen, of one that lies as Exif 2.3 numbers it: the side of the picture that its
    /// first row and its first column are. Any other number leaves it as it lies.
    #[must_use]
    pub fn upright(self, orientation: u32) -> Self {
        if !(2..=8).contains(&orientation) {
            return self;
        }
        Self {
            planes: self.planes.map(|plane| plane.upright(orientation)),
        }
    }

    /// Reads a JPEG.
    ///
    /// # Errors
    /// [`FrameFault`], also for one whose end is missing: half a picture is none. One that was given an end too
    /// early can't be told from a whole one: the decoder reads zeros behind it.
    pub fn from_jpeg(bytes: &[u8]) -> Result<Self, FrameFault> {
        let damaged = |text: &dyn std::fmt::Display| FrameFault::Damaged(one_line(text));
        let picture = picture(bytes).ok_or_else(|| damaged(&"its end is missing"))?;
        let options = DecoderOptions::default()
            .set_max_width(SIDE_MAX)
            .set_max_height(SIDE_MAX)
            .set_strict_mode(true)
            .jpeg_set_out_colorspace(ColorSpace::YCbCr);
        let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&picture), options);
        decoder.decode_headers().map_err(|error| damaged(&error))?;
        let (width, height) = decoder.dimensions().unwrap_or((0, 0));
        if width < 32 || height < 32 || width.saturating_mul(height) > PIXELS_MAX {
            return Err(FrameFault::Size { width, height });
        }
        let input = decoder.input_colorspace();
        if input == Some(ColorSpace::Luma) {
            decoder.set_options(options.jpeg_set_out_colorspace(ColorSpace::Luma));
        }
        let samples = decoder.decode().map_err(|error| damaged(&error))?;
        let pixels = width * height;
        match (input, samples.len()) {
            (Some(ColorSpace::Luma), len) if len == pixels => {
                let mut frame = Self::filled(width, height, [0, 128, 128]);
                let [luma, ..] = &mut frame.planes;
                luma.samples = samples;
                Ok(frame)
            }
            (Some(ColorSpace::YCbCr), len) if len == 3 * pixels => {
                Ok(Self::from_full_chroma(width, height, &samples))
            }
            (input, _) => Err(FrameFault::Damaged(format!(
                "colours that are not read: {input:?}"
            ))),
        }
    }

    /// From three bytes a pixel.
    fn from_full_chroma(width: usize, height: usize, pixels: &[u8]) -> Self {
        let mut frame = Self::filled(width, height, [0, 128, 128]);
        let [luma, cb, cr] = &mut frame.planes;
        let (triples, _) = pixels.as_chunks::<3>();
        for (luma, [y, ..]) in luma.samples.iter_mut().zip(triples) {
            *luma = *y;
        }
        let half = cb.width.max(1);
        let chroma = cb
            .samples
            .chunks_exact_mut(half)
            .zip(cr.samples.chunks_exact_mut(half));
        for ((cb, cr), rows) in chroma.zip(triples.chunks(2 * width)) {
            let (upper, lower) = rows.split_at(width.min(rows.len()));
            let lower = if lower.is_empty() { upper } else { lower };
            let pairs = upper.chunks(2).zip(lower.chunks(2));
            for ((cb, cr), (upper, lower)) in cb.iter_mut().zip(cr).zip(pairs) {
                let four = || upper.iter().chain(lower);
                let count = (upper.len() + lower.len()) as u32;
                let mean = |sum: u32| ((sum + count / 2) / count.max(1)) as u8;
                *cb = mean(four().map(|[_, cb, _]| u32::from(*cb)).sum());
                *cr = mean(four().map(|[_, _, cr]| u32::from(*cr)).sum());
            }
        }
        frame
    }

    /// Writes a JPEG, chroma as it is.
    ///
    /// # Errors
    /// Where the encoder refuses: a picture of more than 65535 pixels in a row.
    pub fn to_jpeg(&self, quality: u8) -> Result<Vec<u8>, EncodingError> {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, quality.clamp(1, 100));
        encoder.set_sampling_factor(SamplingFactor::F_2_2);
        encoder.encode_image(Rows(self))?;
        Ok(bytes)
    }
}

/// The bytes of a JPEG up to its own end (ITU-T T.81, B.1 and B.2), without what some cameras leave between
/// its headers: that harms nothing, but a strict decoder refuses it. None where the end is missing.
fn picture(bytes: &[u8]) -> Option<Vec<u8>> {
    const BEGIN: u8 = 0xd8;
    const END: u8 = 0xd9;
    const SCAN: u8 = 0xda;
    let mut kept = Vec::with_capacity(bytes.len());
    kept.extend(bytes.get(..2)?);
    let mut at = 2;
    let mut in_scans = false;
    loop {
        let (marker, code) = next_marker(bytes, at)?;
        let length = match code {
            // Of another picture: this one stops short.
            BEGIN => return None,
            END => 0,
            _ => u16::from_be_bytes(*bytes.get(marker + 2..)?.first_chunk()?).into(),
        };
        let end = marker + 2 + length;
        // From the first scan on, what stands between markers is the picture.
        let begin = if in_scans { at } else { marker };
        kept.extend(bytes.get(begin..end)?);
        if code == END {
            return Some(kept);
        }
        in_scans |= code == SCAN;
        at = end;
    }
}

/// Where the next segment begins, or a picture or its end, and which of them it is.
fn next_marker(bytes: &[u8], from: usize) -> Option<(usize, u8)> {
    let pairs = bytes.get(from..)?.windows(2).zip(from..);
    let mut markers = pairs.filter_map(|(pair, at)| match *pair {
        // Restarts are parts of a scan; less than these is a byte of it, or reserved; 0xff fills.
        [0xff, code @ (0xc0..=0xcf | 0xd8..=0xfe)] => Some((at, code)),
        _ => None,
    });
    markers.next()
}

/// A frame as the encoder reads it: the samples of chroma doubled, which its own mean takes back.
struct Rows<'a>(&'a Frame);

impl ImageBuffer for Rows<'_> {
    fn get_jpeg_color_type(&self) -> JpegColorType {
        JpegColorType::Ycbcr
    }

    fn width(&self) -> u16 {
        u16::try_from(self.0.size().0).unwrap_or(u16::MAX)
    }

    fn height(&self) -> u16 {
        u16::try_from(self.0.size().1).unwrap_or(u16::MAX)
    }

    fn fill_buffers(&self, y: u16, buffers: &mut [Vec<u8>; 4]) {
        let [luma, cb, cr] = &self.0.planes;
        let [out_luma, out_cb, out_cr, _] = buffers;
        let y = usize::from(y);
        out_luma.extend_from_slice(luma.row(y));
        for (plane, out) in [(cb, out_cb), (cr, out_cr)] {
            let doubled = plane.row(y / 2).iter().flat_map(|sample| [*sample; 2]);
            out.extend(doubled.take(luma.width));
        }
    }
}

fn one_line(text: &dyn std::fmt::Display) -> String {
    let text = text.to_string();
    let mut words = text.split_whitespace();
    let first = words.next().unwrap_or_default().to_owned();
    words
        .fold(first, |line, word| line + " " + word)
        .chars()
        .take(200)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exif 2.3, table of `Orientation`: which side of the scene the first row and the first column show.
    #[test]
    fn pictures_are_turned_as_exif_says() {
        // Rows of a scene, its corners told apart, stored in each of the eight ways.
        let scene = [[1, 2, 3], [4, 5, 6]];
        let stored: [(u32, Vec<Vec<u8>>); 8] = [
            (1, vec![vec![1, 2, 3], vec![4, 5, 6]]),       // top, left
            (2, vec![vec![3, 2, 1], vec![6, 5, 4]]),       // top, right
            (3, vec![vec![6, 5, 4], vec![3, 2, 1]]),       // bottom, right
            (4, vec![vec![4, 5, 6], vec![1, 2, 3]]),       // bottom, left
            (5, vec![vec![1, 4], vec![2, 5], vec![3, 6]]), // left, top
            (6, vec![vec![3, 6], vec![2, 5], vec![1, 4]]), // right, top
            (7, vec![vec![6, 3], vec![5, 2], vec![4, 1]]), // right, bottom
            (8, vec![vec![4, 1], vec![5, 2], vec![6, 3]]), // left, bottom
        ];
        for (orientation, rows) in stored {
            let plane = Plane {
                width: rows[0].len(),
                height: rows.len(),
                samples: rows.concat(),
            };
            let upright = plane.upright(orientation);
            assert_eq!((upright.width, upright.height), (3, 2), "{orientation}");
            assert_eq!(upright.samples, scene.concat(), "{orientation}");
        }
    }

    const SIZE: (u16, u16) = (160, 96);

    /// A picture with some detail all over, as three kinds of cameras code it.
    fn coded(prepare: &dyn Fn(&mut jpeg_encoder::Encoder<&mut Vec<u8>>)) -> Vec<u8> {
        let mut seed = 1u32;
        let mut noise = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 24) as u8
        };
        let pixels: Vec<u8> = (0..usize::from(SIZE.0) * usize::from(SIZE.1) * 3)
            .map(|_| noise())
            .collect();
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 80);
        prepare(&mut encoder);
        encoder
            .encode(&pixels, SIZE.0, SIZE.1, jpeg_encoder::ColorType::Rgb)
            .unwrap();
        bytes
    }

    /// Where the segments before the first scan begin.
    fn headers(jpeg: &[u8]) -> Vec<usize> {
        let mut at = 2;
        let mut found = Vec::new();
        loop {
            assert_eq!(jpeg[at], 0xff);
            found.push(at);
            if jpeg[at + 1] == 0xda {
                return found;
            }
            at += 2 + usize::from(u16::from_be_bytes([jpeg[at + 2], jpeg[at + 3]]));
        }
    }

    /// With something before each of its headers.
    fn padded(jpeg: &[u8], padding: &[u8]) -> Vec<u8> {
        let mut bytes = jpeg.to_vec();
        for at in headers(jpeg).into_iter().rev() {
            bytes.splice(at..at, padding.iter().copied());
        }
        bytes
    }

    fn kinds() -> [Vec<u8>; 3] {
        // A small picture in the headers has an end of its own.
        let mut small = b"Exif\0\0".to_vec();
        small.extend(Frame::filled(32, 32, [90, 128, 128]).to_jpeg(50).unwrap());
        let with_small = |encoder: &mut jpeg_encoder::Encoder<&mut Vec<u8>>| {
            encoder.add_app_segment(1, small.clone()).unwrap();
        };
        [
            coded(&with_small),
            coded(&|encoder| {
                with_small(encoder);
                encoder.set_restart_interval(3);
            }),
            coded(&|encoder| {
                with_small(encoder);
                encoder.set_progressive(true);
            }),
        ]
    }

    fn is_damaged(jpeg: &[u8]) -> bool {
        matches!(Frame::from_jpeg(jpeg), Err(FrameFault::Damaged(_)))
    }

    const PADDINGS: [&[u8]; 6] = [
        &[0],
        &[0; 5],
        &[0; 300],
        b"some camera was here",
        &[0xff; 7],
        &[0, 7, 0xff, 0, 0xff, 1, 0xff, 0xd0, 9, 0xff],
    ];

    #[test]
    fn what_cameras_leave_between_headers_and_behind_a_picture_does_not_matter() {
        for jpeg in kinds() {
            let frame = Frame::from_jpeg(&jpeg).unwrap();
            for padding in PADDINGS {
                let with = Frame::from_jpeg(&padded(&jpeg, padding));
                assert!(with.as_ref() == Ok(&frame), "{padding:?}");
            }
            let (before, end) = jpeg.split_at(jpeg.len() - 2);
            for (filling, behind) in [
                (&[][..], 1),
                (&[], 100_000),
                (&[0xff, 0xff], 0),
                // Many a camera has some bytes before the end that belong to nothing.
                (&[0; 12], 0),
                (&[17; 12], 30),
            ] {
                let bytes = [before, filling, end, &vec![0; behind]].concat();
                let with = Frame::from_jpeg(&bytes);
                assert!(with.as_ref() == Ok(&frame), "{filling:?} {behind}");
            }
        }
    }

    #[test]
    fn half_a_picture_is_none_whatever_stands_between_its_headers() {
        for jpeg in kinds() {
            let scan = *headers(&jpeg).last().unwrap();
            let ways = PADDINGS.iter().map(|padding| padded(&jpeg, padding));
            for way in ways.chain([jpeg.clone()]) {
                let behind = jpeg.len() - scan;
                for cut in [2, 3, behind / 4, behind / 2, behind - 20, behind + 2] {
                    let half = &way[..way.len() - cut];
                    assert!(is_damaged(half), "{cut}");
                    // Another picture behind it doesn't make it whole.
                    assert!(is_damaged(&[half, &jpeg].concat()), "{cut}");
                }
            }
        }
    }

    #[test]
    fn damaged_data_are_no_picture_whatever_stands_between_the_headers() {
        for jpeg in kinds() {
            let scan = *headers(&jpeg).last().unwrap();
            let ways = PADDINGS.iter().map(|padding| padded(&jpeg, padding));
            for mut way in ways.chain([jpeg.clone()]) {
                // No code of Huffman's has ones alone.
                let middle = way.len() - (jpeg.len() - scan) / 2;
                for pair in way[middle..].as_chunks_mut().0.iter_mut().take(20) {
                    *pair = [0xff, 0];
                }
                assert!(is_damaged(&way));
            }
        }
    }
}
