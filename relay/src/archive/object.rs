//! A file being written.

use std::io::IoSlice;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use bytes::Bytes;

use super::names::SpoolName;
use super::store::{FileState, Handed, OpenFile, Store, locked, next};
use super::{ArchiveError, At, ObjectKey, Published};
use crate::units::CaptureTime;

/// A file being written, front to back. Dropped unfinished, it is repaired and published as after
/// a crash, by a thread of the archive.
///
/// The calls block on the disk, except the drop.
#[derive(Debug)]
pub struct Object {
    store: Arc<Store>,
    /// None once finished or abandoned.
    file: Option<Arc<OpenFile>>,
}

impl Object {
    pub(super) fn create(store: Arc<Store>, key: &ObjectKey) -> Result<Self, ArchiveError> {
        key.check()?;
        if store.closed.load(Ordering::Acquire) {
            return Err(ArchiveError::Denied("the archive is closed".into()));
        }
        store.admit(key)?;
        let number = next(&store.next_number);
        let name = SpoolName {
            key: key.clone(),
            epoch: store.epoch,
            number,
            end: None,
        };
        let path = store.spool.open.join(name.encode());
        let file = store.disk.create_new(&path).at("create", &path)?;
        // Now, not with the first flush: a flushed file without a name is lost.
        if let Err(error) = store.disk.sync_dir(&store.spool.open) {
            store.disk.unlink(&path).ok();
            return Err(error)
                .at("flush the folder", &store.spool.open)
                .map_err(Into::into);
        }
        let (state, flushing) = (FileState::default().into(), ().into());
        let file = Arc::new(OpenFile {
            number,
            name,
            path,
            file,
            state,
            flushing,
        });
        locked(&store.unsettled).insert(number, Arc::clone(&file));
        locked(&store.open).insert(number, Arc::clone(&file));
        Ok(Self {
            store,
            file: Some(file),
        })
    }

    /// Appends all parts in order; gives the new length in bytes. On an error nothing was appended.
    ///
    /// # Errors
    /// [`ArchiveError::Full`] for footage while the spool is full; [`ArchiveError::Storage`] when the
    /// disk is full or fails. After a failed flush no call
    /// succeeds any more; finish or drop the object, and what was flushed before is published.
    pub fn append(&mut self, parts: &[Bytes]) -> Result<u64, ArchiveError> {
        self.store.admit(&self.file()?.name.key)?;
        let mut slices: Vec<_> = parts.iter().map(|part| IoSlice::new(part)).collect();
        Ok(self.file()?.append(&mut slices)?)
    }

    /// Overwrites bytes that were appended before.
    ///
    /// # Errors
    /// [`ArchiveError::Denied`] for a range that is not inside of the object, otherwise as
    /// [`append`](Self::append).
    pub fn patch(&mut self, offset: u64, bytes: &[u8]) -> Result<(), ArchiveError> {
        if self.file()?.patch(offset, bytes)? {
            return Ok(());
        }
        Err(ArchiveError::Denied(format!(
            "{} bytes at {offset} are not inside of the object's {} bytes",
            bytes.len(),
            self.size()
        )))
    }

    /// What it was begun for; empty once it is finished.
    #[must_use]
    pub fn purpose(&self) -> &str {
        let file = self.file.as_ref();
        file.map_or("", |file| &file.name.key.purpose)
    }

    /// Length in bytes.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.file.as_ref().map_or(0, |file| locked(&file.state).len)
    }

    /// Makes durable what was appended.
    ///
    /// # Errors
    /// As [`append`](Self::append).
    pub fn flush(&mut self) -> Result<(), ArchiveError> {
        Ok(self.file()?.flush()?)
    }

    /// Makes it durable and publishes it. `end`: capture time at which its content ends.
    ///
    /// # Errors
    /// [`ArchiveError::Storage`] when the content can't be made durable: then only what had been
    /// flushed before is repaired and published, by a thread. Also when the spool can't record that
    /// the object is finished: a thread tries that again. A failure of the archive is no error: the
    /// object is [`Published::Deferred`].
    pub fn finish(mut self, end: CaptureTime) -> Result<Published, ArchiveError> {
        let file = self.take()?;
        if locked(&file.state).len == 0 {
            return Ok(self.store.settle_or_retry(Handed::new(file, None))?);
        }
        if let Err(error) = file.flush() {
            self.store.hand_over(Handed::new(file, None));
            return Err(error.into());
        }
        Ok(self.store.settle_or_retry(Handed::new(file, Some(end)))?)
    }

    /// Ends it as a crash would: what is whole of it is published.
    ///
    /// # Errors
    /// [`ArchiveError::Storage`] when the spool fails; a thread tries again.
    pub fn abandon(mut self) -> Result<Published, ArchiveError> {
        let file = self.take()?;
        Ok(self.store.settle_or_retry(Handed::new(file, None))?)
    }

    fn file(&self) -> Result<&OpenFile, ArchiveError> {
        self.file.as_deref().ok_or_else(gone)
    }

    fn take(&mut self) -> Result<Arc<OpenFile>, ArchiveError> {
        self.file.take().ok_or_else(gone)
    }
}

/// An object without a file can't be reached by a caller: `finish` and `abandon` consume it.
fn gone() -> ArchiveError {
    ArchiveError::Denied("the object is finished".into())
}

impl Drop for Object {
    fn drop(&mut self) {
        if let Some(file) = self.file.take() {
            self.store.hand_over(Handed::new(file, None));
        }
    }
}
