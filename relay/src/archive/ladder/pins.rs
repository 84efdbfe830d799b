//! Pins: stretches of a camera's time that are kept whatever the rules say.
//!
//! `<archive>/<camera>/pins/<day>/<made>.jsonl`, one line a file: a pin, or that one has ended. A
//! file is written under another name, flushed, and renamed: it is there whole or not at all, and
//! nothing is ever changed in place. So pins need no relay, outlive the catalog, and move with the
//! archive. What can't be read may be a pin: then nothing of the camera goes.

use std::io::{self, IoSlice};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use super::Object;
use crate::archive::disk::{is_unsupported, write_all_at};
use crate::archive::jsonl::{EXTENSION, Stamp};
use crate::archive::ledger::Span;
use crate::archive::store::create_dirs;
use crate::archive::{At, Disk, DiskFile, StorageError};
use crate::units::{CameraName, CaptureTime};

/// The folder of a camera's pins.
pub const PURPOSE: &str = "pins";
/// Most pins of a camera that are in force.
pub const PINS_MAX: usize = 1000;
/// Most characters of a reason.
pub const REASON_CHARS_MAX: usize = 500;
/// Most files of a camera's pins, the ended ones included.
const FILES_MAX: usize = 20_000;
/// A file of ours has one line of at most some 4 kB (a reason of 500 characters, escaped).
const FILE_BYTES_MAX: u64 = 16 << 10;
/// Held in the spool by whoever removes and whoever pins.
const LOCK: &str = "ladder.lock";
/// A step of the ladder may rewrite a file of an hour, on a slow disk.
const LOCK_PATIENCE: Duration = Duration::from_secs(60);
const LOCK_PAUSE: Duration = Duration::from_millis(50);
/// Pins that are made in the same millisecond.
const SAME_TIME_MAX: i64 = 100;

/// A stretch that is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pin {
    /// Tells a camera's pins apart: lower-case hexadecimal digits.
    pub id: String,
    /// Whose.
    pub camera: CameraName,
    /// What of its time.
    pub span: Span,
    /// Why, in the words of whoever pinned it.
    pub reason: String,
    /// When it was pinned.
    pub made: CaptureTime,
    /// When it ends by itself; none: when it is unpinned.
    pub until: Option<CaptureTime>,
}

impl Pin {
    /// Whether it holds anything now.
    #[must_use]
    pub fn is_in_force(&self, now: CaptureTime) -> bool {
        self.until.is_none_or(|until| now < until)
    }
}

/// Why pins can't be read or made.
#[derive(Debug, thiserror::Error)]
pub enum PinError {
    /// A file is no pin of this version.
    #[error(
        "{} is no pin that this version can read: nothing of the camera goes until it is put right, \
         or moved away", .0.display()
    )]
    Damaged(PathBuf),
    /// The disk's words.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// There are too many.
    #[error("{camera} has {PINS_MAX} pins already: end some that are not needed, or join them")]
    Full {
        /// Whose.
        camera: CameraName,
    },
    /// There is no such pin.
    #[error("{camera} has no pin {id}; `forebay pins` lists those that it has")]
    Unknown {
        /// Whose.
        camera: CameraName,
        /// What was asked for.
        id: String,
    },
    /// The relay did not come to the end of a step.
    #[error(
        "the relay is at work on the archive and holds {} for over a minute: does its disk hang? \
         Try again later", .0.display()
    )]
    Busy(PathBuf),
}

/// Pins of any number of cameras.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pins(Vec<Pin>);

impl From<Vec<Pin>> for Pins {
    fn from(pins: Vec<Pin>) -> Self {
        Self(pins)
    }
}

impl Pins {
    /// The pin that keeps an object, where one does.
    #[must_use]
    pub fn holding(&self, object: &Object, now: CaptureTime) -> Option<&Pin> {
        self.all_holding(object, now).next()
    }

    /// Until when pins keep an object, where any does; an inner none: until they are ended.
    #[must_use]
    pub fn held_until(&self, object: &Object, now: CaptureTime) -> Option<Option<CaptureTime>> {
        let ends = self.all_holding(object, now).map(|pin| pin.until);
        // None, which is the least, counts most.
        ends.reduce(|a, b| a.zip(b).map(|(a, b)| a.max(b)))
    }

    /// Whether a pin may hold anything of a camera that lies between two instants.
    pub(super) fn touch(&self, camera: &CameraName, begin: CaptureTime, end: CaptureTime) -> bool {
        self.0
            .iter()
            .any(|pin| pin.camera == *camera && begin < pin.span.end && end >= pin.span.begin)
    }

    fn all_holding<'a, 'b>(
        &'a self,
        object: &'b Object,
        now: CaptureTime,
    ) -> impl Iterator<Item = &'a Pin> + use<'a, 'b> {
        self.0.iter().filter(move |pin| {
            pin.camera == object.camera
                && pin.is_in_force(now)
                && object.begin < pin.span.end
                && object.end >= pin.span.begin
        })
    }
}

#[derive(Debug, Serialize, Deserialize)]
struct Line {
    /// When it was written, by the home clock.
    at: Stamp,
    id: String,
    #[serde(flatten)]
    record: Record,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Record {
    Pin {
        begin: Stamp,
        end: Stamp,
        reason: String,
        until: Option<Stamp>,
    },
    Unpin,
}

/// The pins of a camera that have not been unpinned, the earliest stretch first. Those that have
/// ended by themselves are among them.
///
/// # Errors
/// [`PinError::Damaged`] and [`PinError::Storage`]: it is then not known what is pinned.
pub fn read(disk: &dyn Disk, archive: &Path, camera: &CameraName) -> Result<Vec<Pin>, PinError> {
    let folder = archive.join(camera.as_str()).join(PURPOSE);
    let mut pins = Vec::new();
    let mut ended = Vec::new();
    for path in files(disk, &folder)? {
        let damaged = || PinError::Damaged(path.clone());
        let line: Line = serde_json::from_slice(&content(disk, &path)?).map_err(|_| damaged())?;
        let Line { at, id, record } = line;
        let Record::Pin {
            begin,
            end,
            reason,
            until,
        } = record
        else {
            ended.push(id);
            continue;
        };
        let until = match until {
            Some(until) => Some(until.time().ok_or_else(damaged)?),
            None => None,
        };
        let span = begin.time().zip(end.time());
        pins.push(Pin {
            id,
            camera: camera.clone(),
            span: span
                .and_then(|(begin, end)| Span::new(begin, end))
                .ok_or_else(damaged)?,
            reason,
            made: at.time().ok_or_else(damaged)?,
            until,
        });
    }
    pins.retain(|pin| !ended.contains(&pin.id));
    pins.sort_by(|a, b| (a.span, &a.id).cmp(&(b.span, &b.id)));
    Ok(pins)
}

/// The files of pins below a folder, in no order.
fn files(disk: &dyn Disk, folder: &Path) -> Result<Vec<PathBuf>, PinError> {
    let mut files = Vec::new();
    for day in entries(disk, folder)? {
        if day.starts_with('.') {
            continue;
        }
        let day = folder.join(day);
        for name in entries(disk, &day)? {
            let ours = name.ends_with(&format!(".{EXTENSION}")) && !name.starts_with('.');
            if ours {
                files.push(day.join(name));
            }
        }
        if files.len() > FILES_MAX {
            let full = io::Error::other(format!("there are more than {FILES_MAX} files of pins"));
            return Err(full).at("list the folder", folder).map_err(Into::into);
        }
    }
    Ok(files)
}

/// The names in a folder; none where there is no such folder.
fn entries(disk: &dyn Disk, folder: &Path) -> Result<Vec<String>, StorageError> {
    let mut names = Vec::new();
    let listed = disk.each_entry(folder, &mut |name| {
        names.extend(name.to_str().map(ToOwned::to_owned));
    });
    match listed {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        result => result.at("list the folder", folder)?,
    }
    Ok(names)
}

fn content(disk: &dyn Disk, path: &Path) -> Result<Vec<u8>, PinError> {
    let file = disk.open_to_read(path).at("open", path)?;
    let size = file.size().at("look up", path)?;
    if size > FILE_BYTES_MAX {
        return Err(PinError::Damaged(path.to_owned()));
    }
    let mut bytes = vec![0; usize::try_from(size).unwrap_or_default()];
    crate::archive::disk::read_exact_at(&*file, 0, &mut bytes).at("read", path)?;
    Ok(bytes)
}

/// Pins a stretch; gives the pin with its id. In force, durably, when it returns.
///
/// # Errors
/// [`PinError::Full`], and what the disk says.
pub fn add(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    span: Span,
    reason: &str,
    until: Option<CaptureTime>,
) -> Result<Pin, PinError> {
    let now = CaptureTime::now();
    let others = read(disk, archive, camera)?;
    if others.iter().filter(|pin| pin.is_in_force(now)).count() >= PINS_MAX {
        let camera = camera.clone();
        return Err(PinError::Full { camera });
    }
    let record = Record::Pin {
        begin: Stamp::from(span.begin),
        end: Stamp::from(span.end),
        reason: reason.to_owned(),
        until: until.map(Stamp::from),
    };
    let (id, made) = write(disk, archive, camera, now, None, record)?;
    Ok(Pin {
        id,
        camera: camera.clone(),
        span,
        reason: reason.to_owned(),
        made,
        until,
    })
}

/// Ends a pin; gives it as it was.
///
/// # Errors
/// [`PinError::Unknown`], and what the disk says.
pub fn end(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    id: &str,
) -> Result<Pin, PinError> {
    let mut pins = read(disk, archive, camera)?.into_iter();
    let pin = pins.find(|pin| pin.id == id).ok_or(PinError::Unknown {
        camera: camera.clone(),
        id: id.to_owned(),
    })?;
    let now = CaptureTime::now();
    write(disk, archive, camera, now, Some(id), Record::Unpin)?;
    Ok(pin)
}

/// Writes a line as a file of its own. Without an id, one is made of the time, which is moved on
/// until no other has it.
fn write(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    now: CaptureTime,
    id: Option<&str>,
    record: Record,
) -> Result<(String, CaptureTime), PinError> {
    const MILLI: i64 = 1_000_000;
    let mut line = Line {
        at: Stamp::from(now),
        id: String::new(),
        record,
    };
    for later in 0..SAME_TIME_MAX {
        let millis = now.unix_nanos().div_euclid(MILLI).saturating_add(later);
        let at = CaptureTime::from_unix_nanos(millis.saturating_mul(MILLI));
        let folder = archive.join(camera.as_str()).join(PURPOSE).join(at.day());
        let path = folder.join(format!("{}.{EXTENSION}", at.file_stem()));
        line.at = Stamp::from(at);
        line.id = id.map_or_else(|| format!("{millis:x}"), ToOwned::to_owned);
        let mut bytes = serde_json::to_vec(&line)
            .map_err(io::Error::other)
            .at("write", &path)?;
        bytes.push(b'\n');
        create_dirs(disk, &folder)?;
        let part = folder.join(format!(".{}.{}.part", at.file_stem(), std::process::id()));
        match place(disk, &part, &path, &bytes) {
            Err(error) if error.source.kind() == io::ErrorKind::AlreadyExists => {}
            result => return Ok(result.map(|()| (line.id, at))?),
        }
    }
    let folder = archive.join(camera.as_str()).join(PURPOSE);
    let taken = Err(io::ErrorKind::AlreadyExists.into());
    taken.at("find a free name in", &folder).map_err(Into::into)
}

/// Makes a file whole and durable under a name that must be free.
fn place(disk: &dyn Disk, part: &Path, path: &Path, bytes: &[u8]) -> Result<(), StorageError> {
    // One that a process with our number left.
    remove(disk, part)?;
    let file = disk.create_new(part).at("create", part)?;
    let written = write_all_at(&*file, 0, &mut [IoSlice::new(bytes)])
        .and_then(|()| file.sync())
        .at("write", part);
    let named = written.and_then(|()| match disk.rename_noreplace(part, path) {
        Err(error) if is_unsupported(&error) => disk.link(part, path).at("link the file", path),
        result => result.at("rename", path),
    });
    // Also after a link: then it is the second name.
    let removed = remove(disk, part);
    named.and(removed)?;
    let folder = path.parent().unwrap_or(path);
    disk.sync_dir(folder).at("flush the folder", folder)
}

fn remove(disk: &dyn Disk, path: &Path) -> Result<(), StorageError> {
    match disk.unlink(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        result => result.at("remove", path),
    }
}

/// Keeps pins as they are while something goes, and lets nothing go while something is pinned.
#[derive(Debug)]
pub struct Guard(
    #[allow(dead_code, reason = "held until it is dropped")] Option<Box<dyn DiskFile>>,
);

/// Takes the guard of a spool, where nobody has it.
///
/// # Errors
/// What the disk says.
pub(super) fn try_guard(disk: &dyn Disk, spool: &Path) -> Result<Option<Guard>, StorageError> {
    let path = spool.join(LOCK);
    match disk.lock(&path) {
        Ok(file) => Ok(Some(Guard(Some(file)))),
        Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(None),
        Err(error) => Err(error).at("lock", &path),
    }
}

/// Waits for the guard of a spool. Without a spool there is no relay, and nothing to wait for.
///
/// # Errors
/// [`PinError::Busy`] after a minute, and what the disk says.
pub fn guard(disk: &dyn Disk, spool: &Path) -> Result<Guard, PinError> {
    let begun = Instant::now();
    loop {
        match try_guard(disk, spool) {
            Ok(Some(guard)) => return Ok(guard),
            Ok(None) if begun.elapsed() >= LOCK_PATIENCE => {
                return Err(PinError::Busy(spool.join(LOCK)));
            }
            Ok(None) => std::thread::sleep(LOCK_PAUSE),
            Err(error) if error.source.kind() == io::ErrorKind::NotFound => {
                return Ok(Guard(None));
            }
            Err(error) => return Err(error.into()),
        }
    }
}

#[cfg(test)]
#[path = "pins_tests.rs"]
mod tests;
