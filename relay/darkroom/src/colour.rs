//! From frames as JPEG has them to a film's: BT.709, limited range (ITU-R BT.709-6), chroma at the left
//! of its pair (H.264, type 0), which is what players take a film for.

use crate::frame::{Frame, Plane};

/// Fractional bits of the weights.
const BITS: i32 = 16;

/// The planes of a frame of a film; sizes are even.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FilmFrame {
    /// Luma, Cb, Cr.
    pub planes: [Plane; 3],
}

/// Weights of luma of red and blue: what is left is green's.
struct Weights {
    red: f64,
    blue: f64,
}

const BT601: Weights = Weights {
    red: 0.299,
    blue: 0.114,
};
const BT709: Weights = Weights {
    red: 0.2126,
    blue: 0.0722,
};

/// How much of Cb and Cr as JPEG has them goes into luma, Cb and Cr of a film.
fn mix() -> [[i32; 2]; 3] {
    // Red, green and blue of one unit of Cb or Cr, by the definition of BT.601.
    let green = |value: f64, weight: f64| -value * weight / (1.0 - BT601.red - BT601.blue);
    let cb = 2.0 * (1.0 - BT601.blue);
    let cr = 2.0 * (1.0 - BT601.red);
    let units = [
        [0.0, green(cb, BT601.blue), cb],
        [cr, green(cr, BT601.red), 0.0],
    ];
    let weighed = units.map(|[r, g, b]| {
        let luma = BT709.red * r + (1.0 - BT709.red - BT709.blue) * g + BT709.blue * b;
        let blue = (b - luma) / (2.0 * (1.0 - BT709.blue));
        let red = (r - luma) / (2.0 * (1.0 - BT709.red));
        [luma, blue, red]
    });
    let [[ly, lb, lr], [ry, rb, rr]] = weighed;
    let fixed =
        |value: f64, range: f64| (value * range / 255.0 * f64::from(1 << BITS)).round() as i32;
    [
        [fixed(ly, 219.0), fixed(ry, 219.0)],
        [fixed(lb, 224.0), fixed(rb, 224.0)],
        [fixed(lr, 224.0), fixed(rr, 224.0)],
    ]
}

impl FilmFrame {
    /// Of a frame whose sides are even.
    #[must_use]
    pub fn of(frame: &Frame) -> Self {
        let [luma, cb, cr] = &frame.planes;
        let [[y_cb, y_cr], of_cb, of_cr] = mix();
        let half = 1 << (BITS - 1);
        let scale = (219.0 / 255.0 * f64::from(1 << BITS)) as i32;
        let neutral = |sample: &u8| i32::from(*sample) - 128;
        let mut out = luma.clone();
        let width = luma.width.max(1);
        for (y, row) in out.samples.chunks_exact_mut(width).enumerate() {
            let chroma = cb.row(y / 2).iter().zip(cr.row(y / 2));
            for (pair, (cb, cr)) in row.chunks_mut(2).zip(chroma) {
                let tint = y_cb * neutral(cb) + y_cr * neutral(cr) + (16 << BITS) + half;
                for sample in pair {
                    *sample = ((i32::from(*sample) * scale + tint) >> BITS).clamp(16, 235) as u8;
                }
            }
        }
        let chroma = |[by_cb, by_cr]: [i32; 2]| {
            let mut plane = cb.clone();
            for (y, row) in plane.samples.chunks_exact_mut(cb.width.max(1)).enumerate() {
                let mut before = None;
                for ((out, cb), cr) in row.iter_mut().zip(cb.row(y)).zip(cr.row(y)) {
                    let here = by_cb * neutral(cb) + by_cr * neutral(cr);
                    // A quarter of its width to the left of where JPEG has it.
                    let there = (3 * i64::from(here) + i64::from(before.unwrap_or(here))) >> 2;
                    before = Some(here);
                    *out = ((there as i32 + (128 << BITS) + half) >> BITS).clamp(16, 240) as u8;
                }
            }
            plane
        };
        Self {
            planes: [out, chroma(of_cb), chroma(of_cr)],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 100 % colour bars: JPEG's values by ITU-T T.871 §7, a film's by ITU-R BT.709-6 §3 (8 bits),
    /// e.g. red Y = 16 + 219 · 0.2126 = 63.
    #[test]
    fn colour_bars() {
        for (jfif, film) in [
            ([255, 128, 128], [235, 128, 128]),
            ([76, 85, 255], [63, 102, 240]),
            ([150, 44, 21], [173, 42, 26]),
            ([29, 255, 107], [32, 240, 118]),
            ([0, 128, 128], [16, 128, 128]),
        ] {
            let out = FilmFrame::of(&Frame::filled(8, 8, jfif));
            let found = out.planes.each_ref().map(|plane| plane.samples[5]);
            let far = found.iter().zip(film).any(|(a, b)| a.abs_diff(b) > 1);
            assert!(!far, "{jfif:?}: {found:?}, should be {film:?}");
        }
    }
}
