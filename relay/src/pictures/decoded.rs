//! A picture as the decoder gives it.

use bytes::Bytes;

/// How samples stand for light (H.264 and H.265: `video_full_range_flag`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Range {
    /// Luma from 16 to 235, chroma from 16 to 240.
    Limited,
    /// 0 to 255.
    Full,
}

/// Which weights made luma of red, green and blue (`matrix_coefficients`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Matrix {
    /// ITU-R BT.601: also where the stream says nothing and the picture is lower than 720 rows.
    Bt601,
    /// ITU-R BT.709: also where the stream says nothing otherwise.
    Bt709,
    /// ITU-R BT.2020, non-constant luminance.
    Bt2020,
}

/// The samples of a decoded picture: tight rows, cropped, eight bits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Samples {
    /// Luma alone (a thermal camera).
    Gray(Bytes),
    /// Y, Cb, Cr one after another; Cb and Cr have half the width and height, rounded up.
    Yuv420 {
        /// All three planes.
        planes: Bytes,
        /// Chroma stands at the left luma sample of a pair (H.264, H.265 without a word: type 0)
        /// and not in the middle between them (JPEG: type 1).
        chroma_left: bool,
    },
}

/// A decoded picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decoded {
    /// Pixels, after cropping; at least 1.
    pub width: u32,
    /// Pixels, after cropping; at least 1.
    pub height: u32,
    /// What was decoded.
    pub samples: Samples,
    /// How samples stand for light.
    pub range: Range,
    /// How luma was made.
    pub matrix: Matrix,
}

/// Why there is no picture.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DecodeFault {
    /// No decoder at hand does this kind of stream: so for all that follows with these parameters.
    #[error("can't be decoded: {0}")]
    Unsupported(String),
    /// No decoder at hand does this unit; another one of the stream may be another matter.
    #[error("can't be decoded: {0}")]
    Refused(String),
    /// This unit is damaged, or can't be decoded without one that is missing.
    #[error("damaged: {0}")]
    Damaged(String),
    /// The decoder was ended: out of time or memory, or it trapped. The next unit gets a new one.
    #[error("the decoder ended: {0}")]
    Ended(String),
}

impl Decoded {
    /// Whether there are as many samples as its size says.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        let (width, height) = (self.width as usize, self.height as usize);
        let chroma = width.div_ceil(2) * height.div_ceil(2);
        let (has, wants) = match &self.samples {
            Samples::Gray(bytes) => (bytes.len(), width * height),
            Samples::Yuv420 { planes, .. } => (planes.len(), width * height + 2 * chroma),
        };
        wants > 0 && has == wants
    }
}
