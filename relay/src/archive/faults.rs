//! A disk for tests that breaks another one at a chosen operation.

use std::ffi::OsStr;
use std::io::{self, IoSlice};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use rustix::io::Errno;

use super::disk::{Disk, DiskFile, Metadata, Room};

/// How a disk breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// One operation fails with this.
    Once(Errno),
    /// This operation and all after it fail, as for a process that is dead.
    Death,
    /// This operation and some after it fail, as where a disk is away for a while.
    While(u64, Errno),
}

/// What a file system lacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lack {
    Nothing,
    /// RENAME_NOREPLACE.
    Noreplace,
    /// The archive (below a folder of this name) is on another device than the rest.
    SameDevice,
    /// The same device, but another mount: a rename is refused all the same (rename(2), EXDEV).
    SameMount,
}

/// Breaks another disk at its n-th operation (from 1).
#[derive(Debug, Clone)]
pub(super) struct FaultyDisk {
    inner: Arc<dyn Disk>,
    state: Arc<FaultState>,
    lack: Lack,
}

#[derive(Debug)]
struct FaultState {
    count: AtomicU64,
    at: u64,
    fault: Fault,
}

impl FaultyDisk {
    pub(super) fn new(inner: Arc<dyn Disk>, lack: Lack, at: u64, fault: Fault) -> Self {
        Self {
            inner,
            state: Arc::new(FaultState {
                count: AtomicU64::new(0),
                at,
                fault,
            }),
            lack,
        }
    }

    /// Operations so far.
    pub(super) fn count(&self) -> u64 {
        self.state.count.load(Ordering::SeqCst)
    }

    /// What lies below a folder named `archive`.
    fn is_archive(path: &Path) -> bool {
        path.components().any(|part| part.as_os_str() == "archive")
    }

    fn crosses(&self, from: &Path, to: &Path) -> io::Result<()> {
        let is_apart = matches!(self.lack, Lack::SameDevice | Lack::SameMount);
        if is_apart && Self::is_archive(from) != Self::is_archive(to) {
            return Err(Errno::XDEV.into());
        }
        Ok(())
    }

    fn wrap(&self, file: Box<dyn DiskFile>) -> Box<dyn DiskFile> {
        Box::new(FaultyFile {
            inner: file,
            state: Arc::clone(&self.state),
        })
    }
}

impl FaultState {
    fn step(&self) -> io::Result<()> {
        let count = self.count.fetch_add(1, Ordering::SeqCst) + 1;
        match self.fault {
            Fault::Once(errno) if count == self.at => Err(errno.into()),
            Fault::Death if count >= self.at => Err(io::Error::other("the process is dead")),
            Fault::While(length, errno) if (0..length).contains(&count.wrapping_sub(self.at)) => {
                Err(errno.into())
            }
            _ => Ok(()),
        }
    }
}

impl Disk for FaultyDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.state.step()?;
        Ok(self.wrap(self.inner.create_new(path)?))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.state.step()?;
        Ok(self.wrap(self.inner.open(path)?))
    }

    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.state.step()?;
        Ok(self.wrap(self.inner.open_to_read(path)?))
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.state.step()?;
        Ok(self.wrap(self.inner.lock(path)?))
    }

    fn metadata(&self, path: &Path) -> io::Result<Metadata> {
        self.state.step()?;
        let mut metadata = self.inner.metadata(path)?;
        if self.lack == Lack::SameDevice && Self::is_archive(path) {
            metadata.device += 1;
        }
        Ok(metadata)
    }

    fn each_entry(&self, folder: &Path, callback: &mut dyn FnMut(&OsStr)) -> io::Result<()> {
        self.state.step()?;
        self.inner.each_entry(folder, callback)
    }

    fn create_dir(&self, path: &Path) -> io::Result<()> {
        self.state.step()?;
        self.inner.create_dir(path)
    }

    fn rename_noreplace(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.state.step()?;
        self.crosses(from, to)?;
        if self.lack == Lack::Noreplace {
            return Err(Errno::INVAL.into());
        }
        self.inner.rename_noreplace(from, to)
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.state.step()?;
        self.crosses(from, to)?;
        self.inner.link(from, to)
    }

    fn unlink(&self, path: &Path) -> io::Result<()> {
        self.state.step()?;
        self.inner.unlink(path)
    }

    fn remove_dir(&self, path: &Path) -> io::Result<()> {
        self.state.step()?;
        self.inner.remove_dir(path)
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        self.state.step()?;
        self.inner.sync_dir(path)
    }

    fn room(&self, path: &Path) -> io::Result<Room> {
        self.state.step()?;
        self.inner.room(path)
    }
}

#[derive(Debug)]
struct FaultyFile {
    inner: Box<dyn DiskFile>,
    state: Arc<FaultState>,
}

impl DiskFile for FaultyFile {
    fn size(&self) -> io::Result<u64> {
        self.state.step()?;
        self.inner.size()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        self.state.step()?;
        self.inner.read_at(offset, buffer)
    }

    fn write_at(&self, offset: u64, parts: &[IoSlice<'_>]) -> io::Result<usize> {
        let was_alive = self.state.count.load(Ordering::SeqCst) < self.state.at;
        if let Err(error) = self.state.step() {
            // The worst failure leaves half of it.
            let bytes: Vec<u8> = parts.iter().flat_map(|part| part.to_vec()).collect();
            if was_alive && bytes.len() > 1 {
                self.inner
                    .write_at(offset, &[IoSlice::new(&bytes[..bytes.len() / 2])])?;
            }
            return Err(error);
        }
        self.inner.write_at(offset, parts)
    }

    fn set_size(&self, size: u64) -> io::Result<()> {
        self.state.step()?;
        self.inner.set_size(size)
    }

    fn sync(&self) -> io::Result<()> {
        self.state.step()?;
        self.inner.sync()
    }

    fn first_hole(&self) -> io::Result<u64> {
        self.state.step()?;
        self.inner.first_hole()
    }

    fn forget(&self) -> io::Result<()> {
        self.state.step()?;
        self.inner.forget()
    }
}
