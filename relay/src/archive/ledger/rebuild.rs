//! The catalog made anew from the archive's files, the spool and the journals.

use std::path::{Path, PathBuf};

use super::scan::{FOOTAGE, Known, MP4, Scan, Scanned, spool_names};
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
    /// Not all can be read that there may be.
    #[error("the catalog is left as it is: the new one would not know all that there is")]
    Unreached(#[source] StorageError),
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
    let mut catalog = Catalog::open_to_fill(&fresh)?;
    let mut failure = None;
    let mut take = |changes: Vec<Change>, scanned| {
        progress(scanned);
        let applied = catalog.apply(&changes);
        applied.map_err(|error| failure = Some(error)).is_ok()
    };
    let known = Known::default();
    let mut scan = Scan::new(disk, (archive, spool), ("", ""), known, &mut take).strict();
    scan.run(true);
    let (scanned, missed) = (scan.scanned, scan.missed);
    if let Some(error) = failure {
        return Err(error.into());
    }
    if let Some(error) = missed {
        drop(catalog);
        remove(&fresh)?;
        return Err(RebuildError::Unreached(error));
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

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use rustix::io::Errno;

    use super::*;
    use crate::archive::faults::{Fault, FaultyDisk, Lack};

    /// Each operation on the archive fails once: then there is an error and the old catalog, or, where
    /// it is one file that has gone bad, a new catalog that tells of it.
    #[test]
    fn what_cannot_be_listed_or_reached_is_not_taken_for_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let (archive, spool) = (dir.path().join("archive"), dir.path().join("spool"));
        std::fs::create_dir(&spool).unwrap();
        for (camera, day) in [("gate", 4), ("gate", 5), ("slipway", 4)] {
            let day = format!("2026-05-0{day}");
            let folder = archive.join(format!("{camera}/ledger/{day}"));
            std::fs::create_dir_all(&folder).unwrap();
            let line = format!(
                "{{\"at\":\"{day}T07:00:00Z\",\"kind\":\"run\",\"begin\":\"2026-05-04T07:00:00Z\",\
                 \"alive\":\"{day}T08:00:00Z\",\"ended\":false,\"site\":\"boatyard\"}}\n"
            );
            std::fs::write(folder.join(format!("{day}T070000.000Z.jsonl")), line).unwrap();
        }
        let make = |disk: &FaultyDisk| rebuild(disk, &archive, &spool, &mut |_| {});
        let faulty = |at, fault| FaultyDisk::new(Arc::new(RealDisk), Lack::Nothing, at, fault);
        let whole = faulty(0, Fault::Once(Errno::IO));
        let made = make(&whole).unwrap();
        assert_eq!((made.scanned.journals, made.scanned.failed), (3, 0));
        let known = std::fs::read(&made.path).unwrap();
        let (mut refused, mut told) = (0, 0);
        for errno in [Errno::TIMEDOUT, Errno::IO] {
            for at in 1..=whole.count() {
                match make(&faulty(at, Fault::Once(errno))) {
                    Err(RebuildError::Unreached(_)) => {
                        refused += 1;
                        assert_eq!(std::fs::read(&made.path).unwrap(), known, "{errno:?} {at}");
                    }
                    Ok(made) => {
                        told += 1;
                        assert_eq!((errno, made.scanned.failed), (Errno::IO, 1), "{at}");
                        make(&whole).unwrap();
                    }
                    Err(error) => panic!("{errno:?} {at}: {error}"),
                }
            }
        }
        assert!(refused > told && told > 0, "{refused} {told}");
        assert!(!spool.join(format!("{FILE}.new")).exists());
    }
}
