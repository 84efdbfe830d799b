//! How sharp and how bright a picture is.

use crate::frame::Plane;

/// The variance at which the score of sharpness is a half. Common practice calls a picture blurred
/// below about a hundred; what counts is a camera's own usual value, since noise and detail of the
/// scene add to it.
const HALF_VARIANCE: f64 = 100.0;

/// Sharpness: the variance of the Laplacian of the luma (kernel 0 1 0 / 1 -4 1 / 0 1 0, all samples
/// but those of the border), after Pech-Pacheco, Cristóbal, Chamorro-Martínez and
/// Fernández-Valdivia, "Diatom autofocusing in brightfield microscopy: a comparative study", ICPR
/// 2000. 0 where there are less than 3×3 samples.
#[must_use]
pub fn laplacian_variance(luma: &Plane<'_>) -> f64 {
    let (mut count, mut sum, mut squares) = (0_u64, 0_i64, 0_u64);
    for y in 1..luma.height().saturating_sub(1) {
        let (above, row, below) = (luma.row(y - 1), luma.row(y), luma.row(y + 1));
        let inner = |row: &'_ [u8]| row.len().saturating_sub(1);
        let (Some(above), Some(middle), Some(below)) = (
            above.get(1..inner(above)),
            row.get(1..inner(row)),
            below.get(1..inner(below)),
        ) else {
            continue;
        };
        let right = row.iter().skip(2);
        let neighbours = above.iter().zip(below).zip(row.iter().zip(right));
        for (&centre, ((&up, &down), (&left, &right))) in middle.iter().zip(neighbours) {
            let around = i32::from(up) + i32::from(down) + i32::from(left) + i32::from(right);
            let value = around - 4 * i32::from(centre);
            sum += i64::from(value);
            squares += u64::from((value * value).unsigned_abs());
        }
        count += middle.len() as u64;
    }
    if count == 0 {
        return 0.0;
    }
    let mean = sum as f64 / count as f64;
    (squares as f64 / count as f64 - mean * mean).max(0.0)
}

/// A variance of the Laplacian as a score from 0 to 1, a half at 100.
#[must_use]
pub fn sharpness_score(variance: f64) -> f64 {
    variance / (variance + HALF_VARIANCE)
}

/// Mean of the luma, 0 to 255.
#[must_use]
pub fn mean_luma(luma: &Plane<'_>) -> f64 {
    let sum = |row: &[u8]| row.iter().map(|&sample| u64::from(sample)).sum::<u64>();
    let samples = luma.width() * luma.height();
    if samples == 0 {
        return 0.0;
    }
    luma.rows().map(sum).sum::<u64>() as f64 / samples as f64
}
