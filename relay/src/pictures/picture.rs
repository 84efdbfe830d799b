//! A picture as an analyzer gets it.

use bytes::Bytes;

use super::request::{PixelFormat, Source};
use crate::units::CaptureTime;

/// Rows of samples from top to bottom.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plane {
    /// Samples (RGB: pixels) in a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Bytes from the begin of a row to the begin of the next one.
    pub stride: u32,
    /// `stride * height` bytes.
    pub bytes: Bytes,
}

/// A decoded picture, scaled and converted as it was asked for. Cheap to clone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Number of the access unit in its stream.
    pub sequence: u64,
    /// When the light reached the camera.
    pub captured: CaptureTime,
    /// Half-width of the interval around `captured` that holds the truth.
    pub uncertainty_nanos: u64,
    /// The instant that was asked for, where this answers a question.
    pub asked: Option<CaptureTime>,
    /// Which of the camera's streams it comes from.
    pub source: Source,
    /// It was coded as a random access point.
    pub random_access: bool,
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// What the camera sends, after cropping.
    pub camera_width: u32,
    /// What the camera sends, after cropping.
    pub camera_height: u32,
    /// How the samples lie.
    pub format: PixelFormat,
    /// One (gray, RGB) or three (Y, Cb, Cr).
    pub planes: Vec<Plane>,
}
