//! The ledger against the truth: a relay records cameras while all that can go wrong goes wrong, to
//! a seeded [`schedule`]; then what `forebay coverage` says is missing is compared with the pictures
//! that are in the files ([`compare`]).
//!
//! The truth are the numbers that the cameras put into their pictures: they rise by one at a known
//! rate, so that each missing number is a missing instant.

pub mod compare;
pub mod ledger;
pub mod schedule;
pub mod stage;

use std::fmt;
use std::time::Duration;

/// What a gap can be put down to, as the ledger writes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
#[expect(missing_docs, reason = "their names are their meaning")]
pub enum Cause {
    Uplink,
    Camera,
    Loss,
    Relay,
    Sink,
    Storage,
    Planned,
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = format!("{self:?}").to_lowercase();
        f.pad(&name)
    }
}

/// The cameras: the first holds little back, the second much, the third sends over UDP.
pub const CAMERAS: [&str; 3] = ["slipway", "gate", "mast-crane"];
/// Which of them.
pub const SMALL: usize = 0;
/// See [`SMALL`].
pub const LARGE: usize = 1;
/// See [`SMALL`].
pub const DATAGRAMS: usize = 2;
/// Pictures a second.
pub const FPS: u32 = 12;
/// Seconds from picture to picture.
pub const FRAME: f64 = 1.0 / FPS as f64;
/// Pictures from key frame to key frame.
pub const GOP: u32 = 12;
/// Of each camera.
pub const BITS_PER_SECOND: u32 = 600_000;
/// What the kernel takes of a camera that asks for a send buffer of 64 kB (`ss`, Send-Q).
const SENDING_BYTES: u32 = 184_000;
/// What waits in the cameras' own queues. The simulated site without a network has no kernel's
/// buffer in front of the outage; what the small camera lacks then it gets here.
const QUEUE_BYTES: [u32; 3] = [100_000, 4_000_000, 100_000];
const QUEUE_BYTES_ALONE: [u32; 3] = [284_000, 4_000_000, 100_000];

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Of all random choices.
    pub seed: u64,
    /// How often each kind of trouble comes.
    pub rounds: u32,
    /// An emulated link between network namespaces; without, the simulated site makes the outages.
    pub bed: bool,
    /// A small file system for the spool, which is filled at times. Needs root.
    pub storage: bool,
}

impl Plan {
    /// From a camera to the relay.
    fn delay(&self) -> Duration {
        match self.bed {
            true => crate::bed::LinkSpec::default().delay,
            false => Duration::ZERO,
        }
    }

    fn queue_bytes(&self) -> [u32; 3] {
        match self.bed {
            true => QUEUE_BYTES,
            false => QUEUE_BYTES_ALONE,
        }
    }

    /// How long a camera keeps what it can't send over a link that is down, in seconds.
    #[must_use]
    pub fn holds(&self, camera: usize) -> f64 {
        let own = self.queue_bytes()[camera];
        let bytes = match (camera, self.bed) {
            (DATAGRAMS, _) => 0,
            (_, true) => own + SENDING_BYTES,
            (_, false) => own,
        };
        f64::from(bytes) * 8.0 / f64::from(BITS_PER_SECOND)
    }
}
