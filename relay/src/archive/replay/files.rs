//! Which files of a camera's footage hold a stretch of time, by their names.

use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};

use crate::archive::disk::Disk;
use crate::units::CaptureTime;

/// A file that begins earlier than this before a stretch holds nothing of it: twice the longest
/// segment that the recorder writes, and more.
pub(crate) const LENGTH_MAX_NANOS: i64 = 3 * 3600 * 1_000_000_000;

/// The time in a file's name: `2026-05-04T073100.120Z.mp4`, or `…Z-2.mp4`.
pub(crate) fn begin(path: &Path) -> Option<CaptureTime> {
    let (stem, _) = path.file_name()?.to_str()?.rsplit_once('.')?;
    CaptureTime::from_file_stem(stem.split_inclusive('Z').next()?)
}

fn names(disk: &dyn Disk, folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    disk.each_entry(folder, &mut |name| {
        names.extend(name.to_str().map(ToOwned::to_owned));
    })?;
    Ok(names)
}

fn is_folder(disk: &dyn Disk, path: &Path) -> bool {
    disk.metadata(path).is_ok_and(|found| !found.is_file)
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
) -> io::Result<VecDeque<(PathBuf, Option<CaptureTime>)>> {
    let earliest = from.map(|from| {
        CaptureTime::from_unix_nanos(from.unix_nanos().saturating_sub(LENGTH_MAX_NANOS))
    });
    let first_day = earliest.map(CaptureTime::day);
    let last_day = to.map(CaptureTime::day);
    let mut files = Vec::new();
    for day in names(disk, folder)? {
        let folder = folder.join(&day);
        let before = first_day.as_ref().is_some_and(|first| day < *first);
        let after = last_day.as_ref().is_some_and(|last| day > *last);
        if before || after || day.starts_with('.') || !is_folder(disk, &folder) {
            continue;
        }
        for file in names(disk, &folder)? {
            let path = folder.join(file);
            let footage = path.extension().is_some_and(|extension| extension == "mp4");
            let Some(begin) = begin(&path).filter(|_| footage) else {
                continue;
            };
            let outside = earliest.is_some_and(|earliest| begin < earliest)
                || to.is_some_and(|to| begin >= to);
            if !outside {
                files.push((begin, path));
            }
        }
    }
    files.sort();
    Ok(files
        .into_iter()
        .map(|(begin, path)| (path, Some(begin)))
        .collect())
}
