//! What the files of archive and spool tell of a stretch of a camera's time, without the catalog of
//! the spool: for whoever has the files alone, and while a relay runs.
//!
//! All journals of the camera up to the stretch are read, as evidence may have begun long before it;
//! of the footage only what is near. The account is made as always, by a catalog in memory.

use std::io;
use std::path::{Path, PathBuf};

use super::journal::{PURPOSE, read_clock, read_line};
use super::rebuild::settle;
use super::scan::{FOOTAGE, MP4, entries, has_lines, read_footage, spool_names, spooled};
use super::spans::later;
use super::{ClockState, Coverage, MARGIN, Span};
use crate::archive::catalog::{Catalog, CatalogError, Change};
use crate::archive::disk::{Disk, Sequence};
use crate::archive::jsonl::{EXTENSION, each_line};
use crate::archive::names::Spool;
use crate::archive::replay::files::between;
use crate::units::{CameraName, CaptureTime};

/// Changes that are applied together.
const BATCH: usize = 4096;
/// States of clocks that are kept: a year of news each ten minutes.
const STATES_MAX: usize = 60_000;

/// What the files tell.
#[derive(Debug)]
pub(crate) struct Told {
    /// The account; none where no journal knows the camera.
    pub(crate) coverage: Option<Coverage>,
    /// How the clocks stood: the last state from before the stretch, and those in it, in order.
    pub(crate) clocks: Vec<ClockState>,
    /// Journals that can't be read, and why.
    pub(crate) unreadable: Vec<(PathBuf, String)>,
}

/// Reads what there is. `archive`: where files have their final names.
///
/// # Errors
/// That of the catalog in memory. Files that can't be read are named.
pub(crate) fn told_by_files(
    disk: &dyn Disk,
    (archive, spool): (&Path, &Path),
    camera: &CameraName,
    window: Span,
) -> Result<Told, CatalogError> {
    let mut reading = Reading {
        disk,
        catalog: Catalog::in_memory()?,
        changes: Vec::new(),
        window,
        before: None,
        clocks: Vec::new(),
        unreadable: Vec::new(),
    };
    for path in journals(disk, (archive, spool), camera, window.end) {
        reading.journal(camera, &path)?;
    }
    let near = Span {
        begin: later(window.begin, -MARGIN),
        end: later(window.end, MARGIN),
    };
    // The spool first: what is carried off meanwhile is found in the archive after that.
    for (name, path) in spool_names(&Spool::new(spool).finished, FOOTAGE, MP4) {
        if name.key.camera == *camera && name.key.begin < near.end {
            let object = spooled(&name.encode());
            reading.footage(object, camera, (name.key.begin, name.end), &path)?;
        }
    }
    let folder = archive.join(camera.as_str()).join(FOOTAGE);
    // Without a folder there is no footage.
    let files = between(disk, &folder, Some(near.begin), Some(near.end)).unwrap_or_default();
    for (path, begin) in files {
        let object = path.to_string_lossy().into_owned();
        let begin = begin.unwrap_or(near.begin);
        reading.footage(object, camera, (begin, None), &path)?;
    }
    reading.apply()?;
    settle(&mut reading.catalog, spool)?;
    let mut clocks = reading.clocks;
    clocks.extend(reading.before);
    clocks.sort_by_key(|state| state.at);
    Ok(Told {
        coverage: reading.catalog.coverage(camera, window)?,
        clocks,
        unreadable: reading.unreadable,
    })
}

/// The journals of a camera that may tell of what is before `end`, the oldest first.
fn journals(
    disk: &dyn Disk,
    (archive, spool): (&Path, &Path),
    camera: &CameraName,
    end: CaptureTime,
) -> Vec<PathBuf> {
    let spool = Spool::new(spool);
    // Listed in the order in which a file moves on, and read the other way round.
    let spooled = [&spool.open, &spool.finished].map(|folder| {
        let names = spool_names(folder, PURPOSE, EXTENSION).into_iter();
        let own = names.filter(|(name, _)| name.key.camera == *camera);
        own.map(|(_, path)| path).collect::<Vec<_>>()
    });
    // A day more: a run is said to live after the stretch, too.
    let last = later(end, 24 * 3600 * 1_000_000_000).day();
    let mut days = entries(disk, &archive.join(camera.as_str()).join(PURPOSE));
    days.retain(|(day, _)| *day <= last && !day.starts_with('.'));
    days.sort();
    let archived = days.into_iter().flat_map(|(_, day)| {
        let mut files = entries(disk, &day);
        files.sort();
        files.into_iter().map(|(_, path)| path)
    });
    let mut paths: Vec<_> = archived.filter(|path| has_lines(path)).collect();
    paths.extend(spooled.into_iter().rev().flatten());
    paths
}

struct Reading<'a> {
    disk: &'a dyn Disk,
    catalog: Catalog,
    changes: Vec<Change>,
    window: Span,
    before: Option<ClockState>,
    clocks: Vec<ClockState>,
    unreadable: Vec<(PathBuf, String)>,
}

impl Reading<'_> {
    fn journal(&mut self, camera: &CameraName, path: &Path) -> Result<(), CatalogError> {
        let mut failed = Ok(());
        let read = self.disk.open_to_read(path).and_then(|file| {
            each_line(Sequence::new(file), &mut |line| {
                match read_clock(line) {
                    Some(state) => self.clock(state),
                    None => self.changes.extend(read_line(camera, line)),
                }
                if self.changes.len() >= BATCH {
                    failed = self.apply();
                }
                failed.is_ok()
            })
        });
        match read {
            Ok(_) => {}
            // Carried off meanwhile: what it tells is in the next folder.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => self.unreadable.push((path.to_owned(), error.to_string())),
        }
        failed
    }

    fn clock(&mut self, state: ClockState) {
        if state.at <= self.window.begin {
            let later = self.before.is_none_or(|before| before.at <= state.at);
            if later {
                self.before = Some(state);
            }
        } else if state.at < self.window.end && self.clocks.len() < STATES_MAX {
            self.clocks.push(state);
        }
    }

    fn footage(
        &mut self,
        object: String,
        camera: &CameraName,
        (begin, end): (CaptureTime, Option<CaptureTime>),
        path: &Path,
    ) -> Result<(), CatalogError> {
        match read_footage(self.disk, path, begin, end) {
            Ok((recorded, bytes)) => self.changes.push(Change::Footage {
                object,
                camera: camera.clone(),
                recorded,
                bytes,
            }),
            // Whoever reads the footage itself tells of it.
            Err(error) => tracing::debug!(path = %path.display(), %error, "no footage"),
        }
        match self.changes.len() >= BATCH {
            true => self.apply(),
            false => Ok(()),
        }
    }

    fn apply(&mut self) -> Result<(), CatalogError> {
        let applied = self.catalog.apply(&self.changes);
        self.changes.clear();
        applied
    }
}
