//! The pictures that findings came of, for the page: a bounded number, coded as JPEG.

use std::sync::Arc;

use bytes::Bytes;
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

use crate::pictures::{Picture, PixelFormat, Plane};
use crate::units::CaptureTime;

/// Pictures kept: more would make a page that no browser likes. Findings beyond them are listed
/// without.
const PICTURES_MAX: usize = 240;
/// Longest side of a kept picture, in pixels: larger ones are thinned out by whole steps.
const SIDE_MAX: u32 = 960;
const QUALITY: u8 = 80;

/// A picture with the findings that came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Plate {
    pub(super) captured: CaptureTime,
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) jpeg: Bytes,
    /// Places in the list of findings.
    pub(super) findings: Vec<usize>,
}

/// The pictures of the findings.
#[derive(Debug, Clone, Default)]
pub(super) struct Album {
    pub(super) plates: Vec<Plate>,
    /// Findings that are listed without their picture.
    pub(super) left_out: u64,
    /// What the plugin was shown last.
    shown: Option<Arc<Picture>>,
    /// Whether the last plate is of that one.
    is_kept: bool,
}

impl Album {
    /// The plugin is shown a picture.
    pub(super) fn show(&mut self, picture: &Arc<Picture>) {
        self.shown = Some(Arc::clone(picture));
        self.is_kept = false;
    }

    /// A finding came of what was shown last.
    pub(super) fn mark(&mut self, finding: usize) {
        let Some(picture) = &self.shown else {
            self.left_out += 1;
            return;
        };
        if !self.is_kept {
            if self.plates.len() >= PICTURES_MAX {
                self.left_out += 1;
                return;
            }
            let Some((jpeg, width, height)) = coded(picture) else {
                self.left_out += 1;
                return;
            };
            self.plates.push(Plate {
                captured: picture.captured,
                width,
                height,
                jpeg,
                findings: Vec::new(),
            });
            self.is_kept = true;
        }
        if let Some(plate) = self.plates.last_mut() {
            plate.findings.push(finding);
        }
    }
}

/// A picture as JPEG, with its width and height; `None` for one that has no pixels, or more than
/// the format can say.
fn coded(picture: &Picture) -> Option<(Bytes, u32, u32)> {
    let step = picture.width.max(picture.height).div_ceil(SIDE_MAX).max(1);
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
    let mut encoder = Encoder::new(&mut jpeg, QUALITY);
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
