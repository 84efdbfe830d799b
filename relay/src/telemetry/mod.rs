//! What the relay says of itself. Each event is one method: it writes the log line and moves the
//! metric, so that neither can be forgotten or disagree.

mod calm;
mod events;
mod gone;
pub mod logs;
mod metrics;
mod process;
#[cfg(test)]
mod reference;

pub use events::{
    ArchiveEvents, CameraEvents, DropReason, FindingDrop, FindingsEvents, HeartbeatEvents,
    HedgeOutcome, KickOutcome, LadderEvents, LeaseEvents, LedgerEvents, OutletEvents,
    PictureEvents, Refusal, ScrubEvents, SinkEvents, StoreEvents, SupervisorEvents, ViewKind,
};
pub use metrics::{EndReason, News, Telemetry};
