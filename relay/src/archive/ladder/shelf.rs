//! What lies in the archive, a day of one camera and purpose at a time.

use std::io;
use std::path::{Path, PathBuf};

use super::pins::PURPOSE as PINS;
use super::{Form, Object};
use crate::archive::MANIFESTS;
use crate::archive::findings::PURPOSE as FINDINGS;
use crate::archive::ledger::{FOOTAGE, JOURNALS};
use crate::archive::{At, Disk, StorageError};
use crate::units::{CameraName, CaptureTime, Name};

/// The folder of what is left of thinned footage.
pub const KEY_FRAMES: &str = "key-frames";
const STILLS: &str = "stills";
/// A file of footage ends this long after its begin at the latest: twice the longest segment that
/// the recorder writes, and more.
const LENGTH_MAX_NANOS: i64 = 3 * 3600 * 1_000_000_000;
const DAY_NANOS: i64 = 24 * 3600 * 1_000_000_000;

/// A folder of one camera, purpose and UTC day.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct DayFolder {
    /// `2026-05-04`
    pub day: String,
    /// Whose.
    pub camera: CameraName,
    /// What is in it.
    pub form: Form,
    /// The folder's path below the archive.
    pub name: String,
}

impl DayFolder {
    /// Its midnight.
    #[must_use]
    pub fn begin(&self) -> CaptureTime {
        let midnight = format!("{}T000000.000Z", self.day);
        CaptureTime::from_file_stem(&midnight).unwrap_or(CaptureTime::from_unix_nanos(i64::MAX))
    }

    /// When the last of its files ends at the latest.
    pub(super) fn last_end(&self) -> CaptureTime {
        later(self.end(), LENGTH_MAX_NANOS)
    }

    /// The next one.
    #[must_use]
    pub fn end(&self) -> CaptureTime {
        later(self.begin(), DAY_NANOS)
    }
}

fn later(time: CaptureTime, nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(time.unix_nanos().saturating_add(nanos))
}

/// None for what is no object of the ladder: the ledger's journals, and the pins themselves.
fn form(purpose: &str) -> Option<Form> {
    match purpose {
        JOURNALS | MANIFESTS | PINS => None,
        FOOTAGE => Some(Form::Footage),
        KEY_FRAMES => Some(Form::KeyFrames),
        STILLS => Some(Form::Stills),
        FINDINGS => Some(Form::Findings),
        _ => Some(Form::Other),
    }
}

/// All folders of days, the oldest first. Folders and files that are not the archive's own are
/// left out. `failed` is told of folders that can't be listed.
///
/// # Errors
/// When the archive itself can't be listed.
pub fn day_folders(
    disk: &dyn Disk,
    archive: &Path,
    failed: &mut dyn FnMut(StorageError),
) -> Result<Vec<DayFolder>, StorageError> {
    let mut days = Vec::new();
    for camera in folders(disk, archive)? {
        let Ok(name) = Name::new(&camera) else {
            continue;
        };
        let folder = archive.join(&camera);
        let purposes = match folders(disk, &folder) {
            Ok(names) => names,
            Err(error) => {
                failed(error);
                continue;
            }
        };
        for purpose in purposes {
            let Some(form) = form(&purpose).filter(|_| !purpose.starts_with('.')) else {
                continue;
            };
            // By their names alone: a look at each day of two years takes long on a network.
            let inside = match names(disk, &folder.join(&purpose)) {
                Ok(days) => days,
                Err(error) => {
                    failed(error);
                    continue;
                }
            };
            days.extend(inside.into_iter().filter_map(|day| {
                let midnight = format!("{day}T000000.000Z");
                CaptureTime::from_file_stem(&midnight)?;
                Some(DayFolder {
                    name: format!("{camera}/{purpose}/{day}"),
                    day,
                    camera: name.clone(),
                    form,
                })
            }));
        }
    }
    days.sort();
    Ok(days)
}

fn names(disk: &dyn Disk, folder: &Path) -> Result<Vec<String>, StorageError> {
    let mut names = Vec::new();
    disk.each_entry(folder, &mut |name| {
        names.extend(name.to_str().map(ToOwned::to_owned));
    })
    .at("list the folder", folder)?;
    Ok(names)
}

/// The names of the folders in a folder.
fn folders(disk: &dyn Disk, folder: &Path) -> Result<Vec<String>, StorageError> {
    let mut names = names(disk, folder)?;
    // A file in the place of a folder, or one that has gone meanwhile, holds nothing.
    names.retain(|name| {
        let found = disk.metadata(&folder.join(name));
        found.is_ok_and(|metadata| !metadata.is_file)
    });
    Ok(names)
}

/// The objects of a day, the oldest first.
///
/// # Errors
/// When the folder can't be listed, or a file in it not be looked up.
pub fn objects(
    disk: &dyn Disk,
    archive: &Path,
    day: &DayFolder,
) -> Result<Vec<Object>, StorageError> {
    let folder = archive.join(&day.name);
    let mut found: Vec<(CaptureTime, String)> = Vec::new();
    let listed = disk.each_entry(&folder, &mut |name| {
        found.extend(
            name.to_str()
                .and_then(|name| Some((begin(name)?, name.to_owned()))),
        );
    });
    match listed {
        // A file in the place of a folder holds nothing either.
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            return Ok(Vec::new());
        }
        result => result.at("list the folder", &folder)?,
    }
    found.sort();
    let mut objects: Vec<Object> = Vec::with_capacity(found.len());
    // The next later begin, and the begin that it follows.
    let (mut next, mut latest): (Option<CaptureTime>, Option<CaptureTime>) = (None, None);
    for (begin, name) in found.into_iter().rev() {
        if latest != Some(begin) {
            (next, latest) = (latest, Some(begin));
        }
        let path = folder.join(&name);
        let metadata = match disk.metadata(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            result => result.at("look up", &path)?,
        };
        if !metadata.is_file {
            continue;
        }
        let longest = later(begin, LENGTH_MAX_NANOS);
        let end = match day.form {
            Form::Stills => begin,
            Form::Findings => day.end(),
            _ => next.map_or(longest, |next| next.min(longest)),
        };
        objects.push(Object {
            camera: day.camera.clone(),
            form: day.form,
            begin,
            end,
            bytes: metadata.bytes,
            thinned_bytes: 0,
            name: format!("{}/{name}", day.name),
        });
    }
    objects.reverse();
    Ok(objects)
}

/// The time in the name of an object: `2026-05-04T073100.120Z.mp4`, or `…Z-2.mp4`.
fn begin(name: &str) -> Option<CaptureTime> {
    let (stem, extension) = name.rsplit_once('.')?;
    let (time, rest) = stem.split_at(stem.find('Z')? + 1);
    let number = rest.is_empty()
        || rest.strip_prefix('-').is_some_and(|number| {
            (1..=3).contains(&number.len()) && number.bytes().all(|c| c.is_ascii_digit())
        });
    let plain = extension
        .bytes()
        .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit());
    (number && plain).then(|| CaptureTime::from_file_stem(time))?
}

/// Where an object lies.
pub(super) fn path(archive: &Path, object: &Object) -> PathBuf {
    archive.join(&object.name)
}
