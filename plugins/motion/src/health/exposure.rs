//! Too little light, or too much.

use crate::frame::Frame;

/// About so many rows are looked at.
const ROWS: usize = 120;
/// From this level on a pixel is white.
const WHITE: usize = 250;

/// Of one picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposure {
    /// Mean level, 0 to 255.
    pub mean: f32,
    /// Share of the pixels that are not above the level that counts as dark.
    pub black: f32,
    /// Share of the pixels that are white, or nearly.
    pub white: f32,
}

impl Exposure {
    /// `dark_level`: a pixel is dark up to this level.
    #[must_use]
    pub fn of(frame: &Frame<'_>, dark_level: u8) -> Self {
        let mut counts = [0u32; 256];
        for row in frame.rows().step_by((frame.height() / ROWS).max(1)) {
            for &level in row {
                if let Some(count) = counts.get_mut(usize::from(level)) {
                    *count += 1;
                }
            }
        }
        let all: u32 = counts.iter().sum();
        let share = |count: u32| count as f32 / all.max(1) as f32;
        let levels = counts.iter().enumerate();
        let sum: u64 = levels.map(|(level, &n)| level as u64 * u64::from(n)).sum();
        Self {
            mean: (sum as f64 / f64::from(all.max(1))) as f32,
            black: share(counts.iter().take(usize::from(dark_level) + 1).sum()),
            white: share(counts.iter().skip(WHITE).sum()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_of_a_known_picture() {
        let mut bytes = vec![30u8; 64 * 60];
        bytes[..64 * 30].fill(255);
        let frame = Frame::new((64, 60), 64, &bytes, 0, false).unwrap();
        let found = Exposure::of(&frame, 30);
        assert_eq!(found.black, 0.5);
        assert_eq!(found.white, 0.5);
        assert_eq!(found.mean, 142.5);
        assert_eq!(Exposure::of(&frame, 29).black, 0.0);
    }
}
