//! JPEG (ITU-T T.81, JFIF): every picture for itself.

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use crate::headers::Matrix;
use crate::picture::{Fault, Frame, check_size};

/// T.81, B.1.1.3: how a picture ends.
const END: [u8; 2] = [0xff, 0xd9];

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
        let (columns, rows) = (usize::from(info.width), usize::from(info.height));
        let samples = if gray {
            pixels
        } else {
            planes(&pixels, columns, rows)
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

/// Three bytes a pixel to three planes; chroma as the mean of up to four pixels.
fn planes(pixels: &[u8], width: usize, height: usize) -> Vec<u8> {
    let chroma_width = width.div_ceil(2);
    let mut samples: Vec<u8> = pixels
        .chunks_exact(3)
        .filter_map(|pixel| pixel.first())
        .copied()
        .collect();
    for component in 1..3 {
        for y in (0..height).step_by(2) {
            let row = |y: usize| {
                let y = y.min(height - 1);
                pixels
                    .get(y * width * 3..(y + 1) * width * 3)
                    .unwrap_or_default()
            };
            let (upper, lower) = (row(y), row(y + 1));
            for x in 0..chroma_width {
                let at = |row: &[u8], x: usize| {
                    row.get(x.min(width - 1) * 3 + component)
                        .copied()
                        .map_or(0, u16::from)
                };
                let (left, right) = (2 * x, 2 * x + 1);
                let sum = at(upper, left) + at(upper, right) + at(lower, left) + at(lower, right);
                samples.push(u8::try_from((sum + 2) / 4).unwrap_or(u8::MAX));
            }
        }
    }
    samples
}
