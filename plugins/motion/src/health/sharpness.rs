//! How sharp a picture is.
//!
//! The ratio of its differences over one pixel to those over several: blur takes the former first,
//! while light and contrast take both alike. What noise adds to either is taken off. Compared is a
//! picture with what the camera showed before in like light, never one camera with another.

use crate::frame::Frame;

/// The far difference, in pixels.
const FAR: usize = 8;
/// About so many rows are looked at.
const ROWS: usize = 180;
/// Where noise makes more than this share of the near differences, nothing is said.
const NOISE_SHARE_MAX: f64 = 0.75;
/// Mean squared far difference of a view without structure.
const PLAIN: f64 = 20.0;

/// Sharpness, 0 (none) to about 1. `noise`: variance of the noise of a pixel. `None`: the picture
/// has too little structure, or too much noise.
#[must_use]
pub fn sharpness(frame: &Frame<'_>, noise: f32) -> Option<f32> {
    let (mut near, mut far, mut count) = (0u64, 0u64, 0u64);
    let square = |a: u8, b: u8| {
        let difference = i32::from(a) - i32::from(b);
        (difference * difference) as u32
    };
    let sum = |a: &[u8], b: &[u8]| -> u64 {
        let pairs = a.iter().zip(b);
        u64::from(pairs.map(|(&a, &b)| square(a, b)).sum::<u32>())
    };
    let height = frame.height();
    for y in (0..height - FAR).step_by((height / ROWS).max(1)) {
        let row = frame.row(y);
        let length = frame.width() - FAR;
        let here = row.get(..length).unwrap_or_default();
        near += sum(here, row.get(1..).unwrap_or_default());
        far += sum(here, row.get(FAR..).unwrap_or_default());
        let below = |by: usize| frame.row(y + by).get(..length).unwrap_or_default();
        near += sum(here, below(1));
        far += sum(here, below(FAR));
        count += 2 * length as u64;
    }
    let mean = |sum: u64| sum as f64 / count.max(1) as f64;
    let (near, far) = (mean(near), mean(far));
    // The difference of two pixels has twice the variance of one.
    let noise = 2.0 * f64::from(noise);
    if noise > NOISE_SHARE_MAX * near || far - noise < PLAIN {
        return None;
    }
    Some(((near - noise) / (far - noise)).max(0.0).sqrt() as f32)
}

/// Kinds of light, by mean level: a view at dawn is not one at noon.
const LIGHTS: usize = 4;

/// What a camera's sharpness has been.
#[derive(Debug, Default)]
pub struct Past {
    lights: [Option<f32>; LIGHTS],
    checks: [u32; LIGHTS],
}

/// Checks before anything is said of a kind of light.
const CHECKS_MIN: u32 = 10;

fn light(mean: f32) -> usize {
    match mean {
        mean if mean < 40.0 => 0,
        mean if mean < 80.0 => 1,
        mean if mean < 130.0 => 2,
        _ => 3,
    }
}

impl Past {
    /// How a sharpness compares with the past in such light: 1 is as ever.
    #[must_use]
    pub fn ratio(&self, mean: f32, sharpness: f32) -> Option<f32> {
        let light = light(mean);
        let known = self.checks.get(light).is_some_and(|&n| n >= CHECKS_MIN);
        let usual = self.lights.get(light).copied().flatten()?;
        known.then(|| sharpness / usual.max(1e-3))
    }

    /// Learns a share of it.
    pub fn learn(&mut self, mean: f32, sharpness: f32, share: f32) {
        let light = light(mean);
        if let (Some(usual), Some(checks)) =
            (self.lights.get_mut(light), self.checks.get_mut(light))
        {
            *checks = checks.saturating_add(1);
            let share = share.max(1.0 / *checks as f32);
            let before = usual.unwrap_or(sharpness);
            *usual = Some(before + share * (sharpness - before));
        }
    }
}
