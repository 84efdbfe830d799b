//! One picture, as the relay hands it over.

/// Luma of one picture, borrowed from its plane.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    width: usize,
    height: usize,
    stride: usize,
    bytes: &'a [u8],
    /// Capture time; nanoseconds since 1970-01-01T00:00:00 UTC.
    pub captured_nanos: i64,
    /// It was coded without reference to others.
    pub key: bool,
}

/// A plane that is not what it says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// Too small to be looked at.
    #[error("the picture is {width}x{height}: at least 32x32 is needed")]
    Small {
        /// Pixels.
        width: usize,
        /// Pixels.
        height: usize,
    },
    /// Rows overlap or the last one is cut short.
    #[error("the plane has {bytes} bytes for {height} rows of {width}, {stride} apart")]
    Plane {
        /// Pixels in a row.
        width: usize,
        /// Rows.
        height: usize,
        /// Bytes from row to row.
        stride: usize,
        /// Bytes that there are.
        bytes: usize,
    },
}

/// The least width and height, in pixels.
pub const SIDE_MIN: usize = 32;

impl<'a> Frame<'a> {
    /// Rows from top to bottom, `stride` bytes apart; 0 is black, 255 white.
    ///
    /// # Errors
    /// [`FrameError`] where the plane does not hold such a picture, or it is tiny.
    pub fn new(
        (width, height): (usize, usize),
        stride: usize,
        bytes: &'a [u8],
        captured_nanos: i64,
        key: bool,
    ) -> Result<Self, FrameError> {
        if width < SIDE_MIN || height < SIDE_MIN {
            return Err(FrameError::Small { width, height });
        }
        let needed = stride
            .checked_mul(height - 1)
            .and_then(|above| above.checked_add(width));
        if stride < width || needed.is_none_or(|needed| bytes.len() < needed) {
            return Err(FrameError::Plane {
                width,
                height,
                stride,
                bytes: bytes.len(),
            });
        }
        Ok(Self {
            width,
            height,
            stride,
            bytes,
            captured_nanos,
            key,
        })
    }

    /// Pixels in a row.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Rows.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// Width and height in pixels.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Rows from top to bottom, each of `width` bytes.
    pub fn rows(&self) -> impl Iterator<Item = &'a [u8]> + Clone + use<'a> {
        let width = self.width;
        self.bytes
            .chunks(self.stride)
            .take(self.height)
            .filter_map(move |row| row.get(..width))
    }

    /// Row `y` from the top.
    #[must_use]
    pub fn row(&self, y: usize) -> &'a [u8] {
        let begin = y * self.stride;
        self.bytes
            .get(begin..begin + self.width)
            .unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plane_is_checked_and_cut_into_rows() {
        let bytes: Vec<u8> = (0..40 * 31 + 32).map(|i| (i % 40) as u8).collect();
        let frame = Frame::new((32, 32), 40, &bytes, 7, true).unwrap();
        let expected: Vec<u8> = (0..32).collect();
        assert_eq!(frame.rows().count(), 32);
        assert!(frame.rows().all(|row| row == expected));
        assert_eq!(frame.row(31), expected);
        let short = Frame::new((32, 32), 40, &bytes[1..], 7, true).unwrap_err();
        let words = "the plane has 1271 bytes for 32 rows of 32, 40 apart";
        assert_eq!(short.to_string(), words);
        assert!(Frame::new((32, 32), 31, &bytes, 7, true).is_err());
        assert!(Frame::new((32, 32), usize::MAX, &bytes, 7, true).is_err());
        let small = Frame::new((31, 32), 40, &bytes, 7, true).unwrap_err();
        assert!(small.to_string().contains("31x32"));
    }
}
