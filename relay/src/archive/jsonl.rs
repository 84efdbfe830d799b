//! Lines of JSON in the archive: files by camera and UTC day, made durable like footage.
//!
//! `<archive>/<camera>/<purpose>/<day>/<begin>.jsonl`. Each line stands for itself, and one that
//! can't be read is passed over: a power cut may have torn it. A day has more than one file where the
//! relay was started anew, or where its lines are handed in before the day is over.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::time::{Duration, Instant};

use bytes::Bytes;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Archive, ArchiveError, Object, ObjectKey};
use crate::units::{CameraName, CaptureTime, Name};

/// The extension of such files.
pub(super) const EXTENSION: &str = "jsonl";
/// Longer lines are none of ours.
const LINE_MAX: u64 = 16 << 10;
/// A file is read up to here: a day of lines each second has some 20 MB.
const FILE_BYTES_MAX: u64 = 256 << 20;
/// Lines that wait for a disk that refuses, in bytes for each camera and day. A line has some 200.
const WAITING_MAX: usize = 256 << 10;
/// Pause after a failure.
const REST: Duration = Duration::from_secs(10);
/// A file that gets no more lines, since its day is over, is finished after this.
const IDLE: Duration = Duration::from_secs(600);

/// An instant in the notation of RFC 3339, to the nanosecond.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Stamp(String);

impl From<CaptureTime> for Stamp {
    fn from(time: CaptureTime) -> Self {
        // The calendar holds any i64 of nanoseconds.
        let stamp = Timestamp::from_nanosecond(time.unix_nanos().into());
        Self(stamp.unwrap_or(Timestamp::UNIX_EPOCH).to_string())
    }
}

impl Stamp {
    /// None for what is no time, or lies outside of the years that a capture time holds.
    pub(super) fn time(&self) -> Option<CaptureTime> {
        let stamp: Timestamp = self.0.parse().ok()?;
        let nanos = i64::try_from(stamp.as_nanosecond()).ok()?;
        Some(CaptureTime::from_unix_nanos(nanos))
    }
}

/// What could not be written.
#[derive(Debug)]
pub(super) struct Refused {
    pub(super) camera: CameraName,
    pub(super) error: ArchiveError,
    /// Lines that were lost since the last time because too many wait.
    pub(super) lost: u64,
}

/// Writes the lines of all cameras for one purpose.
#[derive(Debug)]
pub(super) struct Lines {
    archive: Archive,
    purpose: &'static str,
    /// A file that is open for longer is handed in to the archive.
    open_max: Duration,
    books: BTreeMap<(CameraName, String), Book>,
}

/// One camera's lines of one day.
#[derive(Debug)]
struct Book {
    /// With the time at which it was begun.
    object: Option<(Instant, Object)>,
    /// Capture time of the first line that waits.
    begin: CaptureTime,
    waiting: Vec<u8>,
    /// When a line came last.
    heard: Instant,
    rest_until: Option<Instant>,
    lost: u64,
}

impl Lines {
    pub(super) fn new(archive: Archive, purpose: &'static str, open_max: Duration) -> Self {
        Self {
            archive,
            purpose,
            open_max,
            books: BTreeMap::new(),
        }
    }

    /// Adds a line to the day of an instant. False where too many wait already: it is lost.
    pub(super) fn write(
        &mut self,
        camera: &CameraName,
        at: CaptureTime,
        record: &impl Serialize,
    ) -> bool {
        let Ok(mut line) = serde_json::to_vec(record) else {
            return false;
        };
        line.push(b'\n');
        let book = self.books.entry((camera.clone(), at.day()));
        let book = book.or_insert_with(|| Book::new(at));
        book.heard = Instant::now();
        if book.waiting.len() + line.len() > WAITING_MAX {
            book.lost += 1;
            return false;
        }
        if book.waiting.is_empty() {
            book.begin = at;
        }
        book.waiting.extend(line);
        true
    }

    /// Hands what waits to the archive, which makes it durable. Gives what failed.
    pub(super) fn append(&mut self) -> Vec<Refused> {
        let now = Instant::now();
        let (archive, purpose, open_max) = (&self.archive, self.purpose, self.open_max);
        let mut refused = Vec::new();
        self.books.retain(|(camera, _), book| {
            if book.rest_until.is_some_and(|until| until > now) {
                return true;
            }
            let idle = now.saturating_duration_since(book.heard) >= IDLE;
            if let Err(error) = book.append(archive, camera, purpose, open_max, idle) {
                book.rest_until = Some(now + REST);
                let lost = std::mem::take(&mut book.lost);
                let camera = camera.clone();
                refused.push(Refused {
                    camera,
                    error,
                    lost,
                });
            }
            !idle || book.object.is_some() || !book.waiting.is_empty()
        });
        refused
    }

    /// Hands on what waits of a camera and makes it durable before it returns.
    pub(super) fn flush(&mut self, camera: &CameraName) -> Result<(), ArchiveError> {
        for ((of, _), book) in &mut self.books {
            if of != camera {
                continue;
            }
            book.append(&self.archive, camera, self.purpose, self.open_max, false)?;
            let flushed = match &mut book.object {
                Some((_, object)) => object.flush(),
                None => Ok(()),
            };
            if flushed.is_err() {
                // Dropped, it is repaired; what comes goes to another.
                book.object = None;
            }
            flushed?;
        }
        Ok(())
    }

    /// Ends the files.
    pub(super) fn finish(&mut self) -> Vec<Refused> {
        let mut refused = self.append();
        for ((camera, _), book) in &mut self.books {
            if let Err(error) = book.hand_in() {
                let camera = camera.clone();
                refused.push(Refused {
                    camera,
                    error,
                    lost: 0,
                });
            }
        }
        refused
    }
}

impl Book {
    fn new(begin: CaptureTime) -> Self {
        Self {
            object: None,
            begin,
            waiting: Vec::new(),
            heard: Instant::now(),
            rest_until: None,
            lost: 0,
        }
    }

    fn append(
        &mut self,
        archive: &Archive,
        camera: &CameraName,
        purpose: &'static str,
        open_max: Duration,
        idle: bool,
    ) -> Result<(), ArchiveError> {
        let old = self.object.as_ref();
        if idle || old.is_some_and(|(begun, _)| begun.elapsed() >= open_max) {
            self.hand_in()?;
        }
        if self.waiting.is_empty() {
            return Ok(());
        }
        if self.object.is_none() {
            let key = ObjectKey {
                camera: camera.clone(),
                sink: Name::new(purpose)
                    .map_err(|error| ArchiveError::Denied(error.to_string()))?,
                purpose: purpose.to_owned(),
                extension: EXTENSION.to_owned(),
                begin: self.begin,
            };
            self.object = Some((Instant::now(), archive.create(&key)?));
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

    fn hand_in(&mut self) -> Result<(), ArchiveError> {
        match self.object.take() {
            Some((_, object)) => object.finish(CaptureTime::now()).map(drop),
            None => Ok(()),
        }
    }
}

/// Calls back with each whole line of a file, without its break. `take` says whether to go on.
/// Gives how many lines were none: torn, or longer than any of ours.
///
/// # Errors
/// What the disk says.
pub(super) fn each_line(file: File, take: &mut dyn FnMut(&[u8]) -> bool) -> io::Result<u64> {
    let mut reader = BufReader::new(file.take(FILE_BYTES_MAX));
    let mut line = Vec::new();
    let (mut torn, mut within) = (0, false);
    while (&mut reader).take(LINE_MAX).read_until(b'\n', &mut line)? > 0 {
        let whole = line.pop_if(|last| *last == b'\n').is_some();
        // What is too long comes in pieces, the last of which has a break.
        if whole && !within {
            if !take(&line) {
                return Ok(torn);
            }
        } else if whole {
            torn += 1;
        }
        within = !whole;
        line.clear();
    }
    Ok(torn + u64::from(within))
}
