//! What a line is told, and what it wants done.

use std::time::Instant;

use super::cause::EndCause;

/// Which of the two sessions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Slot {
    /// The one that feeds the hold.
    Kept,
    /// The one beside it, or the one being set up.
    Fresh,
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// A connect was answered, by an open port or a closed one: the path is alive.
    Answered,
    /// The session being set up plays. Without a kept one it is the kept one now.
    Playing,
    /// Packets arrived.
    Heard(Slot),
    /// A whole unit of the main track arrived, whether or not it passes the gate.
    Unit(Slot),
    /// The camera has acknowledged the kick.
    Acknowledged,
    /// The kick can't be sent, because something of ours is still on its way: that will tell.
    NoKick,
    /// The fresh session has taken the kept one's place.
    Spliced,
    /// A session ended or could not be made.
    Ended(Slot, EndCause),
    /// Whether the camera is wanted, as the configuration plans.
    Wanted(bool),
    /// The camera ends the connection when it gets a report: it must get none.
    NoReports,
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Nothing but wait: at the latest until this instant, then ask again.
    WaitUntil(Instant),
    /// Try a connect.
    Probe,
    /// Set a session up.
    Open,
    /// Send a small packet on the kept session.
    Kick,
    /// End this session: it is of no use, or not wanted.
    Drop(Slot, Why),
}

/// Why a session is to be ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// No unit came within the time for the first one.
    NoUnit,
    /// Packets come, but no whole unit.
    NoWholeUnit,
    /// It stays silent on a path that is alive.
    Silent,
    /// The kept session resumed before the fresh one was needed.
    NotNeeded,
    /// The camera is not wanted now.
    NotWanted,
}
