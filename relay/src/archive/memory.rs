//! A disk in memory for tests, which knows what a power cut would leave.

use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::io::{self, IoSlice};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use super::disk::{Disk, DiskFile, Metadata, Room};
use crate::units::CaptureTime;

/// A tree in memory, with what of it is durable beside what is seen.
///
/// The model of a power cut: content that was not flushed may be there, in part, or be a hole;
/// names that were made or removed since the flush of their folder may or may not be, each on its
/// own; only a rename never loses both names (each common file system promises that).
#[derive(Debug, Clone, Default)]
pub(super) struct MemDisk(Arc<Mutex<Tree>>);

type Names = BTreeMap<PathBuf, Node>;

#[derive(Debug, Default)]
struct Tree {
    inodes: Vec<Inode>,
    seen: Names,
    durable: Names,
    /// Changes to names that no flush of their folder has made durable.
    pending: Vec<Change>,
    /// Flushes that are to succeed and yet to write a bit wrong.
    lies: u64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Node {
    Folder,
    File(usize),
}

#[derive(Debug, Clone)]
struct Change {
    path: PathBuf,
    /// None: removed.
    node: Option<Node>,
    /// A removal by a rename comes not without the new name.
    not_without: Option<(PathBuf, Node)>,
}

#[derive(Debug, Default)]
struct Inode {
    data: Vec<u8>,
    durable: Vec<u8>,
    pending: Vec<Write>,
    hole: Option<u64>,
    /// What of it a power cut brings back.
    durable_hole: Option<u64>,
    locked: bool,
}

#[derive(Debug)]
enum Write {
    Data(u64, Vec<u8>),
    Size(u64),
}

/// Numbers that look random: xorshift64 (Marsaglia 2003).
#[derive(Debug)]
pub(super) struct Dice(pub(super) u64);

impl Dice {
    pub(super) fn roll(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % sides
    }
}

impl MemDisk {
    /// So many flushes write a bit wrong, and don't tell.
    pub(super) fn lie(&self, flushes: u64) {
        self.0.lock().unwrap().lies = flushes;
    }

    /// The power fails and comes back.
    pub(super) fn cut_power(&self, dice: &mut Dice) {
        let mut tree = self.0.lock().unwrap();
        let pending = std::mem::take(&mut tree.pending);
        for change in pending {
            if dice.roll(2) == 0 {
                tree.make_durable(&change, false);
            }
        }
        let durable = tree.durable.clone();
        let is_reachable = |path: &Path| {
            path.ancestors()
                .skip(1)
                .all(|p| p == Path::new("/") || durable.contains_key(p))
        };
        tree.seen = durable
            .clone()
            .into_iter()
            .filter(|(path, _)| is_reachable(path))
            .collect();
        tree.durable = tree.seen.clone();
        for inode in &mut tree.inodes {
            inode.cut_power(dice);
        }
    }

    fn parent_exists(tree: &Tree, path: &Path) -> io::Result<()> {
        let parent = path.parent().unwrap();
        match tree.seen.get(parent) {
            Some(Node::Folder) => Ok(()),
            Some(_) => Err(io::ErrorKind::NotADirectory.into()),
            None if parent == Path::new("/") => Ok(()),
            None => Err(io::ErrorKind::NotFound.into()),
        }
    }

    fn insert(
        &self,
        path: &Path,
        node: impl FnOnce(&mut Tree) -> io::Result<Node>,
    ) -> io::Result<Node> {
        let mut tree = self.0.lock().unwrap();
        Self::parent_exists(&tree, path)?;
        if tree.seen.contains_key(path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let node = node(&mut tree)?;
        tree.seen.insert(path.into(), node);
        tree.pending.push(Change {
            path: path.into(),
            node: Some(node),
            not_without: None,
        });
        Ok(node)
    }

    fn handle(&self, inode: usize) -> Box<dyn DiskFile> {
        Box::new(MemFile {
            disk: self.clone(),
            inode,
            holds_lock: false,
        })
    }
}

impl Tree {
    fn file(&self, path: &Path) -> io::Result<usize> {
        match self.seen.get(path) {
            Some(Node::File(inode)) => Ok(*inode),
            Some(Node::Folder) => Err(io::ErrorKind::IsADirectory.into()),
            None => Err(io::ErrorKind::NotFound.into()),
        }
    }

    fn make_durable(&mut self, change: &Change, with_new_name: bool) {
        if let Some((path, node)) = &change.not_without {
            if with_new_name {
                self.durable.insert(path.clone(), *node);
            } else if self.durable.get(path) != Some(node) {
                return;
            }
        }
        match change.node {
            Some(node) => self.durable.insert(change.path.clone(), node),
            None => self.durable.remove(&change.path),
        };
    }
}

impl Inode {
    fn cut_power(&mut self, dice: &mut Dice) {
        let mut data = self.durable.clone();
        self.hole = self.durable_hole;
        for write in self.pending.drain(..) {
            let (offset, bytes) = match write {
                Write::Size(size) => {
                    if dice.roll(2) == 0 {
                        data.truncate(size as usize);
                        self.hole = self.hole.filter(|hole| *hole < size);
                    }
                    continue;
                }
                Write::Data(offset, bytes) => (offset as usize, bytes),
            };
            let end = offset + bytes.len();
            let kept = match dice.roll(4) {
                0 => continue,
                1 => 0,
                2 => dice.roll(bytes.len() as u64 + 1) as usize,
                _ => bytes.len(),
            };
            // What is kept may lie behind what was lost; what is lost may still count as length.
            let hole = if offset > data.len() {
                Some(data.len())
            } else {
                None
            };
            let hole = hole.or((kept < bytes.len() && end > data.len())
                .then_some(offset.max(data.len()).max(offset + kept)));
            if let Some(hole) = hole {
                self.hole = Some(self.hole.unwrap_or(u64::MAX).min(hole as u64));
            }
            data.resize(data.len().max(end), 0);
            data[offset..offset + kept].copy_from_slice(&bytes[..kept]);
        }
        self.data = data.clone();
        self.durable = data;
        self.durable_hole = self.hole;
        self.locked = false;
    }
}

impl Disk for MemDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let node = self.insert(path, |tree| {
            tree.inodes.push(Inode::default());
            Ok(Node::File(tree.inodes.len() - 1))
        })?;
        let Node::File(inode) = node else {
            unreachable!()
        };
        Ok(self.handle(inode))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let inode = self.0.lock().unwrap().file(path)?;
        Ok(self.handle(inode))
    }

    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.open(path)
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let exists = self.0.lock().unwrap().seen.contains_key(path);
        if !exists {
            self.create_new(path)?;
        }
        let mut tree = self.0.lock().unwrap();
        let inode = tree.file(path)?;
        if std::mem::replace(&mut tree.inodes[inode].locked, true) {
            return Err(io::ErrorKind::WouldBlock.into());
        }
        Ok(Box::new(MemFile {
            disk: self.clone(),
            inode,
            holds_lock: true,
        }))
    }

    fn metadata(&self, path: &Path) -> io::Result<Metadata> {
        let tree = self.0.lock().unwrap();
        if path == Path::new("/") {
            return Ok(Metadata {
                is_file: false,
                bytes: 0,
                device: 1,
                changed: CaptureTime::now(),
            });
        }
        match tree.seen.get(path) {
            None => Err(io::ErrorKind::NotFound.into()),
            Some(Node::Folder) => Ok(Metadata {
                is_file: false,
                bytes: 0,
                device: 1,
                changed: CaptureTime::now(),
            }),
            Some(Node::File(inode)) => {
                let bytes = tree.inodes[*inode].data.len() as u64;
                Ok(Metadata {
                    is_file: true,
                    bytes,
                    device: 1,
                    changed: CaptureTime::now(),
                })
            }
        }
    }

    fn each_entry(&self, folder: &Path, callback: &mut dyn FnMut(&OsStr)) -> io::Result<()> {
        let names: Vec<OsString> = {
            let tree = self.0.lock().unwrap();
            if tree.seen.get(folder) != Some(&Node::Folder) {
                return Err(io::ErrorKind::NotFound.into());
            }
            let inside = tree
                .seen
                .keys()
                .filter(|path| path.parent() == Some(folder));
            inside
                .map(|path| path.file_name().unwrap().to_owned())
                .collect()
        };
        names.iter().for_each(|name| callback(name));
        Ok(())
    }

    fn create_dir(&self, path: &Path) -> io::Result<()> {
        self.insert(path, |_| Ok(Node::Folder)).map(drop)
    }

    fn rename_noreplace(&self, from: &Path, to: &Path) -> io::Result<()> {
        let file = self.0.lock().unwrap().file(from)?;
        self.insert(to, |_| Ok(Node::File(file)))?;
        let mut tree = self.0.lock().unwrap();
        tree.seen.remove(from);
        let not_without = Some((to.to_owned(), Node::File(file)));
        tree.pending.push(Change {
            path: from.into(),
            node: None,
            not_without,
        });
        Ok(())
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        let file = self.0.lock().unwrap().file(from)?;
        self.insert(to, |_| Ok(Node::File(file))).map(drop)
    }

    fn unlink(&self, path: &Path) -> io::Result<()> {
        let mut tree = self.0.lock().unwrap();
        tree.file(path)?;
        tree.seen.remove(path);
        tree.pending.push(Change {
            path: path.into(),
            node: None,
            not_without: None,
        });
        Ok(())
    }

    fn remove_dir(&self, path: &Path) -> io::Result<()> {
        let mut tree = self.0.lock().unwrap();
        if tree.seen.get(path) != Some(&Node::Folder) {
            return Err(io::ErrorKind::NotFound.into());
        }
        if tree.seen.keys().any(|inside| inside.parent() == Some(path)) {
            return Err(io::ErrorKind::DirectoryNotEmpty.into());
        }
        tree.seen.remove(path);
        tree.pending.push(Change {
            path: path.into(),
            node: None,
            not_without: None,
        });
        Ok(())
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        let mut tree = self.0.lock().unwrap();
        if path != Path::new("/") && tree.seen.get(path) != Some(&Node::Folder) {
            return Err(io::ErrorKind::NotFound.into());
        }
        let pending = std::mem::take(&mut tree.pending);
        let (inside, outside) = pending
            .into_iter()
            .partition(|change: &Change| change.path.parent() == Some(path));
        tree.pending = outside;
        inside
            .iter()
            .for_each(|change| tree.make_durable(change, true));
        Ok(())
    }

    fn room(&self, _: &Path) -> io::Result<Room> {
        Ok(Room {
            free_bytes: 1 << 30,
            total_bytes: 1 << 40,
        })
    }
}

#[derive(Debug)]
struct MemFile {
    disk: MemDisk,
    inode: usize,
    holds_lock: bool,
}

impl MemFile {
    fn with<T>(&self, act: impl FnOnce(&mut Inode) -> T) -> T {
        act(&mut self.disk.0.lock().unwrap().inodes[self.inode])
    }
}

impl DiskFile for MemFile {
    fn size(&self) -> io::Result<u64> {
        Ok(self.with(|inode| inode.data.len() as u64))
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        Ok(self.with(|inode| {
            let rest = inode.data.get(offset as usize..).unwrap_or_default();
            let read = rest.len().min(buffer.len());
            buffer[..read].copy_from_slice(&rest[..read]);
            read
        }))
    }

    fn write_at(&self, offset: u64, parts: &[IoSlice<'_>]) -> io::Result<usize> {
        let bytes: Vec<u8> = parts.iter().flat_map(|part| part.to_vec()).collect();
        Ok(self.with(|inode| {
            let (start, end) = (offset as usize, offset as usize + bytes.len());
            inode.data.resize(inode.data.len().max(end), 0);
            inode.data[start..end].copy_from_slice(&bytes);
            inode.pending.push(Write::Data(offset, bytes));
            end - start
        }))
    }

    fn set_size(&self, size: u64) -> io::Result<()> {
        self.with(|inode| {
            inode.data.resize(size as usize, 0);
            inode.hole = inode.hole.filter(|hole| *hole < size);
            inode.pending.push(Write::Size(size));
        });
        Ok(())
    }

    fn sync(&self) -> io::Result<()> {
        let mut tree = self.disk.0.lock().unwrap();
        let lies = tree.lies;
        let inode = &mut tree.inodes[self.inode];
        inode.pending.clear();
        inode.durable = inode.data.clone();
        inode.durable_hole = inode.hole;
        if lies > 0
            && let Some(byte) = inode.durable.last_mut()
        {
            *byte ^= 1;
            tree.lies -= 1;
        }
        Ok(())
    }

    fn first_hole(&self) -> io::Result<u64> {
        Ok(self.with(|inode| inode.hole.unwrap_or(inode.data.len() as u64)))
    }

    fn forget(&self) -> io::Result<()> {
        self.with(|inode| {
            if inode.pending.is_empty() {
                inode.data = inode.durable.clone();
            }
        });
        Ok(())
    }
}

impl Drop for MemFile {
    fn drop(&mut self) {
        if self.holds_lock {
            self.with(|inode| inode.locked = false);
        }
    }
}
