//! Several frames become one (pure).

use crate::frame::{Frame, Plane};

/// How neighbours are put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Blend {
    /// A frame as it is.
    None,
    /// Mean of so many: what moves is blurred, as with a long exposure.
    Mean(usize),
    /// Median of so many: what is in fewer than half of them is gone, people and vehicles as a rule.
    Median(usize),
}

/// Frames that are put together at the most.
pub const BLEND_MAX: usize = 15;

impl Blend {
    /// Frames before and after that are needed.
    #[must_use]
    pub fn side(self) -> usize {
        match self {
            Self::None => 0,
            Self::Mean(count) | Self::Median(count) => count.min(BLEND_MAX) / 2,
        }
    }

    /// Of frames of one size; none where there is none.
    #[must_use]
    pub fn of(self, frames: &[&Frame]) -> Option<Frame> {
        let first = *frames.first()?;
        if frames.len() == 1 {
            return Some(first.clone());
        }
        let mut nth = 0;
        let planes = first.planes.each_ref().map(|plane| {
            let planes: Vec<&Plane> = frames
                .iter()
                .filter_map(|frame| frame.planes.get(nth))
                .collect();
            nth += 1;
            let mut out = plane.clone();
            let mut values = Vec::with_capacity(planes.len());
            for (index, sample) in out.samples.iter_mut().enumerate() {
                values.clear();
                values.extend(
                    planes
                        .iter()
                        .filter_map(|plane| plane.samples.get(index))
                        .copied(),
                );
                *sample = match self {
                    Self::Median(_) => {
                        values.sort_unstable();
                        values.get(values.len() / 2).copied().unwrap_or(*sample)
                    }
                    _ => {
                        let sum: u32 = values.iter().map(|value| u32::from(*value)).sum();
                        let count = values.len().max(1) as u32;
                        ((sum + count / 2) / count) as u8
                    }
                };
            }
            out
        });
        Some(Frame { planes })
    }
}

/// Between two frames: `part` of the second.
#[must_use]
pub fn dissolve(first: &Frame, second: &Frame, part: f64) -> Frame {
    let part = (part.clamp(0.0, 1.0) * 256.0) as u32;
    let mut out = first.clone();
    for (out, second) in out.planes.iter_mut().zip(&second.planes) {
        for (sample, other) in out.samples.iter_mut().zip(&second.samples) {
            let sum = u32::from(*sample) * (256 - part) + u32::from(*other) * part;
            *sample = ((sum + 128) >> 8) as u8;
        }
    }
    out
}
