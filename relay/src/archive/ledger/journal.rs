//! The ledger's journals: what no footage tells, kept beside the footage as lines of JSON.
//!
//! `<archive>/<camera>/ledger/<day>/<begin>.jsonl`: one for each camera, run and UTC day. Each line
//! stands for itself, later ones take the place of earlier ones, and one that can't be read is
//! passed over: a power cut may have torn it.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::{ClockState, Evidence, Fate, Footage, GapCause, Retired, Span};
use crate::archive::catalog::{Change, RunRecord, witness_of, witness_word};
use crate::archive::jsonl::{Lines, Refused, Stamp};
use crate::archive::{Archive, ArchiveError};
use crate::intake::clock::CameraClock;
use crate::units::{CameraName, CaptureTime, Name};

/// The purpose of journals; in names of the spool it stands for the sink, too.
pub const PURPOSE: &str = "ledger";
/// What a line of [`Record::Clock`] has in it.
const CLOCK_MARK: &[u8] = b"\"kind\":\"clock\"";
/// And one of [`Record::Standing`].
const STANDING_MARK: &[u8] = b"\"kind\":\"standing\"";
/// A journal ends with its day.
const OPEN_MAX: Duration = Duration::MAX;

#[derive(Debug, Serialize, Deserialize)]
struct Line {
    /// When it was written, by the home clock.
    at: Stamp,
    #[serde(flatten)]
    record: Record,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Record {
    Run {
        begin: Stamp,
        alive: Stamp,
        ended: bool,
        /// Of the camera; none where the run did not know it.
        site: Option<String>,
    },
    Evidence {
        run: Stamp,
        witness: String,
        begin: Stamp,
        end: Option<Stamp>,
        cause: String,
        detail: String,
    },
    Withdrawn {
        witness: String,
        begin: Stamp,
    },
    /// All that lasts at this instant is told above, in this file. Whoever wants to know of later
    /// times need not read what is older.
    Standing,
    /// For clips: the catalog has no use for it.
    Clock {
        of: Stamp,
        /// Half-width of the interval around a capture time; seconds.
        uncertainty: f64,
        camera: Option<CameraClockLine>,
    },
    Retired {
        fate: String,
        reason: String,
        folder: String,
        files: Vec<String>,
        bytes: u64,
        footage: Vec<Held>,
    },
}

/// How the camera's own clock stands.
#[derive(Debug, Serialize, Deserialize)]
struct CameraClockLine {
    /// The camera's time minus the true one; seconds.
    offset: f64,
    drift_ppm: Option<f64>,
    plausible: bool,
    steps: u64,
}

/// The state of clocks that a line tells, if it is such a line.
pub(super) fn read_clock(line: &[u8]) -> Option<ClockState> {
    // Most lines are others, and parsing is most of the work.
    let marked = line
        .windows(CLOCK_MARK.len())
        .any(|part| part == CLOCK_MARK);
    let Line { record, .. } = marked
        .then(|| serde_json::from_slice(line).ok())
        .flatten()?;
    let Record::Clock {
        of,
        uncertainty,
        camera,
    } = record
    else {
        return None;
    };
    Some(ClockState {
        at: of.time()?,
        uncertainty_nanos: (uncertainty * 1e9).round() as u64,
        camera: camera.map(|camera| CameraClock {
            offset_nanos: (camera.offset * 1e9).round() as i64,
            drift_ppm: camera.drift_ppm,
            plausible: camera.plausible,
            steps: camera.steps,
        }),
    })
}

/// Footage of files that go.
#[derive(Debug, Serialize, Deserialize)]
struct Held {
    begin: Stamp,
    end: Stamp,
    frame_nanos: i64,
}

/// What is told of files before they go, to be written as a line of the camera's journal.
pub(in crate::archive) fn retired_line(
    at: CaptureTime,
    retired: &Retired,
) -> impl Serialize + use<> {
    let held = |footage: &Footage| Held {
        begin: Stamp::from(footage.span.begin),
        end: Stamp::from(footage.span.end),
        frame_nanos: footage.frame_nanos,
    };
    Line {
        at: Stamp::from(at),
        record: Record::Retired {
            fate: retired.fate.as_str().to_owned(),
            reason: retired.reason.clone(),
            folder: retired.folder.clone(),
            files: retired.files.clone(),
            bytes: retired.bytes,
            footage: retired.footage.iter().map(held).collect(),
        },
    }
}

/// When all that lasted was told above this line, if it says so.
pub(super) fn read_standing(line: &[u8]) -> Option<CaptureTime> {
    let marked = line
        .windows(STANDING_MARK.len())
        .any(|part| part == STANDING_MARK);
    let Line { at, record } = marked
        .then(|| serde_json::from_slice(line).ok())
        .flatten()?;
    matches!(record, Record::Standing).then(|| at.time())?
}

/// The changes that a line stands for; none for one that can't be read.
pub(super) fn read_line(camera: &CameraName, line: &[u8]) -> Vec<Change> {
    let Ok(Line { record, .. }) = serde_json::from_slice(line) else {
        return Vec::new();
    };
    changes(camera, record).unwrap_or_default()
}

fn changes(camera: &CameraName, record: Record) -> Option<Vec<Change>> {
    let camera = camera.clone();
    Some(match record {
        Record::Run {
            begin,
            alive,
            ended,
            site,
        } => {
            let (begin, alive) = (begin.time()?, alive.time()?);
            let run = Change::Run {
                begin,
                alive,
                ended,
            };
            let site = site.and_then(|site| Name::new(&site).ok());
            let known = site.map(|site| Change::Camera {
                run: begin,
                camera,
                site,
            });
            [run].into_iter().chain(known).collect()
        }
        Record::Evidence {
            run,
            witness,
            begin,
            end,
            cause,
            detail,
        } => vec![Change::Evidence {
            run: run.time()?,
            evidence: Evidence {
                camera,
                witness: witness_of(&witness)?,
                begin: begin.time()?,
                end: match end {
                    Some(end) => Some(end.time()?),
                    None => None,
                },
                cause: GapCause::parse(&cause)?,
                detail,
            },
        }],
        Record::Withdrawn { witness, begin } => vec![Change::Withdrawn {
            camera,
            witness: witness_of(&witness)?,
            begin: begin.time()?,
        }],
        Record::Clock { .. } | Record::Standing => Vec::new(),
        Record::Retired {
            fate,
            reason,
            folder,
            files,
            bytes,
            footage,
        } => {
            let held = |held: Held| {
                let span = Span::new(held.begin.time()?, held.end.time()?)?;
                let frame_nanos = held.frame_nanos;
                Some(Footage { span, frame_nanos })
            };
            vec![Change::Retired(Retired {
                camera,
                fate: Fate::parse(&fate)?,
                reason,
                folder,
                files,
                bytes,
                footage: footage.into_iter().map(held).collect::<Option<_>>()?,
            })]
        }
    })
}

/// Signs of life, of which a journal has one a minute: for each run the last counts.
#[derive(Debug, Default)]
pub(super) struct Lives(BTreeMap<CaptureTime, (Option<Change>, Option<Change>)>);

impl Lives {
    /// Keeps a sign of life; gives back any other change.
    pub(super) fn keep(&mut self, change: Change) -> Option<Change> {
        match change {
            Change::Run {
                begin,
                mut alive,
                mut ended,
            } => {
                let (life, _) = self.0.entry(begin).or_default();
                if let Some(Change::Run {
                    alive: before,
                    ended: over,
                    ..
                }) = life
                {
                    (alive, ended) = (alive.max(*before), ended || *over);
                }
                *life = Some(Change::Run {
                    begin,
                    alive,
                    ended,
                });
            }
            Change::Camera { run, .. } => self.0.entry(run).or_default().1 = Some(change),
            other => return Some(other),
        }
        None
    }

    pub(super) fn into_changes(self) -> impl Iterator<Item = Change> {
        let lives = self.0.into_values();
        lives.flat_map(|(life, camera)| life.into_iter().chain(camera))
    }
}

/// Writes the journals of all cameras.
#[derive(Debug)]
pub(in crate::archive) struct Journals(Lines);

impl Journals {
    pub(in crate::archive) fn new(archive: Archive) -> Self {
        Self(Lines::new(archive, PURPOSE, OPEN_MAX))
    }

    /// Adds what is told of a run.
    pub(super) fn run(&mut self, camera: &CameraName, run: &RunRecord) {
        self.write(
            camera,
            Record::Run {
                begin: Stamp::from(run.begin),
                alive: Stamp::from(run.alive),
                ended: run.ended,
                site: run.site.as_ref().map(ToString::to_string),
            },
        );
    }

    /// Adds evidence, or that it was none.
    pub(in crate::archive) fn change(&mut self, change: &Change) {
        match change {
            Change::Evidence { run, evidence } => {
                let record = Record::Evidence {
                    run: Stamp::from(*run),
                    witness: witness_word(&evidence.witness),
                    begin: Stamp::from(evidence.begin),
                    end: evidence.end.map(Stamp::from),
                    cause: evidence.cause.as_str().to_owned(),
                    detail: evidence.detail.clone(),
                };
                self.write(&evidence.camera, record);
            }
            Change::Withdrawn {
                camera,
                witness,
                begin,
            } => {
                let record = Record::Withdrawn {
                    witness: witness_word(witness),
                    begin: Stamp::from(*begin),
                };
                self.write(camera, record);
            }
            _ => {}
        }
    }

    /// Adds that all that lasts has just been told.
    pub(super) fn standing(&mut self, camera: &CameraName) {
        self.write(camera, Record::Standing);
    }

    /// Adds how the clocks stand.
    pub(super) fn clock(&mut self, camera: &CameraName, state: &ClockState) {
        let record = Record::Clock {
            of: Stamp::from(state.at),
            uncertainty: state.uncertainty_nanos as f64 / 1e9,
            camera: state.camera.map(|camera| CameraClockLine {
                offset: camera.offset_nanos as f64 / 1e9,
                drift_ppm: camera.drift_ppm,
                plausible: camera.plausible,
                steps: camera.steps,
            }),
        };
        self.write(camera, record);
    }

    fn write(&mut self, camera: &CameraName, record: Record) {
        let now = CaptureTime::now();
        let at = Stamp::from(now);
        // A line that finds no room is told of with the failure that took it.
        self.0.write(camera, now, &Line { at, record });
    }

    /// Hands what waits to the archive, which makes it durable. Gives what failed.
    pub(in crate::archive) fn append(&mut self) -> Vec<Refused> {
        self.0.append()
    }

    /// Makes durable what was told of a camera.
    pub(super) fn flush(&mut self, camera: &CameraName) -> Result<(), ArchiveError> {
        self.0.flush(camera)
    }

    /// Ends the journals.
    pub(in crate::archive) fn finish(&mut self) -> Vec<Refused> {
        self.0.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::ledger::Witness;

    #[test]
    fn states_of_clocks_read_back() {
        let camera = Name::new("gate").unwrap();
        let line = r#"{"at":"2026-05-04T07:31:00Z","kind":"clock",
            "of":"2026-05-04T07:30:59.5Z","uncertainty":0.0525,
            "camera":{"offset":-3.25,"drift_ppm":null,"plausible":true,"steps":0}}"#;
        let line = line.replace("\n            ", "");
        let state = ClockState {
            at: CaptureTime::from_unix_nanos(1_777_879_859_500_000_000),
            uncertainty_nanos: 52_500_000,
            camera: Some(CameraClock {
                offset_nanos: -3_250_000_000,
                drift_ppm: None,
                plausible: true,
                steps: 0,
            }),
        };
        assert_eq!(read_clock(line.as_bytes()), Some(state));
        assert_eq!(read_line(&camera, line.as_bytes()), []);
        for cut in 0..line.len() {
            assert_eq!(read_clock(&line.as_bytes()[..cut]), None);
        }
        // Nonsense is a number, and not a panic.
        let far = line.replace("0.0525", "-1e300").replace("-3.25", "1e300");
        assert_eq!(read_clock(far.as_bytes()).unwrap().uncertainty_nanos, 0);
    }

    #[test]
    fn a_standing_account_reads_back() {
        let camera = Name::new("gate").unwrap();
        let line = br#"{"at":"2026-05-04T07:31:00Z","kind":"standing"}"#;
        let at = CaptureTime::from_unix_nanos(1_777_879_860_000_000_000);
        assert_eq!(read_standing(line), Some(at));
        assert_eq!(read_line(&camera, line), []);
        for cut in 0..line.len() {
            assert_eq!(read_standing(&line[..cut]), None);
        }
        let record = Record::Standing;
        let line = Line {
            at: Stamp::from(at),
            record,
        };
        let line = serde_json::to_vec(&line).unwrap();
        assert_eq!(read_standing(&line), Some(at));
    }

    #[test]
    fn lines_read_back() {
        let camera = Name::new("gate").unwrap();
        let begin = CaptureTime::from_unix_nanos(1_777_879_860_123_456_789);
        let evidence = Change::Evidence {
            run: begin,
            evidence: Evidence {
                camera: camera.clone(),
                witness: Witness::Sink(Name::new("recorder").unwrap()),
                begin,
                end: None,
                cause: GapCause::Sink,
                detail: "a \"trap\"".into(),
            },
        };
        let line = r#"{"at":"2026-05-04T07:31:00Z","kind":"evidence",
            "run":"2026-05-04T07:31:00.123456789Z","witness":"sink:recorder",
            "begin":"2026-05-04T07:31:00.123456789Z","end":null,
            "cause":"sink","detail":"a \"trap\"","later":1}"#;
        assert_eq!(read_line(&camera, line.as_bytes()), [evidence]);
        for cut in 0..line.len() {
            assert_eq!(read_line(&camera, &line.as_bytes()[..cut]), []);
        }
        let retired = Retired {
            camera: camera.clone(),
            fate: Fate::Thinned,
            reason: "age".into(),
            folder: "gate/footage/2026-05-04".into(),
            files: vec!["2026-05-04T073100.120Z.mp4".into()],
            bytes: 4711,
            footage: vec![Footage {
                span: Span::new(begin, CaptureTime::from_unix_nanos(i64::MAX)).unwrap(),
                frame_nanos: 40_000_000,
            }],
        };
        let line = serde_json::to_vec(&retired_line(begin, &retired)).unwrap();
        assert_eq!(read_line(&camera, &line), [Change::Retired(retired)]);
        assert_eq!(read_line(&camera, b"\xff\0{}"), []);
        assert_eq!(read_line(&camera, &vec![b'['; 1 << 20]), []);
    }
}
