//! Objects that a crash, or a manifest that could not be written, has left without a line.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use super::UNLISTED;
use super::pages::{Wanted, entries, names};
use crate::archive::checksum::{Fingerprint, fingerprint};
use crate::archive::disk::Disk;
use crate::archive::names::{ObjectName, days_before};
use crate::archive::{At, StorageError};
use crate::units::{CameraName, CaptureTime, Name};

/// Days whose lines are in memory at a time.
const DAYS: usize = 16;
/// Older days are not looked at: no archive is away for so long without its spool being full. What a
/// start does must not grow with the archive.
const CHANGED_DAYS_MAX: i32 = 60;

/// Calls back with the objects of the archive that no manifest lists, of days from `since` on, and
/// of folders of somewhat older days that have changed since an instant; `take` says whether to go on.
///
/// # Errors
/// What the disk says. Single files that can't be read are left for the next time.
pub(in crate::archive) fn unlisted(
    disk: &dyn Disk,
    (archive, spool): (&Path, &Path),
    (since, changed_since): (&str, CaptureTime),
    take: &mut dyn FnMut(String, Fingerprint) -> bool,
) -> Result<(), StorageError> {
    for camera in names(disk, archive).at("list the folder", archive)? {
        let Ok(camera) = Name::new(&camera) else {
            continue;
        };
        let folders = folders(disk, archive, &camera, since, changed_since)?;
        let days: Vec<_> = folders.keys().cloned().collect();
        for days in days.chunks(DAYS) {
            let Some(first) = days.first() else { continue };
            // Lists are made of folders first: what is published meanwhile has a line to come.
            let mut objects = Vec::new();
            for day in days {
                for purpose in folders.get(day).into_iter().flatten() {
                    let folder = format!("{camera}/{purpose}/{day}");
                    let path = archive.join(&folder);
                    let files = names(disk, &path).at("list the folder", &path)?;
                    let files = files.into_iter().map(|file| format!("{folder}/{file}"));
                    objects.extend(files.filter(|object| ObjectName::parse(object).is_some()));
                }
            }
            let wants = |name: &ObjectName<'_>| days.iter().any(|day| day == name.day);
            let since = days_before(first, 1);
            let listed = entries(
                disk,
                (archive, spool),
                &camera,
                Wanted::since(&since),
                &wants,
            )
            .at("read the manifests in", archive)?;
            for object in objects {
                // One that is there, though it is said to have gone, is about to go.
                if listed.objects.contains_key(&object) {
                    continue;
                }
                let path = archive.join(&object);
                let read = disk
                    .open_to_read(&path)
                    .and_then(|file| fingerprint(&*file));
                match read {
                    Ok(taken) if !take(object, taken) => return Ok(()),
                    Ok(_) => {}
                    Err(error) => {
                        tracing::warn!(path = %path.display(), %error, "the file can't be read");
                    }
                }
            }
        }
    }
    Ok(())
}

/// The purposes of which a day has a folder to be looked into, by day.
fn folders(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    since: &str,
    changed_since: CaptureTime,
) -> Result<BTreeMap<String, BTreeSet<String>>, StorageError> {
    let mut folders: BTreeMap<_, BTreeSet<_>> = BTreeMap::new();
    let earliest = days_before(since, CHANGED_DAYS_MAX);
    let top = archive.join(camera.as_str());
    for purpose in names(disk, &top).at("list the folder", &top)? {
        if UNLISTED.contains(&&*purpose) {
            continue;
        }
        let path = top.join(&purpose);
        for day in names(disk, &path).at("list the folder", &path)? {
            let folder = path.join(&day);
            let has_changed = day.as_str() >= since
                || day >= earliest
                    && changed(disk, &folder, changed_since).at("look up", &folder)?;
            if has_changed {
                folders.entry(day).or_default().insert(purpose.clone());
            }
        }
    }
    Ok(folders)
}

/// Whether something has come to a folder since. A store knows that of its objects alone.
fn changed(disk: &dyn Disk, folder: &Path, since: CaptureTime) -> io::Result<bool> {
    if !disk.is_far(folder) {
        let metadata = disk.metadata(folder);
        return Ok(metadata.is_ok_and(|metadata| metadata.changed >= since));
    }
    for name in names(disk, folder)? {
        match disk.metadata(&folder.join(name)) {
            Ok(metadata) if metadata.changed >= since => return Ok(true),
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    Ok(false)
}
