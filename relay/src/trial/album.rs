//! The pictures that findings came of, for the page: a bounded number, coded as JPEG.

use std::collections::VecDeque;
use std::sync::Arc;

use crate::pictures::{Picture, coded};
use crate::units::CaptureTime;
use bytes::Bytes;

/// Pictures kept: more would make a page that no browser likes. Findings beyond them are listed
/// without.
const PICTURES_MAX: usize = 240;
/// Longest side of a kept picture, in pixels: larger ones are thinned out by whole steps.
const SIDE_MAX: u32 = 960;
const QUALITY: u8 = 80;
/// Pictures that a finding may be of: a plugin may want to see more before it says what it saw, as
/// `builtin:motion` tells the strongest of some seconds after these. So long, so many, and so many
/// bytes of them are kept.
const SHOWN_NANOS_MAX: u64 = 15_000_000_000;
const SHOWN_MAX: usize = 128;
const SHOWN_BYTES_MAX: usize = 96 << 20;

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
    /// What the plugin was shown of late.
    shown: VecDeque<Arc<Picture>>,
    shown_bytes: usize,
}

impl Album {
    /// The plugin is shown a picture.
    pub(super) fn show(&mut self, picture: &Arc<Picture>) {
        let now = picture.captured.unix_nanos();
        self.shown_bytes += bytes(picture);
        self.shown.push_back(Arc::clone(picture));
        while let Some(oldest) = self.shown.front()
            && self.shown.len() > 1
        {
            let is_old = now.abs_diff(oldest.captured.unix_nanos()) > SHOWN_NANOS_MAX;
            if !is_old && self.shown.len() <= SHOWN_MAX && self.shown_bytes <= SHOWN_BYTES_MAX {
                break;
            }
            self.shown_bytes -= bytes(oldest);
            self.shown.pop_front();
        }
    }

    /// A finding is about this instant: of what was shown of late, the picture nearest to it.
    pub(super) fn mark(&mut self, finding: usize, at: CaptureTime) {
        let distance = |picture: &&Arc<Picture>| {
            let captured = picture.captured.unix_nanos();
            captured.abs_diff(at.unix_nanos())
        };
        let Some(picture) = self.shown.iter().rev().min_by_key(distance) else {
            self.left_out += 1;
            return;
        };
        let captured = picture.captured;
        let place = self
            .plates
            .partition_point(|plate| plate.captured < captured);
        if let Some(plate) = self.plates.get_mut(place)
            && plate.captured == captured
        {
            plate.findings.push(finding);
            return;
        }
        if self.plates.len() >= PICTURES_MAX {
            self.left_out += 1;
            return;
        }
        let Some((jpeg, width, height)) = coded(picture, SIDE_MAX, QUALITY) else {
            self.left_out += 1;
            return;
        };
        let plate = Plate {
            captured,
            width,
            height,
            jpeg,
            findings: vec![finding],
        };
        self.plates.insert(place, plate);
    }
}

fn bytes(picture: &Picture) -> usize {
    picture.planes.iter().map(|plane| plane.bytes.len()).sum()
}
