//! JPEG (ITU-T T.81, JFIF): every picture for itself.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use crate::headers::Matrix;
use crate::picture::{Fault, Frame, check_size};

/// T.81, B.1.1.3: how a picture ends.
const END: [u8; 2] = [0xff, 0xd9];

/// Entropy-coded bytes that a whole picture does not need.
const FILLER: [u8; 64] = [0xb6; 64];

/// Pictures of one size bound.
#[derive(Debug)]
pub(crate) struct Jpeg {
    pixels_max: u32,
}

impl Jpeg {
    pub(crate) fn begin(pixels_max: u32) -> Self {
        Self { pixels_max }
    }

    pub(crate) fn picture(&self, unit: u64, payload: &[u8]) -> Result<Frame, Fault> {
        // Some cameras fill up with zeros.
        let used = payload
            .iter()
            .rposition(|byte| *byte != 0)
            .map_or(0, |at| at + 1);
        let payload = payload.get(..used).unwrap_or_default();
        if !payload.ends_with(&END) {
            return Err(Fault::Damaged("the picture is cut off".to_owned()));
        }
        let options = DecoderOptions::default()
            .set_strict_mode(true)
            .set_max_width(usize::from(u16::MAX))
            .set_max_height(usize::from(u16::MAX));
        let mut decoder = JpegDecoder::new_with_options(ZCursor::new(payload), options);
        decoder.decode_headers().map_err(damaged)?;
        let info = decoder
            .info()
            .ok_or_else(|| Fault::Damaged("it has no head".to_owned()))?;
        let (width, height) = (u32::from(info.width), u32::from(info.height));
        check_size(width, height, self.pixels_max)?;
        let gray = match decoder.input_colorspace() {
            Some(ColorSpace::YCbCr) => false,
            Some(ColorSpace::Luma) => true,
            other => {
                return Err(Fault::Unsupported(format!("JPEG in {other:?}")));
            }
        };
        let wanted = if gray {
            ColorSpace::Luma
        } else {
            ColorSpace::YCbCr
        };
        decoder.set_options(options.jpeg_set_out_colorspace(wanted));
        let pixels = decoder.decode().map_err(damaged)?;
        // The end may have been put behind what came of a picture. Then the decoder has made up the
        // rest out of nothing, and makes another one out of this.
        let mut longer = payload.to_vec();
        longer.truncate(payload.len() - END.len());
        longer.extend(FILLER);
        longer.extend(END);
        let options = options.set_strict_mode(false);
        let options = options.jpeg_set_out_colorspace(wanted);
        let mut decoder = JpegDecoder::new_with_options(ZCursor::new(longer.as_slice()), options);
        if decoder.decode().map_err(damaged)? != pixels {
            return Err(Fault::Damaged("the picture is cut off".to_owned()));
        }
        let (columns, rows) = (usize::from(info.width), usize::from(info.height));
        let samples = if gray {
            pixels
        } else {
            planes(&pixels, columns, rows, halved(payload).unwrap_or_default())
        };
        Ok(Frame {
            unit,
            width,
            height,
            gray,
            samples,
            // JFIF 1.02: chroma in the middle, full range, BT.601.
            chroma_left: false,
            full_range: true,
            matrix: Matrix::Bt601,
        })
    }
}

fn damaged(error: impl std::fmt::Debug) -> Fault {
    let text: String = format!("{error:?}").chars().take(200).collect();
    Fault::Damaged(text)
}

/// Whether chroma is coded in half the width, and in half the height: the first component's
/// sampling factors against the second one's (T.81, B.2.2).
fn halved(payload: &[u8]) -> Option<(bool, bool)> {
    let mut rest = payload.get(2..)?;
    loop {
        let (marker, after) = rest.split_first_chunk::<4>()?;
        let [0xff, kind, high, low] = *marker else {
            return None;
        };
        let length = usize::from(u16::from_be_bytes([high, low]));
        if matches!(kind, 0xc0..=0xc2) {
            // Depth, height, width and count take 6 bytes; 3 for each component follow.
            let (luma, chroma) = (after.get(7)?, after.get(10)?);
            let half = |one: u8, other: u8| one == 2 * other;
            return Some((half(luma >> 4, chroma >> 4), half(luma & 15, chroma & 15)));
        }
        rest = after.get(length.checked_sub(2)?..)?;
    }
}

/// Samples around a pair and their weights, in quarters.
type Taps = [(usize, i32); 4];

/// What makes one sample of chroma out of a row or column of `length` that begins at its pair.
/// Where chroma was coded in half the length, the decoder has stretched it by weights of 3 and 1
/// quarters; these taps take that back exactly, but for rounding: `(3a − b) / 2` from one side, the
/// mean of both sides within the picture. Otherwise it is the mean of the pair.
fn taps(pair: usize, length: usize, stretched: bool) -> Taps {
    let (first, second) = (2 * pair, (2 * pair + 1).min(length - 1));
    if !stretched || length < 4 {
        return [(first, 2), (second, 2), (first, 0), (first, 0)];
    }
    if pair == 0 {
        return [(1, 6), (2, -2), (0, 0), (0, 0)];
    }
    if first + 2 >= length {
        return [(first - 1, -2), (first, 6), (first, 0), (first, 0)];
    }
    [(first - 1, -1), (first, 3), (second, 3), (first + 2, -1)]
}

/// Three bytes a pixel to three planes; `stretched`: chroma was coded in half the width, height.
fn planes(pixels: &[u8], width: usize, height: usize, stretched: (bool, bool)) -> Vec<u8> {
    let luma = pixels.chunks_exact(3).filter_map(|pixel| pixel.first());
    let mut samples: Vec<u8> = luma.copied().collect();
    let columns: Vec<Taps> = (0..width.div_ceil(2))
        .map(|x| taps(x, width, stretched.0))
        .collect();
    for component in 1..3 {
        for y in 0..height.div_ceil(2) {
            let rows = taps(y, height, stretched.1);
            samples.extend(columns.iter().map(|columns| {
                let mut sum = 8;
                for (y, vertical) in rows.iter().filter(|(_, weight)| *weight != 0) {
                    for (x, horizontal) in columns {
                        let place = (y * width + x) * 3 + component;
                        let sample = pixels.get(place).copied().map_or(0, i32::from);
                        sum += vertical * horizontal * sample;
                    }
                }
                u8::try_from((sum >> 4).clamp(0, 255)).unwrap_or(u8::MAX)
            }));
        }
    }
    samples
}
