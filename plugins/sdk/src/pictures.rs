//! Which pictures an analyzer gets, and a checked view of what is in them.

use crate::bindings::analyzer::forebay::plugin::pictures as wit;
use crate::{Instant, Picture, Plane, Raster, RasterError, Request};

/// Asks for the key frame that is captured nearest to an instant, past or to come. It comes by
/// [`analyze`](crate::Analyzer::analyze) with `asked` set; where the camera has sent none near it,
/// the first one after it. At most 16 questions wait at a time: a further one takes the place of
/// the oldest. Natively this does nothing.
pub fn ask(at: Instant) {
    #[cfg(target_family = "wasm")]
    wit::ask(at);
    #[cfg(not(target_family = "wasm"))]
    let _ = (wit::ask, at);
}

impl Request {
    /// One plane of luma, 0 is black and 255 white. `rate`: pictures a second at the most (0: only
    /// those that [`ask`] names); `longest_side`: pixels that larger pictures are scaled down to
    /// (0: the size that the camera sends). From the stream for analysis, all findings published.
    #[must_use]
    pub fn gray(rate: f64, longest_side: u32) -> Self {
        Self {
            rate,
            longest_side,
            format: "gray8".into(),
            source: "analysis".into(),
            minimum_score: 0.0,
        }
    }

    /// As [`gray`](Self::gray), but one plane with three bytes a pixel: red, green, blue.
    #[must_use]
    pub fn rgb(rate: f64, longest_side: u32) -> Self {
        Self {
            format: "rgb8".into(),
            ..Self::gray(rate, longest_side)
        }
    }

    /// As [`gray`](Self::gray), but three planes Y, Cb, Cr, the last two of half the width and
    /// height (rounded up), with the matrix of ITU-R BT.601 in full range, as JFIF wants it.
    #[must_use]
    pub fn i420(rate: f64, longest_side: u32) -> Self {
        Self {
            format: "i420".into(),
            ..Self::gray(rate, longest_side)
        }
    }

    /// From the camera's main stream in any case.
    #[must_use]
    pub fn from_main(self) -> Self {
        Self {
            source: "main".into(),
            ..self
        }
    }

    /// Findings of a lower score (0 to 1) are not published.
    #[must_use]
    pub fn minimum_score(self, minimum_score: f64) -> Self {
        Self {
            minimum_score,
            ..self
        }
    }
}

impl Picture {
    /// The luma of a picture in `gray8` or `i420`.
    ///
    /// # Errors
    /// [`RasterError`], where the picture is of another format or not as it says of itself.
    pub fn luma(&self) -> Result<Raster<'_>, RasterError> {
        match self.format.as_str() {
            "gray8" | "i420" => self.raster(0),
            other => Err(RasterError::Format {
                wanted: "luma",
                given: other.into(),
            }),
        }
    }

    /// The pixels of a picture in `rgb8`, three bytes each.
    ///
    /// # Errors
    /// [`RasterError`], where the picture is of another format or not as it says of itself.
    pub fn rgb(&self) -> Result<Raster<'_>, RasterError> {
        match self.format.as_str() {
            "rgb8" => self.raster(0),
            other => Err(RasterError::Format {
                wanted: "rgb8",
                given: other.into(),
            }),
        }
    }

    /// A plane by its place: 0 in any format, 1 and 2 are Cb and Cr of `i420`.
    ///
    /// # Errors
    /// [`RasterError`], where there is no such plane or it is not as it says of itself.
    pub fn raster(&self, plane: usize) -> Result<Raster<'_>, RasterError> {
        let samples = if self.format == "rgb8" { 3 } else { 1 };
        let plane = self.planes.get(plane).ok_or(RasterError::Missing(plane))?;
        plane.raster(samples)
    }
}

impl Plane {
    /// A checked view, of `samples` bytes a pixel.
    ///
    /// # Errors
    /// [`RasterError::Short`].
    pub fn raster(&self, samples: usize) -> Result<Raster<'_>, RasterError> {
        let sizes = [self.width, self.height, self.stride].map(|size| size as usize);
        Raster::new(&self.bytes, sizes[0], sizes[1], sizes[2], samples)
    }
}
