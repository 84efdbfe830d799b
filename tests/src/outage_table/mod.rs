//! What outages cost: the relay, and ffmpeg beside it, record the same cameras over links of the
//! [test bed](crate::bed) that go down for known times.
//!
//! A [`lane`] is one run: two links of equal make, which go down together; behind each two cameras
//! that differ in how much they can hold back. The relay is at the home end of one link, ffmpeg at
//! that of the other. [`figures`] compares what was recorded with what the cameras took, and
//! [`report`] prints it.

pub mod figures;
pub mod lane;
pub mod report;

use std::time::Duration;

use crate::bed::LinkSpec;

/// Pictures a second of the simulated cameras.
pub const FPS: f64 = 25.0;
/// Their bit rate.
pub const BITS_PER_SECOND: u64 = 4_000_000;

/// A camera at the far end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Buffer {
    /// Name of the camera.
    pub camera: &'static str,
    /// Bytes that the camera itself keeps for a viewer.
    pub queue_bytes: u32,
    /// Asked of the kernel as `SO_SNDBUF`. It grants twice as much and counts its own overhead, so
    /// that about one and a half times as much media fits.
    pub send_buffer_bytes: u32,
}

/// 512 kB and 4 MB of media.
pub const BUFFERS: [Buffer; 2] = [
    Buffer {
        camera: "slipway",
        queue_bytes: 320_000,
        send_buffer_bytes: 128_000,
    },
    Buffer {
        camera: "gate",
        queue_bytes: 3_808_000,
        send_buffer_bytes: 128_000,
    },
];

impl Buffer {
    /// Media that fit, kernel included, about.
    #[must_use]
    pub fn bytes(&self) -> u32 {
        self.queue_bytes + self.send_buffer_bytes / 2 * 3
    }

    /// As a time at the cameras' bit rate.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        f64::from(self.bytes()) * 8.0 / BITS_PER_SECOND as f64
    }
}

/// What is to be measured.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Lengths of the outages of each run, in seconds.
    pub outages: Vec<f64>,
    /// Runs, all of them at the same time.
    pub runs: usize,
    /// Pictures from key frame to key frame.
    pub gop: u32,
    /// From the first picture to the first outage.
    pub learn: Duration,
    /// From the end of an outage to the next one, at least. A random part of two GOPs is added.
    pub rest: Duration,
    /// Of all random choices.
    pub seed: u64,
    /// The links.
    pub link: LinkSpec,
    /// ffmpeg beside the relay.
    pub ffmpeg: bool,
}
