//! The phases of a camera's line, as people and metrics see them.

/// What a camera's line is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Phase {
    /// Between sessions, for a moment.
    Resting,
    /// Between sessions for longer, because the camera refused.
    Refused,
    /// No session; the path is looked for.
    Seeking,
    /// The first session is being set up.
    Connecting,
    /// The session plays; no unit has come.
    Waiting,
    /// Units arrive.
    Flowing,
    /// The session stands and nothing arrives; the path is looked for.
    Silent,
    /// A second session is being set up beside the silent one.
    Hedging,
    /// Two sessions play; the fresh one is about to take over.
    Splicing,
    /// The configuration does not want the camera now.
    Paused,
}

impl Phase {
    /// Every phase, for metrics.
    pub const ALL: [Self; 10] = [
        Self::Resting,
        Self::Refused,
        Self::Seeking,
        Self::Connecting,
        Self::Waiting,
        Self::Flowing,
        Self::Silent,
        Self::Hedging,
        Self::Splicing,
        Self::Paused,
    ];

    /// As metric label and log field.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Resting => "resting",
            Self::Refused => "refused",
            Self::Seeking => "seeking",
            Self::Connecting => "connecting",
            Self::Waiting => "waiting",
            Self::Flowing => "flowing",
            Self::Silent => "silent",
            Self::Hedging => "hedging",
            Self::Splicing => "splicing",
            Self::Paused => "paused",
        }
    }
}
