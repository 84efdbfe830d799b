//! Moving damaged objects aside, and telling the books of it while no relay does.

use std::collections::VecDeque;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::archive::catalog::{Catalog, Change, Found};
use crate::archive::checksum::fingerprint;
use crate::archive::disk::{Disk, is_unsupported};
use crate::archive::ledger::{Evidence, GapCause, Journals, Witness};
use crate::archive::manifest::{Before, Manifests, Newest, newest_spooled, tips};
use crate::archive::names::ObjectName;
use crate::archive::store::{create_dirs, locked};
use crate::archive::{
    Archive, ArchiveEvent, ArchiveOptions, At, Fingerprint, MANIFESTS, OpenError, StorageError,
};

/// Folder in the archive for what is damaged; below it each object has its own path.
pub const QUARANTINE: &str = ".quarantine";
/// Damaged objects of the same name.
const SAME_NAME_MAX: u32 = 99;
/// Files published at an opening that are noted; the next start of a relay notes more.
const PUBLISHED_MAX: usize = 1 << 16;

/// Moves an object aside, durably; never over another.
pub(super) fn set_aside(
    disk: &dyn Disk,
    archive: &Path,
    object: &str,
) -> Result<PathBuf, StorageError> {
    let from = archive.join(object);
    let whole = archive.join(QUARANTINE).join(object);
    let folder = whole.parent().unwrap_or(&whole);
    create_dirs(disk, folder)?;
    for nth in 1..=SAME_NAME_MAX {
        let to = match nth {
            1 => whole.clone(),
            nth => {
                let mut name = whole.clone().into_os_string();
                name.push(format!(".{nth}"));
                name.into()
            }
        };
        let moved = match disk.rename_noreplace(&from, &to) {
            Err(error) if is_unsupported(&error) => disk
                .link(&from, &to)
                .and_then(|()| disk.sync_dir(folder))
                .and_then(|()| disk.unlink(&from)),
            moved => moved,
        };
        match moved {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
            moved => moved.at("move aside", &from)?,
        }
        for folder in [folder, from.parent().unwrap_or(&from)] {
            disk.sync_dir(folder).at("flush the folder", folder)?;
        }
        return Ok(to);
    }
    Err(io::ErrorKind::AlreadyExists.into()).at("find a free name aside for", &from)
}

/// Where an object lies that was moved aside.
pub(super) fn find(disk: &dyn Disk, archive: &Path, object: &str) -> Option<PathBuf> {
    let path = archive.join(QUARANTINE).join(object);
    let is_file = disk.metadata(&path).ok()?.is_file;
    is_file.then_some(path)
}

/// The books of an archive whose relay does not run. Nobody else can open it meanwhile.
pub struct Offline {
    archive: Archive,
    manifests: Manifests,
    journals: Journals,
    catalog: Option<Catalog>,
    root: PathBuf,
    published: Arc<Mutex<VecDeque<(PathBuf, Fingerprint)>>>,
    failed: Option<String>,
}

impl fmt::Debug for Offline {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Offline")
            .field("root", &self.root)
            .finish_non_exhaustive()
    }
}

impl Offline {
    /// Opens the books.
    ///
    /// # Errors
    /// [`OpenError::Locked`] while a relay runs; otherwise what the disk says.
    pub fn open(disk: &Arc<dyn Disk>, archive: &Path, spool: &Path) -> Result<Self, OpenError> {
        let published = Arc::new(Mutex::new(VecDeque::new()));
        let told = Arc::clone(&published);
        let on_event = move |event| {
            if let ArchiveEvent::Published {
                path, fingerprint, ..
            } = event
            {
                let mut told = locked(&told);
                if told.len() < PUBLISHED_MAX {
                    told.push_back((path, fingerprint));
                }
            }
        };
        let options = ArchiveOptions::new(spool, archive);
        let (opened, _) = Archive::open(options, Arc::clone(disk), Arc::new(on_event))?;
        // One that is damaged is left to whoever makes it anew.
        let sound = Catalog::open_to_read(spool).is_ok_and(|catalog| {
            let wrong = catalog.verify();
            wrong.is_ok_and(|wrong| wrong.is_empty())
        });
        let catalog = sound.then(|| Catalog::open(spool).ok()).flatten();
        let catalog = catalog.filter(|(_, found)| *found == Found::Whole);
        let mut manifests = Manifests::new(opened.clone());
        if let Some(chain) = manifests.chain() {
            let spooled = newest_spooled(&**disk, spool);
            let (known, before) = match tips(&**disk, archive) {
                Ok(known) => (known, Before::Known),
                Err(error) => {
                    let reason = format!("the archive can't be read: {error}");
                    (Vec::new(), Before::Unknown(reason))
                }
            };
            // The catalog may know of one that is not there any more, and shall be missed.
            let listed = catalog
                .as_ref()
                .map(|(catalog, _)| catalog.newest_manifests());
            let listed = listed.and_then(Result::ok).unwrap_or_default();
            let others = spooled.unwrap_or_default().into_iter().chain(listed);
            for (camera, tips) in known {
                chain.tips(&camera, tips);
            }
            for (camera, newest) in others {
                chain.learn(&camera, newest);
            }
            chain.settle(before);
        }
        let mut offline = Self {
            journals: Journals::new(opened.clone()),
            archive: opened,
            manifests,
            catalog: catalog.map(|(catalog, _)| catalog),
            root: archive.to_owned(),
            published,
            failed: None,
        };
        offline.note_published();
        Ok(offline)
    }

    /// A damaged object was moved aside: it has gone, and its footage is missing.
    pub fn quarantined(&mut self, object: &str, reason: &str) {
        let mut changes = Vec::new();
        if let Some(evidence) = self.evidence(object, reason) {
            self.journals.change(&evidence);
            changes.push(evidence);
        }
        if !self.manifests.gone(object, reason) {
            self.fail(&"too many lines wait for the disk");
        }
        changes.push(Change::Gone {
            object: object.to_owned(),
        });
        self.apply(&changes);
        let refused = self.manifests.append().into_iter();
        for refused in refused.chain(self.journals.append()) {
            self.fail(&refused.error);
        }
    }

    /// Somebody knows that an object is missing, or that a manifest is missing or altered: that is
    /// noted, with the reason, and not told again. What of footage is missing counts so.
    ///
    /// # Errors
    /// In words, where there is nothing to acknowledge.
    pub fn acknowledge(&mut self, object: &str, reason: &str) -> Result<(), String> {
        let Some(name) = ObjectName::parse(object) else {
            return Err(format!(
                "{object} is no path of the archive, as `forebay scrub` prints it"
            ));
        };
        let path = self.root.join(object);
        let there = match self.archive.disk().open_to_read(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            file => {
                let taken = file.and_then(|file| fingerprint(&*file));
                Some(taken.map_err(|error| format!("{object} can't be read: {error}"))?)
            }
        };
        if name.purpose != MANIFESTS {
            if there.is_some() {
                return Err(format!(
                    "{object} is there: --quarantine moves it aside if it is damaged, and what no \
                     manifest lists is listed by a relay that runs"
                ));
            }
            self.quarantined(object, &format!("acknowledged as missing: {reason}"));
            return Ok(());
        }
        let sha256 = there.map(|taken| taken.sha256);
        if !self.manifests.acknowledged(object, sha256, reason) {
            self.fail(&"too many lines wait for the disk");
        }
        let change = match there {
            None => Change::Gone {
                object: object.to_owned(),
            },
            Some(fingerprint) => Change::Object {
                object: object.to_owned(),
                camera: name.camera,
                fingerprint,
                late: false,
            },
        };
        self.apply(&[change]);
        for refused in self.manifests.append() {
            self.fail(&refused.error);
        }
        Ok(())
    }

    fn evidence(&self, object: &str, reason: &str) -> Option<Change> {
        let catalog = self.catalog.as_ref()?;
        let camera = ObjectName::parse(object)?.camera;
        let span = catalog.footage_span(object).ok()??;
        let run = catalog.last_runs(&camera, 1).ok()?.first()?.begin;
        Some(Change::Evidence {
            run,
            evidence: Evidence {
                camera,
                witness: Witness::Archive,
                begin: span.begin,
                end: Some(span.end),
                cause: GapCause::Storage,
                detail: format!("{object}: {reason}"),
            },
        })
    }

    fn fail(&mut self, error: &dyn fmt::Display) {
        self.failed.get_or_insert_with(|| error.to_string());
    }

    fn apply(&mut self, changes: &[Change]) {
        let applied = self.catalog.as_mut().map(|catalog| catalog.apply(changes));
        if let Some(Err(error)) = applied {
            self.fail(&error);
        }
    }

    fn note_published(&mut self) {
        let published: Vec<_> = locked(&self.published).drain(..).collect();
        let mut changes = Vec::new();
        for (path, fingerprint) in published {
            let object = path.strip_prefix(&self.root).ok().and_then(Path::to_str);
            let Some((object, name)) = object.and_then(|o| Some((o, ObjectName::parse(o)?))) else {
                continue;
            };
            if name.purpose == MANIFESTS {
                let newest = Newest {
                    name: object.to_owned(),
                    sha256: Ok(fingerprint.sha256),
                };
                if let Some(chain) = self.manifests.chain() {
                    chain.learn(&name.camera, newest);
                }
            } else if !self.manifests.object(object, fingerprint, false) {
                continue;
            }
            changes.push(Change::Object {
                object: object.to_owned(),
                camera: name.camera,
                fingerprint,
                late: false,
            });
        }
        self.apply(&changes);
    }

    /// Closes the books.
    ///
    /// # Errors
    /// What could not be written, in words. The objects that were moved aside are found there by the
    /// next scrub.
    pub fn close(mut self, patience: Duration) -> Result<(), String> {
        for refused in self.journals.finish() {
            self.fail(&refused.error);
        }
        self.note_published();
        for refused in self.manifests.finish() {
            self.fail(&refused.error);
        }
        if !self.archive.close(patience) {
            self.fail(&"the archive did not take it in time; the next start goes on with it");
        }
        self.note_published();
        self.failed.map_or(Ok(()), Err)
    }
}
