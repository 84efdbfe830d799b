//! Lines of JSON in the archive: files by camera and UTC day, made durable like footage.
//!
//! `<archive>/<camera>/<purpose>/<day>/<begin>.jsonl`. Each line stands for itself, and one that
//! can't be read is passed over: a power cut may have torn it. A day has more than one file where the
//! relay was started anew, or where its lines are handed in before the day is over.

use std::collections::BTreeMap;
use std::io::{self, BufRead, BufReader, Read};
use std::time::{Duration, Instant};

use bytes::Bytes;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::manifest::Chain;
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
    /// Makes lines and files vouch for those before them; a camera then has one open file at most.
    chain: Option<Chain>,
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
            chain: None,
        }
    }

    /// The same with a chain.
    pub(super) fn chained(archive: Archive, purpose: &'static str, open_max: Duration) -> Self {
        Self {
            chain: Some(Chain::default()),
            ..Self::new(archive, purpose, open_max)
        }
    }

    /// The chain, if there is one.
    pub(super) fn chain(&mut self) -> Option<&mut Chain> {
        self.chain.as_mut()
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
        for key in self.superseded() {
            let Some(book) = self.books.get_mut(&key) else {
                continue;
            };
            let chain = &mut self.chain;
            let appended = book.append((archive, &key.0, purpose), open_max, false, chain.as_mut());
            if let Err(error) = appended.and_then(|()| book.hand_in(&key.0, chain.as_mut())) {
                refused.push(book.refused(&key.0, error));
            }
        }
        let today = CaptureTime::now().day();
        let chain = &mut self.chain;
        self.books.retain(|(camera, day), book| {
            if book.rest_until.is_some_and(|until| until > now) {
                return true;
            }
            let idle = now.saturating_duration_since(book.heard) >= IDLE;
            // Files that are chained are few.
            let idle = idle && (chain.is_none() || *day != today);
            let place = (archive, camera, purpose);
            if let Err(error) = book.append(place, open_max, idle, chain.as_mut()) {
                refused.push(book.refused(camera, error));
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
            let of = (&self.archive, camera, self.purpose);
            book.append(of, self.open_max, false, self.chain.as_mut())?;
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

    /// Whether nothing waits for a disk that refuses.
    pub(super) fn is_well(&self) -> bool {
        let now = Instant::now();
        let mut books = self.books.values();
        books
            .all(|book| book.rest_until.is_none_or(|until| until <= now) && book.waiting.is_empty())
    }

    /// Ends the files.
    pub(super) fn finish(&mut self) -> Vec<Refused> {
        // There is no later time to rest for.
        self.books
            .values_mut()
            .for_each(|book| book.rest_until = None);
        let mut refused = self.append();
        for ((camera, _), book) in &mut self.books {
            if let Err(error) = book.hand_in(camera, self.chain.as_mut()) {
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

    /// Open files that must end before the next one of their camera begins.
    fn superseded(&self) -> Vec<(CameraName, String)> {
        if self.chain.is_none() {
            return Vec::new();
        }
        let begins = |of: &CameraName| {
            let mut books = self.books.iter();
            books.any(|((camera, _), book)| camera == of && book.is_to_begin())
        };
        let open = self.books.iter().filter(|(_, book)| book.object.is_some());
        let over = open.filter(|((camera, _), _)| begins(camera));
        over.map(|(key, _)| key.clone()).collect()
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

    /// Rests after a failure.
    fn refused(&mut self, camera: &CameraName, error: ArchiveError) -> Refused {
        self.rest_until = Some(Instant::now() + REST);
        Refused {
            camera: camera.clone(),
            error,
            lost: std::mem::take(&mut self.lost),
        }
    }

    /// Lines wait for a file that is yet to be begun.
    fn is_to_begin(&self) -> bool {
        self.object.is_none() && !self.waiting.is_empty()
    }

    fn append(
        &mut self,
        (archive, camera, purpose): (&Archive, &CameraName, &'static str),
        open_max: Duration,
        idle: bool,
        mut chain: Option<&mut Chain>,
    ) -> Result<(), ArchiveError> {
        let old = self.object.as_ref();
        if idle || old.is_some_and(|(begun, _)| begun.elapsed() >= open_max) {
            self.hand_in(camera, chain.as_deref_mut())?;
        }
        if self.waiting.is_empty() {
            return Ok(());
        }
        if self.object.is_none() {
            if chain.as_ref().is_some_and(|chain| !chain.may_begin(camera)) {
                return Ok(());
            }
            let key = ObjectKey {
                camera: camera.clone(),
                sink: Name::new(purpose)
                    .map_err(|error| ArchiveError::Denied(error.to_string()))?,
                purpose: purpose.to_owned(),
                extension: EXTENSION.to_owned(),
                begin: self.begin,
            };
            self.object = Some((Instant::now(), archive.create(&key)?));
            if let Some(chain) = chain.as_deref_mut() {
                chain.begin(&key);
            }
        }
        let Some((_, object)) = &mut self.object else {
            return Ok(());
        };
        let lines = match chain.as_deref_mut() {
            Some(chain) => chain.seal(camera, &self.waiting),
            None => self.waiting.clone(),
        };
        match object.append(&[Bytes::from(lines)]) {
            Ok(_) => {
                self.waiting.clear();
                if let Some(chain) = chain {
                    chain.appended(camera);
                }
                Ok(())
            }
            Err(error) => {
                // Dropped, it is repaired; the lines go to another.
                self.object = None;
                if let Some(chain) = chain {
                    chain.broken(camera);
                }
                Err(error)
            }
        }
    }

    fn hand_in(
        &mut self,
        camera: &CameraName,
        chain: Option<&mut Chain>,
    ) -> Result<(), ArchiveError> {
        let Some((_, object)) = self.object.take() else {
            return Ok(());
        };
        let finished = object.finish(CaptureTime::now()).map(drop);
        match (chain, &finished) {
            (Some(chain), Ok(())) => chain.ended(camera),
            (Some(chain), Err(_)) => chain.broken(camera),
            (None, _) => {}
        }
        finished
    }
}

/// Calls back with each whole line of a file, without its break. `take` says whether to go on.
/// Gives how many lines were none: torn, or longer than any of ours.
///
/// # Errors
/// What the disk says.
pub(super) fn each_line(file: impl Read, take: &mut dyn FnMut(&[u8]) -> bool) -> io::Result<u64> {
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
