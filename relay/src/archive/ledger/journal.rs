//! The ledger's journals: what no footage tells, kept beside the footage as lines of JSON.
//!
//! `<archive>/<camera>/ledger/<day>/<begin>.jsonl`: one for each camera, run and UTC day. Each line
//! stands for itself, later ones take the place of earlier ones, and one that can't be read is
//! passed over: a power cut may have torn it.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use bytes::Bytes;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Evidence, GapCause};
use crate::archive::catalog::{Change, RunRecord, witness_of, witness_word};
use crate::archive::{Archive, ArchiveError, Object, ObjectKey};
use crate::units::{CameraName, CaptureTime, Name};

/// The purpose of journals; in names of the spool it stands for the sink, too.
pub const PURPOSE: &str = "ledger";
/// The extension of journals.
pub(super) const EXTENSION: &str = "jsonl";
/// Lines that wait for a disk that refuses, in bytes for each camera. A line has some 200.
const WAITING_MAX: usize = 256 << 10;
/// Pause after a failure.
const REST: Duration = Duration::from_secs(10);

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
}

/// An instant in the notation of RFC 3339, to the nanosecond.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Stamp(String);

fn stamp(time: CaptureTime) -> Stamp {
    // The calendar holds any i64 of nanoseconds.
    let stamp = Timestamp::from_nanosecond(time.unix_nanos().into());
    Stamp(stamp.unwrap_or(Timestamp::UNIX_EPOCH).to_string())
}

fn time(Stamp(stamp): Stamp) -> Option<CaptureTime> {
    let stamp: Timestamp = stamp.parse().ok()?;
    let nanos = i64::try_from(stamp.as_nanosecond()).ok()?;
    Some(CaptureTime::from_unix_nanos(nanos))
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
            let (begin, alive) = (time(begin)?, time(alive)?);
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
            run: time(run)?,
            evidence: Evidence {
                camera,
                witness: witness_of(&witness)?,
                begin: time(begin)?,
                end: match end {
                    Some(end) => Some(time(end)?),
                    None => None,
                },
                cause: GapCause::parse(&cause)?,
                detail,
            },
        }],
        Record::Withdrawn { witness, begin } => vec![Change::Withdrawn {
            camera,
            witness: witness_of(&witness)?,
            begin: time(begin)?,
        }],
    })
}

/// Writes the journals of all cameras.
#[derive(Debug)]
pub(super) struct Journals {
    archive: Archive,
    books: BTreeMap<CameraName, Book>,
}

#[derive(Debug, Default)]
struct Book {
    object: Option<(String, Object)>,
    waiting: Vec<u8>,
    rest_until: Option<Instant>,
    lost: u64,
}

impl Journals {
    pub(super) fn new(archive: Archive) -> Self {
        Self {
            archive,
            books: BTreeMap::new(),
        }
    }

    /// Adds what is told of a run.
    pub(super) fn run(&mut self, camera: &CameraName, run: &RunRecord) {
        self.write(
            camera,
            Record::Run {
                begin: stamp(run.begin),
                alive: stamp(run.alive),
                ended: run.ended,
                site: run.site.as_ref().map(ToString::to_string),
            },
        );
    }

    /// Adds evidence, or that it was none.
    pub(super) fn change(&mut self, change: &Change) {
        match change {
            Change::Evidence { run, evidence } => {
                let record = Record::Evidence {
                    run: stamp(*run),
                    witness: witness_word(&evidence.witness),
                    begin: stamp(evidence.begin),
                    end: evidence.end.map(stamp),
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
                    begin: stamp(*begin),
                };
                self.write(camera, record);
            }
            _ => {}
        }
    }

    fn write(&mut self, camera: &CameraName, record: Record) {
        let at = stamp(CaptureTime::now());
        let Ok(mut line) = serde_json::to_vec(&Line { at, record }) else {
            return;
        };
        line.push(b'\n');
        let book = self.books.entry(camera.clone()).or_default();
        if book.waiting.len() + line.len() > WAITING_MAX {
            book.lost += 1;
            return;
        }
        book.waiting.extend(line);
    }

    /// Hands what waits to the archive, which makes it durable. Gives what failed, and how many
    /// lines were lost since because too many wait.
    pub(super) fn append(&mut self) -> Vec<(CameraName, ArchiveError, u64)> {
        let day = CaptureTime::now().day();
        let mut failures = Vec::new();
        for (camera, book) in &mut self.books {
            let resting = book.rest_until.is_some_and(|until| until > Instant::now());
            if book.waiting.is_empty() || resting {
                continue;
            }
            if let Err(error) = book.append(&self.archive, camera, &day) {
                book.rest_until = Some(Instant::now() + REST);
                failures.push((camera.clone(), error, std::mem::take(&mut book.lost)));
            }
        }
        failures
    }

    /// Ends the journals.
    pub(super) fn finish(&mut self) -> Vec<(CameraName, ArchiveError, u64)> {
        let mut failures = self.append();
        for (camera, book) in &mut self.books {
            if let Some((_, object)) = book.object.take()
                && let Err(error) = object.finish(CaptureTime::now())
            {
                failures.push((camera.clone(), error, 0));
            }
        }
        failures
    }
}

impl Book {
    fn append(
        &mut self,
        archive: &Archive,
        camera: &CameraName,
        day: &str,
    ) -> Result<(), ArchiveError> {
        if let Some((_, object)) = self.object.take_if(|(of, _)| of != day) {
            object.finish(CaptureTime::now())?;
        }
        if self.object.is_none() {
            let key = ObjectKey {
                camera: camera.clone(),
                sink: Name::new(PURPOSE)
                    .map_err(|error| ArchiveError::Denied(error.to_string()))?,
                purpose: PURPOSE.to_owned(),
                extension: EXTENSION.to_owned(),
                begin: CaptureTime::now(),
            };
            self.object = Some((day.to_owned(), archive.create(&key)?));
        }
        let Some((_, object)) = &mut self.object else {
            return Ok(());
        };
        let lines = Bytes::from(self.waiting.clone());
        match object.append(&[lines]) {
            Ok(_) => {
                self.waiting.clear();
                Ok(())
            }
            Err(error) => {
                // Dropped, it is repaired; the lines go to another.
                self.object = None;
                Err(error)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::ledger::Witness;

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
        assert_eq!(read_line(&camera, b"\xff\0{}"), []);
        assert_eq!(read_line(&camera, &vec![b'['; 1 << 20]), []);
    }
}
