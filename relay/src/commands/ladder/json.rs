//! One JSON object, for scripts.

use serde::Serialize;

use super::{Outlook, day};
use crate::archive::ladder::forecast::Point;
use crate::archive::ladder::{Act, DueTally, Form, Reason};
use crate::units::{CameraName, CaptureTime};

/// Of the object's shape: it changes when a field goes or means something else.
const VERSION: u32 = 1;

#[derive(Debug, Serialize)]
struct Document {
    /// `forebay-ladder`
    format: &'static str,
    version: u32,
    /// When it was made, RFC 3339.
    made: String,
    /// What shall be free at least; 0: nothing is said.
    floor_bytes: u64,
    /// What is due now.
    due: Vec<Tally>,
    /// What would be, were it not pinned.
    pinned: Vec<Tally>,
    /// Now, with what is due done, and at the end of each day.
    days: Vec<Day>,
}

#[derive(Debug, Serialize)]
struct Tally {
    camera: String,
    /// One of [`Form`], as text.
    form: &'static str,
    /// `thinned` or `expired`.
    fate: &'static str,
    /// One of [`Reason`], as text.
    reason: &'static str,
    objects: u64,
    bytes: u64,
    /// Begin of the oldest and of the youngest.
    first: String,
    last: String,
}

#[derive(Debug, Serialize)]
struct Day {
    /// UTC.
    date: String,
    total_bytes: u64,
    /// None in a store.
    free_bytes: Option<u64>,
    /// Whether more came than there was room for.
    full: bool,
    cameras: Vec<Camera>,
    freed: Vec<Freed>,
}

#[derive(Debug, Serialize)]
struct Camera {
    camera: String,
    /// How far whole footage reaches back; null where there is none.
    reach_days: Option<u64>,
    footage_bytes: u64,
    key_frames_bytes: u64,
    stills_bytes: u64,
    findings_bytes: u64,
    other_bytes: u64,
}

#[derive(Debug, Serialize)]
struct Freed {
    fate: &'static str,
    reason: &'static str,
    bytes: u64,
}

/// Writes the object, with a line feed at the end.
pub(super) fn write(outlook: &Outlook) -> serde_json::Result<String> {
    let survey = &outlook.survey;
    let document = Document {
        format: "forebay-ladder",
        version: VERSION,
        made: utc(outlook.made),
        floor_bytes: outlook.floor_bytes,
        due: survey.due.iter().map(tally).collect(),
        pinned: survey.pinned.iter().map(tally).collect(),
        days: outlook.points.iter().map(told).collect(),
    };
    Ok(serde_json::to_string(&document)? + "\n")
}

fn utc(time: CaptureTime) -> String {
    let time = jiff::Timestamp::from_nanosecond(time.unix_nanos().into());
    time.unwrap_or(jiff::Timestamp::UNIX_EPOCH).to_string()
}

type Key = (CameraName, Form, Act, Reason);

fn tally(((camera, form, act, reason), tally): (&Key, &DueTally)) -> Tally {
    Tally {
        camera: camera.to_string(),
        form: form.as_str(),
        fate: act.as_str(),
        reason: reason.as_str(),
        objects: tally.objects,
        bytes: tally.bytes,
        first: utc(tally.first),
        last: utc(tally.last),
    }
}

fn told(point: &Point) -> Day {
    let mut names: Vec<&CameraName> = point.bytes.keys().map(|(camera, _)| camera).collect();
    names.dedup();
    let camera = |name: &CameraName| {
        let of = |form| point.bytes.get(&(name.clone(), form)).copied().unwrap_or(0);
        Camera {
            camera: name.to_string(),
            reach_days: point.reach_days.get(name).copied(),
            footage_bytes: of(Form::Footage),
            key_frames_bytes: of(Form::KeyFrames),
            stills_bytes: of(Form::Stills),
            findings_bytes: of(Form::Findings),
            other_bytes: of(Form::Other),
        }
    };
    let freed = |((act, reason), bytes): (&(Act, Reason), &u64)| Freed {
        fate: act.as_str(),
        reason: reason.as_str(),
        bytes: *bytes,
    };
    Day {
        date: day(point.time),
        total_bytes: point.total(),
        free_bytes: point.free_bytes,
        full: point.full,
        cameras: names.into_iter().map(camera).collect(),
        freed: point.freed_bytes.iter().map(freed).collect(),
    }
}
