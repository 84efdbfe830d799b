//! What was fetched from a bucket, as files of this machine, under a bound.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime};

use super::disk::is_unnamed;
use crate::archive::store::locked;

/// The files that were used last are never removed to make room: one may be about to be used again.
const KEPT: usize = 8;
/// What is being written, or waits to be put, is in use; unless a crash has left it so long ago.
const PART_AGE_MAX: Duration = Duration::from_secs(24 * 3600);
/// Tries to fetch what comes damaged.
const TRIES: usize = 3;

/// A folder of fetched objects.
#[derive(Debug)]
pub(super) struct Cache {
    root: PathBuf,
    bytes_max: u64,
    /// What lies there; not known before the first file is added. Another process may add to it.
    bytes: Mutex<Option<u64>>,
    next: AtomicU64,
}

impl Cache {
    pub(super) fn new(root: PathBuf, bytes_max: u64) -> Self {
        Self {
            root,
            bytes_max,
            bytes: Mutex::default(),
            next: AtomicU64::new(0),
        }
    }

    /// Where an object lies once it is fetched.
    pub(super) fn path(&self, object: &str) -> PathBuf {
        self.root.join(object)
    }

    /// A path beside it, in a folder that is there.
    pub(super) fn part(&self, object: &str) -> io::Result<PathBuf> {
        let path = self.path(object);
        let folder = path.parent().unwrap_or(&path);
        std::fs::create_dir_all(folder)?;
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        Ok(folder.join(format!(".{}-{number}.part", std::process::id())))
    }

    /// Has an object fetched unless it is there, and opens it. `fetch` writes it whole, or fails; what
    /// it finds to be damaged it is asked for again.
    pub(super) fn fetch(
        &self,
        object: &str,
        fetch: &mut dyn FnMut(File) -> io::Result<u64>,
    ) -> io::Result<File> {
        let path = self.path(object);
        if let Ok(file) = File::open(&path) {
            // What is used stays. Where it is another user's it may go all the same.
            file.set_modified(SystemTime::now()).ok();
            return Ok(file);
        }
        let part = self.part(object)?;
        let fetched = self.fetch_part(&part, fetch);
        // Whole when it has its name, after a power cut too.
        let named = fetched.and_then(|bytes| {
            let file = File::open(&part)?;
            file.sync_all()?;
            std::fs::rename(&part, &path)?;
            Ok((file, bytes))
        });
        match named {
            Ok((file, bytes)) => {
                self.added(bytes);
                Ok(file)
            }
            Err(error) => {
                std::fs::remove_file(&part).ok();
                if matches!(
                    error.kind(),
                    io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded
                ) {
                    // The spool is on this disk.
                    self.make_room(0);
                }
                Err(error)
            }
        }
    }

    fn fetch_part(
        &self,
        part: &Path,
        fetch: &mut dyn FnMut(File) -> io::Result<u64>,
    ) -> io::Result<u64> {
        for _ in 1..TRIES {
            match fetch(File::create(part)?) {
                Err(error) if error.kind() == io::ErrorKind::InvalidData => {}
                result => return result,
            }
        }
        fetch(File::create(part)?)
    }

    /// Removes a file that is no longer what is in the bucket.
    pub(super) fn forget(&self, object: &str) {
        std::fs::remove_file(self.path(object)).ok();
    }

    fn added(&self, bytes: u64) {
        let mut total = locked(&self.bytes);
        let now = total.map(|total| total + bytes);
        *total = now;
        if now.is_none_or(|total| total > self.bytes_max) {
            drop(total);
            self.make_room(self.bytes_max);
        }
    }

    /// Removes the oldest files where there are more bytes than that; how many bytes went.
    pub(super) fn make_room(&self, bytes_max: u64) -> u64 {
        let mut files = Vec::new();
        walk(&self.root, &mut files);
        files.sort();
        let before: u64 = files.iter().map(|(_, bytes, _)| bytes).sum();
        let mut bytes = before;
        let is_left = |changed: &SystemTime| {
            let age = changed.elapsed();
            age.is_ok_and(|age| age > PART_AGE_MAX)
        };
        files.retain(|(changed, _, path)| !is_unnamed(path) || is_left(changed));
        let removable = files.len().saturating_sub(KEPT);
        for (_, length, path) in files.iter().take(removable) {
            // Somewhat more than needed, so that not each new file is a walk.
            if bytes <= bytes_max - bytes_max / 8 {
                break;
            }
            if std::fs::remove_file(path).is_ok() {
                bytes = bytes.saturating_sub(*length);
            }
        }
        *locked(&self.bytes) = Some(bytes);
        before - bytes
    }
}

/// The files below a folder, with what sorts them by their age.
fn walk(folder: &Path, files: &mut Vec<(SystemTime, u64, PathBuf)>) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let Ok(metadata) = entry.metadata() else {
            continue;
        };
        if metadata.is_dir() {
            walk(&entry.path(), files);
        } else if metadata.is_file() {
            let changed = metadata.modified().unwrap_or(SystemTime::UNIX_EPOCH);
            files.push((changed, metadata.len(), entry.path()));
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::io::{Read as _, Write as _};

    use super::*;

    #[test]
    fn it_keeps_its_bound_and_what_is_newest() {
        let dir = tempfile::tempdir().unwrap();
        let cache = Cache::new(dir.path().into(), 200);
        let object = |nth: usize| format!("gate/footage/{nth}.mp4");
        for nth in 0..100 {
            let mut fetched = 0;
            let mut fetch = |mut file: File| {
                fetched += 1;
                file.write_all(&[7; 10])?;
                // What comes damaged once is asked for again.
                match fetched {
                    1 => Err(io::ErrorKind::InvalidData.into()),
                    _ => Ok(10),
                }
            };
            cache.fetch(&object(nth), &mut fetch).unwrap();
            let mut file = cache.fetch(&object(nth), &mut fetch).unwrap();
            assert_eq!(fetched, 2);
            let mut content = Vec::new();
            file.read_to_end(&mut content).unwrap();
            assert_eq!(content, [7; 10]);
            let mut files = Vec::new();
            walk(dir.path(), &mut files);
            assert!(files.len() <= 20, "{files:?}");
        }
        assert!(cache.make_room(0) > 0);
        assert_eq!(
            cache.make_room(0),
            0,
            "but for those that may be about to be opened"
        );
        let gone = io::ErrorKind::NotFound;
        let failed = cache
            .fetch(&object(100), &mut |_| Err(gone.into()))
            .unwrap_err();
        assert_eq!(failed.kind(), gone);
        let mut files = Vec::new();
        walk(dir.path(), &mut files);
        assert!(files.iter().all(|(_, bytes, _)| *bytes == 10), "{files:?}");
    }

    fn age(path: &Path, age: Duration) {
        let file = File::options().write(true).open(path).unwrap();
        file.set_modified(SystemTime::now() - age).unwrap();
    }

    #[test]
    fn what_is_in_use_stays() {
        const HOUR: Duration = Duration::from_secs(3600);
        let dir = tempfile::tempdir().unwrap();
        let cache = Cache::new(dir.path().into(), 20);
        let object = |nth: usize| format!("gate/footage/{nth}.mp4");
        let mut fetch = |mut file: File| file.write_all(&[7; 10]).map(|()| 10);
        // It is being uploaded, or fetched over a slow link.
        let part = cache.part("gate/footage/x.mp4").unwrap();
        std::fs::write(&part, [7; 10]).unwrap();
        age(&part, 2 * HOUR);
        for nth in 0..8 {
            cache.fetch(&object(nth), &mut fetch).unwrap();
            age(&cache.path(&object(nth)), HOUR);
        }
        // The first is used again: newer ones go before it.
        cache
            .fetch(&object(0), &mut |_| panic!("it is there"))
            .unwrap();
        let mut open = cache.fetch(&object(1), &mut fetch).unwrap();
        age(&cache.path(&object(1)), 2 * HOUR);
        for nth in 8..14 {
            cache.fetch(&object(nth), &mut fetch).unwrap();
        }
        assert!(part.exists());
        assert!(cache.path(&object(0)).exists());
        assert!(!cache.path(&object(1)).exists());
        let mut content = Vec::new();
        open.read_to_end(&mut content).unwrap();
        assert_eq!(content, [7; 10]);
        // But for what a crash has left.
        age(&part, 25 * HOUR);
        cache.make_room(0);
        assert!(!part.exists());
    }
}
