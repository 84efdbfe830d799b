//! The state that objects and threads share, and the flushing of open files.

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::fmt;
use std::io::{self, IoSlice};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use super::away::Whereabouts;
use super::disk::{Disk, DiskFile, write_all_at};
use super::names::{Spool, SpoolName};
use super::room::{CarryOptions, Gate};
use super::scrub::Pace;
use super::waiting::Waiting;
use super::{ArchiveEvent, ArchiveOptions, At, OnEvent, OpenError, StorageError};
use crate::units::CaptureTime;

/// Abandoned objects that wait for their repair; more are left in the spool for the next start.
pub(super) const HANDED_MAX: usize = 1024;

/// How much of an epoch is chance.
const EPOCH_CHANCE_BITS: u32 = 16;

/// Locks, also after another thread panicked: what is guarded here is valid after each statement.
pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

pub(super) struct Store {
    pub(super) disk: Arc<dyn Disk>,
    pub(super) spool: Spool,
    pub(super) archive: PathBuf,
    pub(super) flush_interval: Duration,
    pub(super) on_event: OnEvent,
    pub(super) epoch: u64,
    pub(super) next_number: AtomicU64,
    /// Objects being written, by number.
    pub(super) open: Mutex<BTreeMap<u64, Arc<OpenFile>>>,
    /// What this process has begun and not settled, by number.
    pub(super) unsettled: Mutex<BTreeMap<u64, Arc<OpenFile>>>,
    /// Length of what is left to the next start.
    pub(super) left_bytes: AtomicU64,
    /// Objects to be settled by a thread.
    pub(super) handed: Mutex<VecDeque<Handed>>,
    /// Names in `finished` that one thread works on, so that no other takes them up.
    pub(super) claimed: Mutex<HashSet<String>>,
    /// Folders of the archive whose own names are known to be durable.
    pub(super) durable_dirs: Mutex<HashSet<PathBuf>>,
    /// Spool and archive are known to share a file system: publishing is a rename.
    pub(super) same_device: AtomicBool,
    /// A rename from one to the other was refused although the devices are the same (two mounts of
    /// one file system): not tried again.
    pub(super) renames_refused: AtomicBool,
    /// The archive's folder has been there: if it is gone, its disk is, and it must not be made
    /// anew below an empty mount point.
    pub(super) archive_seen: AtomicBool,
    /// Number of the archive's file system when it was last looked at; 0: not yet.
    pub(super) archive_device: AtomicU64,
    pub(super) spool_device: u64,
    pub(super) whereabouts: Whereabouts,
    pub(super) waiting: Mutex<Waiting>,
    pub(super) carry: CarryOptions,
    pub(super) gate: Gate,
    pub(super) pace: Pace,
    pub(super) carried_bytes: AtomicU64,
    pub(super) closed: AtomicBool,
    /// Calls the thread that carries.
    pub(super) wake: Mutex<Wake>,
    pub(super) woken: Condvar,
    /// Held as long as anything may still write.
    pub(super) lock: Mutex<Box<dyn DiskFile>>,
}

/// What the threads are told, and tell.
#[derive(Debug, Default)]
pub(super) struct Wake {
    /// What a crash left has been sorted. Before that nothing may be carried: a file that leaves
    /// `finished` no longer tells that its twin in `open` is one.
    pub(super) ready: bool,
    /// Something new is there to carry.
    pub(super) work: bool,
    /// Something new is there to settle.
    pub(super) handed: bool,
    /// At the end: all is settled that can be.
    pub(super) settled: bool,
    /// Finish and end.
    pub(super) closing: bool,
    /// End after the present file.
    pub(super) hurry: bool,
    /// The archive's device was looked up for the first time, or could not be.
    pub(super) probed: bool,
    /// Threads that have not ended.
    pub(super) running: usize,
}

/// An object that its writer left behind.
#[derive(Debug)]
pub(super) struct Handed {
    pub(super) file: Arc<OpenFile>,
    /// Finished and flushed, only not yet moved; none where it must be repaired.
    pub(super) end: Option<CaptureTime>,
    /// It may have been moved by a try that failed then.
    pub(super) moving: AtomicBool,
}

impl Handed {
    pub(super) fn new(file: Arc<OpenFile>, end: Option<CaptureTime>) -> Self {
        Self {
            file,
            end,
            moving: AtomicBool::new(false),
        }
    }

    pub(super) fn is_moving(&self) -> bool {
        self.moving.load(Ordering::Acquire)
    }

    pub(super) fn moves(&self) {
        self.moving.store(true, Ordering::Release);
    }
}

impl fmt::Debug for Store {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Store")
            .field("spool", &self.spool.root)
            .field("archive", &self.archive)
            .field("epoch", &self.epoch)
            .finish_non_exhaustive()
    }
}

impl Store {
    pub(super) fn open(
        options: ArchiveOptions,
        disk: Arc<dyn Disk>,
        on_event: OnEvent,
    ) -> Result<Self, OpenError> {
        let spool = Spool::new(&options.spool);
        for folder in spool.folders() {
            create_dirs(&*disk, folder).map_err(OpenError::Spool)?;
        }
        let (lock, epoch) = take_lock(&*disk, &spool.root)?;
        let root = disk.metadata(&spool.root).at("look up", &spool.root);
        let spool_device = root.map_err(OpenError::Spool)?.device;
        Ok(Self {
            disk,
            spool,
            archive: options.archive,
            flush_interval: options.flush_interval,
            on_event,
            epoch,
            next_number: AtomicU64::new(1),
            open: Mutex::default(),
            unsettled: Mutex::default(),
            left_bytes: AtomicU64::new(0),
            handed: Mutex::default(),
            claimed: Mutex::default(),
            durable_dirs: Mutex::default(),
            same_device: AtomicBool::new(false),
            renames_refused: AtomicBool::new(false),
            archive_seen: AtomicBool::new(false),
            archive_device: AtomicU64::new(0),
            spool_device,
            whereabouts: Whereabouts::default(),
            waiting: Mutex::default(),
            carry: options.carry,
            gate: Gate::default(),
            pace: Pace::new(options.carry.bytes_per_second),
            carried_bytes: AtomicU64::new(0),
            closed: AtomicBool::new(false),
            wake: Mutex::default(),
            woken: Condvar::new(),
            lock: Mutex::new(lock),
        })
    }

    pub(super) fn tell(&self, event: ArchiveEvent) {
        (self.on_event)(event);
    }

    /// Calls the thread that carries.
    pub(super) fn call_worker(&self) {
        locked(&self.wake).work = true;
        self.woken.notify_all();
    }

    /// Calls the thread that settles.
    fn call_settler(&self) {
        locked(&self.wake).handed = true;
        self.woken.notify_all();
    }

    /// Gives an object to the thread that settles. Never blocks on the disk.
    pub(super) fn hand_over(&self, handed: Handed) {
        let number = handed.file.number;
        locked(&self.open).remove(&number);
        let mut queue = locked(&self.handed);
        let path = (queue.len() >= HANDED_MAX).then(|| handed.file.path.clone());
        if path.is_none() {
            queue.push_back(handed);
        }
        drop(queue);
        match path {
            None => self.call_settler(),
            Some(path) => {
                if let Some(file) = locked(&self.unsettled).remove(&number) {
                    let bytes = locked(&file.state).len;
                    self.left_bytes.fetch_add(bytes, Ordering::AcqRel);
                }
                self.tell(ArchiveEvent::PublishFailed {
                    path,
                    error: "too many files wait for their repair; this one waits for the next \
                            start"
                        .into(),
                    retry_in: None,
                });
            }
        }
    }

    /// Flushes each open file whose oldest unflushed byte is at least this old, the oldest first.
    pub(super) fn flush_older_than(&self, age: Duration) {
        let now = Instant::now();
        // A file that is being written to, on a disk that may hang, is looked at in the next round:
        // nobody waits for a disk while `open` is locked.
        let mut due: Vec<_> = self
            .open_files()
            .into_iter()
            .filter_map(|file| {
                let since = file.state.try_lock().ok()?.dirty_since?;
                Some((since, file))
            })
            .filter(|(since, _)| now.saturating_duration_since(*since) >= age)
            .collect();
        due.sort_by_key(|(since, _)| *since);
        for (_, file) in due {
            let state = file.state.try_lock();
            let Some(Err(error)) = state.ok().map(|state| file.flush_from(state)) else {
                continue;
            };
            self.tell(ArchiveEvent::FlushFailed {
                path: error.path,
                error: error.source.to_string(),
            });
        }
    }

    pub(super) fn open_objects(&self) -> usize {
        locked(&self.open).len()
    }

    pub(super) fn open_files(&self) -> Vec<Arc<OpenFile>> {
        locked(&self.open).values().cloned().collect()
    }

    /// What is being written, and what writers have left and is not settled yet. A file whose disk
    /// hangs is passed over.
    pub(super) fn open_bytes(&self) -> u64 {
        let files: Vec<_> = locked(&self.unsettled).values().cloned().collect();
        let length = |file: Arc<OpenFile>| Some(file.state.try_lock().ok()?.len);
        let left = self.left_bytes.load(Ordering::Acquire);
        files
            .into_iter()
            .filter_map(length)
            .fold(left, u64::saturating_add)
    }

    pub(super) fn unflushed_bytes(&self) -> u64 {
        let unflushed = |file: Arc<OpenFile>| {
            let state = file.state.try_lock().ok()?;
            Some(state.len.saturating_sub(state.durable))
        };
        self.open_files().into_iter().filter_map(unflushed).sum()
    }
}

/// A file in `open`, shared by its writer and the thread that flushes.
#[derive(Debug)]
pub(super) struct OpenFile {
    pub(super) number: u64,
    pub(super) name: SpoolName,
    pub(super) path: PathBuf,
    pub(super) file: Box<dyn DiskFile>,
    pub(super) state: Mutex<FileState>,
    /// Held during a flush: the system tells a failure to one caller only, so a second flush must
    /// not run beside the first and believe its own success.
    pub(super) flushing: Mutex<()>,
}

#[derive(Debug, Default)]
pub(super) struct FileState {
    /// Bytes that whole calls have appended.
    pub(super) len: u64,
    /// Bytes that are on disk for certain.
    pub(super) durable: u64,
    /// When the oldest change that no flush has taken up was made.
    pub(super) dirty_since: Option<Instant>,
    /// Counts changes.
    pub(super) changes: u64,
    /// The count at the begin of the last flush that succeeded.
    pub(super) changes_durable: u64,
    /// Something that a failed call wrote may lie behind `len`.
    pub(super) ragged: bool,
    /// A flush failed. After that the system may hold pages for written that are not, and a second
    /// flush that succeeds proves nothing (fsync(2), EIO): only `durable` bytes can be trusted.
    pub(super) failed: Option<String>,
}

impl FileState {
    fn change(&mut self) {
        self.changes += 1;
        self.dirty_since.get_or_insert_with(Instant::now);
    }
}

impl OpenFile {
    /// Appends all parts, or none of them.
    pub(super) fn append(&self, parts: &mut [IoSlice<'_>]) -> Result<u64, StorageError> {
        let mut state = locked(&self.state);
        self.check(&state)?;
        self.trim(&mut state)?;
        let bytes: u64 = parts.iter().map(|part| part.len() as u64).sum();
        if bytes == 0 {
            return Ok(state.len);
        }
        let len = state
            .len
            .checked_add(bytes)
            .ok_or_else(|| io::ErrorKind::FileTooLarge.into());
        let len = len.at("append to", &self.path)?;
        if let Err(error) = write_all_at(&*self.file, state.len, parts) {
            // What was written of it goes at once, so that a full disk is not filled by halves;
            // if that fails too, the next call tries again.
            state.ragged = true;
            self.trim(&mut state).ok();
            return Err(error).at("append to", &self.path);
        }
        state.len = len;
        state.change();
        Ok(len)
    }

    /// Overwrites bytes inside of `len`; false when they aren't.
    pub(super) fn patch(&self, offset: u64, bytes: &[u8]) -> Result<bool, StorageError> {
        let mut state = locked(&self.state);
        self.check(&state)?;
        if offset
            .checked_add(bytes.len() as u64)
            .is_none_or(|end| end > state.len)
        {
            return Ok(false);
        }
        state.change();
        write_all_at(&*self.file, offset, &mut [IoSlice::new(bytes)]).at("patch", &self.path)?;
        Ok(true)
    }

    /// Makes all that was appended before this call durable. The lock is not held meanwhile:
    /// nobody who appends waits for the disk's flush.
    pub(super) fn flush(&self) -> Result<(), StorageError> {
        let _flushing = locked(&self.flushing);
        self.flush_alone(locked(&self.state))
    }

    /// The same for who holds the state's lock; nothing while another flush runs.
    fn flush_from(&self, state: MutexGuard<'_, FileState>) -> Result<(), StorageError> {
        match self.flushing.try_lock() {
            Ok(_flushing) => self.flush_alone(state),
            Err(_) => Ok(()),
        }
    }

    fn flush_alone(&self, mut state: MutexGuard<'_, FileState>) -> Result<(), StorageError> {
        let (len, changes) = {
            self.check(&state)?;
            self.trim(&mut state)?;
            if state.changes == state.changes_durable {
                return Ok(());
            }
            state.dirty_since = None;
            (state.len, state.changes)
        };
        drop(state);
        let result = self.file.sync();
        let mut state = locked(&self.state);
        match &result {
            Ok(()) => (state.durable, state.changes_durable) = (len, changes),
            Err(error) => {
                state.failed = Some(error.to_string());
                state.dirty_since = None;
            }
        }
        result.at("flush", &self.path)
    }

    fn check(&self, state: &FileState) -> Result<(), StorageError> {
        match &state.failed {
            None => Ok(()),
            Some(error) => Err(io::Error::other(format!(
                "an earlier flush failed: {error}"
            )))
            .at("write any more to", &self.path),
        }
    }

    fn trim(&self, state: &mut FileState) -> Result<(), StorageError> {
        if state.ragged {
            self.file
                .set_size(state.len)
                .at("cut a failed write off", &self.path)?;
            state.ragged = false;
            state.change();
        }
        Ok(())
    }
}

/// Makes a folder and what leads to it, each durable in the one above.
pub(super) fn create_dirs(disk: &dyn Disk, path: &Path) -> Result<(), StorageError> {
    match disk.metadata(path) {
        Ok(metadata) if !metadata.is_file => {
            // It may have been made just before a crash, and not yet be durable. The folder above
            // may belong to others: then it was not made by a relay.
            if let Some(parent) = path.parent() {
                disk.sync_dir(parent).ok();
            }
            return Ok(());
        }
        Ok(_) => return Err(io::ErrorKind::NotADirectory.into()).at("use the folder", path),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(error).at("look up", path),
    }
    let parent = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    if parent != path && parent != Path::new(".") {
        create_dirs(disk, parent)?;
    }
    match disk.create_dir(path) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
        result => result.at("create the folder", path)?,
    }
    disk.sync_dir(parent).at("flush the folder", parent)
}

/// Locks the spool, and finds an epoch greater than that of each earlier holder: the clock may have
/// been set back between two starts.
pub(super) fn take_lock(
    disk: &dyn Disk,
    spool: &Path,
) -> Result<(Box<dyn DiskFile>, u64), OpenError> {
    let path = spool.join("lock");
    let lock = match disk.lock(&path) {
        Ok(lock) => lock,
        Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
            let holder = disk
                .open(&path)
                .ok()
                .and_then(|file| read_lock(&*file))
                .map(|lock| lock.1);
            return Err(OpenError::Locked {
                path: spool.to_owned(),
                holder: holder.map(|process| format!(" (process {process})")),
            });
        }
        Err(error) => return Err(error).at("lock", &path).map_err(OpenError::Spool),
    };
    let wall = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    let wall = u64::try_from(wall.as_millis()).unwrap_or_default();
    // Two relays with an archive in common may start in the same millisecond.
    let now = (wall << EPOCH_CHANCE_BITS) | fastrand::u64(..1 << EPOCH_CHANCE_BITS);
    let epoch = read_lock(&*lock).map_or(now, |(earlier, _)| now.max(earlier.saturating_add(1)));
    let text = format!("{epoch:016x} {}\n", std::process::id());
    let write = || {
        write_all_at(&*lock, 0, &mut [IoSlice::new(text.as_bytes())])?;
        lock.set_size(text.len() as u64)?;
        lock.sync()?;
        disk.sync_dir(spool)
    };
    write().at("write", &path).map_err(OpenError::Spool)?;
    Ok((lock, epoch))
}

/// Epoch and process of the last holder.
fn read_lock(file: &dyn DiskFile) -> Option<(u64, u32)> {
    let mut buffer = [0; 40];
    let read = file.read_at(0, &mut buffer).ok()?;
    let (epoch, process) = std::str::from_utf8(buffer.get(..read)?)
        .ok()?
        .trim()
        .split_once(' ')?;
    let epoch = u64::from_str_radix(epoch, 16).ok()?;
    // A damaged lock must not use up the numbers: anything beyond the year 4199 is damage.
    (epoch < 1 << (46 + EPOCH_CHANCE_BITS)).then_some((epoch, process.parse().ok()?))
}

/// Counts objects of a writer.
pub(super) fn next(counter: &AtomicU64) -> u64 {
    counter.fetch_add(1, Ordering::Relaxed)
}
