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

/// The cameras at the far end; they differ in what they hold back, see [`Plan::buffers`].
pub const CAMERAS: [&str; 2] = ["slipway", "gate"];
/// What they hold back unless told otherwise: as much as the kernel keeps for a camera that asks for
/// a send buffer (`SO_SNDBUF`) of 512 kB, and 4 MB.
pub const DEFAULT_BUFFERS: [u32; 2] = [1080, 4000];
/// What they ask of the kernel as `SO_SNDBUF`.
const SEND_BUFFER_BYTES: u32 = 64_000;
/// Media that the kernel takes then: twice as much, and the rest of the last piece. `ss` shows it
/// (Send-Q) while the link is down.
const SENDING_BYTES: u32 = 184_000;

/// What is to be measured.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Lengths of the outages of each run, in seconds.
    pub outages: Vec<f64>,
    /// Runs, all of them at the same time.
    pub runs: usize,
    /// Media that each of [`CAMERAS`] holds back while nothing can be sent, the kernel's send buffer
    /// included, in kilobytes; 184 at least.
    pub buffers: [u32; 2],
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
    /// The cameras play a second session beside the first, and take receiver reports. Where not,
    /// they have one session and reset it on a report: then neither hedge nor kick is possible.
    pub tolerant: bool,
}

impl Plan {
    /// How long a camera can hold everything back, in seconds.
    #[must_use]
    pub fn holds(&self, camera: usize) -> f64 {
        f64::from(self.buffers[camera]) * 8000.0 / BITS_PER_SECOND as f64
    }

    /// What is not the kernel's of a camera's buffer.
    fn queue_bytes(&self, camera: usize) -> u32 {
        (self.buffers[camera].saturating_mul(1000)).saturating_sub(SENDING_BYTES)
    }
}
