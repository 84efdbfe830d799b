//! A finding, as `wit/findings.wit` lays it down.

use crate::pictures::Source;
use crate::units::{CaptureTime, SinkName};

/// A part of the picture in shares of its width and height.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    /// 0 to 1.
    pub left: f64,
    /// 0 to 1.
    pub top: f64,
    /// 0 to 1.
    pub width: f64,
    /// 0 to 1.
    pub height: f64,
}

/// Whether a finding is of an instant or of a state that lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Of its instant.
    Mark,
    /// A state begins.
    Begin,
    /// A state is over.
    End,
}

/// What an analyzer has seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The sink that says so.
    pub sink: SinkName,
    /// `[a-z][a-z0-9-]{0,31}`.
    pub kind: String,
    /// 0 to 1.
    pub score: f64,
    /// The capture time that it is about.
    pub at: CaptureTime,
    /// Instant or state.
    pub phase: Phase,
    /// Which stream the picture came from.
    pub source: Source,
    /// Where in the picture.
    pub region: Option<Region>,
    /// For people: one line.
    pub text: String,
}
