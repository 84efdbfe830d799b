//! A date drawn into frames.

use ab_glyph::{Font as _, FontRef, PxScale, ScaleFont as _, point};

use crate::frame::{Frame, Plane};

/// DejaVu Sans, the printable characters of ASCII; its licence lies beside it.
const FONT: &[u8] = include_bytes!("font/DejaVuSans-ascii.ttf");
/// Height of the letters' line, as a share of the picture's height.
const HEIGHT: f64 = 1.0 / 30.0;
/// Texts are cut at this.
const CHARACTERS_MAX: usize = 64;

/// Where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Corner {
    /// Left, above.
    UpperLeft,
    /// Right, above.
    UpperRight,
    /// Left, below.
    LowerLeft,
    /// Right, below.
    LowerRight,
}

/// A text as a plane of ink, 0 to 255, with room around it.
fn ink(text: &str, pixels: f32) -> Option<Plane> {
    let font = FontRef::try_from_slice(FONT).ok()?;
    let scale = PxScale::from(pixels);
    let scaled = font.as_scaled(scale);
    let room = (pixels / 3.0).ceil() as usize;
    // Digits are of one width, so that a date does not tremble.
    let mut x = room as f32;
    let mut glyphs = Vec::new();
    for c in text.chars().take(CHARACTERS_MAX) {
        let id = font.glyph_id(c);
        glyphs.push(id.with_scale_and_position(scale, point(x, room as f32 + scaled.ascent())));
        x += scaled.h_advance(id);
    }
    let width = x.ceil() as usize + room;
    let height = (scaled.ascent() - scaled.descent()).ceil() as usize + 2 * room;
    let mut plane = Plane::filled(width, height, 0);
    for glyph in glyphs {
        let Some(outline) = font.outline_glyph(glyph) else {
            continue;
        };
        let bounds = outline.px_bounds();
        let (left, top) = (
            bounds.min.x.max(0.0) as usize,
            bounds.min.y.max(0.0) as usize,
        );
        outline.draw(|dx, dy, coverage| {
            let (x, y) = (left + dx as usize, top + dy as usize);
            if x < width
                && let Some(sample) = plane.samples.get_mut(y * width + x)
            {
                *sample = (*sample).max((coverage.clamp(0.0, 1.0) * 255.0) as u8);
            }
        });
    }
    Some(plane)
}

/// Draws a text in white, upon a shade that keeps it legible before anything.
pub fn draw(frame: &mut Frame, text: &str, corner: Corner) {
    let (width, height) = frame.size();
    let pixels = (height as f64 * HEIGHT).max(12.0) as f32;
    let Some(ink) = ink(text, pixels) else { return };
    let margin = (pixels / 2.0) as usize;
    let far = |whole: usize, part: usize| whole.saturating_sub(part + margin) & !1;
    let (left, top) = match corner {
        Corner::UpperLeft => (margin & !1, margin & !1),
        Corner::UpperRight => (far(width, ink.width), margin & !1),
        Corner::LowerLeft => (margin & !1, far(height, ink.height)),
        Corner::LowerRight => (far(width, ink.width), far(height, ink.height)),
    };
    let [luma, cb, cr] = &mut frame.planes;
    for (y, row) in ink.rows().enumerate() {
        let begin = (top + y) * width + left;
        let line = luma
            .samples
            .get_mut(begin..(begin + ink.width).min((top + y + 1) * width));
        for (sample, ink) in line.unwrap_or_default().iter_mut().zip(row) {
            let shaded = u32::from(*sample) * 110 / 255;
            let ink = u32::from(*ink);
            *sample = ((shaded * (255 - ink) + 245 * ink) / 255) as u8;
        }
    }
    for plane in [cb, cr] {
        let width = plane.width;
        for y in top / 2..(top + ink.height) / 2 {
            let begin = y * width + left / 2;
            let line = plane
                .samples
                .get_mut(begin..(begin + ink.width / 2).min((y + 1) * width));
            for sample in line.unwrap_or_default() {
                // Half of its colour goes with its light.
                *sample = (128 + (i32::from(*sample) - 128) / 3) as u8;
            }
        }
    }
}
