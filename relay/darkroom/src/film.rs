//! The film as a row of frames: what each is made of, how it lies, where it is cut (pure).

use std::collections::BTreeMap;

use crate::affine::Affine;
use crate::align::Pose;
use crate::calendar::Instant;
use crate::choose::{Choice, Scores};

use crate::resample::Area;

/// What is shown of a slot that has no frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// The frame before it stands still.
    Hold,
    /// Nothing: the film gets shorter.
    Skip,
    /// The frame before it turns into the one behind it.
    Dissolve,
}

impl Missing {
    /// What is seen there, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Hold => "the frame before stands still there",
            Self::Skip => "they are left out",
            Self::Dissolve => "the frame before turns into the next one there",
        }
    }
}

/// The size of the film.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// Pixels; the material's own where there is none.
    pub pixels: Option<(usize, usize)>,
    /// Where the cut lies at the film's begin and at its end, as a share of the room that there is.
    pub pan: (f64, f64),
}

/// A frame that was chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taken {
    /// Which candidate.
    pub candidate: usize,
    /// Of which slot.
    pub slot: usize,
    /// Why.
    pub scores: Scores,
}

/// What a frame of the film shows; numbers are those of taken frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shown {
    /// One of them.
    Frame(usize),
    /// One again: its slot has none.
    Held(usize),
    /// So much of the second as it comes, since its slot has none.
    Between(usize, usize, f64),
}

impl Shown {
    /// The taken frame that it is, or begins with.
    #[must_use]
    pub fn first(&self) -> usize {
        match self {
            Self::Frame(taken) | Self::Held(taken) | Self::Between(taken, ..) => *taken,
        }
    }
}

/// Puts the choices in a row.
#[must_use]
pub fn row(choices: &[Choice], missing: Missing) -> (Vec<Taken>, Vec<Shown>) {
    let mut taken: Vec<Taken> = Vec::new();
    let mut shown: Vec<Shown> = Vec::new();
    let mut waiting = 0usize;
    for (choice, slot) in choices.iter().zip(0..) {
        let Some((candidate, scores)) = choice.taken else {
            waiting += 1;
            continue;
        };
        let number = taken.len();
        let before = number.checked_sub(1);
        shown.extend((1..=waiting).filter_map(|nth| match (missing, before) {
            (Missing::Skip, _) | (_, None) => None,
            (Missing::Hold, Some(before)) => Some(Shown::Held(before)),
            (Missing::Dissolve, Some(before)) => {
                let part = nth as f64 / (waiting + 1) as f64;
                Some(Shown::Between(before, number, part))
            }
        }));
        waiting = 0;
        taken.push(Taken {
            candidate,
            slot,
            scores,
        });
        shown.push(Shown::Frame(number));
    }
    // What misses its begin or its end is not shown: there is nothing that it could turn from or into.
    (taken, shown)
}

/// The first frame of each view behind the first one: there the film cuts.
#[must_use]
pub fn views(poses: &[Pose]) -> Vec<usize> {
    let both = poses.iter().zip(poses.iter().skip(1));
    both.zip(1..)
        .filter(|((before, behind), _)| before.view != behind.view)
        .map(|(_, taken)| taken)
        .collect()
}

/// A knock: from one frame to the next the camera hangs otherwise, and goes on to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The first frame behind it.
    pub taken: usize,
    /// How far the middle of the picture moved; pixels.
    pub pixels: (f64, f64),
    /// How much it turned.
    pub degrees: f64,
}

/// Pixels that a knock moves any corner by, as a share of the width.
const STEP_MIN: f64 = 0.0012;
/// Frames on either side that must agree.
const STEP_SIDE: usize = 3;

/// Finds the knocks.
#[must_use]
pub fn steps(poses: &[Pose], (width, height): (usize, usize)) -> Vec<Step> {
    let size = (width as f64, height as f64);
    let sure: Vec<(usize, &Pose)> = poses
        .iter()
        .enumerate()
        .filter(|(_, pose)| pose.correlation > 0.0)
        .collect();
    // How points of the reference stood before and behind; by medians, so that one gust is no knock.
    let around = |range: std::ops::Range<usize>| {
        let group = sure.get(range).unwrap_or_default();
        let mut middle = [0f64; 6];
        for (nth, out) in middle.iter_mut().enumerate() {
            let mut values: Vec<f64> = group
                .iter()
                .filter_map(|(_, pose)| pose.affine.0.get(nth))
                .copied()
                .collect();
            values.sort_by(f64::total_cmp);
            *out = values.get(values.len() / 2).copied().unwrap_or(0.0);
        }
        (!group.is_empty()).then_some(Affine(middle))
    };
    let mut found: Vec<(Step, f64)> = Vec::new();
    for at in 1..sure.len() {
        let (Some((_, last)), Some((taken, pose))) = (sure.get(at - 1), sure.get(at)) else {
            continue;
        };
        if last.view != pose.view {
            continue;
        }
        let before = around(at.saturating_sub(STEP_SIDE)..at);
        let after = around(at..(at + STEP_SIDE).min(sure.len()));
        let Some((before, after)) = before.zip(after) else {
            continue;
        };
        let change = after.after(&before.inverse());
        let reach = change.reach(size);
        let own = pose.affine.after(&last.affine.inverse()).reach(size);
        if reach < STEP_MIN * size.0 || own < 0.6 * reach {
            continue;
        }
        let step = Step {
            taken: *taken,
            pixels: change.middle(size),
            degrees: change.degrees(),
        };
        match found.last_mut() {
            Some((last, size)) if taken - last.taken < STEP_SIDE => {
                if own > *size {
                    (*last, *size) = (step, own);
                }
            }
            _ => found.push((step, own)),
        }
    }
    found.into_iter().map(|(step, _)| step).collect()
}

/// What all frames have in common once they are laid upon each other, as wide to high as the picture.
#[must_use]
pub fn common(poses: &[Pose], (width, height): (usize, usize)) -> Area {
    let (w, h) = (width as f64, height as f64);
    let (mut left, mut top, mut right, mut bottom) = (0f64, 0f64, 0f64, 0f64);
    for pose in poses {
        for y in [0.0, h / 2.0, h - 1.0] {
            left = left.max(-pose.affine.apply(0.0, y).0);
            right = right.max(pose.affine.apply(w - 1.0, y).0 - (w - 1.0));
        }
        for x in [0.0, w / 2.0, w - 1.0] {
            top = top.max(-pose.affine.apply(x, 0.0).1);
            bottom = bottom.max(pose.affine.apply(x, h - 1.0).1 - (h - 1.0));
        }
    }
    let whole = Area::whole((width, height));
    if [left, top, right, bottom]
        .iter()
        .all(|margin| *margin < 0.05)
    {
        return whole;
    }
    let cut = |margin: f64| {
        if margin < 0.05 {
            0.0
        } else {
            margin.ceil() + 1.0
        }
    };
    let (left, top, right, bottom) = (cut(left), cut(top), cut(right), cut(bottom));
    let area = Area {
        x: left,
        y: top,
        width: (w - left - right).max(w / 4.0),
        height: (h - top - bottom).max(h / 4.0),
    };
    fitted(area, w / h, 0.5)
}

/// The largest part of an area that is so wide for its height. `place`: where in the room that is left.
fn fitted(area: Area, aspect: f64, place: f64) -> Area {
    let (width, height) = match area.width / area.height > aspect {
        true => (area.height * aspect, area.height),
        false => (area.width, area.width / aspect),
    };
    Area {
        x: area.x + (area.width - width) * place,
        y: area.y + (area.height - height) * place,
        width,
        height,
    }
}

/// Where a film's frame is cut. `part`: how far the film is, 0 to 1.
#[must_use]
pub fn cut(common: Area, (width, height): (usize, usize), size: &Size, part: f64) -> Area {
    let aspect = width as f64 / height.max(1) as f64;
    if (common.width / common.height / aspect - 1.0).abs() < 0.002 {
        return common;
    }
    // Begins and ends gently.
    let eased = part * part * (3.0 - 2.0 * part);
    let (from, to) = size.pan;
    fitted(common, aspect, (from + (to - from) * eased).clamp(0.0, 1.0))
}

/// Frames of the film for the contact sheet: the middle one of each week, at most `most`.
#[must_use]
pub fn weekly(times: &[Instant], most: usize) -> Vec<usize> {
    const WEEK: i64 = 7 * 86_400_000_000_000;
    // 1970-01-01 was a Thursday; weeks begin on Monday.
    const MONDAY: i64 = 4 * 86_400_000_000_000;
    let mut weeks: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    for (at, frame) in times.iter().zip(0..) {
        weeks
            .entry((at - MONDAY).div_euclid(WEEK))
            .or_default()
            .push(frame);
    }
    let middles: Vec<usize> = weeks
        .values()
        .filter_map(|frames| frames.get(frames.len() / 2))
        .copied()
        .collect();
    let step = middles.len().div_ceil(most.max(1)).max(1);
    middles.into_iter().step_by(step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_view_begins_where_its_number_changes() {
        let of = |all: &[u32]| {
            let pose = |view: &u32| Pose {
                affine: Affine::IDENTITY,
                correlation: 1.0,
                view: *view,
            };
            views(&all.iter().map(pose).collect::<Vec<Pose>>())
        };
        assert_eq!(of(&[0, 0, 1, 1, 1, 2, 4]), [2, 5, 6]);
        assert_eq!(of(&[3, 3]), []);
        assert_eq!(of(&[]), []);
    }
}
