//! The catalog made anew from the archive's files, the spool and the journals.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::scan::{FOOTAGE, MP4, Scan, Scanned, spool_names};
use crate::archive::catalog::{Catalog, CatalogError, Change, FILE, RunRecord};
use crate::archive::names::Spool;
use crate::archive::{At, Disk, OpenError, RealDisk, StorageError};
use crate::units::CaptureTime;

/// Why a catalog can't be made anew.
#[derive(Debug, thiserror::Error)]
pub enum RebuildError {
    /// A relay uses the spool.
    #[error(transparent)]
    Spool(#[from] OpenError),
    /// The disk refuses.
    #[error("the catalog can't be written")]
    Storage(#[from] StorageError),
    /// The new catalog can't be written.
    #[error(transparent)]
    Catalog(#[from] CatalogError),
}

/// What a new catalog was made from, and where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rebuilt {
    /// The files.
    pub scanned: Scanned,
    /// The catalog.
    pub path: PathBuf,
}

/// Makes the catalog of a spool anew, and puts it in the place of the old one once it is whole.
/// `progress` is called now and then.
///
/// # Errors
/// [`OpenError::Locked`] while a relay uses the spool; otherwise what the disk says.
pub fn rebuild(
    disk: &dyn Disk,
    archive: &Path,
    spool: &Path,
    progress: &mut dyn FnMut(Scanned),
) -> Result<Rebuilt, RebuildError> {
    let lock = spool.join("lock");
    let _lock = match RealDisk.lock(&lock) {
        Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
            let path = spool.to_owned();
            return Err(OpenError::Locked { path, holder: None }.into());
        }
        result => result.at("lock", &lock)?,
    };
    let path = spool.join(FILE);
    let fresh = spool.join(format!("{FILE}.new"));
    remove(&fresh)?;
    let mut catalog = Catalog::open_at(&fresh)?;
    let mut failure = None;
    let known = HashSet::new();
    let mut take = |changes: Vec<Change>, scanned| {
        progress(scanned);
        let applied = catalog.apply(&changes);
        applied.map_err(|error| failure = Some(error)).is_ok()
    };
    let mut scan = Scan::new(disk, (archive, spool), ("", ""), &known, &mut take);
    scan.run(true);
    let scanned = scan.scanned;
    if let Some(error) = failure {
        return Err(error.into());
    }
    settle(&mut catalog, spool)?;
    // Closed, its write-ahead log is part of it.
    drop(catalog);
    let flush = |path: &Path| RealDisk.open(path)?.sync();
    flush(&fresh).at("flush", &fresh)?;
    // First the log of the old one: it must not be taken for the new one's.
    for suffix in ["-wal", "-shm"] {
        remove_one(&beside(&path, suffix))?;
    }
    std::fs::rename(&fresh, &path).at("rename", &fresh)?;
    RealDisk.sync_dir(spool).at("flush the folder", spool)?;
    Ok(Rebuilt { scanned, path })
}

/// All is read. Everything up to the last run's end is settled, but what a crash left open is yet to be repaired.
pub(super) fn settle(catalog: &mut Catalog, spool: &Path) -> Result<(), CatalogError> {
    let open = spool_names(&Spool::new(spool).open, FOOTAGE, MP4);
    let mut changes = vec![Change::Complete];
    for (camera, _) in catalog.cameras()? {
        let runs = catalog.last_runs(&camera, 1)?;
        let Some(RunRecord { alive, .. }) = runs.first() else {
            continue;
        };
        let of_camera = open.iter().filter(|(name, _)| name.key.camera == camera);
        let begins = of_camera.map(|(name, _)| name.key.begin);
        let until: CaptureTime = begins.chain([*alive]).min().unwrap_or(*alive);
        changes.push(Change::Settled { camera, until });
    }
    catalog.apply(&changes)
}

fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

fn remove(path: &Path) -> Result<(), StorageError> {
    ["", "-wal", "-shm"]
        .iter()
        .try_for_each(|suffix| remove_one(&beside(path, suffix)))
}

fn remove_one(path: &Path) -> Result<(), StorageError> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        result => result.at("remove", path),
    }
}
