//! Files that survive: written to a spool, made durable, published by a rename.
//!
//! The way of an object:
//! 1. `<spool>/open/…`: a sink appends; a thread flushes what is older than the flush interval.
//! 2. `<spool>/finished/…`: whole and durable. The rename that brings it here records that.
//! 3. `<archive>/<camera>/<purpose>/<day>/<begin>.<extension>`: published, by a rename that never
//!    overwrites. Where spool and archive share a file system, [`Object::finish`] does it; otherwise
//!    a thread copies, because another file system may hang, and a sink must not. A copy is read
//!    back from the disk before it is given a final name.
//!
//! 4. Where that can't be, it waits in `finished`, up to a bound (`room.rs`).
//!
//! After a power cut each name is in one of these folders or, at worst, in two neighbouring ones
//! with the same content; [`Archive::open`] sorts that out. Whatever can't be made whole goes to
//! `<spool>/set-aside/` and is never deleted. Order that makes it so: a file's content is flushed
//! before its name moves; the folder that gains a name is flushed before the one that loses it.

mod away;
mod carry;
pub mod catalog;
mod checksum;
mod disk;
mod ending;
pub mod findings;
mod jsonl;
pub mod ladder;
pub mod ledger;
mod lost;
mod manifest;
mod mark;
pub mod mp4;
mod names;
mod noted;
mod object;
pub mod place;
mod publish;
mod recover;
pub mod replay;
mod room;
pub mod scrub;
mod store;
mod waiting;
mod worker;

#[cfg(test)]
mod crash_tests;
#[cfg(test)]
mod faults;
#[cfg(test)]
mod memory;
#[cfg(test)]
mod real_tests;

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

pub use away::{Away, AwayReason};
pub use checksum::{Checksum, ChecksumError, Fingerprint};
pub use disk::{Disk, DiskFile, Metadata, RealDisk, Room};
pub(crate) use disk::{Sequence, is_outage, is_unsupported};
pub use manifest::PURPOSE as MANIFESTS;
#[cfg(test)]
use mark::MARK;
pub use mark::answers;
pub use names::ObjectKey;
pub(crate) use noted::{Catalogued, Noted};
pub use object::Object;
pub use room::{CarryOptions, SpoolState};
use store::{Store, locked};
use worker::Workers;

use crate::units::{CameraName, CaptureTime};

/// Where and how often.
#[derive(Debug, Clone)]
pub struct ArchiveOptions {
    /// Folder that is written first, on a local disk. Belongs to one relay alone.
    pub spool: PathBuf,
    /// Folder where finished files live.
    pub archive: PathBuf,
    /// Age at which appended data is flushed at the latest. With 4 s (the default) it is on disk
    /// within 5 s, unless the flush itself takes longer than one.
    pub flush_interval: Duration,
    /// What may wait in the spool, and how fast it is carried.
    pub carry: CarryOptions,
}

impl ArchiveOptions {
    /// With the default flush interval, and what the spool has room for.
    #[must_use]
    pub fn new(spool: impl Into<PathBuf>, archive: impl Into<PathBuf>) -> Self {
        let (spool, archive) = (spool.into(), archive.into());
        Self {
            spool,
            archive,
            flush_interval: Duration::from_secs(4),
            carry: CarryOptions::default(),
        }
    }
}

/// What happened. Callbacks come from any thread that uses the archive; they must
/// neither block nor panic.
#[derive(Debug, Clone)]
pub enum ArchiveEvent {
    /// A file is durable under its final name.
    Published {
        /// What it is; `begin` to the millisecond.
        key: ObjectKey,
        /// Capture time at which it ends, unless it was left open by a crash.
        end: Option<CaptureTime>,
        /// Its length and SHA-256.
        fingerprint: Fingerprint,
        /// Its final name.
        path: PathBuf,
        /// Where it lay in the spool.
        spooled: PathBuf,
    },
    /// A finished file, durable as it is, waits in the spool: the archive is on another file system (then there is no
    /// error) or can't be reached now.
    Deferred {
        /// What it is.
        key: ObjectKey,
        /// Capture time at which it ends, unless it was left open by a crash.
        end: Option<CaptureTime>,
        /// Its length.
        bytes: u64,
        /// Where it lies.
        spooled: PathBuf,
        /// Why, where something failed.
        error: Option<String>,
    },
    /// A file that was left open was cut to its whole part, which is published next.
    Repaired {
        /// What it is.
        key: ObjectKey,
        /// Length of the whole part.
        bytes_kept: u64,
        /// What was behind it; may be 0.
        bytes_cut: u64,
    },
    /// A file that can't be made whole was moved here.
    SetAside {
        /// What it was meant to be.
        key: ObjectKey,
        /// Where it lies now.
        path: PathBuf,
        /// Its length.
        bytes: u64,
        /// Why, in words.
        reason: String,
    },
    /// A file in which nothing had been written was removed.
    RemovedEmpty {
        /// What it was meant to be.
        key: ObjectKey,
    },
    /// A copy of what is in the archive was left unfinished, and was removed.
    RemovedCopy {
        /// What it was meant to be.
        key: ObjectKey,
    },
    /// Data of an open file, or the names in a folder, could not be made durable.
    FlushFailed {
        /// The file or folder.
        path: PathBuf,
        /// The system's words.
        error: String,
    },
    /// The archive can't be used, or (none) can be again.
    Away(Option<Away>),
    /// Footage is refused since no more may wait in the spool, and why; none: it is taken again.
    SpoolFull(Option<String>),
    /// The spool was removed, and was made anew here.
    SpoolRenewed(PathBuf),
    /// Footage that waited for the archive was let go for newer footage.
    LetGo {
        /// What it was; `begin` of its first picture.
        key: ObjectKey,
        /// Capture time at which it ended.
        end: CaptureTime,
        /// Its length; none where that was told before.
        bytes: Option<u64>,
        /// Where it lay in the spool.
        spooled: PathBuf,
        /// Keeps its name until the ledger has written it down and removes it.
        tombstone: PathBuf,
    },
    /// What had been written has gone with the spool.
    Lost {
        /// What it was.
        key: ObjectKey,
        /// Capture time at which it ended, as far as that is known.
        end: Option<CaptureTime>,
        /// Its length.
        bytes: u64,
        /// Where it lay in the spool, or would have.
        spooled: PathBuf,
    },
    /// A spooled file could not be repaired or published now; it will be tried again.
    PublishFailed {
        /// The file in the spool.
        path: PathBuf,
        /// What was tried on which path, and the system's words.
        error: String,
        /// Pause before the next try; none: with the next start.
        retry_in: Option<Duration>,
    },
}

/// What [`Archive::open`] found in the spool.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RecoveryReport {
    /// Files published.
    pub published: u64,
    /// Whole files that wait in the spool for the archive.
    pub deferred: u64,
    /// Files left open by a crash that were made whole (also counted as published or deferred).
    pub repaired: u64,
    /// Bytes behind the whole parts of these.
    pub bytes_cut: u64,
    /// Files moved to the folder `set-aside`.
    pub set_aside: u64,
    /// Files removed since nothing was in them that is not elsewhere.
    pub empty: u64,
    /// Files removed since a power cut had brought back a name that they had lost.
    pub duplicates: u64,
    /// Files and folders in the spool that are not its own; left alone.
    pub unknown: u64,
    /// Files that could not be looked into, moved or listed; left for the next start.
    pub failed: u64,
}

/// What became of a finished object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Published {
    /// Durable under its final name.
    Now {
        /// The final name.
        path: PathBuf,
        /// Its length.
        bytes: u64,
    },
    /// Safe in the spool; a thread carries it to the archive.
    Deferred,
    /// Nothing had been appended: there is no file.
    Nothing,
    /// Abandoned, and can't be made whole: it lies here.
    SetAside {
        /// In the folder `set-aside` of the spool.
        path: PathBuf,
    },
}

/// An operation on a path failed.
#[derive(Debug, thiserror::Error)]
#[error("can't {operation} {}", path.display())]
pub struct StorageError {
    /// A verb and its object, as "flush the file".
    pub operation: &'static str,
    /// The path that it was tried on.
    pub path: PathBuf,
    /// The system's words.
    pub source: io::Error,
}

/// Adds operation and path to an I/O error.
trait At<T> {
    fn at(self, operation: &'static str, path: &Path) -> Result<T, StorageError>;
}

impl<T> At<T> for io::Result<T> {
    fn at(self, operation: &'static str, path: &Path) -> Result<T, StorageError> {
        self.map_err(|source| StorageError {
            operation,
            path: path.to_owned(),
            source,
        })
    }
}

impl StorageError {
    /// The error and its source on one line.
    fn line(&self) -> String {
        format!("{self}: {}", self.source)
    }
}

/// Why an object's call failed.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// The caller asked for what is not allowed; the text says what is.
    #[error("{0}")]
    Denied(String),
    /// No more footage may wait in the spool; the text says why.
    #[error("{0}")]
    Full(String),
    /// The disk failed.
    #[error(transparent)]
    Storage(#[from] StorageError),
}

/// Why an archive can't be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Another relay writes into this spool.
    #[error(
        "the spool {} is in use by another relay{}: stop that one, or give this one a spool of its own",
        path.display(), holder.as_deref().unwrap_or_default()
    )]
    Locked {
        /// The spool.
        path: PathBuf,
        /// ` (process 1234)`, where the lock tells.
        holder: Option<String>,
    },
    /// The spool can't be created or written.
    #[error(
        "the spool can't be used; check that the folder exists and belongs to the relay's user"
    )]
    Spool(#[source] StorageError),
    /// A thread can't be started.
    #[error("can't start a thread of the archive")]
    Thread(#[source] io::Error),
}

/// Room on the file system of one of the archive's folders.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Space {
    /// The folder: the archive or the spool.
    pub path: PathBuf,
    /// Bytes that may still be written.
    pub free_bytes: u64,
    /// Bytes in all.
    pub total_bytes: u64,
}

/// Takes events to logs and metrics.
pub type OnEvent = Arc<dyn Fn(ArchiveEvent) + Send + Sync>;

/// The writing side of the archive. Clones share it; with the last one its threads end.
///
/// All calls block on the disk: use them from a thread that may.
#[derive(Clone)]
pub struct Archive {
    store: Arc<Store>,
    workers: Arc<Workers>,
}

impl fmt::Debug for Archive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Archive")
            .field("store", &self.store)
            .finish_non_exhaustive()
    }
}

impl Archive {
    /// Makes the folders, locks the spool, repairs and publishes what was left in it, and starts
    /// threads that flush, settle, carry finished files to the archive, and keep the spool's bound.
    ///
    /// # Errors
    /// [`OpenError`] when the spool is locked or can't be written. Nothing that lies in the spool,
    /// and no state of the archive, is an error.
    pub fn open(
        options: ArchiveOptions,
        disk: Arc<dyn Disk>,
        on_event: OnEvent,
    ) -> Result<(Self, RecoveryReport), OpenError> {
        let store = Arc::new(Store::open(options, disk, on_event)?);
        let workers = Arc::new(Workers::start(&store).map_err(OpenError::Thread)?);
        workers.await_probe();
        let report = store.recover();
        workers.begin();
        Ok((Self { store, workers }, report))
    }

    /// Begins an object.
    ///
    /// # Errors
    /// [`ArchiveError::Denied`] for a purpose or extension that is not allowed, or after
    /// [`close`](Self::close); [`ArchiveError::Storage`] when the file can't be created.
    pub fn create(&self, key: &ObjectKey) -> Result<Object, ArchiveError> {
        Object::create(Arc::clone(&self.store), key)
    }

    /// Ends the threads: what is open is flushed, what was dropped unfinished is repaired and
    /// published, what waits is carried to the archive as long as that works. Returns whether all
    /// this was done within `patience`; if not, the rest stays safe in the spool for the next start.
    pub fn close(&self, patience: Duration) -> bool {
        self.store.closed.store(true, Ordering::Release);
        self.workers.close(patience)
    }

    /// The folders whose file systems are watched: archive and spool. An archive in a store is none.
    #[must_use]
    pub fn folders(&self) -> [Option<&Path>; 2] {
        let archive = self.store.archive.as_path();
        let is_near = !self.store.disk.is_far(archive);
        [is_near.then_some(archive), Some(&self.store.spool.root)]
    }

    /// Room on the file system of one of them. May hang where that hangs.
    ///
    /// # Errors
    /// When it does not answer.
    pub fn space(&self, folder: &Path) -> io::Result<Space> {
        let Room {
            free_bytes,
            total_bytes,
        } = self.store.disk.room(folder)?;
        Ok(Space {
            path: folder.to_owned(),
            free_bytes,
            total_bytes,
        })
    }

    /// How full the spool is. Never waits for a disk.
    #[must_use]
    pub fn spool_state(&self) -> SpoolState {
        self.store.spool_state()
    }

    /// Whether the archive is where it was, as far as that can be told. May hang where it hangs.
    pub(in crate::archive) fn check_place(&self) -> Result<(), StorageError> {
        let store = &self.store;
        mark::check(&*store.disk, &store.archive, &store.spool.root)
    }

    /// Objects that are neither finished nor abandoned.
    #[must_use]
    pub fn open_objects(&self) -> usize {
        self.store.open_objects()
    }

    /// Begin of the oldest object of a camera and purpose of which no event has told yet what
    /// became of it.
    #[must_use]
    pub fn oldest_unsettled(&self, camera: &CameraName, purpose: &str) -> Option<CaptureTime> {
        let unsettled = locked(&self.store.unsettled);
        let keys = unsettled.values().map(|file| &file.name.key);
        keys.filter(|key| key.camera == *camera && key.purpose == purpose)
            .map(|key| key.begin)
            .min()
    }

    /// The disk that it is on.
    #[must_use]
    pub fn disk(&self) -> Arc<dyn Disk> {
        Arc::clone(&self.store.disk)
    }

    /// Bytes appended to open objects that a power cut now would take.
    #[must_use]
    pub fn unflushed_bytes(&self) -> u64 {
        self.store.unflushed_bytes()
    }
}
