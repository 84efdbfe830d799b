//! From the spool to a final name: never overwriting, never twice, durable before it is told.

use std::collections::BinaryHeap;
use std::io::{self, IoSlice};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::away::AwayReason;
use super::checksum::{Fingerprint, Fingerprinting, fingerprint};
use super::disk::{DiskFile, is_unsupported, read_exact_at, write_all_at};
use super::mark;
use super::names::{Order, SpoolName};
use super::store::{Store, create_dirs, locked};
use super::{ArchiveEvent, At, Published, StorageError};

/// Files of one camera and purpose that begin in the same millisecond.
const SAME_NAME_MAX: u32 = 999;
/// Spooled files that are looked up at a time.
pub(super) const BATCH: usize = 1024;
/// Failures in a row after which the archive, not a file, is taken to be at fault.
const FAILURES_MAX: u32 = 8;
/// Folders remembered as durable; few are in use at a time, one a camera, purpose and day.
const DURABLE_DIRS_MAX: usize = 1024;
const COPY_BYTES: usize = 1 << 20;

/// What a round of [`Store::carry`] did.
#[derive(Debug, Default)]
pub(super) struct Round {
    pub(super) published: u64,
    pub(super) failed: u64,
    /// What the archive said to the last that failed.
    pub(super) refused: Option<(AwayReason, String)>,
    /// There may be more behind the last file that was looked at.
    pub(super) more: bool,
}

impl Store {
    /// Looks whether the archive is there, and whether it shares a file system with the spool. May
    /// hang where the archive's hangs: only the thread that carries calls it. A store is not asked:
    /// what is carried next tells.
    pub(super) fn probe(&self) -> Result<(), StorageError> {
        if self.disk.is_far(&self.archive) {
            return Ok(());
        }
        let looked = self.look_up();
        if looked.is_err() {
            self.same_device.store(false, Ordering::Release);
        }
        looked
    }

    fn look_up(&self) -> Result<(), StorageError> {
        let (disk, spool) = (&*self.disk, &self.spool.root);
        let is_seen = self.archive_seen.load(Ordering::Acquire);
        mark::claim(disk, &self.archive, spool, !is_seen)?;
        if !is_seen {
            create_dirs(disk, &self.archive)?;
            self.archive_seen.store(true, Ordering::Release);
        }
        let device = |path: &Path| {
            let found = self.disk.metadata(path).at("look up", path);
            found.map(|metadata| metadata.device)
        };
        let archive = device(&self.archive)?;
        self.archive_device.store(archive, Ordering::Release);
        let same = archive == device(spool)? && !self.renames_refused.load(Ordering::Acquire);
        self.same_device.store(same, Ordering::Release);
        Ok(())
    }

    /// Publishes a file that has just come to `finished` and is claimed by the caller, if that is a
    /// mere rename; otherwise calls the thread that carries.
    pub(super) fn publish_or_defer(&self, name: &SpoolName, bytes: u64) -> Published {
        let path = self.spool.finished.join(name.encode());
        let error = if self.same_device.load(Ordering::Acquire) {
            match self.publish(&path, name, false) {
                Ok((path, bytes)) => return Published::Now { path, bytes },
                Err(error) if error.source.kind() == io::ErrorKind::CrossesDevices => {
                    self.renames_refused.store(true, Ordering::Release);
                    self.same_device.store(false, Ordering::Release);
                    None
                }
                Err(error) => Some(error.line()),
            }
        } else {
            None
        };
        self.tell(ArchiveEvent::Deferred {
            key: name.key.clone(),
            end: name.end,
            bytes,
            spooled: path,
            error,
        });
        self.call_worker();
        Published::Deferred
    }

    /// Publishes what lies in `finished`, the oldest first, from behind `cursor` on. Few failures
    /// in a row are passed over, so that one file does not keep back all others; the next round
    /// goes on behind them.
    pub(super) fn carry(
        &self,
        cursor: &mut Option<Order>,
        retry_in: Duration,
        stop: &dyn Fn() -> bool,
    ) -> Result<Round, StorageError> {
        let (mut batch, _) = self.oldest(&self.spool.finished, cursor.as_ref())?;
        if batch.is_empty() && cursor.is_some() {
            // What failed last was the last one: an empty round would tell that all is well.
            (batch, _) = self.oldest(&self.spool.finished, None)?;
        }
        let mut round = Round {
            more: batch.len() == BATCH,
            ..Round::default()
        };
        let mut in_a_row = 0;
        let is_far = self.disk.is_far(&self.archive);
        *cursor = None;
        for (order, name) in batch {
            if stop() {
                return Ok(round);
            }
            let Some(_claim) = self.claim(&name) else {
                continue;
            };
            let path = self.spool.finished.join(name.encode());
            self.asks();
            let published = self.publish(&path, &name, true);
            self.answered();
            match published {
                Ok(_) => {
                    (round.published, in_a_row) = (round.published + 1, 0);
                    if is_far {
                        self.found(None);
                    }
                }
                // Cut off in a copy.
                Err(_) if stop() => return Ok(round),
                // Published by the thread that had claimed it when the folder was listed.
                Err(error) if self.is_gone(&error, &path) => {}
                Err(error) => {
                    (round.failed, in_a_row) = (round.failed + 1, in_a_row + 1);
                    if error.path.starts_with(&self.archive) {
                        let reason = match is_far {
                            true => AwayReason::of_store(&error.source),
                            false => AwayReason::Refuses,
                        };
                        round.refused = Some((reason, error.line()));
                    }
                    self.tell(ArchiveEvent::PublishFailed {
                        path,
                        error: error.line(),
                        retry_in: Some(retry_in),
                    });
                }
            }
            // A store that fails does so after some time, and for all files.
            let stuck = in_a_row == if is_far { 1 } else { FAILURES_MAX };
            if stuck || round.more {
                *cursor = Some(order);
            }
            if stuck {
                round.more = true;
                break;
            }
        }
        Ok(round)
    }

    fn is_gone(&self, error: &StorageError, spooled: &Path) -> bool {
        error.source.kind() == io::ErrorKind::NotFound && self.is_missing(spooled)
    }

    pub(super) fn is_missing(&self, path: &Path) -> bool {
        matches!(self.disk.metadata(path), Err(error) if error.kind() == io::ErrorKind::NotFound)
    }

    /// The [`BATCH`] oldest files of a folder of the spool behind `after`, and the number of files
    /// whose names are not the spool's.
    pub(super) fn oldest(
        &self,
        folder: &Path,
        after: Option<&Order>,
    ) -> Result<(Vec<(Order, SpoolName)>, u64), StorageError> {
        let mut heap: BinaryHeap<Order> = BinaryHeap::new();
        let mut unknown = 0;
        let mut take = |entry: &std::ffi::OsStr| {
            let Some(name) = entry.to_str().and_then(SpoolName::decode) else {
                unknown += 1;
                return;
            };
            let order = name.order();
            if after.is_none_or(|after| order > *after) {
                heap.push(order);
            }
            if heap.len() > BATCH {
                heap.pop();
            }
        };
        self.disk
            .each_entry(folder, &mut take)
            .at("list the folder", folder)?;
        let decoded = |order: Order| SpoolName::decode(&order.1).map(|name| (order, name));
        Ok((
            heap.into_sorted_vec()
                .into_iter()
                .filter_map(decoded)
                .collect(),
            unknown,
        ))
    }

    /// Moves a file within the spool; can be repeated after a failure or a power cut in any step.
    pub(super) fn move_durably(&self, from: &Path, to: &Path) -> Result<(), StorageError> {
        let same = |error: &io::Error| match error.kind() {
            // Names are unique in a spool: both are there after a power cut that took back the
            // loss of the old name only.
            io::ErrorKind::AlreadyExists => self.same_content(from, to).unwrap_or(false),
            // An earlier try failed after the rename.
            io::ErrorKind::NotFound => !self.is_missing(to),
            _ => false,
        };
        match self.disk.rename_noreplace(from, to) {
            Err(error) if is_unsupported(&error) => match self.disk.link(from, to) {
                Err(error) if same(&error) => {}
                result => result.at("link the file", from)?,
            },
            Err(error) if same(&error) => {}
            result => result.at("rename", from)?,
        }
        // The new name is durable before the old one goes.
        self.sync_folder(to)?;
        self.remove(from)
    }

    /// Takes a name away, durably; it may be gone already.
    pub(super) fn remove(&self, path: &Path) -> Result<(), StorageError> {
        self.unlink_if_there(path)?;
        self.sync_folder(path)
    }

    fn unlink_if_there(&self, path: &Path) -> Result<(), StorageError> {
        match self.disk.unlink(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            result => result.at("remove", path),
        }
    }

    fn sync_folder(&self, path: &Path) -> Result<(), StorageError> {
        let folder = path.parent().unwrap_or(path);
        self.disk.sync_dir(folder).at("flush the folder", folder)
    }

    /// Gives a spooled file, whose content is durable, its final name; tells the event.
    pub(super) fn publish(
        &self,
        source: &Path,
        name: &SpoolName,
        may_copy: bool,
    ) -> Result<(PathBuf, u64), StorageError> {
        let (path, fingerprint) = match self.try_publish(source, name, may_copy) {
            // A folder that was known to be there may have been removed when it was empty.
            Err(error) if error.source.kind() == io::ErrorKind::NotFound => {
                locked(&self.durable_dirs).clear();
                self.try_publish(source, name, may_copy)?
            }
            result => result?,
        };
        locked(&self.waiting).remove(name, fingerprint.bytes);
        let (key, end) = (name.key.clone(), name.end);
        self.tell(ArchiveEvent::Published {
            key,
            end,
            fingerprint,
            path: path.clone(),
            spooled: source.to_owned(),
        });
        Ok((path, fingerprint.bytes))
    }

    fn try_publish(
        &self,
        source: &Path,
        name: &SpoolName,
        may_copy: bool,
    ) -> Result<(PathBuf, Fingerprint), StorageError> {
        let folder = self.make_folder(name)?;
        if let Some(path) = self.find_published(source, &folder, name)? {
            // A crash came between the new name and the loss of the old one; or between the new
            // name and its flush.
            if may_copy {
                self.unlink_if_there(&folder.join(name.part_name()))?;
            }
            let file = self.disk.open(&path).at("open", &path)?;
            file.sync().at("flush", &path)?;
            self.sync_folder(&path)?;
            let fingerprint = self.fingerprint(source)?;
            self.remove(source)?;
            return Ok((path, fingerprint));
        }
        let renames = self.same_device.load(Ordering::Acquire) || self.disk.is_far(&folder);
        if !may_copy || renames {
            // Before it leaves the spool: what can't be read stays there. Its writer may have
            // overwritten what it had appended before, so that a sum kept while it was written
            // would not do; it is in memory still.
            let fingerprint = self.fingerprint(source)?;
            match self.give_name(source, &folder, name) {
                Err(error) if may_copy && error.source.kind() == io::ErrorKind::CrossesDevices => {
                    self.renames_refused.store(true, Ordering::Release);
                    self.same_device.store(false, Ordering::Release);
                }
                Ok(path) => {
                    if self.disk.is_far(&path) {
                        let sent = &self.carried_bytes;
                        sent.fetch_add(fingerprint.bytes, Ordering::AcqRel);
                    }
                    return Ok((path, fingerprint));
                }
                Err(error) => return Err(error),
            }
        }
        let part = folder.join(name.part_name());
        let copied = self.copy(source, &part).inspect_err(|_| {
            // It takes room that others need, and this object may be let go before the next try.
            self.disk.unlink(&part).ok();
        });
        let fingerprint = copied?;
        let path = self.give_name(&part, &folder, name)?;
        // Its loss need not be durable: if it comes back, it is found to be published.
        self.disk.unlink(source).at("remove", source)?;
        Ok((path, fingerprint))
    }

    fn fingerprint(&self, path: &Path) -> Result<Fingerprint, StorageError> {
        let file = self.disk.open_to_read(path).at("open", path)?;
        fingerprint(&*file).at("read", path)
    }

    /// Gives a file the first free final name, durably, and takes the old name away.
    fn give_name(
        &self,
        source: &Path,
        folder: &Path,
        name: &SpoolName,
    ) -> Result<PathBuf, StorageError> {
        for nth in 1..=SAME_NAME_MAX {
            let path = folder.join(name.file_name(nth));
            match self.disk.rename_noreplace(source, &path) {
                Err(error) if is_unsupported(&error) => match self.disk.link(source, &path) {
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
                    result => {
                        result.at("link the file", &path)?;
                        // The old name stays until the new one is durable.
                        self.sync_folder(&path)?;
                        self.disk.unlink(source).at("remove", source)?;
                    }
                },
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
                result => {
                    result.at("publish as", &path)?;
                    // The loss of the old name need not be durable: if a power cut takes it back,
                    // the file is found to be published.
                    if let Err(error) = self.sync_folder(&path) {
                        // What is not durable must not stand under a final name: back to the queue.
                        self.disk.rename_noreplace(&path, source).ok();
                        return Err(error);
                    }
                }
            }
            return Ok(path);
        }
        Err(io::ErrorKind::AlreadyExists.into()).at("find a free name for", source)
    }

    /// A published file with the same content, under one of the names that this one may have.
    fn find_published(
        &self,
        source: &Path,
        folder: &Path,
        name: &SpoolName,
    ) -> Result<Option<PathBuf>, StorageError> {
        for nth in 1..=SAME_NAME_MAX {
            let path = folder.join(name.file_name(nth));
            if self.is_missing(&path) {
                break;
            }
            if self.same_content(source, &path).at("compare with", &path)? {
                return Ok(Some(path));
            }
        }
        Ok(None)
    }

    /// The folder of the final name, durable up to the archive's own folder.
    fn make_folder(&self, name: &SpoolName) -> Result<PathBuf, StorageError> {
        let mut path = self.archive.clone();
        for folder in name.folders() {
            let parent = path.clone();
            path.push(folder);
            if locked(&self.durable_dirs).contains(&path) {
                continue;
            }
            self.check_device()?;
            match self.disk.create_dir(&path) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                result => result.at("create the folder", &path)?,
            }
            // Also one that was there: it may have been made just before a crash.
            self.disk
                .sync_dir(&parent)
                .at("flush the folder", &parent)?;
            let mut durable = locked(&self.durable_dirs);
            if durable.len() >= DURABLE_DIRS_MAX {
                durable.clear();
            }
            durable.insert(path.clone());
        }
        Ok(path)
    }

    /// Nothing is made below a mount point whose disk has gone since the last look.
    fn check_device(&self) -> Result<(), StorageError> {
        let expected = self.archive_device.load(Ordering::Acquire);
        let found = self.disk.metadata(&self.archive);
        let found = found.at("look up", &self.archive)?.device;
        if expected != 0 && found != expected {
            let words = "its disk is not mounted any more";
            return Err(io::Error::other(words)).at("use the archive", &self.archive);
        }
        Ok(())
    }

    /// Copies, makes the copy durable, and reads it back from the disk: only what is the same there
    /// may get a final name and take the place of what is in the spool.
    fn copy(&self, source: &Path, part: &Path) -> Result<Fingerprint, StorageError> {
        let from = self.disk.open(source).at("open", source)?;
        // One that an interrupted try left.
        self.unlink_if_there(part)?;
        let to = self.disk.create_new(part).at("create", part)?;
        let size = from.size().at("look up", source)?;
        let mut taken = Fingerprinting::default();
        each_chunk(&*from, size, self.chunk_bytes(), &mut |offset, chunk| {
            taken.update(chunk);
            write_all_at(&*to, offset, &mut [IoSlice::new(chunk)])?;
            self.moved(chunk.len())?;
            Ok(true)
        })
        .at("copy to", part)?;
        to.sync().at("flush", part)?;
        to.forget().at("drop from memory", part)?;
        self.asks();
        let mut read = Fingerprinting::default();
        let kept_size = to.size().at("look up", part)?;
        each_chunk(&*to, kept_size, self.chunk_bytes(), &mut |_, chunk| {
            read.update(chunk);
            self.moved(chunk.len())?;
            Ok(true)
        })
        .at("read back", part)?;
        let (written, kept) = (taken.finish(), read.finish());
        self.carried_bytes.fetch_add(size, Ordering::AcqRel);
        if kept != written {
            let words = format!(
                "{} bytes with SHA-256 {} were written, {} bytes with {} are there; the disk, its \
                 cable or the memory fails",
                written.bytes, written.sha256, kept.bytes, kept.sha256
            );
            return Err(io::Error::new(io::ErrorKind::InvalidData, words))
                .at("verify the copy", part);
        }
        Ok(written)
    }

    /// Waits as long as the bandwidth that is allowed makes it.
    fn moved(&self, bytes: usize) -> io::Result<()> {
        self.answered();
        let goes_on = self.pace.spend(bytes as u64);
        self.asks();
        match goes_on {
            true => Ok(()),
            false => Err(io::Error::new(io::ErrorKind::Interrupted, "the relay ends")),
        }
    }

    /// Small enough for a bandwidth that is allowed to be even.
    fn chunk_bytes(&self) -> usize {
        let quarter = usize::try_from(self.carry.bytes_per_second / 4).unwrap_or(COPY_BYTES);
        match quarter {
            0 => COPY_BYTES,
            quarter => quarter.clamp(4 << 10, COPY_BYTES),
        }
    }

    fn same_content(&self, a: &Path, b: &Path) -> io::Result<bool> {
        let (a, b) = (self.disk.open(a)?, self.disk.open(b)?);
        let size = a.size()?;
        if size != b.size()? {
            return Ok(false);
        }
        let mut other = vec![0; COPY_BYTES];
        each_chunk(&*a, size, COPY_BYTES, &mut |offset, chunk| {
            let other = other.get_mut(..chunk.len()).unwrap_or_default();
            read_exact_at(&*b, offset, other)?;
            Ok(*other == *chunk)
        })
    }

    /// Reserves a name in `finished` for the calling thread.
    pub(super) fn claim(&self, name: &SpoolName) -> Option<Claim<'_>> {
        let name = name.encode();
        let is_free = locked(&self.claimed).insert(name.clone());
        // Not made at all where it is not free: its drop would end the other's reservation.
        is_free.then(|| Claim { store: self, name })
    }
}

/// Ends the reservation when it goes out of scope.
pub(super) struct Claim<'a> {
    store: &'a Store,
    name: String,
}

impl Drop for Claim<'_> {
    fn drop(&mut self) {
        locked(&self.store.claimed).remove(&self.name);
    }
}

/// Reads a file in chunks as long as the callback says so; whether it did to the end.
fn each_chunk(
    file: &dyn DiskFile,
    size: u64,
    chunk_bytes: usize,
    callback: &mut dyn FnMut(u64, &[u8]) -> io::Result<bool>,
) -> io::Result<bool> {
    let mut buffer = vec![0; chunk_bytes];
    let mut offset = 0;
    while offset < size {
        let len = usize::try_from(size - offset).map_or(chunk_bytes, |left| left.min(chunk_bytes));
        let chunk = buffer.get_mut(..len).unwrap_or_default();
        read_exact_at(file, offset, chunk)?;
        if !callback(offset, chunk)? {
            return Ok(false);
        }
        offset += len as u64;
    }
    Ok(true)
}
