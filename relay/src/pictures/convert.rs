//! From the camera's samples to those that plugins get. Pure.
//!
//! Formulas: Recommendations ITU-R BT.601-7 §2.5, BT.709-6 §3 and BT.2020-2 table 4 (weights of
//! luma), the ranges of their quantization; ITU-T T.871 (JFIF) §7 for the full range.

use super::decoded::{Matrix, Range};
use super::scale::FRACTION;

/// Fractional bits of factors.
const FACTOR: u32 = 13;
const DOWN: u32 = FACTOR + FRACTION;
const HALF: i32 = 1 << (DOWN - 1);
/// The chroma sample of no colour, as scaled samples are held.
const NEUTRAL: i32 = 128 << FRACTION;
/// Weights of red and blue in the luma of what comes out as `i420`.
const OUT: (f64, f64) = (0.299, 0.114);

/// Weights of red and blue in luma.
fn weights(matrix: Matrix) -> (f64, f64) {
    match matrix {
        Matrix::Bt601 => (0.299, 0.114),
        Matrix::Bt709 => (0.2126, 0.0722),
        Matrix::Bt2020 => (0.2627, 0.0593),
    }
}

fn fixed(factor: f64) -> i32 {
    (factor * f64::from(1 << FACTOR)).round() as i32
}

/// Rounded to a sample; the sum holds [`DOWN`] fractional bits.
fn sample(sum: i32) -> u8 {
    ((sum + HALF) >> DOWN).clamp(0, 255) as u8
}

/// Factors for one kind of stream.
#[derive(Debug, Clone, Copy)]
pub(super) struct Conversion {
    /// Luma sample of black.
    black: i32,
    luma: i32,
    /// Of Cr in red, Cb and Cr in green, Cb in blue.
    red: i32,
    green: (i32, i32),
    blue: i32,
    /// Of Cb and Cr in the luma that comes out.
    luma_out: (i32, i32),
    /// Of Cb and Cr in the chroma that comes out.
    cb_out: (i32, i32),
    cr_out: (i32, i32),
}

impl Conversion {
    pub(super) fn new(range: Range, matrix: Matrix) -> Self {
        let (black, luma, chroma) = match range {
            Range::Limited => (16, 255.0 / 219.0, 255.0 / 224.0),
            Range::Full => (0, 1.0, 1.0),
        };
        let (kr, kb) = weights(matrix);
        let kg = 1.0 - kr - kb;
        let red = 2.0 * (1.0 - kr);
        let blue = 2.0 * (1.0 - kb);
        let green = (-blue * kb / kg, -red * kr / kg);
        let (or, ob) = OUT;
        let og = 1.0 - or - ob;
        // Luma of red, green and blue as made above; what is the same on both sides cancels out.
        let luma_out = (og * green.0 + ob * blue, or * red + og * green.1);
        let (to_cb, to_cr) = (2.0 * (1.0 - ob), 2.0 * (1.0 - or));
        let pair = |(cb, cr): (f64, f64)| (fixed(cb * chroma), fixed(cr * chroma));
        Self {
            black: black << FRACTION,
            luma: fixed(luma),
            red: fixed(red * chroma),
            green: pair(green),
            blue: fixed(blue * chroma),
            luma_out: pair(luma_out),
            cb_out: pair(((blue - luma_out.0) / to_cb, -luma_out.1 / to_cb)),
            cr_out: pair((-luma_out.0 / to_cr, (red - luma_out.1) / to_cr)),
        }
    }

    /// Whether the luma that comes out depends on chroma.
    pub(super) fn mixes(&self) -> bool {
        self.luma_out != (0, 0)
    }

    fn light(&self, luma: u16) -> i32 {
        (i32::from(luma) - self.black) * self.luma
    }

    /// Luma in its own weights, full range.
    pub(super) fn gray(&self, luma: &[u16], out: &mut [u8]) {
        for (out, luma) in out.iter_mut().zip(luma) {
            *out = sample(self.light(*luma));
        }
    }

    /// Red, green and blue; three bytes a pixel.
    pub(super) fn rgb(&self, luma: &[u16], (cb, cr): (&[u16], &[u16]), out: &mut [u8]) {
        let (pixels, _) = out.as_chunks_mut::<3>();
        for (((out, luma), cb), cr) in pixels.iter_mut().zip(luma).zip(cb).zip(cr) {
            let (cb, cr) = (i32::from(*cb) - NEUTRAL, i32::from(*cr) - NEUTRAL);
            let light = self.light(*luma);
            *out = [
                sample(light + self.red * cr),
                sample(light + self.green.0 * cb + self.green.1 * cr),
                sample(light + self.blue * cb),
            ];
        }
    }

    /// Luma as `i420` has it, of a stream with other weights.
    pub(super) fn luma(&self, luma: &[u16], (cb, cr): (&[u16], &[u16]), out: &mut [u8]) {
        for (((out, luma), cb), cr) in out.iter_mut().zip(luma).zip(cb).zip(cr) {
            let (cb, cr) = (i32::from(*cb) - NEUTRAL, i32::from(*cr) - NEUTRAL);
            *out = sample(self.light(*luma) + self.luma_out.0 * cb + self.luma_out.1 * cr);
        }
    }

    /// Chroma as `i420` has it.
    pub(super) fn chroma(
        &self,
        (cb, cr): (&[u16], &[u16]),
        (cb_out, cr_out): (&mut [u8], &mut [u8]),
    ) {
        const MIDDLE: i32 = 128 << DOWN;
        let outs = cb_out.iter_mut().zip(cr_out);
        for ((cb, cr), (cb_out, cr_out)) in cb.iter().zip(cr).zip(outs) {
            let (cb, cr) = (i32::from(*cb) - NEUTRAL, i32::from(*cr) - NEUTRAL);
            *cb_out = sample(MIDDLE + self.cb_out.0 * cb + self.cb_out.1 * cr);
            *cr_out = sample(MIDDLE + self.cr_out.0 * cb + self.cr_out.1 * cr);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rgb(range: Range, matrix: Matrix, [y, cb, cr]: [u8; 3]) -> [u8; 3] {
        let wide = |sample: u8| [u16::from(sample) << 8];
        let mut out = [0; 3];
        Conversion::new(range, matrix).rgb(&wide(y), (&wide(cb), &wide(cr)), &mut out);
        out
    }

    fn yuv(range: Range, matrix: Matrix, [y, cb, cr]: [u8; 3]) -> [u8; 3] {
        let wide = |sample: u8| [u16::from(sample) << 8];
        let (mut luma, mut blue, mut red) = ([0], [0], [0]);
        let conversion = Conversion::new(range, matrix);
        conversion.luma(&wide(y), (&wide(cb), &wide(cr)), &mut luma);
        conversion.chroma((&wide(cb), &wide(cr)), (&mut blue, &mut red));
        [luma[0], blue[0], red[0]]
    }

    fn assert_near(found: [u8; 3], wanted: [u8; 3], what: &str) {
        let far = found.iter().zip(wanted).any(|(a, b)| a.abs_diff(b) > 1);
        assert!(!far, "{what}: {found:?}, should be {wanted:?}");
    }

    /// The coded values of colour bars in 8 bits. BT.601, 100 %: as printed in textbooks of video;
    /// BT.709, 75 %: SMPTE RP 219 (both noted from memory, and checked by the recommendations'
    /// formulas). Coded values are rounded, so one level is allowed.
    #[test]
    fn colour_bars() {
        for (coded, wanted) in [
            ([235, 128, 128], [255, 255, 255]),
            ([81, 90, 240], [255, 0, 0]),
            ([145, 54, 34], [0, 255, 0]),
            ([41, 240, 110], [0, 0, 255]),
            ([16, 128, 128], [0, 0, 0]),
        ] {
            assert_near(rgb(Range::Limited, Matrix::Bt601, coded), wanted, "BT.601");
        }
        for (coded, wanted) in [
            ([180, 128, 128], [191, 191, 191]),
            ([168, 44, 136], [191, 191, 0]),
            ([145, 147, 44], [0, 191, 191]),
            ([133, 63, 52], [0, 191, 0]),
            ([63, 193, 204], [191, 0, 191]),
            ([51, 109, 212], [191, 0, 0]),
            ([28, 212, 120], [0, 0, 191]),
        ] {
            assert_near(rgb(Range::Limited, Matrix::Bt709, coded), wanted, "BT.709");
        }
    }

    /// ITU-T T.871 §7: pure red, green and blue in YCbCr of the full range.
    #[test]
    fn full_range_is_that_of_jfif() {
        for (coded, wanted) in [
            ([76, 85, 255], [254, 0, 0]),
            ([150, 44, 21], [0, 255, 1]),
            ([29, 255, 107], [0, 0, 254]),
            ([128, 128, 128], [128, 128, 128]),
        ] {
            assert_near(rgb(Range::Full, Matrix::Bt601, coded), wanted, "JFIF");
        }
    }

    /// What comes out as i420 and is read as JFIF has the same colours as what came in, for every
    /// kind of stream.
    #[test]
    fn i420_has_the_colours_of_the_stream() {
        for range in [Range::Limited, Range::Full] {
            for matrix in [Matrix::Bt601, Matrix::Bt709, Matrix::Bt2020] {
                for y in (60..200).step_by(20) {
                    for cb in (108..150).step_by(7) {
                        for cr in (108..150).step_by(7) {
                            let coded = [y, cb, cr];
                            let direct = rgb(range, matrix, coded);
                            let out = yuv(range, matrix, coded);
                            let again = rgb(Range::Full, Matrix::Bt601, out);
                            let far = direct.iter().zip(again).any(|(a, b)| a.abs_diff(b) > 2);
                            assert!(!far, "{coded:?} {direct:?} {again:?}");
                        }
                    }
                }
            }
        }
        assert!(!Conversion::new(Range::Limited, Matrix::Bt601).mixes());
        assert!(Conversion::new(Range::Limited, Matrix::Bt709).mixes());
    }
}
