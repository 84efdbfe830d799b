//! What the keeper learns of files, and writes into their manifests.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::super::reader::Job;
use super::super::run::{FileAt, Removal};
use super::super::scan::published;
use super::super::spans::later;
use super::super::{Evidence, GapCause, Witness};
use super::{Camera, Keeper, MOVED_MAX, Relist, SCAN_PATIENCE, SECOND, one_line, spool_object};
use crate::archive::catalog::{Catalog, Change};
use crate::archive::manifest::{Before, Newest, newest_spooled};
use crate::archive::names::{ObjectName, days_before};
use crate::archive::{Fingerprint, MANIFESTS, RealDisk};
use crate::units::{CameraName, CaptureTime};

/// Objects of which a scan may not know the latest. Of more, some get a second line.
const TOLD_MAX: usize = 1 << 16;
/// How long an end waits to learn of the manifests of earlier runs.
const LAST_PATIENCE: Duration = Duration::from_millis(100);

impl Keeper {
    /// Looks for what the catalog does not know: of the last days where it was kept, of all days
    /// where that has never come to its end.
    pub(super) fn scan(&mut self) {
        let Some(catalog) = &self.catalog else { return };
        let kept = catalog.is_complete().unwrap_or(false);
        let settled = |camera: &Camera| catalog.settled(&camera.name).ok().flatten();
        let oldest = self.cameras.iter().filter_map(settled).min();
        let since = kept.then_some(oldest).flatten();
        let lately = later(CaptureTime::now(), -48 * 3600 * SECOND);
        let changed_since = since.map_or(lately, |since| later(since, -3600 * SECOND));
        let since = since.map(|since| later(since, -24 * 3600 * SECOND));
        let unlisted_since = since.unwrap_or(lately).day();
        let since = since.map_or_else(String::new, CaptureTime::day);
        let manifests_since = match catalog.knows_manifests() {
            Ok(true) => days_before(&since, 1),
            _ => String::new(),
        };
        let job = Job::Scan {
            since,
            manifests_since,
            unlisted_since: (unlisted_since, changed_since),
        };
        if self.reader.ask(job) {
            self.scanning = Some(Instant::now() + SCAN_PATIENCE);
            self.told = Some(HashSet::new());
            if self.relist == Relist::Wanted {
                self.relist = Relist::Scanned;
            }
        } else {
            self.rescan = true;
        }
    }

    /// A file that the ledger reads has come to the archive.
    pub(super) fn published(&mut self, file: FileAt, path: PathBuf) {
        let from = spool_object(&file.spooled);
        let (Some(from), Some(to)) = (from, published(&self.root, &path)) else {
            return;
        };
        self.moved.push_back((from.clone(), to.clone()));
        if self.moved.len() > MOVED_MAX {
            self.moved.pop_front();
        }
        let to_come = self.pending.iter().any(|change| match change {
            Change::Footage { object, .. } | Change::Findings { object, .. } => *object == from,
            _ => false,
        });
        let catalog = self.catalog.as_ref();
        let known = catalog.is_some_and(|c| c.knows(&from).unwrap_or(false));
        if to_come || known {
            self.pending.push(Change::Moved { from, to });
        } else {
            self.read(to, file, path);
        }
    }

    /// Looks soon for objects that no manifest lists, whatever the catalog knows.
    pub(super) fn relist(&mut self) {
        (self.relist, self.rescan) = (Relist::Wanted, true);
        self.rescan_rest = None;
    }

    /// A manifest was closed, and never reached the archive. A later one may name it: it says why it
    /// is not there. What it listed is listed again.
    pub(super) fn lost_manifest(&mut self, object: &str) {
        let reason = "it was lost with the spool";
        if !self.manifests.acknowledged(object, None, reason) {
            self.events.dropped();
        }
        self.relist();
    }

    /// Lists a published file in its manifest. A manifest is chained instead.
    pub(super) fn list(&mut self, path: &Path, fingerprint: Fingerprint, late: bool) {
        let Some(object) = published(&self.root, path) else {
            return;
        };
        let Some(name) = ObjectName::parse(&object) else {
            return;
        };
        let (camera, is_manifest) = (name.camera.clone(), name.purpose == MANIFESTS);
        if is_manifest {
            let newest = Newest {
                name: object.clone(),
                sha256: Ok(fingerprint.sha256),
            };
            if let Some(chain) = self.manifests.chain() {
                chain.learn(&camera, newest);
            }
        } else if self.is_told(&object) || late && self.needs_no_line(&object) {
            return;
        } else if self.manifests.object(&object, fingerprint, late) {
            if late {
                self.events.listed_late(&object);
            }
            self.tell_of(&object);
        } else {
            // Too many lines wait for the disk: a scan finds it again.
            self.rescan = true;
            return;
        }
        self.pending.push(Change::Object {
            object,
            camera,
            fingerprint,
            late,
        });
    }

    fn needs_no_line(&self, object: &str) -> bool {
        self.relist == Relist::No && self.is_known(object).unwrap_or(false)
    }

    /// Whether a manifest lists an object, as far as this relay has read and written; none where the
    /// catalog can't tell.
    pub(super) fn is_known(&self, object: &str) -> Option<bool> {
        let to_come = self.pending.iter().any(
            |change| matches!(change, Change::Object { object: listed, .. } if listed == object),
        );
        if to_come {
            return Some(true);
        }
        self.catalog.as_ref()?.lists(object).ok()
    }

    /// An object was taken away on purpose.
    pub(super) fn gone(&mut self, removal: Removal) {
        let Removal {
            object,
            reason,
            is_loss,
        } = removal;
        let reason = one_line(&reason);
        if !self.manifests.gone(&object, &reason) {
            self.events.dropped();
        }
        self.tell_of(&object);
        self.note_gone(&object);
        let held = self.catalog.as_ref().filter(|_| is_loss);
        let held = held.and_then(|catalog| catalog.footage_span(&object).ok().flatten());
        if let (Some(span), Some(name)) = (held, ObjectName::parse(&object)) {
            self.tell(Evidence {
                camera: name.camera,
                witness: Witness::Archive,
                begin: span.begin,
                end: Some(span.end),
                cause: GapCause::Storage,
                detail: format!("{object}: {reason}"),
            });
        }
        self.pending.push(Change::Gone { object });
    }

    /// Takes what a scan has found, but for what has changed since it read it.
    pub(super) fn scanned(&mut self, mut changes: Vec<Change>) {
        changes.retain(|change| match change {
            Change::Object { object, .. } | Change::Gone { object } => !self.is_told(object),
            _ => true,
        });
        let gone: Vec<Removal> = changes.iter().flat_map(removals).collect();
        self.pending.extend(changes);
        // The journal has told of them before they went; the manifests do now, also where a relay was
        // killed in between.
        for removal in gone {
            let catalog = self.catalog.as_ref();
            if catalog.is_some_and(|catalog| catalog.lists(&removal.object).unwrap_or(false)) {
                self.gone(removal);
            }
        }
    }

    fn is_told(&self, object: &str) -> bool {
        self.told.as_ref().is_some_and(|told| told.contains(object))
    }

    fn tell_of(&mut self, object: &str) {
        if let Some(told) = &mut self.told
            && told.len() < TOLD_MAX
        {
            told.insert(object.to_owned());
        }
    }

    /// Looks for the manifests of earlier runs: the next ones begin with their fingerprints.
    pub(super) fn ask_for_manifests(&mut self) {
        match newest_spooled(&RealDisk, &self.spool) {
            Ok(newest) => self.learn(newest),
            Err(error) => tracing::warn!(%error, "the manifests in the spool can't be read"),
        }
        if !self.reader.ask(Job::Manifests) {
            self.chain(Err("the relay was too busy to look for it".to_owned()));
        }
    }

    fn learn(&mut self, all: Vec<(CameraName, Newest)>) {
        if let Some(chain) = self.manifests.chain() {
            for (camera, newest) in all {
                chain.learn(&camera, newest);
            }
        }
    }

    /// What there is of earlier runs and other relays, or why that can't be known. The catalog may
    /// know of one that is not there any more, and shall be missed.
    pub(super) fn chain(&mut self, tips: Result<Vec<(CameraName, Vec<Newest>)>, String>) {
        let known = self.catalog.as_ref().map(Catalog::newest_manifests);
        if let Some(Ok(known)) = known {
            self.learn(known);
        }
        let before = match tips {
            Ok(tips) => {
                if let Some(chain) = self.manifests.chain() {
                    for (camera, tips) in tips {
                        chain.tips(&camera, tips);
                    }
                }
                Before::Known
            }
            Err(reason) => Before::Unknown(reason),
        };
        if let Some(chain) = self.manifests.chain()
            && chain.is_waiting()
        {
            chain.settle(before);
        }
    }

    fn waits_for_chain(&mut self) -> bool {
        self.manifests
            .chain()
            .is_some_and(|chain| chain.is_waiting())
    }

    /// Writes what waits.
    pub(super) fn write_manifests(&mut self) {
        if self.chain_until <= Instant::now() && self.waits_for_chain() {
            self.chain(Err("the archive has not answered".to_owned()));
        }
        for refused in self.manifests.append() {
            self.lines_lost = true;
            self.events
                .manifest_failed(&refused.camera, &refused.error, refused.lost);
        }
    }

    /// Ends the manifests, with what the end of the journals has published.
    pub(super) fn finish_manifests(&mut self) {
        let until = Instant::now() + LAST_PATIENCE;
        while self.waits_for_chain() {
            let left = until.saturating_duration_since(Instant::now());
            match self.inbox.recv_timeout(left) {
                Ok(message) => self.take(message),
                Err(_) => self.chain_until = Instant::now(),
            }
            self.write_manifests();
        }
        self.drain();
        self.commit();
        for refused in self.manifests.finish() {
            self.events
                .manifest_failed(&refused.camera, &refused.error, refused.lost);
        }
        self.drain();
        self.commit();
    }
}

/// What a change says of objects that go by the archive's rules.
fn removals(change: &Change) -> Vec<Removal> {
    let Change::Retired(retired) = change else {
        return Vec::new();
    };
    let removal = |file: &String| Removal {
        object: format!("{}/{file}", retired.folder),
        reason: format!("{}: {}", retired.fate.as_str(), retired.reason),
        is_loss: false,
    };
    retired.files.iter().map(removal).collect()
}

#[cfg(test)]
#[path = "listing_tests.rs"]
mod tests;
