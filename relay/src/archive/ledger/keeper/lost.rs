//! Footage that was durable in the spool and never reached the archive.

use std::collections::BTreeSet;
use std::io;
use std::path::PathBuf;

use super::super::run::LostFile;
use super::super::scan::spooled;
use super::super::spans::later;
use super::super::{Evidence, GapCause, Span, Witness};
use super::{Keeper, MOVED_MAX, spool_object};
use crate::archive::catalog::{Catalog, Change, Found};
use crate::archive::names::SpoolName;
use crate::units::CameraName;

/// Of [`Tombstone`]s.
const TOMBSTONES_MAX: usize = 4096;

/// What may be removed once it is written down.
pub(super) type Tombstone = (CameraName, PathBuf);

impl Keeper {
    /// It is missing from now on, by the storage.
    pub(super) fn lost(&mut self, file: LostFile) {
        let Some(object) = spool_object(&file.spooled) else {
            return;
        };
        let is_told =
            |tombstone: &PathBuf| self.tombstones.iter().any(|(_, path)| path == tombstone);
        // One beyond the bound is told of again, and counted then: only what is known here is known to
        // have been counted.
        let is_full = self.tombstones.len() >= TOMBSTONES_MAX;
        if file
            .tombstone
            .as_ref()
            .is_some_and(|it| is_full || is_told(it))
        {
            return;
        }
        let span = Span {
            begin: file.begin,
            end: file.end.max(later(file.begin, 1)),
        };
        // Also of a camera that is not configured any more.
        let change = Change::Evidence {
            run: self.run,
            evidence: Evidence {
                camera: file.camera.clone(),
                witness: Witness::Archive,
                begin: span.begin,
                end: Some(span.end),
                cause: GapCause::Storage,
                detail: file.why.to_owned(),
            },
        };
        self.journals.change(&change);
        self.pending.push(change);
        // One that had no end in its name may have got it when it was let go.
        let name = file.spooled.file_name().and_then(|name| name.to_str());
        let name = name.and_then(SpoolName::decode);
        let endless = name.map(|name| spooled(&SpoolName { end: None, ..name }.encode()));
        for object in [Some(object.clone()), endless].into_iter().flatten() {
            self.pending.push(Change::Gone { object });
        }
        if let Some(camera) = self.camera(&file.camera) {
            camera.reading.remove(&object);
            let counted = camera.counted;
            let of_counted = counted.and_then(|end| Span::new(span.begin, span.end.min(end)));
            if let Some(span) = of_counted {
                self.events.lost_later(&file.camera, span.nanos());
            }
        }
        // It may be being read.
        self.lost.push_back(object);
        if self.lost.len() > MOVED_MAX {
            self.lost.pop_front();
        }
        let told = file.tombstone.map(|path| (file.camera, path));
        self.tombstones.extend(told);
    }

    /// Writes a catalog again whose file was removed, with what it knows; what it does not save is
    /// looked for.
    pub(super) fn save_catalog(&mut self) {
        let Some(catalog) = self.catalog.take_if(|catalog| catalog.is_removed()) else {
            return;
        };
        self.events.catalog_removed();
        let saved = catalog.save();
        drop(catalog);
        match saved.and_then(|()| Catalog::open(&self.spool)) {
            Ok((catalog, Found::Whole)) => self.catalog = Some(catalog),
            Ok(_) => self.catalog_rest = None,
            Err(error) => {
                self.events.catalog_failed(&error);
                self.catalog_rest = None;
            }
        }
    }

    /// Removes the names of what is written down, in the catalog and durably in the journals.
    pub(super) fn bury(&mut self) {
        if self.tombstones.is_empty() || self.catalog.is_none() || !self.pending.is_empty() {
            return;
        }
        let cameras: BTreeSet<_> = self
            .tombstones
            .iter()
            .map(|(name, _)| name.clone())
            .collect();
        let mut told = BTreeSet::new();
        for camera in cameras {
            match self.journals.flush(&camera) {
                Ok(()) => {
                    told.insert(camera);
                }
                Err(error) => self.events.journal_failed(&camera, &error, 0),
            }
        }
        let disk = self.archive.disk();
        self.tombstones.retain(|(camera, path)| {
            if !told.contains(camera) {
                return true;
            }
            match disk.unlink(path) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => {
                    // It is told of again, and must be known then.
                    tracing::debug!(path = %path.display(), %error, "the name of lost footage stays");
                    true
                }
                _ => false,
            }
        });
    }
}

#[cfg(test)]
#[path = "lost_tests.rs"]
mod tests;
