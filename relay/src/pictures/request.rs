//! What an analyzer wants to see.

/// Which of a camera's streams pictures come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Source {
    /// `url`: the stream that is recorded.
    Main,
    /// `analysis_url`: a small stream beside it.
    Analysis,
}

impl Source {
    /// The word of the plugin interface, and the value of the label `stream`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Main => "main",
            Self::Analysis => "analysis",
        }
    }
}

/// How a picture's samples lie in memory; `wit/pictures.wit` lays it down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum PixelFormat {
    /// Luma, full range.
    Gray8,
    /// Red, green, blue; three bytes a pixel.
    Rgb8,
    /// Y, Cb, Cr in three planes: ITU-R BT.601, full range, chroma centred.
    I420,
}

impl PixelFormat {
    /// The word of the plugin interface.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Gray8 => "gray8",
            Self::Rgb8 => "rgb8",
            Self::I420 => "i420",
        }
    }
}

/// What an analyzer wants to see.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Request {
    /// Pictures a second at the most; 0: only those asked for one by one. Finite, not negative.
    pub rate: f64,
    /// Longest side in pixels; 0: the size that the camera sends.
    pub longest_side: u32,
    /// How the samples lie.
    pub format: PixelFormat,
    /// What the plugin would like; `Analysis` means the main stream where the camera has no other.
    pub source: Source,
}
