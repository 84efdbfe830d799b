//! Decoded pictures, and why there may be none.

use crate::headers::{Broken, Matrix, Signal};
use crate::unit::damaged;

/// A decoded picture: tight rows, cropped, eight bits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// The number that the unit was handed over with.
    pub unit: u64,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// Luma alone, else Y, Cb and Cr one after another, the last two of half the size, rounded up.
    pub gray: bool,
    /// All planes.
    pub samples: Vec<u8>,
    /// Chroma stands at the left luma sample of a pair and not in the middle.
    pub chroma_left: bool,
    /// Samples go from 0 to 255.
    pub full_range: bool,
    /// How luma was made.
    pub matrix: Matrix,
}

/// Why there is no picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fault {
    /// Streams like this one should not be let at any decoder.
    Unfit(String),
    /// Streams like this one can't be decoded.
    Unsupported(String),
    /// Of streams like this one, only key frames can.
    KeyFramesOnly(String),
    /// This unit is damaged, or builds on one that is missing.
    Damaged(String),
}

impl From<Broken> for Fault {
    fn from(Broken(what): Broken) -> Self {
        Self::Damaged(what.to_owned())
    }
}

/// What the parameters of a stream say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Description {
    /// Pixels, after cropping.
    pub width: u32,
    /// Pixels, after cropping.
    pub height: u32,
    /// 0 monochrome, 1 4:2:0, 2 4:2:2, 3 4:4:4.
    pub chroma_format: u32,
    /// Bits a sample.
    pub depth_luma: u32,
    /// Bits a sample.
    pub depth_chroma: u32,
    /// Chroma stands at the left luma sample of a pair and not in the middle.
    pub chroma_left: bool,
    /// Samples go from 0 to the greatest value.
    pub full_range: bool,
    /// How luma was made.
    pub matrix: Matrix,
    /// Coded arithmetically: what is read behind the end of a slice tells one that was cut off.
    pub arithmetic: bool,
}

/// What is the same for all pictures of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Look {
    pub(crate) width: u32,
    pub(crate) height: u32,
    /// Where the picture begins in the one that was coded.
    pub(crate) left: u32,
    pub(crate) top: u32,
    pub(crate) chroma_left: bool,
    pub(crate) full_range: bool,
    pub(crate) matrix: Matrix,
}

impl Look {
    pub(crate) fn new(
        (width, height): (u32, u32),
        [left, _, top, _]: [u32; 4],
        signal: &Signal,
    ) -> Result<Self, Fault> {
        let matrix = signal.matrix(height);
        Ok(Self {
            width,
            height,
            left,
            top,
            chroma_left: signal.chroma_left(),
            full_range: signal.full_range,
            matrix: matrix.map_err(|what| Fault::Unfit(what.to_owned()))?,
        })
    }

    pub(crate) fn describe(
        &self,
        chroma_format: u32,
        (depth_luma, depth_chroma): (u32, u32),
        arithmetic: bool,
    ) -> Description {
        Description {
            width: self.width,
            height: self.height,
            chroma_format,
            depth_luma,
            depth_chroma,
            chroma_left: self.chroma_left,
            full_range: self.full_range,
            matrix: self.matrix,
            arithmetic,
        }
    }

    pub(crate) fn frame(&self, unit: u64, samples: Vec<u8>) -> Frame {
        Frame {
            unit,
            width: self.width,
            height: self.height,
            gray: false,
            samples,
            chroma_left: self.chroma_left,
            full_range: self.full_range,
            matrix: self.matrix,
        }
    }

    /// Left, top, width and height of the three planes.
    fn planes(&self) -> [(usize, usize, usize, usize); 3] {
        let [left, top, width, height] =
            [self.left, self.top, self.width, self.height].map(|side| side as usize);
        let chroma = (left / 2, top / 2, width.div_ceil(2), height.div_ceil(2));
        [(left, top, width, height), chroma, chroma]
    }

    /// The picture out of a decoder's planes, each sample made eight bits by `narrow`, which is
    /// told the number of the plane.
    pub(crate) fn cut<S: Copy + Default + PartialEq>(
        &self,
        planes: [Plane<'_, S>; 3],
        narrow: impl Fn(usize, S) -> u8,
    ) -> Result<Vec<u8>, Fault> {
        if has_hole(planes) {
            return Err(damaged("its slices don't fill the picture"));
        }
        let windows = self.planes();
        let bytes = windows.iter().map(|(_, _, width, height)| width * height);
        let mut samples = Vec::with_capacity(bytes.sum());
        for (number, (plane, window)) in planes.iter().zip(windows).enumerate() {
            let (left, top, width, height) = window;
            for y in top..top + height {
                let row = plane
                    .row(y, left, width)
                    .ok_or_else(|| damaged("the picture is of another size"))?;
                samples.extend(row.iter().map(|sample| narrow(number, *sample)));
            }
        }
        Ok(samples)
    }
}

/// Refuses pictures that are larger than the relay wants them.
pub(crate) fn check_size(width: u32, height: u32, pixels_max: u32) -> Result<(), Fault> {
    if u64::from(width) * u64::from(height) > u64::from(pixels_max) {
        return Err(Fault::Unfit(format!(
            "{width}x{height} is more than the {pixels_max} pixels of `[pictures] pixels_max`"
        )));
    }
    Ok(())
}

/// Samples at a border that a loop filter may have changed.
const FILTERED: usize = 4;
/// The smallest blocks that a slice leaves out.
const BLOCK: usize = 16;

/// Whether a block of a picture was decoded by nobody. Both decoders begin with planes of zeros,
/// and luma, Cb and Cr of zero at once is a color that does not exist: so far out of the range of
/// red, green and blue that no camera sends it.
fn has_hole<S: Copy + Default + PartialEq>(planes: [Plane<'_, S>; 3]) -> bool {
    let [luma, cb, cr] = planes;
    let zero = S::default();
    let step = BLOCK / 2;
    for y in (0..cb.height).step_by(step) {
        for x in (0..cb.width).step_by(step) {
            // One look in the middle tells nearly all blocks.
            let middle = step / 2;
            if cb
                .at(x + middle, y + middle)
                .is_some_and(|value| value != zero)
            {
                continue;
            }
            let inner = (FILTERED / 2, step - FILTERED / 2);
            if cb.is_zero(x, y, inner)
                && cr.is_zero(x, y, inner)
                && luma.is_zero(2 * x, 2 * y, (FILTERED, BLOCK - FILTERED))
            {
                return true;
            }
        }
    }
    false
}

/// A plane as a decoder gives it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Plane<'a, S> {
    pub(crate) samples: &'a [S],
    pub(crate) stride: usize,
    pub(crate) width: usize,
    pub(crate) height: usize,
}

impl<S: Copy + PartialEq + Default> Plane<'_, S> {
    fn at(&self, x: usize, y: usize) -> Option<S> {
        (x < self.width && y < self.height)
            .then(|| self.samples.get(y * self.stride + x).copied())
            .flatten()
    }

    /// Samples of a row; `None` beyond the plane.
    fn row(&self, y: usize, left: usize, width: usize) -> Option<&[S]> {
        let inside = y < self.height && left + width <= self.width;
        let begin = y * self.stride + left;
        self.samples.get(begin..begin + width).filter(|_| inside)
    }

    /// Whether the inside of a block is zero; `false` where nothing of it lies in the picture.
    fn is_zero(&self, left: usize, top: usize, (begin, end): (usize, usize)) -> bool {
        let (right, bottom) = ((left + end).min(self.width), (top + end).min(self.height));
        let (left, top) = (left + begin, top + begin);
        if left >= right || top >= bottom {
            return false;
        }
        (top..bottom).all(|y| {
            self.samples
                .get(y * self.stride + left..y * self.stride + right)
                .is_some_and(|row| row.iter().all(|sample| *sample == S::default()))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(samples: &[u8], width: usize) -> Plane<'_, u8> {
        Plane {
            samples,
            stride: width,
            width,
            height: samples.len() / width,
        }
    }

    #[test]
    fn a_block_that_nobody_decoded_is_found() {
        let mut luma = vec![0_u8; 64 * 48];
        let mut chroma = vec![128_u8; 32 * 24];
        let holes = |luma: &[u8], chroma: &[u8]| {
            has_hole([plane(luma, 64), plane(chroma, 32), plane(chroma, 32)])
        };
        // Black is no hole.
        assert!(!holes(&luma, &chroma));
        for y in 8..16 {
            chroma[y * 32 + 8..][..8].fill(0);
        }
        assert!(holes(&luma, &chroma));
        luma[24 * 64 + 24] = 1;
        assert!(!holes(&luma, &chroma));
    }
}
