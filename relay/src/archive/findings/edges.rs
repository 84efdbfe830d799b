//! Begins and ends of states, however far from a window they are.
//!
//! A state may last for months, so that no margin around a window is wide enough. Which files have
//! findings of its kind is known to the catalog: of each sink and kind [`FILES_MAX`] files are read
//! at the most, and where a kind is of states, as kinds are, the first of them has what is looked
//! for. What is in the spool is read whole. The catalog's index is walked once; it has a row for each
//! hour and kind.

use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::io;
use std::path::Path;

use super::files::spooled;
use super::{Finding, Phase, read_line};
use crate::archive::catalog::{Catalog, CatalogError, Side};
use crate::archive::disk::Disk;
use crate::archive::jsonl::each_line;
use crate::units::{CameraName, CaptureTime, SinkName};

/// Files read for one sink and kind.
const FILES_MAX: usize = 8;
/// Kinds that are told apart in a file, over all sinks.
const KINDS_MAX: usize = 4096;

/// Sink and kind.
pub type Kind = (SinkName, String);

/// Looks for begins and ends of one camera's states.
#[derive(Debug, Clone, Copy)]
pub struct Edges<'a> {
    catalog: &'a Catalog,
    disk: &'a dyn Disk,
    archive: &'a Path,
    spool: &'a Path,
    camera: &'a CameraName,
}

/// Begins and ends that were found, and how many files could not be read.
#[derive(Debug, Default)]
pub struct Edged {
    /// One of a sink and kind at the most.
    pub edges: Vec<Finding>,
    /// Files that can't be read.
    pub unreadable_files: u64,
}

impl<'a> Edges<'a> {
    /// Nothing is read yet.
    #[must_use]
    pub fn new(
        catalog: &'a Catalog,
        disk: &'a dyn Disk,
        (archive, spool): (&'a Path, &'a Path),
        camera: &'a CameraName,
    ) -> Self {
        Self {
            catalog,
            disk,
            archive,
            spool,
            camera,
        }
    }

    /// The begins of the states that have not ended before an instant.
    ///
    /// # Errors
    /// The catalog's.
    pub fn open_at(
        self,
        at: CaptureTime,
        wants: &dyn Fn(&Kind) -> bool,
    ) -> Result<Edged, CatalogError> {
        let mut found = self.nearest(at, Side::Before, wants)?;
        found.edges.retain(|edge| edge.phase == Phase::Begin);
        Ok(found)
    }

    /// The first begin or end from an instant on.
    ///
    /// # Errors
    /// The catalog's.
    pub fn next(
        self,
        at: CaptureTime,
        wants: &dyn Fn(&Kind) -> bool,
    ) -> Result<Edged, CatalogError> {
        self.nearest(at, Side::After, wants)
    }

    /// Whether a state that began then, and whose end is not told, is over at another instant: it was
    /// open when the relay was killed, as a start of the relay after its begin shows.
    ///
    /// # Errors
    /// The catalog's.
    pub fn is_cut_off(self, begin: CaptureTime, at: CaptureTime) -> Result<bool, CatalogError> {
        self.catalog.started_within(begin, at)
    }

    fn nearest(
        self,
        at: CaptureTime,
        side: Side,
        wants: &dyn Fn(&Kind) -> bool,
    ) -> Result<Edged, CatalogError> {
        let mut nearest = Nearest {
            at,
            side,
            wants,
            edges: BTreeMap::new(),
            unreadable_files: 0,
        };
        // The spool first: what is carried off meanwhile is in the catalog after that.
        for source in spooled(self.spool, self.camera) {
            nearest.read(
                source.file.map_or_else(|| File::open(&source.path), Ok),
                &source.path,
            );
        }
        let mut read = HashSet::new();
        for (kind, traces) in self.catalog.trail(self.camera, at, side, FILES_MAX)? {
            if !wants(&kind) {
                continue;
            }
            for trace in traces {
                let nearer = |edge: &Finding| nearest.distance(edge) < side.distance(&trace, at);
                if nearest.edges.get(&kind).is_some_and(nearer) {
                    break;
                }
                // Files of the spool have been read.
                let path = self.archive.join(&trace.object);
                if !trace.object.starts_with("spool/") && read.insert(trace.object) {
                    nearest.read(self.disk.fetch(&path), &path);
                }
            }
        }
        Ok(Edged {
            edges: nearest.edges.into_values().collect(),
            unreadable_files: nearest.unreadable_files,
        })
    }
}

/// The begins and ends that are nearest to an instant on one side of it.
struct Nearest<'a> {
    at: CaptureTime,
    side: Side,
    wants: &'a dyn Fn(&Kind) -> bool,
    edges: BTreeMap<Kind, Finding>,
    unreadable_files: u64,
}

impl Nearest<'_> {
    fn distance(&self, edge: &Finding) -> u64 {
        edge.at.unix_nanos().abs_diff(self.at.unix_nanos())
    }

    fn read(&mut self, file: io::Result<File>, path: &Path) {
        // Of one instant, a state's begin stands before its end.
        let mut here: BTreeMap<Kind, Finding> = BTreeMap::new();
        let read = file.and_then(|file| {
            each_line(file, &mut |line| {
                let Some(finding) = read_line(line).filter(|f| f.phase != Phase::Mark) else {
                    return true;
                };
                let (before, distance) = (finding.at < self.at, self.distance(&finding));
                let kind = (finding.sink.clone(), finding.kind.clone());
                let known = here.get(&kind).map(|known| self.distance(known));
                let nearer = match self.side {
                    Side::Before => before && known.is_none_or(|known| distance <= known),
                    Side::After => !before && known.is_none_or(|known| distance < known),
                };
                if nearer && here.len() < KINDS_MAX && (self.wants)(&kind) {
                    here.insert(kind, finding);
                }
                true
            })
        });
        match read {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                self.unreadable_files += 1;
                tracing::warn!(path = %path.display(), %error, "findings can't be read");
            }
            // Carried off meanwhile, or taken away: the index is behind.
            _ => {}
        }
        for (kind, edge) in here {
            let known = self.edges.get(&kind).map(|known| self.distance(known));
            if known.is_none_or(|known| self.distance(&edge) < known) {
                self.edges.insert(kind, edge);
            }
        }
    }
}

#[cfg(test)]
#[path = "edges_tests.rs"]
mod tests;
