//! The events themselves, by what they happen to.

mod archive;
mod camera;
mod findings;
mod heartbeat;
mod ladder;
mod lease;
mod ledger;
mod outlet;
mod pictures;
mod scrub;
mod sink;
mod store;
mod supervisor;

use std::time::Duration;

pub use archive::ArchiveEvents;
pub use camera::{CameraEvents, HedgeOutcome, KickOutcome};
pub use findings::{FindingDrop, FindingsEvents};
pub use heartbeat::HeartbeatEvents;
pub use ladder::LadderEvents;
pub use lease::LeaseEvents;
pub use ledger::LedgerEvents;
pub use outlet::{OutletEvents, Refusal, ViewKind};
pub use pictures::{DropReason, PictureEvents};
pub use scrub::ScrubEvents;
pub use sink::SinkEvents;
pub use store::StoreEvents;
pub use supervisor::SupervisorEvents;

/// A complaint that repeats is logged this often.
const REPEAT: Duration = Duration::from_secs(60);
/// Where free space is watched, in the order in which the archive tells it.
pub(in crate::telemetry) const PLACES: [&str; 2] = ["archive", "spool"];
