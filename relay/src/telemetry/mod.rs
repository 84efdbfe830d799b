//! What the relay says of itself. Each event is one method: it writes the log line and moves the
//! metric, so that neither can be forgotten or disagree.

mod calm;
mod events;
mod gone;
pub mod logs;
mod metrics;
mod process;

pub use events::{
    ArchiveEvents, CameraEvents, DropReason, FindingDrop, FindingsEvents, HedgeOutcome,
    KickOutcome, LadderEvents, LedgerEvents, PictureEvents, ScrubEvents, SinkEvents,
    SupervisorEvents,
};
pub use metrics::{EndReason, Telemetry};
