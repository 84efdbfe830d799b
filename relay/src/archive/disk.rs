//! What the archive asks of a disk, behind traits so that tests can break it.
//!
//! Each operation is one system call or nearly so: where a power cut may fall between two steps,
//! the steps are told apart here and their order is decided by the callers.

use std::ffi::OsStr;
use std::fs::{File, OpenOptions};
use std::io::{self, IoSlice};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::Path;
use std::time::{Duration, Instant};

use rustix::fs::{Advice, AtFlags, CWD, FlockOperation, RenameFlags, SeekFrom};
use rustix::io::Errno;

use crate::units::CaptureTime;

/// An open file. Positions are explicit, so that one thread can flush while another appends.
pub trait DiskFile: Send + Sync + std::fmt::Debug {
    /// Length in bytes.
    fn size(&self) -> io::Result<u64>;
    /// Reads at most the buffer's length from `offset`; 0 at the end.
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize>;
    /// Writes the parts one after the other from `offset` on; may write less than all.
    fn write_at(&self, offset: u64, parts: &[IoSlice<'_>]) -> io::Result<usize>;
    /// Cuts (or extends) to a length.
    fn set_size(&self, size: u64) -> io::Result<()>;
    /// Makes the content and the length durable.
    fn sync(&self) -> io::Result<()>;
    /// Where the first byte lies that was never written, at most the length. The archive leaves no
    /// holes: one that is there was made by a power cut, when a later block had reached the disk
    /// and an earlier one had not.
    fn first_hole(&self) -> io::Result<u64>;
    /// Drops what the system keeps in memory of the durable content, so that the next read comes
    /// from the disk. A system that can't do that is no error.
    fn forget(&self) -> io::Result<()>;
}

/// What is known about a path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Metadata {
    /// A regular file (not a folder, not a symbolic link).
    pub is_file: bool,
    /// Length in bytes.
    pub bytes: u64,
    /// Number of the file system.
    pub device: u64,
    /// When it last changed, by the file system's clock: a file its content or its name, a folder
    /// the names in it.
    pub changed: CaptureTime,
}

/// Room on a file system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// Bytes that this process may still write.
    pub free_bytes: u64,
    /// Bytes in all.
    pub total_bytes: u64,
}

/// A tree of files. No operation but [`unlink`](Self::unlink) and [`remove_dir`](Self::remove_dir)
/// ever takes anything away.
pub trait Disk: Send + Sync + std::fmt::Debug {
    /// Creates a file for reading and writing; fails when the name is taken.
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for reading and writing.
    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for reading alone.
    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens (creates) a file and locks it for as long as the handle lives;
    /// [`io::ErrorKind::WouldBlock`] when another process holds it, and goes on to.
    fn lock(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// What lies at a path; symbolic links are followed.
    fn metadata(&self, path: &Path) -> io::Result<Metadata>;
    /// Calls back with each name in a folder, in no order.
    fn each_entry(&self, folder: &Path, callback: &mut dyn FnMut(&OsStr)) -> io::Result<()>;
    /// Makes one folder.
    fn create_dir(&self, path: &Path) -> io::Result<()>;
    /// Renames; [`io::ErrorKind::AlreadyExists`] when the new name is taken, an error for which
    /// `is_unsupported` holds where the file system can't promise that.
    fn rename_noreplace(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Gives a file a second name; fails when that is taken.
    fn link(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Takes a name away.
    fn unlink(&self, path: &Path) -> io::Result<()>;
    /// Takes an empty folder away; fails when something is in it.
    fn remove_dir(&self, path: &Path) -> io::Result<()>;
    /// Makes the names in a folder durable.
    fn sync_dir(&self, path: &Path) -> io::Result<()>;
    /// Room on the file system of a path.
    fn room(&self, path: &Path) -> io::Result<Room>;
    /// Whether a path leads to no file system, but to a store: a name is then given to a whole
    /// object by [`rename_noreplace`](Self::rename_noreplace) from the spool, which takes its time.
    fn is_far(&self, path: &Path) -> bool {
        let _ = path;
        false
    }
    /// When something last went to or from the store that a path leads to.
    fn heard(&self, path: &Path) -> Option<Instant> {
        let _ = path;
        None
    }
    /// Lets go what was brought to this machine from far, but for what was used last; whether that was
    /// anything.
    fn give_room(&self) -> bool {
        false
    }
    /// Has a file that is far brought to this machine, to be read like any other. What was brought
    /// goes again some time, but not from whoever has it open.
    fn fetch(&self, path: &Path) -> io::Result<File> {
        File::open(path)
    }
}

/// Reads a file from its begin to its end.
#[derive(Debug)]
pub(crate) struct Sequence {
    file: Box<dyn DiskFile>,
    offset: u64,
}

impl Sequence {
    pub(crate) fn new(file: Box<dyn DiskFile>) -> Self {
        Self { file, offset: 0 }
    }
}

impl io::Read for Sequence {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read_at(self.offset, buffer)?;
        self.offset += read as u64;
        Ok(read)
    }
}

/// Whether an error says that the file system lacks an operation.
#[must_use]
pub(crate) fn is_unsupported(error: &io::Error) -> bool {
    // A file system without the flag answers EINVAL (renameat2(2)), an old kernel ENOSYS.
    matches!(
        Errno::from_io_error(error),
        Some(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP)
    )
}

/// Whether an error says that what was asked for could not be had now, and nothing of what it is: the
/// disk, the network or the store does not answer, or the store does not let us in.
#[must_use]
pub(crate) fn is_outage(error: &io::Error) -> bool {
    use io::ErrorKind as Kind;
    matches!(
        error.kind(),
        Kind::TimedOut
            | Kind::NotConnected
            | Kind::ConnectionRefused
            | Kind::ConnectionReset
            | Kind::ConnectionAborted
            | Kind::AddrNotAvailable
            | Kind::HostUnreachable
            | Kind::NetworkUnreachable
            | Kind::NetworkDown
            | Kind::ResourceBusy
            | Kind::StaleNetworkFileHandle
    )
}

/// A lock outlives its holder for a moment: a process that was killed has it until its last thread
/// is gone, and so has a child between its fork and its exec.
const LOCK_PATIENCE: Duration = Duration::from_millis(500);
const LOCK_PAUSE: Duration = Duration::from_millis(10);

/// The disk of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

impl Disk for RealDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .open(path)?;
        Ok(Box::new(RealFile(file)))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(RealFile(
            OpenOptions::new().read(true).write(true).open(path)?,
        )))
    }

    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(RealFile(File::open(path)?)))
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut options = OpenOptions::new();
        let file = options
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)?;
        let given_up = Instant::now() + LOCK_PATIENCE;
        loop {
            match rustix::fs::flock(&file, FlockOperation::NonBlockingLockExclusive) {
                Err(Errno::WOULDBLOCK) if Instant::now() < given_up => {
                    std::thread::sleep(LOCK_PAUSE);
                }
                result => break result?,
            }
        }
        Ok(Box::new(RealFile(file)))
    }

    fn metadata(&self, path: &Path) -> io::Result<Metadata> {
        let metadata = std::fs::metadata(path)?;
        Ok(Metadata {
            is_file: metadata.is_file(),
            bytes: metadata.len(),
            device: metadata.dev(),
            changed: CaptureTime::from_unix_nanos(
                metadata
                    .ctime()
                    .saturating_mul(1_000_000_000)
                    .saturating_add(metadata.ctime_nsec()),
            ),
        })
    }

    fn each_entry(&self, folder: &Path, callback: &mut dyn FnMut(&OsStr)) -> io::Result<()> {
        for entry in std::fs::read_dir(folder)? {
            callback(&entry?.file_name());
        }
        Ok(())
    }

    fn create_dir(&self, path: &Path) -> io::Result<()> {
        std::fs::create_dir(path)
    }

    fn rename_noreplace(&self, from: &Path, to: &Path) -> io::Result<()> {
        Ok(rustix::fs::renameat_with(
            CWD,
            from,
            CWD,
            to,
            RenameFlags::NOREPLACE,
        )?)
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        Ok(rustix::fs::linkat(CWD, from, CWD, to, AtFlags::empty())?)
    }

    fn unlink(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_file(path)
    }

    fn remove_dir(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_dir(path)
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        match File::open(path)?.sync_all() {
            // Some network and user-space file systems know no flush of a folder (fsync(2):
            // EINVAL): there its names are as durable as they get.
            Err(error) if is_unsupported(&error) => Ok(()),
            result => result,
        }
    }

    fn room(&self, path: &Path) -> io::Result<Room> {
        let room = rustix::fs::statvfs(path)?;
        Ok(Room {
            free_bytes: room.f_bavail.saturating_mul(room.f_frsize),
            total_bytes: room.f_blocks.saturating_mul(room.f_frsize),
        })
    }
}

#[derive(Debug)]
struct RealFile(File);

impl DiskFile for RealFile {
    fn size(&self) -> io::Result<u64> {
        Ok(self.0.metadata()?.len())
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        self.0.read_at(buffer, offset)
    }

    fn write_at(&self, offset: u64, parts: &[IoSlice<'_>]) -> io::Result<usize> {
        Ok(rustix::io::pwritev(&self.0, parts, offset)?)
    }

    fn set_size(&self, size: u64) -> io::Result<()> {
        self.0.set_len(size)
    }

    fn sync(&self) -> io::Result<()> {
        // fdatasync(2): the content, and of the metadata what is needed to read it (the length).
        self.0.sync_data()
    }

    fn first_hole(&self) -> io::Result<u64> {
        match rustix::fs::seek(&self.0, SeekFrom::Hole(0)) {
            Ok(offset) => Ok(offset),
            // lseek(2): an empty file has no place to seek to; elsewhere, no knowledge of holes.
            Err(Errno::NXIO | Errno::INVAL | Errno::OPNOTSUPP) => self.size(),
            Err(error) => Err(error.into()),
        }
    }

    fn forget(&self) -> io::Result<()> {
        // posix_fadvise(2): clean pages go, if nobody else holds them.
        match rustix::fs::fadvise(&self.0, 0, None, Advice::DontNeed) {
            Err(error) if !is_unsupported(&error.into()) => Err(error.into()),
            _ => Ok(()),
        }
    }
}

/// Writes all parts, in calls of at most as many as the system takes.
///
/// # Errors
/// What the disk reports, [`io::ErrorKind::WriteZero`] when it takes nothing more. Some of the
/// bytes may have been written.
pub(super) fn write_all_at(
    file: &dyn DiskFile,
    mut offset: u64,
    mut parts: &mut [IoSlice<'_>],
) -> io::Result<()> {
    // IOV_MAX of Linux.
    const PARTS_MAX: usize = 1024;
    IoSlice::advance_slices(&mut parts, 0);
    while !parts.is_empty() {
        let batch = parts.get(..PARTS_MAX).unwrap_or(parts);
        match file.write_at(offset, batch) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(written) => {
                offset += written as u64;
                IoSlice::advance_slices(&mut parts, written);
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// Fills the buffer from `offset`.
///
/// # Errors
/// What the disk reports, [`io::ErrorKind::UnexpectedEof`] when the file is shorter.
pub(super) fn read_exact_at(
    file: &dyn DiskFile,
    mut offset: u64,
    mut buffer: &mut [u8],
) -> io::Result<()> {
    while !buffer.is_empty() {
        match file.read_at(offset, buffer) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(read) => {
                offset += read as u64;
                buffer = buffer.get_mut(read..).unwrap_or_default();
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}
