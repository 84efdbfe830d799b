//! A picture as a file.

use bytes::Bytes;
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

use super::{Picture, PixelFormat, Plane};

/// A picture as JPEG, with its width and height, thinned out by whole steps where a side is longer than
/// `side_max`; `None` for one that has no pixels, or more than the format can say.
pub(crate) fn coded(picture: &Picture, side_max: u32, quality: u8) -> Option<(Bytes, u32, u32)> {
    let step = picture.width.max(picture.height).div_ceil(side_max).max(1);
    let (width, height) = (picture.width.div_ceil(step), picture.height.div_ceil(step));
    let (wide, high) = (u16::try_from(width).ok()?, u16::try_from(height).ok()?);
    let (samples, color) = match picture.format {
        PixelFormat::Gray8 => (thinned(picture.planes.first()?, 1, step), ColorType::Luma),
        PixelFormat::Rgb8 => (thinned(picture.planes.first()?, 3, step), ColorType::Rgb),
        PixelFormat::I420 => {
            let [luma, cb, cr] = &picture.planes[..] else {
                return None;
            };
            (interleaved(luma, cb, cr, step), ColorType::Ycbcr)
        }
    };
    let mut jpeg = Vec::new();
    let mut encoder = Encoder::new(&mut jpeg, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.encode(&samples, wide, high, color).ok()?;
    Some((jpeg.into(), width, height))
}

/// One pixel of each `step` of each `step`th row.
fn thinned(plane: &Plane, bytes: usize, step: u32) -> Vec<u8> {
    let rows = rows(plane, bytes).step_by(step as usize);
    rows.flat_map(|row| row.chunks_exact(bytes).step_by(step as usize).flatten())
        .copied()
        .collect()
}

fn rows(plane: &Plane, bytes: usize) -> impl Iterator<Item = &[u8]> {
    let length = plane.width as usize * bytes;
    let rows = plane.bytes.chunks(plane.stride.max(1) as usize);
    rows.take(plane.height as usize)
        .map(move |row| row.get(..length).unwrap_or(row))
}

/// Y, Cb and Cr of each pixel, side by side.
fn interleaved(luma: &Plane, cb: &Plane, cr: &Plane, step: u32) -> Vec<u8> {
    let (cb, cr): (Vec<_>, Vec<_>) = (rows(cb, 1).collect(), rows(cr, 1).collect());
    let at = |rows: &[&[u8]], x: usize, y: usize| {
        rows.get(y / 2)
            .and_then(|row| row.get(x / 2))
            .copied()
            .unwrap_or(128)
    };
    let mut samples = Vec::new();
    for (y, row) in rows(luma, 1).enumerate().step_by(step as usize) {
        for (x, sample) in row.iter().enumerate().step_by(step as usize) {
            samples.extend([*sample, at(&cb, x, y), at(&cr, x, y)]);
        }
    }
    samples
}
