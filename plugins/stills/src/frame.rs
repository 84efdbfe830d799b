//! A picture as the relay gives it, with planes that are as large as they say.

use forebay_plugin_sdk::Instant;

/// One plane of samples.
#[derive(Debug, Clone, Copy)]
pub struct Plane<'a> {
    bytes: &'a [u8],
    width: usize,
    height: usize,
    stride: usize,
}

/// A picture that can't be used.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// A plane with fewer bytes than its size needs.
    #[error("a plane of {width}x{height} in rows of {stride} bytes has {bytes} bytes")]
    Short {
        /// Samples in a row.
        width: usize,
        /// Rows.
        height: usize,
        /// From the begin of a row to that of the next.
        stride: usize,
        /// That there are.
        bytes: usize,
    },
    /// Chroma that does not fit the luma.
    #[error("chroma of {0}x{1} does not belong to luma of {2}x{3}")]
    Chroma(usize, usize, usize, usize),
    /// A side of zero, or too long for a JPEG.
    #[error("a picture of {0}x{1} makes no JPEG")]
    Size(usize, usize),
}

impl<'a> Plane<'a> {
    /// Rows of `width` bytes, each `stride` after the one before.
    ///
    /// # Errors
    /// [`FrameError::Short`].
    pub fn new(
        bytes: &'a [u8],
        width: usize,
        height: usize,
        stride: usize,
    ) -> Result<Self, FrameError> {
        let before_last = height.saturating_sub(1).checked_mul(stride);
        let needed = before_last.and_then(|rows| rows.checked_add(width));
        if stride < width || needed.is_none_or(|needed| needed > bytes.len()) {
            return Err(FrameError::Short {
                width,
                height,
                stride,
                bytes: bytes.len(),
            });
        }
        Ok(Self {
            bytes,
            width,
            height,
            stride,
        })
    }

    /// Samples in a row.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// A row; nothing below the last.
    #[must_use]
    pub fn row(&self, y: usize) -> &'a [u8] {
        let begin = y.saturating_mul(self.stride);
        let end = begin.saturating_add(self.width);
        if y < self.height {
            self.bytes.get(begin..end).unwrap_or_default()
        } else {
            &[]
        }
    }

    /// From top to bottom.
    pub fn rows(&self) -> impl Iterator<Item = &'a [u8]> {
        let plane = *self;
        (0..self.height).map(move |y| plane.row(y))
    }
}

/// A picture: three planes of BT.601 in full range, chroma of half the size.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    /// When the light reached the camera.
    pub captured: Instant,
    /// Half-width of the interval around it that holds the truth.
    pub uncertainty_nanos: u64,
    /// The instant that was asked for.
    pub asked: Option<Instant>,
    planes: [Plane<'a>; 3],
}

impl<'a> Frame<'a> {
    /// Luma, then Cb and Cr of half the width and height, rounded up.
    ///
    /// # Errors
    /// [`FrameError`].
    pub fn new(captured: Instant, planes: [Plane<'a>; 3]) -> Result<Self, FrameError> {
        let [luma, chroma @ ..] = &planes;
        let (width, height) = (luma.width, luma.height);
        let fits = |side| (1..=usize::from(u16::MAX)).contains(&side);
        if !fits(width) || !fits(height) {
            return Err(FrameError::Size(width, height));
        }
        for plane in chroma {
            if (plane.width, plane.height) != (width.div_ceil(2), height.div_ceil(2)) {
                return Err(FrameError::Chroma(plane.width, plane.height, width, height));
            }
        }
        Ok(Self {
            captured,
            uncertainty_nanos: 0,
            asked: None,
            planes,
        })
    }

    /// Y.
    #[must_use]
    pub fn luma(&self) -> &Plane<'a> {
        let [luma, ..] = &self.planes;
        luma
    }

    /// Cb and Cr.
    #[must_use]
    pub fn chroma(&self) -> [&Plane<'a>; 2] {
        let [_, cb, cr] = &self.planes;
        [cb, cr]
    }
}
