//! Reading the archive again, to find what is not what was written.
//!
//! Manifests say what there is and what it is known by; each object is read from the disk and held
//! against that. The manifests vouch for each other, and the catalog, which says the same once
//! more, is held against both.

mod away;
mod chain;
mod objects;
mod pace;
mod quarantine;
mod run;

use std::collections::BTreeSet;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

pub use pace::Pace;
pub use quarantine::{Offline, QUARANTINE};
pub use run::{ScrubOptions, Scrubber};

use super::catalog::{Catalog, CatalogError, FILE};
use super::checksum::Fingerprint;
use super::disk::Disk;
use super::manifest::names;
use super::mark;
use super::names::ObjectName;
use crate::archive::ledger::Span;
use crate::units::{CameraName, CaptureTime, Name};

/// What is wrong. Closed: a metric label, and a word of the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FaultKind {
    /// An object is not what was written.
    Damaged,
    /// An object that a manifest lists is not there.
    Missing,
    /// An object is there that no manifest lists.
    Unlisted,
    /// The disk does not give it.
    Unreadable,
    /// A manifest is not what was written.
    Manifest,
    /// A manifest that was there is not there any more.
    Removed,
    /// The catalog is not what was written, or says something else.
    Catalog,
}

impl FaultKind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::Damaged,
        Self::Missing,
        Self::Unlisted,
        Self::Unreadable,
        Self::Manifest,
        Self::Removed,
        Self::Catalog,
    ];

    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Damaged => "damaged",
            Self::Missing => "missing",
            Self::Unlisted => "unlisted",
            Self::Unreadable => "unreadable",
            Self::Manifest => "manifest",
            Self::Removed => "removed",
            Self::Catalog => "catalog",
        }
    }
}

/// Something that is not as it should be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What is wrong.
    pub kind: FaultKind,
    /// Whose; none for the catalog as a whole.
    pub camera: Option<CameraName>,
    /// The path below the archive, or of the catalog.
    pub path: String,
    /// What was seen, one line.
    pub detail: String,
}

/// What a scrub tells while it goes on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScrubEvent {
    /// Something is wrong.
    Fault(Fault),
    /// An object was read, or looked for.
    Checked {
        /// Its path below the archive.
        object: String,
        /// What was read.
        bytes: u64,
    },
    /// The archive can't be read now, and why: the scrub waits, unless its pace is stopped.
    Away(String),
    /// It can be read again, and the scrub goes on.
    Back,
    /// An object that no manifest lists was read.
    Unlisted {
        /// Its path below the archive.
        object: String,
        /// What it is now.
        fingerprint: Fingerprint,
    },
    /// A damaged object was moved aside, or had been by a scrub that was cut off.
    Quarantined {
        /// Its path below the archive.
        object: String,
        /// Where it lies now.
        path: PathBuf,
        /// What was wrong with it.
        reason: String,
    },
}

/// What a scrub went through.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Scrubbed {
    /// Objects that were read, or looked for.
    pub objects: u64,
    /// Bytes of these.
    pub bytes: u64,
    /// Manifests that were read.
    pub manifests: u64,
    /// Objects so young that their lines are yet to be written.
    pub waiting: u64,
    /// What is wrong.
    pub faults: u64,
    /// It was told to stop before its end.
    pub stopped: bool,
    /// What can't be read is tried again before it is told.
    pub(crate) holds: bool,
}

/// The folders of an archive, and how to go through them.
pub struct Scrub<'a> {
    /// Reads the archive.
    pub disk: &'a dyn Disk,
    /// The archive.
    pub archive: &'a Path,
    /// Its spool: manifests that are being written, and the catalog.
    pub spool: &'a Path,
    /// Bounds what is read.
    pub pace: &'a Pace,
    /// Damaged objects are moved aside.
    pub quarantine: bool,
    /// What changed so lately may not have been written down yet: [`Scrub::YOUNG`].
    pub young: Duration,
    /// Takes what there is to tell.
    pub tell: &'a mut dyn FnMut(ScrubEvent),
    /// What was gone through so far.
    pub scrubbed: Scrubbed,
}

impl std::fmt::Debug for Scrub<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Scrub")
            .field("archive", &self.archive)
            .field("scrubbed", &self.scrubbed)
            .finish_non_exhaustive()
    }
}

impl Scrub<'_> {
    /// A line comes within seconds, unless the relay is very busy.
    pub const YOUNG: Duration = Duration::from_secs(120);

    /// Whether an instant is so young beside another.
    fn is_young(&self, at: CaptureTime, beside: CaptureTime) -> bool {
        let young = i64::try_from(self.young.as_nanos()).unwrap_or(i64::MAX);
        at.unix_nanos().saturating_add(young) > beside.unix_nanos()
    }

    fn fault(&mut self, kind: FaultKind, camera: Option<&CameraName>, path: &str, detail: String) {
        let Scrubbed { stopped, holds, .. } = self.scrubbed;
        if kind == FaultKind::Unreadable && (stopped || holds) {
            return;
        }
        self.scrubbed.faults += 1;
        (self.tell)(ScrubEvent::Fault(Fault {
            kind,
            camera: camera.cloned(),
            path: path.to_owned(),
            detail,
        }));
    }

    /// Whether to go on.
    fn goes_on(&mut self) -> bool {
        self.scrubbed.stopped |= self.pace.is_stopped();
        !self.scrubbed.stopped
    }

    /// Opens the catalog and reads it whole. None where it can't be held against anything: that has
    /// been told, unless there is none.
    pub fn catalog(&mut self) -> Option<Catalog> {
        let path = self.spool.join(FILE).display().to_string();
        let words = |error: &CatalogError| {
            let cause = std::error::Error::source(error);
            cause.map_or_else(|| error.to_string(), ToString::to_string)
        };
        let remedy = "`forebay catalog rebuild` makes it anew";
        let catalog = match Catalog::open_to_read(self.spool) {
            Ok(catalog) => catalog,
            Err(CatalogError::Missing(_)) => return None,
            Err(error) => {
                let detail = format!("{}; {remedy}", words(&error));
                self.fault(FaultKind::Catalog, None, &path, detail);
                return None;
            }
        };
        match catalog.verify() {
            Ok(wrong) if wrong.is_empty() => catalog
                .knows_manifests()
                .is_ok_and(|knows| knows)
                .then_some(catalog),
            Ok(wrong) => {
                for wrong in wrong {
                    self.fault(
                        FaultKind::Catalog,
                        None,
                        &path,
                        format!("{wrong}; {remedy}"),
                    );
                }
                None
            }
            Err(error) => {
                let detail = format!("{}; {remedy}", words(&error));
                self.fault(FaultKind::Catalog, None, &path, detail);
                None
            }
        }
    }

    /// Opens the catalog again, which has been read whole and found sound.
    fn sound_catalog(&self) -> Option<Catalog> {
        let catalog = Catalog::open_to_read(self.spool).ok()?;
        let knows = catalog.knows_manifests().is_ok_and(|knows| knows);
        knows.then_some(catalog)
    }

    /// All cameras of which archive or catalog know.
    ///
    /// # Errors
    /// When the archive's folder can't be listed.
    pub fn cameras(&self, catalog: Option<&Catalog>) -> io::Result<BTreeSet<CameraName>> {
        // Not there at all, it is away: then nothing is missing.
        self.disk.metadata(self.archive)?;
        self.check_place()?;
        let folders = names(self.disk, self.archive)?.into_iter();
        let mut cameras: BTreeSet<_> = folders.filter_map(|name| Name::new(&name).ok()).collect();
        let known = catalog.map(|catalog| catalog.object_cameras().unwrap_or_default());
        cameras.extend(known.into_iter().flatten());
        Ok(cameras)
    }

    /// Whether it is the archive that is read, and not an empty folder in its place.
    fn check_place(&self) -> io::Result<()> {
        let checked = mark::check(self.disk, self.archive, self.spool);
        checked.map_err(|error| io::Error::new(error.source.kind(), error.line()))
    }

    /// Goes through a camera: its manifests, then the objects that begin within a window, from
    /// behind one on.
    pub fn camera(
        &mut self,
        camera: &CameraName,
        window: Option<Span>,
        behind: Option<&str>,
        catalog: Option<&Catalog>,
    ) {
        if let Err(error) = self.had(Self::check_place) {
            let detail = format!("nothing can be read: {error}");
            return self.fault(FaultKind::Unreadable, Some(camera), camera.as_str(), detail);
        }
        if let Some(folders) = self.manifests_at_last(camera, catalog) {
            self.objects(camera, folders, window, behind, catalog);
        }
    }
}

/// Whether an object begins within a window.
fn is_within(name: &ObjectName<'_>, window: Option<Span>) -> bool {
    window.is_none_or(|Span { begin, end }| (begin..end).contains(&name.begin))
}

#[cfg(test)]
mod tests;
