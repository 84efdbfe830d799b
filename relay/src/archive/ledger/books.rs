//! What the files of archive and spool tell of a stretch of a camera's time, without the catalog of
//! the spool: for whoever has the files alone, and while a relay runs.
//!
//! Evidence may have begun long before the stretch. A relay tells all that lasts once a day, so the
//! journals are read from the last such account before the stretch on; where there is none (a relay
//! of an earlier build), from the first. Of the footage only what is near is read. What has gone
//! since is told by later journals: the catalog knows, where there is one. The account is made as
//! always, by a catalog in memory.

use std::collections::VecDeque;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use super::journal::{Lives, PURPOSE, read_clock, read_line, read_standing};
use super::rebuild::settle;
use super::scan::{FOOTAGE, MP4, entries, has_lines, read_footage, spool_names, spooled};
use super::spans::later;
use super::{ClockState, Coverage, MARGIN, Span};
use crate::archive::catalog::{Catalog, CatalogError, Change};
use crate::archive::disk::{Disk, Sequence};
use crate::archive::jsonl::{EXTENSION, each_line};
use crate::archive::names::Spool;
use crate::archive::replay::files::{begin as name_begin, recorded};
use crate::units::{CameraName, CaptureTime};

/// An account of all that lasts stands at the begin of a journal, or within a second of it.
const HEAD_BYTES: u64 = 1 << 20;
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
    /// Journals, and folders of journals or footage, that can't be read, and why.
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
    let near = Span {
        begin: later(window.begin, -MARGIN),
        end: later(window.end, MARGIN),
    };
    let mut failed = |folder: &Path, error: io::Error| {
        let unreadable = (folder.to_owned(), error.to_string());
        reading.unreadable.push(unreadable);
    };
    let places = (archive, spool);
    for path in journals(disk, places, camera, (near.begin, window.end), &mut failed) {
        reading.journal(camera, &path)?;
    }
    if let Ok(catalog) = Catalog::open_to_read(spool) {
        let retired = catalog.retired_within(camera, near).unwrap_or_default();
        reading
            .changes
            .extend(retired.into_iter().map(Change::Retired));
    }
    // The spool first: what is carried off meanwhile is found in the archive after that.
    for (name, path) in spool_names(&Spool::new(spool).finished, FOOTAGE, MP4) {
        if name.key.camera == *camera && name.key.begin < near.end {
            let object = spooled(&name.encode());
            reading.footage(object, camera, (name.key.begin, name.end), &path)?;
        }
    }
    // Without a folder there is no footage.
    let folder = archive.join(camera.as_str()).join(FOOTAGE);
    let files = recorded(disk, archive, camera, Some(near.begin), Some(near.end));
    let files = files.unwrap_or_else(|error| {
        if error.kind() != io::ErrorKind::NotFound {
            reading.unreadable.push((folder, error.to_string()));
        }
        VecDeque::new()
    });
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

/// A journal, and when it begins by its name.
type Journal = (CaptureTime, PathBuf);

/// The journals of a camera that may tell of what is between two instants, the oldest first.
/// `failed` is called with folders that can't be listed.
fn journals(
    disk: &dyn Disk,
    (archive, spool): (&Path, &Path),
    camera: &CameraName,
    (begin, end): (CaptureTime, CaptureTime),
    failed: &mut dyn FnMut(&Path, io::Error),
) -> Vec<PathBuf> {
    let spool = Spool::new(spool);
    // Listed in the order in which a file moves on, and read the other way round.
    let spooled = [&spool.open, &spool.finished].map(|folder| {
        let names = spool_names(folder, PURPOSE, EXTENSION).into_iter();
        let own = names.filter(|(name, _)| name.key.camera == *camera);
        own.map(|(name, path)| (name.key.begin, path))
            .collect::<Vec<Journal>>()
    });
    // A day more: a run is said to live after the stretch, too.
    let last = later(end, 24 * 3600 * 1_000_000_000).day();
    let mut listed = |folder: &Path| {
        entries(disk, folder).unwrap_or_else(|error| {
            failed(folder, error);
            Vec::new()
        })
    };
    let mut days = listed(&archive.join(camera.as_str()).join(PURPOSE));
    days.retain(|(day, _)| *day <= last && !day.starts_with('.'));
    days.sort();
    let waiting: Vec<Journal> = spooled.into_iter().rev().flatten().collect();
    let mut all: VecDeque<Journal> = waiting.into();
    // The last account; what is older than its day is not even listed.
    let accounts = all
        .iter()
        .filter(|journal| is_account(disk, journal, begin));
    let mut account = accounts.map(|(at, _)| *at).max();
    for (name, day) in days.into_iter().rev() {
        if account.is_some_and(|at| name < at.day()) {
            break;
        }
        let mut files = listed(&day);
        files.sort();
        for (_, path) in files.into_iter().rev().filter(|(_, path)| has_lines(path)) {
            let at = name_begin(&path).unwrap_or(CaptureTime::from_unix_nanos(i64::MIN));
            let journal = (at, path);
            if account.is_none_or(|account| account < at) && is_account(disk, &journal, begin) {
                account = Some(at);
            }
            all.push_front(journal);
        }
    }
    all.into_iter().map(|(_, path)| path).collect()
}

/// Whether a journal tells all that lasted at some instant at or before this one.
fn is_account(disk: &dyn Disk, (begin, path): &Journal, by: CaptureTime) -> bool {
    let mut told = false;
    if *begin <= by
        && let Ok(file) = disk.open_to_read(path)
    {
        // What can't be read is told of when it is read whole.
        each_line(Sequence::new(file).take(HEAD_BYTES), &mut |line| {
            told |= read_standing(line).is_some_and(|at| at <= by);
            !told
        })
        .ok();
    }
    told
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
        let mut lives = Lives::default();
        let read = self.disk.open_to_read(path).and_then(|file| {
            each_line(Sequence::new(file), &mut |line| {
                match read_clock(line) {
                    Some(state) => self.clock(state),
                    None => {
                        let changes = read_line(camera, line).into_iter();
                        self.changes
                            .extend(changes.filter_map(|change| lives.keep(change)));
                    }
                }
                if self.changes.len() >= BATCH {
                    failed = self.apply();
                }
                failed.is_ok()
            })
        });
        self.changes.extend(lives.into_changes());
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::RealDisk;
    use crate::units::Name;

    const DAY: i64 = 24 * 3600 * 1_000_000_000;

    /// Days of a camera's journals: in each a sign of life; an outage begins on the second.
    struct Journals {
        dir: tempfile::TempDir,
        begin: CaptureTime,
    }

    impl Journals {
        fn new() -> Self {
            Self {
                dir: tempfile::tempdir().unwrap(),
                begin: CaptureTime::from_file_stem("2026-05-04T000000.000Z").unwrap(),
            }
        }

        fn at(&self, days: i64, seconds: i64) -> CaptureTime {
            later(self.begin, days * DAY + seconds * 1_000_000_000)
        }

        fn write(&self, day: i64, lines: &[String]) -> PathBuf {
            let at = self.at(day, 0);
            let folder = self.dir.path().join("gate/ledger").join(at.day());
            std::fs::create_dir_all(&folder).unwrap();
            let path = folder.join(format!("{}.jsonl", at.file_stem()));
            std::fs::write(&path, lines.concat()).unwrap();
            path
        }

        fn lives(&self, day: i64) -> String {
            let (begin, at) = (self.begin, self.at(day, 0));
            format!(
                "{{\"at\":\"{at}\",\"kind\":\"run\",\"begin\":\"{begin}\",\"alive\":\"{}\",\
                 \"ended\":false,\"site\":\"boatyard\"}}\n",
                self.at(day + 1, 0)
            )
        }

        fn outage(&self, day: i64) -> String {
            format!(
                "{{\"at\":\"{}\",\"kind\":\"evidence\",\"run\":\"{}\",\"witness\":\"intake\",\
                 \"begin\":\"{}\",\"end\":null,\"cause\":\"camera\",\"detail\":\"away\"}}\n",
                self.at(day, 1),
                self.begin,
                self.at(1, 0)
            )
        }

        fn standing(&self, day: i64) -> String {
            format!("{{\"at\":\"{}\",\"kind\":\"standing\"}}\n", self.at(day, 1))
        }

        /// Causes of what is missing in an hour of a day, and journals that could not be read.
        fn told(&self, day: i64) -> (Vec<&'static str>, usize) {
            let window = Span::new(self.at(day, 3600), self.at(day, 7200)).unwrap();
            let camera = Name::new("gate").unwrap();
            let spool = self.dir.path().join("spool");
            let told = told_by_files(&RealDisk, (self.dir.path(), &spool), &camera, window);
            let told = told.unwrap();
            let gaps = told.coverage.unwrap().gaps;
            let causes = gaps.iter().map(|gap| gap.cause.as_str()).collect();
            (causes, told.unreadable.len())
        }
    }

    #[test]
    fn journals_are_read_from_the_last_account_of_all_that_lasts() {
        let journals = Journals::new();
        // Read, it would be told of.
        let first = journals.write(0, &[]);
        std::fs::remove_file(&first).unwrap();
        std::fs::create_dir(&first).unwrap();
        journals.write(1, &[journals.lives(1), journals.outage(1)]);
        let all = |day| {
            [
                journals.lives(day),
                journals.outage(day),
                journals.standing(day),
            ]
        };
        for day in 2..6 {
            journals.write(day, &all(day));
        }
        assert_eq!(journals.told(4), (vec!["camera"], 0));
        assert_eq!(journals.told(3), (vec!["camera"], 0));
        // Within the first account, and before any.
        assert_eq!(journals.told(2), (vec!["camera"], 0));
        assert_eq!(journals.told(1), (vec!["camera"], 1));
        // Without them all is read.
        for day in 2..6 {
            journals.write(day, &[journals.lives(day)]);
        }
        assert_eq!(journals.told(4), (vec!["camera"], 1));
    }
}
