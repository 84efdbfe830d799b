//! Which files of a camera's footage hold a stretch of time, by their names.

use std::collections::{HashSet, VecDeque};
use std::io;
use std::path::{Path, PathBuf};

use crate::archive::disk::Disk;
use crate::archive::ladder::KEY_FRAMES;
use crate::archive::ledger::FOOTAGE;
use crate::units::{CameraName, CaptureTime};

/// A file that begins earlier than this before a stretch holds nothing of it: twice the longest
/// segment that the recorder writes, and more.
pub(crate) const LENGTH_MAX_NANOS: i64 = 3 * 3600 * 1_000_000_000;

/// The time in a file's name: `2026-05-04T073100.120Z.mp4`, or `…Z-2.mp4`.
pub(crate) fn begin(path: &Path) -> Option<CaptureTime> {
    let (stem, _) = path.file_name()?.to_str()?.rsplit_once('.')?;
    CaptureTime::from_file_stem(stem.split_inclusive('Z').next()?)
}

/// A file, and the time in its name.
pub(crate) type Named = (PathBuf, Option<CaptureTime>);

/// The files of a camera's footage that may hold something of a stretch, in order; of what was
/// thinned those with its key frames.
///
/// # Errors
/// When the folders can't be listed, or there are none.
pub(crate) fn recorded(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    from: Option<CaptureTime>,
    to: Option<CaptureTime>,
) -> io::Result<VecDeque<Named>> {
    let list = |purpose| {
        let folder = archive.join(camera.as_str()).join(purpose);
        match between(disk, &folder, from, to) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            files => files.map(Some),
        }
    };
    // The key frames last: they are there before the whole goes.
    let (whole, thinned) = (list(FOOTAGE)?, list(KEY_FRAMES)?);
    if whole.is_none() && thinned.is_none() {
        return Err(io::ErrorKind::NotFound.into());
    }
    let whole = whole.unwrap_or_default();
    let there: HashSet<_> = whole.iter().map(|(_, begin)| *begin).collect();
    let thinned = thinned.unwrap_or_default().into_iter();
    let thinned = thinned.filter(|(_, begin)| !there.contains(begin));
    let mut all: Vec<Named> = whole.iter().cloned().chain(thinned).collect();
    all.sort_by(|a, b| (a.1, &a.0).cmp(&(b.1, &b.0)));
    Ok(all.into())
}

/// What is in a folder, by name.
pub(in crate::archive) fn names(disk: &dyn Disk, folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    disk.each_entry(folder, &mut |name| {
        names.extend(name.to_str().map(ToOwned::to_owned));
    })?;
    Ok(names)
}

/// The names in the folder of a day; none where it is no folder, or was removed meanwhile.
fn names_of_day(disk: &dyn Disk, folder: &Path) -> io::Result<Vec<String>> {
    let found = disk.metadata(folder).and_then(|found| match found.is_file {
        true => Ok(Vec::new()),
        false => names(disk, folder),
    });
    match found {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        found => found,
    }
}

/// The MP4 files in the folders of days that may hold something of a stretch, in order.
///
/// # Errors
/// When the folder can't be listed.
pub(crate) fn between(
    disk: &dyn Disk,
    folder: &Path,
    from: Option<CaptureTime>,
    to: Option<CaptureTime>,
) -> io::Result<VecDeque<Named>> {
    let earliest = from.map(|from| {
        CaptureTime::from_unix_nanos(from.unix_nanos().saturating_sub(LENGTH_MAX_NANOS))
    });
    let files = of_days(disk, folder, "mp4", earliest, to)?;
    Ok(files
        .into_iter()
        .map(|(begin, path)| (path, Some(begin)))
        .collect())
}

/// The files in the folders of days that begin in a stretch, in order.
///
/// # Errors
/// When the folder can't be listed.
pub(crate) fn of_days(
    disk: &dyn Disk,
    folder: &Path,
    extension: &str,
    from: Option<CaptureTime>,
    to: Option<CaptureTime>,
) -> io::Result<Vec<(CaptureTime, PathBuf)>> {
    let first_day = from.map(CaptureTime::day);
    let last_day = to.map(CaptureTime::day);
    let mut files = Vec::new();
    for day in names(disk, folder)? {
        let folder = folder.join(&day);
        let before = first_day.as_ref().is_some_and(|first| day < *first);
        let after = last_day.as_ref().is_some_and(|last| day > *last);
        if before || after || day.starts_with('.') {
            continue;
        }
        for file in names_of_day(disk, &folder)? {
            let path = folder.join(file);
            let wanted = path.extension().is_some_and(|own| own == extension);
            let Some(begin) = begin(&path).filter(|_| wanted) else {
                continue;
            };
            let outside = from.is_some_and(|from| begin < from) || to.is_some_and(|to| begin >= to);
            if !outside {
                files.push((begin, path));
            }
        }
    }
    files.sort();
    Ok(files)
}
