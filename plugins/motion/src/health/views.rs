//! The views that a camera is known to have: by daylight, under a lamp, by its own infrared one.

use super::sharpness::Past;
use super::shift::{Comparison, Reference};
use crate::frame::Frame;

/// Views that are remembered beside the one in use: a camera has a few kinds of light.
const OTHERS_MAX: usize = 2;
/// Of a view that a picture shows, less than this is lost.
pub(super) const FITS_LOST: f32 = 0.3;
/// Of a view that it doesn't show, as much as this.
pub(super) const LOST: f32 = 0.6;
/// Edges that lie where they lay go together so much better there than beside it. Other things,
/// and the same ones a few pixels away, come to 0.04 at the most, a yard by daylight and by infrared
/// to 0.15 and more.
const KEPT: f32 = 0.1;

/// A view, and what is known of it.
#[derive(Debug)]
pub(super) struct View {
    pub(super) reference: Reference,
    /// Pictures that were compared with it.
    pub(super) checks: u32,
    pub(super) learned_nanos: i64,
    /// How sharp it has been.
    pub(super) past: Past,
}

impl View {
    fn new(frame: &Frame<'_>) -> Self {
        Self {
            reference: Reference::new(frame),
            checks: 0,
            learned_nanos: frame.captured_nanos,
            past: Past::default(),
        }
    }
}

/// The views of one camera, all of one size.
#[derive(Debug)]
pub(super) struct Views {
    size: (usize, usize),
    pub(super) current: View,
    /// The one used last comes last.
    others: Vec<View>,
}

impl Views {
    /// A first view.
    pub(super) fn new(frame: &Frame<'_>) -> Self {
        Self {
            size: frame.size(),
            current: View::new(frame),
            others: Vec::new(),
        }
    }

    /// Width and height of the pictures.
    pub(super) fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Compares a picture with the view in use. Where little is left of it, and the picture shows
    /// one of the others, that one is in use from now on.
    pub(super) fn compare(&mut self, frame: &Frame<'_>) -> Compared {
        let mut found = self.current.reference.compare(frame);
        let mut in_other_light = found.kept >= KEPT;
        if found.lost < LOST {
            return Compared {
                found,
                in_other_light: false,
            };
        }
        let mut fits = None;
        for (at, other) in self.others.iter_mut().enumerate() {
            let seen = other.reference.compare(frame);
            in_other_light |= seen.kept >= KEPT;
            if seen.lost < FITS_LOST && seen.shift.is_some() {
                fits = Some((at, seen));
            }
        }
        if let Some((at, seen)) = fits {
            let view = self.others.remove(at);
            self.others.push(std::mem::replace(&mut self.current, view));
            (found, in_other_light) = (seen, false);
        }
        Compared {
            found,
            in_other_light,
        }
    }

    /// The picture is the view in use in another light: that is one more view.
    pub(super) fn add(&mut self, frame: &Frame<'_>) {
        if self.others.len() >= OTHERS_MAX {
            self.others.remove(0);
        }
        let before = std::mem::replace(&mut self.current, View::new(frame));
        self.others.push(before);
    }

    /// The view in use is begun anew.
    pub(super) fn restart(&mut self, frame: &Frame<'_>) {
        self.current = View::new(frame);
    }
}

/// What a comparison says.
pub(super) struct Compared {
    /// With the view that is in use now.
    pub(super) found: Comparison,
    /// Nothing of a known view is left but its edges.
    pub(super) in_other_light: bool,
}
