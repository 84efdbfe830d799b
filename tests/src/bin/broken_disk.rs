//! A file system that hands everything on to a folder, and fails to order.
//!
//! `broken_disk FOLDER MOUNT_POINT` says `mounted` once it is. Each line of standard input is an order:
//! `all 5` fails every call with errno 5 from then on, `writes 30` those that change something, `none 0`
//! none; each is answered with `done`. It ends with its input. To hang, it is stopped (SIGSTOP).

use std::collections::HashMap;
use std::ffi::OsStr;
use std::fs::{self, File, Metadata, OpenOptions};
use std::io::{self, BufRead as _};
use std::os::unix::fs::{FileExt as _, MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI32, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, SystemTime};

use fuser::{
    BsdFileFlags, Config, Errno, FileAttr, FileHandle, FileType, Filesystem, FopenFlags,
    Generation, INodeNo, LockOwner, MountOption, OpenFlags, RenameFlags, ReplyAttr, ReplyCreate,
    ReplyData, ReplyDirectory, ReplyEmpty, ReplyEntry, ReplyOpen, ReplyStatfs, ReplyWrite, Request,
    SessionACL, TimeOrNow, WriteFlags,
};
use rustix::fs::{CWD, RenameFlags as Flags, renameat_with, statvfs};

/// Nothing is remembered by the kernel: each call comes here, or hangs.
const FRESH: Duration = Duration::ZERO;

#[derive(Debug, Default)]
struct Faults {
    all: AtomicI32,
    writes: AtomicI32,
}

impl Faults {
    fn order(&self, line: &str) {
        let (what, errno) = line.split_once(' ').expect("an order and an errno");
        let errno: i32 = errno.parse().expect("a number");
        let (all, writes) = match what {
            "all" => (errno, errno),
            "writes" => (0, errno),
            "none" => (0, 0),
            _ => panic!("no such order: {what}"),
        };
        self.all.store(all, Ordering::SeqCst);
        self.writes.store(writes, Ordering::SeqCst);
    }

    fn fails(fault: &AtomicI32) -> Result<(), Errno> {
        match fault.load(Ordering::SeqCst) {
            0 => Ok(()),
            errno => Err(Errno::from_i32(errno)),
        }
    }

    fn read(&self) -> Result<(), Errno> {
        Self::fails(&self.all)
    }

    fn write(&self) -> Result<(), Errno> {
        Self::fails(&self.writes)
    }
}

#[derive(Debug, Default)]
struct State {
    /// By inode.
    paths: HashMap<u64, PathBuf>,
    inodes: HashMap<PathBuf, u64>,
    last_inode: u64,
    /// By handle, with the inode.
    files: HashMap<u64, (u64, Arc<File>)>,
    last_handle: u64,
}

#[derive(Debug)]
struct BrokenDisk {
    state: Mutex<State>,
    faults: Arc<Faults>,
}

type Answer<T> = Result<T, Errno>;

impl State {
    fn inode(&mut self, path: &Path) -> u64 {
        if let Some(inode) = self.inodes.get(path) {
            return *inode;
        }
        self.last_inode += 1;
        self.inodes.insert(path.to_owned(), self.last_inode);
        self.paths.insert(self.last_inode, path.to_owned());
        self.last_inode
    }

    fn forget(&mut self, path: &Path) {
        if let Some(inode) = self.inodes.remove(path) {
            self.paths.remove(&inode);
        }
    }

    fn moved(&mut self, from: &Path, to: &Path) {
        self.forget(to);
        let below: Vec<(PathBuf, u64)> = self
            .inodes
            .iter()
            .filter(|(path, _)| path.starts_with(from))
            .map(|(path, inode)| (path.clone(), *inode))
            .collect();
        for (path, inode) in below {
            self.inodes.remove(&path);
            // `join` of nothing would end with a slash.
            let rest = path.strip_prefix(from).expect("a prefix");
            let path = if rest.as_os_str().is_empty() {
                to.to_owned()
            } else {
                to.join(rest)
            };
            self.paths.insert(inode, path.clone());
            self.inodes.insert(path, inode);
        }
    }

    fn opened(&mut self, inode: u64, file: File) -> FileHandle {
        self.last_handle += 1;
        self.files.insert(self.last_handle, (inode, Arc::new(file)));
        FileHandle(self.last_handle)
    }
}

fn attributes(inode: u64, found: &Metadata) -> FileAttr {
    let time = |seconds: i64, nanos: i64| {
        let since = Duration::new(seconds.unsigned_abs(), nanos.unsigned_abs() as u32);
        SystemTime::UNIX_EPOCH + since
    };
    FileAttr {
        ino: INodeNo(inode),
        size: found.len(),
        blocks: found.blocks(),
        atime: time(found.atime(), found.atime_nsec()),
        mtime: time(found.mtime(), found.mtime_nsec()),
        ctime: time(found.ctime(), found.ctime_nsec()),
        crtime: SystemTime::UNIX_EPOCH,
        kind: if found.is_dir() {
            FileType::Directory
        } else {
            FileType::RegularFile
        },
        perm: (found.mode() & 0o7777) as u16,
        nlink: found.nlink() as u32,
        uid: found.uid(),
        gid: found.gid(),
        rdev: 0,
        blksize: 4096,
        flags: 0,
    }
}

impl BrokenDisk {
    fn new(root: &Path, faults: Arc<Faults>) -> Self {
        let mut state = State::default();
        // The first inode is the root's (FUSE_ROOT_ID).
        state.inode(root);
        Self {
            state: Mutex::new(state),
            faults,
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().expect("no thread has panicked")
    }

    fn path(&self, inode: INodeNo) -> Answer<PathBuf> {
        let state = self.state();
        state.paths.get(&inode.0).cloned().ok_or(Errno::ENOENT)
    }

    fn child(&self, parent: INodeNo, name: &OsStr) -> Answer<PathBuf> {
        Ok(self.path(parent)?.join(name))
    }

    fn entry(&self, path: &Path) -> Answer<FileAttr> {
        let found = fs::symlink_metadata(path)?;
        Ok(attributes(self.state().inode(path), &found))
    }

    fn file(&self, handle: FileHandle) -> Answer<Arc<File>> {
        let state = self.state();
        let found = state.files.get(&handle.0).ok_or(Errno::EBADF)?;
        Ok(Arc::clone(&found.1))
    }

    /// What is open may have no name any more.
    fn any_file(&self, inode: INodeNo, handle: Option<FileHandle>) -> Option<Arc<File>> {
        let state = self.state();
        let given = handle.and_then(|handle| state.files.get(&handle.0));
        let found = given.or_else(|| state.files.values().find(|(of, _)| *of == inode.0));
        found.map(|(_, file)| Arc::clone(file))
    }

    fn look_up(&self, inode: INodeNo, handle: Option<FileHandle>) -> Answer<FileAttr> {
        let found = match self.any_file(inode, handle) {
            Some(file) => file.metadata()?,
            None => fs::symlink_metadata(self.path(inode)?)?,
        };
        Ok(attributes(inode.0, &found))
    }

    fn open_file(&self, inode: INodeNo, flags: i32) -> Answer<FileHandle> {
        let path = self.path(inode)?;
        let access = flags & 3;
        let file = OpenOptions::new()
            .read(access != 1)
            .write(access != 0)
            .truncate(access != 0 && flags & (rustix::fs::OFlags::TRUNC.bits() as i32) != 0)
            .open(path)?;
        Ok(self.state().opened(inode.0, file))
    }

    fn make(
        &self,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        flags: i32,
    ) -> Answer<(FileAttr, FileHandle)> {
        let path = self.child(parent, name)?;
        let exclusive = flags & (rustix::fs::OFlags::EXCL.bits() as i32) != 0;
        let mut options = OpenOptions::new();
        options.read(true).write(true).mode(mode);
        if exclusive {
            options.create_new(true);
        } else {
            options.create(true);
        }
        let file = options.open(&path)?;
        let attributes = self.entry(&path)?;
        let handle = self.state().opened(attributes.ino.0, file);
        Ok((attributes, handle))
    }
}

/// Gives the answer, or its error.
macro_rules! answer {
    ($reply:ident, $result:expr, |$value:pat_param| $good:expr) => {
        match $result {
            Ok($value) => $good,
            Err(error) => $reply.error(error),
        }
    };
}

impl Filesystem for BrokenDisk {
    fn lookup(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEntry) {
        let found = || {
            self.faults.read()?;
            self.entry(&self.child(parent, name)?)
        };
        answer!(reply, found(), |found| reply.entry(
            &FRESH,
            &found,
            Generation(0)
        ));
    }

    fn getattr(&self, _: &Request, inode: INodeNo, file: Option<FileHandle>, reply: ReplyAttr) {
        let found = self.faults.read().and_then(|()| self.look_up(inode, file));
        answer!(reply, found, |found| reply.attr(&FRESH, &found));
    }

    fn setattr(
        &self,
        _: &Request,
        inode: INodeNo,
        mode: Option<u32>,
        _: Option<u32>,
        _: Option<u32>,
        size: Option<u64>,
        _: Option<TimeOrNow>,
        _: Option<TimeOrNow>,
        _: Option<SystemTime>,
        file: Option<FileHandle>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<SystemTime>,
        _: Option<BsdFileFlags>,
        reply: ReplyAttr,
    ) {
        let set = || {
            self.faults.write()?;
            if let Some(size) = size {
                match self.any_file(inode, file) {
                    Some(file) => file.set_len(size)?,
                    None => OpenOptions::new()
                        .write(true)
                        .open(self.path(inode)?)?
                        .set_len(size)?,
                }
            }
            if let Some(mode) = mode {
                let mode = std::os::unix::fs::PermissionsExt::from_mode(mode);
                fs::set_permissions(self.path(inode)?, mode)?;
            }
            self.look_up(inode, file)
        };
        answer!(reply, set(), |found| reply.attr(&FRESH, &found));
    }

    fn mkdir(&self, _: &Request, parent: INodeNo, name: &OsStr, _: u32, _: u32, reply: ReplyEntry) {
        let made = || {
            self.faults.write()?;
            let path = self.child(parent, name)?;
            fs::create_dir(&path)?;
            self.entry(&path)
        };
        answer!(reply, made(), |made| reply.entry(
            &FRESH,
            &made,
            Generation(0)
        ));
    }

    fn unlink(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let removed = || {
            self.faults.write()?;
            let path = self.child(parent, name)?;
            fs::remove_file(&path)?;
            self.state().forget(&path);
            Ok(())
        };
        answer!(reply, removed(), |()| reply.ok());
    }

    fn rmdir(&self, _: &Request, parent: INodeNo, name: &OsStr, reply: ReplyEmpty) {
        let removed = || {
            self.faults.write()?;
            let path = self.child(parent, name)?;
            fs::remove_dir(&path)?;
            self.state().forget(&path);
            Ok(())
        };
        answer!(reply, removed(), |()| reply.ok());
    }

    fn rename(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        new_parent: INodeNo,
        new_name: &OsStr,
        flags: RenameFlags,
        reply: ReplyEmpty,
    ) {
        let renamed = || {
            self.faults.write()?;
            let (from, to) = (self.child(parent, name)?, self.child(new_parent, new_name)?);
            let flags = Flags::from_bits_retain(flags.bits());
            renameat_with(CWD, &from, CWD, &to, flags).map_err(io::Error::from)?;
            self.state().moved(&from, &to);
            Ok(())
        };
        answer!(reply, renamed(), |()| reply.ok());
    }

    fn link(
        &self,
        _: &Request,
        inode: INodeNo,
        new_parent: INodeNo,
        new_name: &OsStr,
        reply: ReplyEntry,
    ) {
        let linked = || {
            self.faults.write()?;
            let to = self.child(new_parent, new_name)?;
            fs::hard_link(self.path(inode)?, &to)?;
            self.entry(&to)
        };
        answer!(reply, linked(), |made| reply.entry(
            &FRESH,
            &made,
            Generation(0)
        ));
    }

    fn open(&self, _: &Request, inode: INodeNo, flags: OpenFlags, reply: ReplyOpen) {
        let opened = || {
            self.faults.read()?;
            if flags.0 & 3 != 0 {
                self.faults.write()?;
            }
            self.open_file(inode, flags.0)
        };
        answer!(reply, opened(), |file| reply
            .opened(file, FopenFlags::empty()));
    }

    fn create(
        &self,
        _: &Request,
        parent: INodeNo,
        name: &OsStr,
        mode: u32,
        _: u32,
        flags: i32,
        reply: ReplyCreate,
    ) {
        let made = self
            .faults
            .write()
            .and_then(|()| self.make(parent, name, mode, flags));
        answer!(reply, made, |(found, file)| reply.created(
            &FRESH,
            &found,
            Generation(0),
            file,
            FopenFlags::empty()
        ));
    }

    fn read(
        &self,
        _: &Request,
        _: INodeNo,
        file: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let read = || {
            self.faults.read()?;
            let mut buffer = vec![0; size as usize];
            let mut filled = 0;
            let file = self.file(file)?;
            while filled < buffer.len() {
                match file.read_at(&mut buffer[filled..], offset + filled as u64)? {
                    0 => break,
                    read => filled += read,
                }
            }
            buffer.truncate(filled);
            Ok(buffer)
        };
        answer!(reply, read(), |data| reply.data(&data));
    }

    fn write(
        &self,
        _: &Request,
        _: INodeNo,
        file: FileHandle,
        offset: u64,
        data: &[u8],
        _: WriteFlags,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyWrite,
    ) {
        let written = || {
            self.faults.write()?;
            self.file(file)?.write_all_at(data, offset)?;
            Ok(data.len() as u32)
        };
        answer!(reply, written(), |size| reply.written(size));
    }

    fn flush(&self, _: &Request, _: INodeNo, _: FileHandle, _: LockOwner, reply: ReplyEmpty) {
        reply.ok();
    }

    fn fsync(&self, _: &Request, _: INodeNo, file: FileHandle, _: bool, reply: ReplyEmpty) {
        let flushed = || {
            self.faults.write()?;
            Ok(self.file(file)?.sync_data()?)
        };
        answer!(reply, flushed(), |()| reply.ok());
    }

    fn release(
        &self,
        _: &Request,
        _: INodeNo,
        file: FileHandle,
        _: OpenFlags,
        _: Option<LockOwner>,
        _: bool,
        reply: ReplyEmpty,
    ) {
        self.state().files.remove(&file.0);
        reply.ok();
    }

    fn opendir(&self, _: &Request, _: INodeNo, _: OpenFlags, reply: ReplyOpen) {
        answer!(reply, self.faults.read(), |()| reply
            .opened(FileHandle(0), FopenFlags::empty()));
    }

    fn readdir(
        &self,
        _: &Request,
        inode: INodeNo,
        _: FileHandle,
        offset: u64,
        mut reply: ReplyDirectory,
    ) {
        let listed = || {
            self.faults.read()?;
            let mut names = Vec::new();
            for entry in fs::read_dir(self.path(inode)?)? {
                let entry = entry?;
                let kind = match entry.file_type()?.is_dir() {
                    true => FileType::Directory,
                    false => FileType::RegularFile,
                };
                names.push((entry.file_name(), kind));
            }
            names.sort();
            Ok(names)
        };
        let names = match listed() {
            Ok(names) => names,
            Err(error) => return reply.error(error),
        };
        let from = usize::try_from(offset).expect("an index");
        for (index, (name, kind)) in names.iter().enumerate().skip(from) {
            // The number in a listing need not be that of a look-up.
            if reply.add(INodeNo(u64::MAX), index as u64 + 1, *kind, name) {
                break;
            }
        }
        reply.ok();
    }

    fn fsyncdir(&self, _: &Request, _: INodeNo, _: FileHandle, _: bool, reply: ReplyEmpty) {
        answer!(reply, self.faults.write(), |()| reply.ok());
    }

    fn statfs(&self, _: &Request, _: INodeNo, reply: ReplyStatfs) {
        let found = || {
            self.faults.read()?;
            let root = self.path(INodeNo(1))?;
            Ok(statvfs(&root).map_err(io::Error::from)?)
        };
        answer!(reply, found(), |found| reply.statfs(
            found.f_blocks,
            found.f_bfree,
            found.f_bavail,
            found.f_files,
            found.f_ffree,
            found.f_bsize as u32,
            255,
            found.f_frsize as u32
        ));
    }
}

fn main() {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let (Some(folder), Some(point)) = (arguments.next(), arguments.next()) else {
        panic!("broken_disk FOLDER MOUNT_POINT");
    };
    let faults = Arc::new(Faults::default());
    let disk = BrokenDisk::new(&folder, Arc::clone(&faults));
    let mut config = Config::default();
    config.mount_options = vec![
        MountOption::FSName("broken_disk".into()),
        MountOption::DefaultPermissions,
    ];
    config.acl = SessionACL::All;
    let session = fuser::spawn_mount(disk, &point, &config).expect("a mount");
    println!("mounted");
    for line in io::stdin().lock().lines() {
        faults.order(&line.expect("a line"));
        println!("done");
    }
    drop(session);
}
