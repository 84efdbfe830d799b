//! A bucket in the place of a folder.

use std::collections::{HashMap, VecDeque};
use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::io::{self, IoSlice};
use std::path::{Component, Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bytes::Bytes;

use super::bucket::{Bucket, Known};
use super::cache::Cache;
use super::{PlaceError, Put};
use crate::archive::checksum::fingerprint;
use crate::archive::disk::{Disk, DiskFile, Metadata, RealDisk, Room};
use crate::archive::store::locked;
use crate::config::Store;
use crate::telemetry::StoreEvents;
use crate::units::CaptureTime;

/// What is read of an object at a time.
const WINDOW_BYTES: u64 = 4 << 20;
/// Folders of which the last list is remembered, and for how long: a list tells the length of each
/// object, and whoever lists a folder looks at what is in it next.
const LISTS_MAX: usize = 8;
const LIST_AGE_MAX: Duration = Duration::from_secs(30);
/// A device number that no file system has.
const FAR: u64 = u64::MAX;

/// The disk of this machine, but for what is below one path: that lies in a bucket.
#[derive(Debug)]
pub struct BucketDisk {
    bucket: Arc<Bucket>,
    near: RealDisk,
    root: PathBuf,
    cache: Cache,
    lists: Mutex<VecDeque<List>>,
}

#[derive(Debug)]
struct List {
    made: Instant,
    folder: String,
    objects: HashMap<String, Known>,
}

/// Where a path leads.
enum At {
    /// A path of this machine.
    Near(PathBuf),
    /// The path below the root, as a key below the prefix.
    Far(String),
}

fn unsupported(words: &'static str) -> io::Error {
    io::Error::new(io::ErrorKind::Unsupported, words)
}

impl BucketDisk {
    /// Asks nothing of the store yet. `root`: the path of what is in the bucket; `folder`: where on
    /// this machine lies what is fetched, and what is yet to get a name. Nothing is sent faster than
    /// so many bytes a second; 0 is no bound.
    ///
    /// # Errors
    /// [`PlaceError`]
    pub fn open(
        (store, bytes_per_second): (Store, u64),
        (root, folder): (PathBuf, PathBuf),
        events: StoreEvents,
    ) -> Result<Self, PlaceError> {
        Ok(Self {
            cache: Cache::new(folder, store.cache.bytes()),
            bucket: Arc::new(Bucket::open(store, bytes_per_second, events)?),
            near: RealDisk,
            root,
            lists: Mutex::default(),
        })
    }

    fn at(&self, path: &Path) -> At {
        let Ok(below) = path.strip_prefix(&self.root) else {
            return At::Near(path.to_owned());
        };
        let mut key = String::new();
        for part in below.components() {
            let Component::Normal(part) = part else {
                return At::Near(path.to_owned());
            };
            let Some(part) = part.to_str() else {
                return At::Near(path.to_owned());
            };
            if !key.is_empty() {
                key.push('/');
            }
            key.push_str(part);
        }
        // What is yet to get a name.
        match is_unnamed(path) {
            true => At::Near(self.cache.path(&key)),
            false => At::Far(key),
        }
    }

    /// What a recent list knows of an object.
    fn listed(&self, object: &str) -> Option<Known> {
        let (folder, name) = object.rsplit_once('/').unwrap_or(("", object));
        let lists = locked(&self.lists);
        let list = lists.iter().find(|list| list.folder == folder)?;
        let fresh = list.made.elapsed() < LIST_AGE_MAX;
        list.objects.get(name).filter(|_| fresh).copied()
    }

    fn look_up(&self, object: &str) -> io::Result<Known> {
        match self.listed(object) {
            Some(known) => Ok(known),
            None => self.bucket.look_up(object),
        }
    }

    /// Lists of a folder that changes say nothing any more.
    fn changed(&self, object: &str) {
        let folder = object.rsplit_once('/').map_or("", |(folder, _)| folder);
        locked(&self.lists).retain(|list| list.folder != folder);
    }

    fn file(&self, object: String) -> io::Result<Box<dyn DiskFile>> {
        let bytes = self.look_up(&object)?.bytes;
        Ok(Box::new(FarFile {
            bucket: Arc::clone(&self.bucket),
            object,
            bytes,
            window: Mutex::new((0, Bytes::new())),
        }))
    }

    /// Brings an object here that may not be what was stored, as it is in the store. It gets another
    /// name by being put once more: few stores can copy to a name that must be free.
    fn fetch_damaged(&self, object: &str, part: &Path) -> io::Result<()> {
        let (taken, given) = self.bucket.fetch_as_is(object, File::create(part)?)?;
        // It is the store that has it so, and not the way here.
        let sound = given == Some(taken.sha256);
        match sound || self.bucket.fetch_as_is(object, io::sink())?.0 == taken {
            true => Ok(()),
            false => Err(io::Error::new(
                io::ErrorKind::InvalidData,
                "it comes differently each time",
            )),
        }
    }

    fn put(&self, from: &Path, object: &str) -> io::Result<()> {
        let file = self.near.open_to_read(from)?;
        let taken = fingerprint(&*file)?;
        self.changed(object);
        match self.bucket.put(&*file, taken, object)? {
            Put::Done => {}
            // An earlier try, of which the answer got lost, or a relay with the same object.
            Put::Taken if self.bucket.fingerprint(object)? == taken => {}
            Put::Taken => return Err(io::ErrorKind::AlreadyExists.into()),
        }
        match self.near.unlink(from) {
            // It has its name in the store; that somebody was quicker here is no matter.
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            result => result,
        }
    }
}

/// `.….part`: it is written on this machine.
pub(super) fn is_unnamed(path: &Path) -> bool {
    let name = path.file_name().and_then(OsStr::to_str);
    name.is_some_and(|name| name.starts_with('.') && name.ends_with(".part"))
}

/// Objects have extensions, folders have none.
fn is_object(key: &str) -> bool {
    let name = key.rsplit_once('/').map_or(key, |(_, name)| name);
    name.trim_start_matches('.').contains('.')
}

impl Disk for BucketDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        match self.at(path) {
            At::Near(near) => {
                if near != path {
                    std::fs::create_dir_all(near.parent().unwrap_or(&near))?;
                }
                self.near.create_new(&near)
            }
            At::Far(_) => Err(unsupported("an object of a bucket is put there whole")),
        }
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        match self.at(path) {
            At::Near(near) => self.near.open(&near),
            At::Far(object) => self.file(object),
        }
    }

    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        match self.at(path) {
            At::Near(near) => self.near.open_to_read(&near),
            At::Far(object) => self.file(object),
        }
    }

    fn lock(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        match self.at(path) {
            At::Near(near) => self.near.lock(&near),
            At::Far(_) => Err(unsupported("nothing in a bucket can be locked")),
        }
    }

    fn metadata(&self, path: &Path) -> io::Result<Metadata> {
        match self.at(path) {
            At::Near(near) => self.near.metadata(&near),
            At::Far(key) if is_object(&key) => {
                let Known { bytes, changed } = self.look_up(&key)?;
                Ok(Metadata {
                    is_file: true,
                    bytes,
                    device: FAR,
                    changed,
                })
            }
            // A bucket has no folders: all are there, most with nothing in them, and it does not
            // tell when the names in one changed.
            At::Far(_) => Ok(Metadata {
                is_file: false,
                bytes: 0,
                device: FAR,
                changed: CaptureTime::from_unix_nanos(i64::MIN),
            }),
        }
    }

    fn each_entry(&self, folder: &Path, callback: &mut dyn FnMut(&OsStr)) -> io::Result<()> {
        let key = match self.at(folder) {
            At::Near(near) => return self.near.each_entry(&near, callback),
            At::Far(key) => key,
        };
        let made = Instant::now();
        let found = self.bucket.list(&key)?;
        if found.folders.is_empty() && found.objects.is_empty() && !key.is_empty() {
            return Err(io::ErrorKind::NotFound.into());
        }
        let mut names: Vec<OsString> = found.folders.into_iter().map(Into::into).collect();
        names.extend(found.objects.iter().map(|(name, _)| name.into()));
        let mut lists = locked(&self.lists);
        lists.retain(|list| list.folder != key);
        while lists.len() >= LISTS_MAX {
            lists.pop_front();
        }
        lists.push_back(List {
            made,
            folder: key,
            objects: found.objects.into_iter().collect(),
        });
        drop(lists);
        names.iter().for_each(|name| callback(name));
        Ok(())
    }

    fn create_dir(&self, path: &Path) -> io::Result<()> {
        match self.at(path) {
            At::Near(near) => self.near.create_dir(&near),
            At::Far(_) => Ok(()),
        }
    }

    fn rename_noreplace(&self, from: &Path, to: &Path) -> io::Result<()> {
        match (self.at(from), self.at(to)) {
            (At::Near(from), At::Near(to)) => self.near.rename_noreplace(&from, &to),
            (At::Near(from), At::Far(object)) => self.put(&from, &object),
            (At::Far(source), At::Far(target)) => {
                let part = self.cache.part(&source)?;
                let put = self
                    .fetch_damaged(&source, &part)
                    .and_then(|()| self.put(&part, &target));
                if put.is_err() {
                    std::fs::remove_file(&part).ok();
                }
                put?;
                self.unlink(from)
            }
            (At::Far(_), At::Near(_)) => Err(io::ErrorKind::CrossesDevices.into()),
        }
    }

    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        match (self.at(from), self.at(to)) {
            (At::Near(from), At::Near(to)) => self.near.link(&from, &to),
            _ => Err(unsupported("an object of a bucket has one name")),
        }
    }

    fn unlink(&self, path: &Path) -> io::Result<()> {
        match self.at(path) {
            At::Near(near) => self.near.unlink(&near),
            At::Far(object) => {
                self.changed(&object);
                self.bucket.remove(&object)?;
                self.cache.forget(&object);
                Ok(())
            }
        }
    }

    fn remove_dir(&self, path: &Path) -> io::Result<()> {
        match self.at(path) {
            At::Near(near) => self.near.remove_dir(&near),
            // With what was in it.
            At::Far(_) => Err(io::ErrorKind::NotFound.into()),
        }
    }

    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        match self.at(path) {
            At::Near(near) => self.near.sync_dir(&near),
            // What a store has said to have, it has.
            At::Far(_) => Ok(()),
        }
    }

    fn room(&self, path: &Path) -> io::Result<Room> {
        match self.at(path) {
            At::Near(near) => self.near.room(&near),
            At::Far(_) => Err(unsupported("a bucket does not tell how much room it has")),
        }
    }

    fn is_far(&self, path: &Path) -> bool {
        matches!(self.at(path), At::Far(_))
    }

    fn heard(&self, path: &Path) -> Option<Instant> {
        self.is_far(path).then(|| self.bucket.heard())
    }

    fn give_room(&self) -> bool {
        self.cache.make_room(0) > 0
    }

    fn fetch(&self, path: &Path) -> io::Result<File> {
        match self.at(path) {
            At::Near(near) => File::open(near),
            At::Far(object) => self.cache.fetch(&object, &mut |file| {
                Ok(self.bucket.fetch(&object, file)?.bytes)
            }),
        }
    }
}

/// An object of a bucket, read a piece at a time.
#[derive(Debug)]
struct FarFile {
    bucket: Arc<Bucket>,
    object: String,
    bytes: u64,
    /// Where the last piece begins, and the piece.
    window: Mutex<(u64, Bytes)>,
}

impl DiskFile for FarFile {
    fn size(&self) -> io::Result<u64> {
        Ok(self.bytes)
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        if offset >= self.bytes || buffer.is_empty() {
            return Ok(0);
        }
        let mut window = locked(&self.window);
        let inside = |(begin, piece): &(u64, Bytes)| {
            let from = usize::try_from(offset.checked_sub(*begin)?).ok()?;
            (from < piece.len()).then(|| piece.slice(from..))
        };
        let found = match inside(&window) {
            Some(found) => found,
            None => {
                let end = self.bytes.min(offset.saturating_add(WINDOW_BYTES));
                let piece = self.bucket.read(&self.object, offset..end)?;
                *window = (offset, piece.clone());
                piece
            }
        };
        let length = found.len().min(buffer.len());
        let (target, source) = (buffer.get_mut(..length), found.get(..length));
        if let (Some(target), Some(source)) = (target, source) {
            target.copy_from_slice(source);
        }
        Ok(length)
    }

    fn write_at(&self, _: u64, _: &[IoSlice<'_>]) -> io::Result<usize> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn set_size(&self, _: u64) -> io::Result<()> {
        Err(io::ErrorKind::ReadOnlyFilesystem.into())
    }

    fn sync(&self) -> io::Result<()> {
        Ok(())
    }

    fn first_hole(&self) -> io::Result<u64> {
        Ok(self.bytes)
    }

    fn forget(&self) -> io::Result<()> {
        *locked(&self.window) = (0, Bytes::new());
        Ok(())
    }
}
