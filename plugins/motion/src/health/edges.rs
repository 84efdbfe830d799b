//! Whether two pictures show the same things in another light.
//!
//! A lamp, or the camera's own infrared one, turns bright sides dark and dark ones bright, but edges
//! stay where they are, and run as they ran. So gradients are compared with their angles doubled,
//! which makes opposite ones equal (Granlund, Knutsson: "Signal Processing for Computer Vision",
//! 1995), and what counts is how much better they go together in their place than beside it: walls
//! and planks run the same way in any picture.

use super::fft::Complex;

/// Cells that the picture is moved by for the comparison beside its place.
const BESIDE: [(isize, isize); 8] = [
    (8, 0),
    (-8, 0),
    (0, 8),
    (0, -8),
    (6, 6),
    (-6, 6),
    (6, -6),
    (-6, -6),
];

/// By how much the edges of two grids of gradients go together better in their place than beside
/// it, −1 to 1. Only cells for which `counts` (of column and row) are looked at.
pub(super) fn kept(
    reference: &[Complex],
    now: &[Complex],
    width: usize,
    counts: impl Fn(usize, usize) -> bool,
) -> f32 {
    let width = width.max(1);
    let place = |(at, gradient): (usize, &Complex)| match counts(at % width, at / width) {
        true => doubled(*gradient),
        false => Complex::default(),
    };
    let reference: Vec<Complex> = reference.iter().enumerate().map(place).collect();
    let now: Vec<Complex> = now.iter().enumerate().map(place).collect();
    let energy = |grid: &[Complex]| -> f64 { grid.iter().map(|g| product(g, g)).sum() };
    let scale = (energy(&reference) * energy(&now)).sqrt().max(1e-9);
    let alike = |(right, down): (isize, isize)| {
        let by = down * width as isize + right;
        let (skip_reference, skip_now) = ((-by).max(0) as usize, by.max(0) as usize);
        let pairs = reference.iter().skip(skip_reference);
        let pairs = pairs.zip(now.iter().skip(skip_now));
        pairs.map(|(a, b)| product(a, b)).sum::<f64>() / scale
    };
    let beside = BESIDE.into_iter().map(alike);
    (alike((0, 0)) - beside.fold(0.0, f64::max)) as f32
}

/// The same length, twice the angle.
fn doubled(gradient: Complex) -> Complex {
    let length = gradient.size().max(1e-6);
    let square = gradient.times(gradient);
    Complex {
        re: square.re / length,
        im: square.im / length,
    }
}

fn product(a: &Complex, b: &Complex) -> f64 {
    f64::from(a.re * b.re + a.im * b.im)
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 64;

    /// Gradients of chance in the middle of the grid.
    fn edges(seed: u64) -> Vec<Complex> {
        let mut state = seed;
        let mut chance = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
        };
        let mut grid = vec![Complex::default(); WIDTH * 48];
        for cell in &mut grid {
            *cell = Complex {
                re: chance(),
                im: chance(),
            };
        }
        grid
    }

    #[test]
    fn edges_count_whichever_side_is_the_brighter() {
        let day = edges(1);
        let mut night = day.clone();
        for cell in night.iter_mut().step_by(2) {
            (cell.re, cell.im) = (-cell.re, -cell.im);
        }
        let everywhere = |_, _| true;
        assert!(kept(&day, &night, WIDTH, everywhere) > 0.9);
        assert!(kept(&day, &edges(2), WIDTH, everywhere) < 0.05);
        let mut beside = night.clone();
        beside.rotate_right(8);
        assert!(kept(&day, &beside, WIDTH, everywhere) < 0.0);
        // Half of it something else: that half by itself, and all of it.
        let mut half = edges(3);
        for (at, cell) in half
            .iter_mut()
            .enumerate()
            .filter(|(at, _)| at % WIDTH < 32)
        {
            *cell = night[at];
        }
        assert!(kept(&day, &half, WIDTH, |x, _| x >= 32) < 0.1);
        assert!(kept(&day, &half, WIDTH, |x, _| x < 32) > 0.9);
    }
}
