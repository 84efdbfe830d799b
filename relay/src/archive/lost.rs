//! A spool that is taken away while the relay runs.

use std::path::Path;

use super::ledger::FOOTAGE;
use super::store::{Handed, Store, create_dirs, locked, take_lock};
use super::{ArchiveEvent, StorageError};
use crate::units::CaptureTime;

impl Store {
    /// Looks whether the spool is there. One that was removed is made anew, and what it held is told to
    /// be lost; one whose disk is away is waited for. Whether it can be used.
    pub(super) fn keep_spool(&self) -> bool {
        let folders = self.spool.folders();
        if !folders.into_iter().any(|folder| self.is_missing(folder)) {
            return true;
        }
        let device = |path: &Path| self.disk.metadata(path).ok().map(|found| found.device);
        let root = &self.spool.root;
        let here = device(root).or_else(|| device(root.parent()?));
        let root = root.display();
        if here != Some(self.spool_device) {
            self.shut(Some(format!(
                "the spool {root} is not there: its disk is away"
            )));
            return false;
        }
        match self.renew_spool() {
            Ok(()) => true,
            Err(error) => {
                self.shut(Some(format!("the spool {root} is gone: {}", error.line())));
                false
            }
        }
    }

    fn renew_spool(&self) -> Result<(), StorageError> {
        // Nobody can find any more what is written to them.
        for file in self.open_files() {
            if let Ok(mut state) = file.state.try_lock()
                && self.is_missing(&file.path)
            {
                state.failed = Some("the spool was removed".into());
            }
        }
        for folder in self.spool.folders() {
            create_dirs(&*self.disk, folder)?;
        }
        if let Ok((lock, _)) = take_lock(&*self.disk, &self.spool.root) {
            *locked(&self.lock) = lock;
        }
        self.tell(ArchiveEvent::SpoolRenewed(self.spool.root.clone()));
        let names: Vec<_> = locked(&self.waiting).all().collect();
        for (name, bytes) in names {
            if !self.is_missing(&self.spool.finished.join(name.encode())) {
                continue;
            }
            locked(&self.waiting).remove(&name, bytes);
            self.tell(ArchiveEvent::Lost {
                spooled: self.spool.finished.join(name.encode()),
                end: name.end,
                key: name.key,
                bytes,
            });
        }
        Ok(())
    }

    /// Whether an object that was never moved is not where it was written: then it is lost, and told
    /// to be.
    pub(super) fn is_lost(&self, handed: &Handed) -> bool {
        let file = &handed.file;
        let bytes = locked(&file.state).len;
        let is_gone = self.is_missing(&file.path) && !self.is_missing(&self.spool.open);
        if handed.is_moving() || bytes == 0 || !is_gone {
            return false;
        }
        let name = &file.name;
        let end = match name.key.purpose.as_str() {
            FOOTAGE => Some(handed.end.unwrap_or_else(CaptureTime::now)),
            _ => handed.end,
        };
        self.tell(ArchiveEvent::Lost {
            key: name.key.clone(),
            end,
            bytes,
            spooled: self.spool.finished.join(name.encode()),
        });
        true
    }
}
