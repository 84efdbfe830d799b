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

/// The cameras at the far end; they differ in what they hold back, see [`Plan::send_buffers`].
pub const CAMERAS: [&str; 2] = ["slipway", "gate"];
/// What they ask of the kernel as `SO_SNDBUF` unless told otherwise, in bytes.
pub const DEFAULT_SEND_BUFFERS: [u32; 2] = [512_000, 4_000_000];

/// Media that the kernel takes of a camera that asks for a send buffer: twice as much, up to the
/// system's limit, and the rest of the last piece. `ss` shows it (Send-Q) while the link is down.
fn sending_bytes(send_buffer_bytes: u32) -> u32 {
    let limit = std::fs::read_to_string("/proc/sys/net/core/wmem_max").ok();
    let limit = limit.and_then(|text| text.trim().parse().ok());
    let granted = send_buffer_bytes.min(limit.unwrap_or(u32::MAX));
    granted.saturating_mul(2).saturating_add(56_000)
}

/// What is to be measured.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Lengths of the outages of each run, in seconds.
    pub outages: Vec<f64>,
    /// Runs, all of them at the same time.
    pub runs: usize,
    /// What each of [`CAMERAS`] asks of the kernel as `SO_SNDBUF`, in bytes. With a small one all
    /// that the kernel takes is on its way when the link goes, and nothing is left that a kick could
    /// set free.
    pub send_buffers: [u32; 2],
    /// Media that each of them holds back while nothing can be sent, in bytes; what the kernel does
    /// not take waits in the camera. As much as the kernel takes for the buffer it is asked for,
    /// unless told otherwise.
    pub holds: Option<[u32; 2]>,
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
    /// Media that a camera holds back, in bytes.
    #[must_use]
    pub fn holds_bytes(&self, camera: usize) -> u32 {
        let asked = self.send_buffers[camera];
        let all = asked.saturating_mul(2).saturating_add(56_000);
        self.holds.map_or(all, |holds| holds[camera])
    }

    /// How long a camera can hold everything back, in seconds.
    #[must_use]
    pub fn holds_seconds(&self, camera: usize) -> f64 {
        f64::from(self.holds_bytes(camera)) * 8.0 / BITS_PER_SECOND as f64
    }

    /// What is not the kernel's of that: room for a picture at least.
    fn queue_bytes(&self, camera: usize) -> u32 {
        let kernel = sending_bytes(self.send_buffers[camera]);
        self.holds_bytes(camera).saturating_sub(kernel).max(1000)
    }
}
