//! What the ledger takes and gives.

use crate::intake::clock::CameraClock;
use crate::units::{CameraName, CaptureTime, SinkName, SiteName};

/// Why wanted footage is missing. Closed: a metric label, a column of the catalog, a word of the
/// journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum GapCause {
    /// The site's link was down, or too slow for what the cameras send.
    Uplink,
    /// The camera alone was away, refused, or sent nothing that can be used.
    Camera,
    /// Packets were lost on the way while the rest arrived.
    Loss,
    /// The relay did not run, or had not flushed when it was cut off.
    Relay,
    /// The units were there, but no plugin recorded them.
    Sink,
    /// The disk refused.
    Storage,
    /// The configuration does not want the camera at this time.
    Planned,
}

impl GapCause {
    /// Every cause.
    pub const ALL: [Self; 7] = [
        Self::Uplink,
        Self::Camera,
        Self::Loss,
        Self::Relay,
        Self::Sink,
        Self::Storage,
        Self::Planned,
    ];

    /// The word for it in metrics, catalog and journal.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Uplink => "uplink",
            Self::Camera => "camera",
            Self::Loss => "loss",
            Self::Relay => "relay",
            Self::Sink => "sink",
            Self::Storage => "storage",
            Self::Planned => "planned",
        }
    }

    /// Reads what [`as_str`](Self::as_str) gives.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|cause| cause.as_str() == text)
    }
}

/// A stretch of capture time, `begin` included, `end` not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Span {
    /// Where it begins.
    pub begin: CaptureTime,
    /// Where it ends; after `begin`.
    pub end: CaptureTime,
}

/// Who left a piece of evidence. With camera and begin it is the evidence's key: what is told
/// again with the same key takes the place of what was told before.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Witness {
    /// The camera's line: nothing usable came from the camera.
    Intake,
    /// A sink that was not handed units, or failed.
    Sink(SinkName),
    /// The archive: the disk refused.
    Archive,
    /// The configuration.
    Plan,
}

/// Why footage may be missing for a time. Where footage is there nevertheless, it says nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Evidence {
    /// Whose footage.
    pub camera: CameraName,
    /// Who says so.
    pub witness: Witness,
    /// From when.
    pub begin: CaptureTime,
    /// Until when; none while it lasts.
    pub end: Option<CaptureTime>,
    /// What it speaks for.
    pub cause: GapCause,
    /// What was seen, in words for the operator, one line.
    pub detail: String,
}

/// How well capture times were known, and how the camera's own clock stood: from `at` on, until
/// told otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockState {
    /// Capture time of the unit that it was told with.
    pub at: CaptureTime,
    /// Half-width of the interval around a capture time that holds the truth.
    pub uncertainty_nanos: u64,
    /// By the camera's sender reports; none where it sends none.
    pub camera: Option<CameraClock>,
}

/// A stretch that is wanted and not recorded, or (cause [`GapCause::Planned`]) not wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gap {
    /// From when to when; what lasts ends at the window's end.
    pub span: Span,
    /// Why.
    pub cause: GapCause,
    /// The evidence in words; may be empty.
    pub detail: String,
    /// Whether it has not ended.
    pub lasts: bool,
}

/// The account of one camera over a window.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coverage {
    /// Whose.
    pub camera: CameraName,
    /// Where it stands.
    pub site: SiteName,
    /// What was asked for, cut at the time up to which the account is settled.
    pub window: Span,
    /// When footage was wanted, in order, not touching each other.
    pub wanted: Vec<Span>,
    /// What of it was made durable, in order, not touching each other.
    pub recorded: Vec<Span>,
    /// What of the recorded has only its key frames left.
    pub thinned: Vec<Span>,
    /// What of the recorded is gone by the rules of how long it is kept: it is not missing.
    pub expired: Vec<Span>,
    /// What of the window is neither outside of the time since the camera was first configured nor
    /// recorded: in order. The planned ones are not wanted; the others are `wanted` − `recorded`.
    pub gaps: Vec<Gap>,
}

/// What has become of recorded footage that is not whole in the archive any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fate {
    /// Only its key frames are left.
    Thinned,
    /// It is gone.
    Expired,
}

impl Fate {
    /// The word for it in catalog and journal.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Thinned => "thinned",
            Self::Expired => "expired",
        }
    }

    /// Reads what [`as_str`](Self::as_str) gives.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        [Self::Thinned, Self::Expired]
            .into_iter()
            .find(|fate| fate.as_str() == text)
    }
}

/// Files that have left the archive by its rules: written down before they go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Retired {
    /// Whose.
    pub camera: CameraName,
    /// What became of them.
    pub fate: Fate,
    /// Why, one word.
    pub reason: String,
    /// Their folder, below the archive.
    pub folder: String,
    /// Their names in it.
    pub files: Vec<String>,
    /// Their length in all.
    pub bytes: u64,
    /// What footage they held, in order; empty for other purposes.
    pub footage: Vec<super::Footage>,
}
