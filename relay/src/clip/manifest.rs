//! The manifest of a clip: what it is cut from, when that was captured, and what is missing.
//!
//! For readers without this software: plain JSON, times in UTC after RFC 3339, durations in seconds.
//! Names are never used again for something else; readers pass over those that they do not know.

use jiff::Timestamp;
use serde::Serialize;

use super::gaps::ClipGap;
use super::part::{Part, Stretch};
use crate::archive::ledger::{ClockState, Span};
use crate::units::CaptureTime;

/// Why a file of a clip was begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum NewFile {
    /// It is the first.
    Begin,
    /// The camera's parameters have changed.
    Parameters,
    /// A gap of more than an hour.
    Gap,
    /// The one before is full.
    Size,
}

/// A file of footage that could not be read, or not to its end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Passed {
    /// As in the manifest's list of sources.
    pub source: String,
    /// What is wrong with it.
    pub fault: String,
}

/// What became of the sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sound {
    /// It is in the clip.
    Kept,
    /// It was left out, as asked.
    Redacted,
    /// The footage has none.
    None,
}

#[derive(Debug, Serialize)]
pub(super) struct Manifest<'a> {
    /// What this is.
    pub(super) manifest: &'static str,
    /// Of this form; rises where a reader must know.
    pub(super) version: u32,
    pub(super) software: Software,
    pub(super) made: String,
    pub(super) camera: &'a str,
    pub(super) site: Option<&'a str>,
    pub(super) time_zone: &'a str,
    pub(super) asked: Times,
    pub(super) bounds: Times,
    pub(super) sound: Sound,
    pub(super) files: Vec<FileEntry>,
    pub(super) capture_time: CaptureTimes,
    pub(super) gaps: Vec<GapEntry<'a>>,
    pub(super) sources: Vec<SourceEntry>,
    pub(super) passed_over: &'a [Passed],
}

#[derive(Debug, Serialize)]
pub(super) struct Software {
    pub(super) name: &'static str,
    pub(super) version: &'static str,
    pub(super) commit: &'static str,
}

/// This program.
pub(super) const SOFTWARE: Software = Software {
    name: "forebay",
    version: env!("CARGO_PKG_VERSION"),
    commit: env!("FOREBAY_COMMIT"),
};

#[derive(Debug, Serialize)]
pub(super) struct Times {
    pub(super) begin: String,
    pub(super) end: String,
    pub(super) seconds: f64,
}

impl From<Span> for Times {
    fn from(span: Span) -> Self {
        Self {
            begin: stamp(span.begin),
            end: stamp(span.end),
            seconds: seconds(span.nanos()),
        }
    }
}

#[derive(Debug, Serialize)]
pub(super) struct FileEntry {
    pub(super) name: String,
    pub(super) bytes: u64,
    pub(super) sha256: String,
    pub(super) begun_for: NewFile,
    #[serde(flatten)]
    pub(super) times: Times,
    pub(super) streams: Vec<StreamEntry>,
    pub(super) stretches: Vec<StretchEntry>,
    /// How far a picture's time in the file is from its capture time, at the most.
    off_capture_seconds: f64,
    /// Frames of sound that had no room beside the pictures.
    #[serde(skip_serializing_if = "is_zero")]
    pub(super) sound_frames_left_out: u64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde calls it so")]
fn is_zero(number: &u64) -> bool {
    *number == 0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde calls it so")]
fn is_false(value: &bool) -> bool {
    !value
}

#[derive(Debug, Serialize)]
pub(super) struct StreamEntry {
    kind: &'static str,
    codec: &'static str,
    #[serde(skip_serializing_if = "String::is_empty")]
    rfc6381: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    width: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    height: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    channels: Option<u32>,
    units: usize,
}

/// A stretch without a gap, and where it is in the file.
#[derive(Debug, Serialize)]
pub(super) struct StretchEntry {
    file_seconds: f64,
    #[serde(flatten)]
    times: Times,
}

/// How well capture times are known.
#[derive(Debug, Serialize)]
pub(super) struct CaptureTimes {
    meaning: &'static str,
    /// The greatest in the clip; null where the journals do not tell.
    uncertainty_seconds: Option<f64>,
    states: Vec<StateEntry>,
}

#[derive(Debug, Serialize)]
struct StateEntry {
    from: String,
    uncertainty_seconds: f64,
    camera_clock: Option<CameraClockEntry>,
}

#[derive(Debug, Serialize)]
struct CameraClockEntry {
    /// The camera's time minus the true one.
    offset_seconds: f64,
    drift_ppm: Option<f64>,
    plausible: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct GapEntry<'a> {
    #[serde(flatten)]
    times: Times,
    cause: Option<&'static str>,
    detail: &'a str,
}

#[derive(Debug, Serialize)]
pub(super) struct SourceEntry {
    pub(super) name: String,
    pub(super) bytes: u64,
    pub(super) sha256: String,
    /// Whether that is what was noted when it was published; null where nothing was noted (yet).
    pub(super) verified: Option<bool>,
    /// How it differs, or why that can't be told.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub(super) remark: String,
    /// It has the key frames alone: the rest has gone by the archive's rules.
    #[serde(skip_serializing_if = "is_false")]
    pub(super) key_frames_only: bool,
    /// What was taken of it.
    #[serde(flatten)]
    pub(super) times: Times,
}

impl CaptureTimes {
    pub(super) fn new(states: &[ClockState]) -> Self {
        let greatest = states.iter().map(|state| state.uncertainty_nanos).max();
        let entry = |state: &ClockState| StateEntry {
            from: stamp(state.at),
            uncertainty_seconds: state.uncertainty_nanos as f64 / 1e9,
            camera_clock: state.camera.map(|camera| CameraClockEntry {
                offset_seconds: seconds(camera.offset_nanos),
                drift_ppm: camera.drift_ppm,
                plausible: camera.plausible,
            }),
        };
        Self {
            meaning: "when the light reached the camera, by the recorder's clock (UTC); the truth \
                      lies within the uncertainty on either side",
            uncertainty_seconds: greatest.map(|nanos| nanos as f64 / 1e9),
            states: states.iter().map(entry).collect(),
        }
    }
}

impl<'a> From<&'a ClipGap> for GapEntry<'a> {
    fn from(gap: &'a ClipGap) -> Self {
        Self {
            times: gap.span.into(),
            cause: gap.cause.map(|cause| cause.as_str()),
            detail: &gap.detail,
        }
    }
}

impl From<&Stretch> for StretchEntry {
    fn from(stretch: &Stretch) -> Self {
        Self {
            file_seconds: seconds(stretch.file_nanos),
            times: stretch.span.into(),
        }
    }
}

impl FileEntry {
    pub(super) fn new(part: &Part, name: String, bytes: u64, sha256: String) -> Self {
        let streams = part.streams().map(|(kind, table)| {
            let of = |is: bool, value: u32| is.then_some(value);
            StreamEntry {
                kind: kind.codec.kind().as_str(),
                codec: kind.codec.as_str(),
                rfc6381: kind.rfc6381.clone(),
                width: of(kind.is_video(), kind.width),
                height: of(kind.is_video(), kind.height),
                channels: of(!kind.is_video(), kind.channels),
                units: table.samples(),
            }
        });
        Self {
            name,
            bytes,
            sha256,
            begun_for: part.reason,
            times: part.span().into(),
            streams: streams.collect(),
            stretches: part.stretches.iter().map(StretchEntry::from).collect(),
            // To the microsecond: what is less comes from rounding to ticks.
            off_capture_seconds: (part.off_nanos / 1000) as f64 / 1e6,
            sound_frames_left_out: part.side_left_out,
        }
    }
}

/// RFC 3339, UTC.
pub(super) fn stamp(time: CaptureTime) -> String {
    // The calendar holds any i64 of nanoseconds.
    let stamp = Timestamp::from_nanosecond(time.unix_nanos().into());
    stamp.unwrap_or(Timestamp::UNIX_EPOCH).to_string()
}

fn seconds(nanos: i64) -> f64 {
    nanos as f64 / 1e9
}
