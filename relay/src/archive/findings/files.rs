//! Findings read from the files of archive and spool, also while a relay writes them.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap, HashSet};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt as _;
use std::path::Path;

use super::{Finding, PURPOSE, read_line};
use crate::archive::disk::Disk;
use crate::archive::jsonl::{EXTENSION, each_line};
use crate::archive::ledger::{Span, spool_names};
use crate::archive::names::Spool;
use crate::archive::replay::files::names;
use crate::units::{CameraName, CaptureTime};

/// Analyzers tell findings in about the order of their instants: a still that was missed, or a sink
/// that lags, is some minutes late. So many findings wait to be put in order.
const REORDER_MAX: usize = 4096;
/// A file is named by its first line, and one before it may have later ones: it is open for an hour.
const OVERLAP_NANOS: i64 = 2 * 3600 * 1_000_000_000;
/// A few lines.
const HEAD_BYTES: usize = 4096;

/// What was passed over.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Passed {
    /// Lines that can't be read: torn by a power cut, or of a later version.
    pub damaged_lines: u64,
    /// Files that can't be read.
    pub unreadable_files: u64,
}

/// Where lines of a camera are.
pub(super) struct Source {
    begin: CaptureTime,
    /// Open already where it lies in the spool, from where it may be carried off any time. Those of
    /// the archive are opened in their turn: a year has some ten thousand.
    pub(super) file: Option<File>,
    pub(super) path: std::path::PathBuf,
}

/// Calls back with a camera's findings that are of a window, in the order of their instants (as far
/// as they were not told thousands of findings late). Memory is bounded whatever there is.
pub fn each(
    disk: &dyn Disk,
    (archive, spool): (&Path, &Path),
    camera: &CameraName,
    window: Span,
    take: &mut dyn FnMut(Finding),
) -> Passed {
    let mut passed = Passed::default();
    let mut order = Order::default();
    // The spool first: what is carried off meanwhile is found in the archive after that.
    let mut sources = spooled(spool, camera);
    archived(disk, archive, camera, window, (&mut sources, &mut passed));
    sources.sort_by_key(|source| source.begin);
    for source in sources {
        let file = source.file.map_or_else(|| disk.fetch(&source.path), Ok);
        let read = file.and_then(|file| {
            each_line(file, &mut |line| {
                match read_line(line) {
                    None => passed.damaged_lines += 1,
                    Some(finding) => {
                        if (window.begin..window.end).contains(&finding.at) {
                            order.push(finding, take);
                        }
                    }
                }
                true
            })
        });
        match read {
            Ok(torn) => passed.damaged_lines += torn,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => {
                passed.unreadable_files += 1;
                tracing::warn!(path = %source.path.display(), %error, "findings can't be read");
            }
        }
    }
    order.flush(take);
    passed
}

/// The files of a camera that are in the spool, opened.
pub(super) fn spooled(spool: &Path, camera: &CameraName) -> Vec<Source> {
    let spool = Spool::new(spool);
    let mut sources: Vec<Source> = Vec::new();
    let mut seen = HashSet::new();
    // In the order in which a file moves on.
    for folder in [&spool.open, &spool.finished] {
        for (name, path) in spool_names(folder, PURPOSE, EXTENSION) {
            if name.key.camera != *camera || !seen.insert(name.tag()) {
                continue;
            }
            let Ok(file) = File::open(&path) else {
                // Carried off: it is in the next folder.
                seen.remove(&name.tag());
                continue;
            };
            sources.push(Source {
                begin: name.key.begin,
                file: Some(file),
                path,
            });
        }
    }
    sources
}

fn archived(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    window: Span,
    (sources, passed): (&mut Vec<Source>, &mut Passed),
) {
    let spooled: HashMap<_, _> = sources
        .iter()
        .filter_map(|source| Some((source.begin, source.file.as_ref()?.try_clone().ok()?)))
        .collect();
    let folder = archive.join(camera.as_str()).join(PURPOSE);
    let earliest = window.begin.unix_nanos().saturating_sub(OVERLAP_NANOS);
    let (first, last) = (
        CaptureTime::from_unix_nanos(earliest).day(),
        window.end.day(),
    );
    let mut failed = |path: &Path, error: io::Error| {
        if error.kind() != io::ErrorKind::NotFound {
            passed.unreadable_files += 1;
            tracing::warn!(path = %path.display(), %error, "findings can't be read");
        }
    };
    let days = match names(disk, &folder) {
        Ok(days) => days,
        Err(error) => return failed(&folder, error),
    };
    for day in days
        .into_iter()
        .filter(|day| (&first..=&last).contains(&day))
    {
        let folder = folder.join(day);
        let files = match names(disk, &folder) {
            Ok(files) => files,
            Err(error) => {
                failed(&folder, error);
                continue;
            }
        };
        for name in files {
            let Some((stem, EXTENSION)) = name.rsplit_once('.') else {
                continue;
            };
            let stem = stem.split_inclusive('Z').next().unwrap_or_default();
            let Some(begin) = CaptureTime::from_file_stem(stem) else {
                continue;
            };
            let path = folder.join(&name);
            let known = spooled.get(&begin);
            if !known.is_some_and(|file| begins_alike(disk, file, &path)) {
                sources.push(Source {
                    begin,
                    file: None,
                    path,
                });
            }
        }
    }
}

/// Whether a file of the archive is the one that was open in the spool. It may have grown before it
/// was carried off, so its length says nothing; no two files begin with the same lines.
fn begins_alike(disk: &dyn Disk, spooled: &File, archived: &Path) -> bool {
    let head = |file: &File| {
        let mut head = vec![0; HEAD_BYTES];
        let read = file.read_at(&mut head, 0)?;
        head.truncate(read);
        Ok::<_, io::Error>(head)
    };
    let (Ok(one), Ok(other)) = (head(spooled), disk.fetch(archived).and_then(|f| head(&f))) else {
        return false;
    };
    let both = one.len().min(other.len());
    both > 0 && one.get(..both) == other.get(..both)
}

/// Puts what comes nearly in order in order.
#[derive(Default)]
struct Order {
    waiting: BinaryHeap<Reverse<Waiting>>,
    number: u64,
}

struct Waiting(CaptureTime, u64, Finding);

impl PartialEq for Waiting {
    fn eq(&self, other: &Self) -> bool {
        (self.0, self.1) == (other.0, other.1)
    }
}

impl Eq for Waiting {}

impl PartialOrd for Waiting {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Waiting {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        (self.0, self.1).cmp(&(other.0, other.1))
    }
}

impl Order {
    fn push(&mut self, finding: Finding, take: &mut dyn FnMut(Finding)) {
        // Of the same instant: in the order in which they were told.
        self.number += 1;
        self.waiting
            .push(Reverse(Waiting(finding.at, self.number, finding)));
        if self.waiting.len() > REORDER_MAX {
            self.pop(take);
        }
    }

    fn pop(&mut self, take: &mut dyn FnMut(Finding)) -> bool {
        let first = self.waiting.pop();
        first
            .map(|Reverse(Waiting(.., finding))| take(finding))
            .is_some()
    }

    fn flush(&mut self, take: &mut dyn FnMut(Finding)) {
        while self.pop(take) {}
    }
}

#[cfg(test)]
#[path = "files_tests.rs"]
mod tests;
