//! A mark in the archive by which it is known again.
//!
//! An archive on a disk of its own, or on the network, is a mount point: when that is not mounted,
//! an empty folder is there in its place, on the system's disk. What was written into it would be
//! hidden by the next mount; and all that the archive has would look as if it were gone. So the
//! archive gets a file, the spool remembers that, and an archive without its mark is away. A bucket
//! needs none: it is asked for by its name.

use std::hash::{BuildHasher as _, RandomState};
use std::io::{self, IoSlice};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use super::disk::{Disk, write_all_at};
use super::store::create_dirs;
use super::{At, StorageError};

/// In the archive.
pub(super) const MARK: &str = ".forebay-archive";
/// In the spool: the same mark, and where it was seen.
pub(super) const MEMORY: &str = "archive-mark";
/// Of a file of ours.
const BYTES_MAX: usize = 8192;

/// Whether the archive is the one that this spool has seen, as far as that can be told. Changes
/// nothing.
pub(super) fn check(disk: &dyn Disk, archive: &Path, spool: &Path) -> Result<(), StorageError> {
    if disk.is_far(archive) {
        return Ok(());
    }
    match known(disk, archive, spool)? {
        Some(_) if mark(disk, archive)?.is_none() => away(archive, spool),
        _ => Ok(()),
    }
}

/// How long a command waits for an archive that does not answer.
const PATIENCE: Duration = Duration::from_secs(5);
/// A store is on the network, and is asked more than once.
const FAR_PATIENCE: Duration = Duration::from_secs(30);

/// Whether a command can read the archive now.
///
/// # Errors
/// Why not, in words, with what to do.
pub fn answers(disk: &Arc<dyn Disk>, archive: &Path, spool: &Path) -> Result<(), String> {
    let (sender, receiver) = sync_channel(1);
    let is_far = disk.is_far(archive);
    let (disk, archive_there, spool) = (Arc::clone(disk), archive.to_owned(), spool.to_owned());
    let ask = move || {
        let answer = if is_far {
            let listed = disk.each_entry(&archive_there, &mut |_| {});
            listed.map_err(|error| {
                format!(
                    "the archive {} can't be read: {error}",
                    archive_there.display()
                )
            })
        } else {
            // Whether it is there at all is for those who read it to tell.
            drop(disk.metadata(&archive_there));
            match check(&*disk, &archive_there, &spool) {
                Err(error) if error.source.kind() == io::ErrorKind::NotFound => Err(error.line()),
                _ => Ok(()),
            }
        };
        sender.send(answer).ok();
    };
    let thread = std::thread::Builder::new()
        .name("archive".into())
        .spawn(ask);
    thread.map_err(|error| format!("no thread can be started: {error}"))?;
    let patience = if is_far { FAR_PATIENCE } else { PATIENCE };
    receiver.recv_timeout(patience).unwrap_or_else(|_| {
        let what = if is_far {
            "its store, or the network,"
        } else {
            "its disk, or the network's,"
        };
        Err(format!(
            "the archive {} gives no answer within {} s: does {what} hang?",
            archive.display(),
            patience.as_secs()
        ))
    })
}

/// As [`check`]; marks the archive, and remembers it, if it is on a file system that is neither the
/// spool's nor the system's.
/// `may_create`: its folder is made if there is none.
pub(super) fn claim(
    disk: &dyn Disk,
    archive: &Path,
    spool: &Path,
    may_create: bool,
) -> Result<(), StorageError> {
    if disk.is_far(archive) {
        return Ok(());
    }
    let known = known(disk, archive, spool)?;
    let found = match mark(disk, archive)? {
        None if known.is_some() => return away(archive, spool),
        None => {
            if may_create {
                create_dirs(disk, archive)?;
            }
            let device = |path: &Path| disk.metadata(path).map(|found| found.device);
            let here = device(archive).at("look up", archive)?;
            // On the system's disk it is never away, or its own is not mounted there yet.
            let is_system = device(Path::new("/")).is_ok_and(|system| system == here);
            if is_system || here == device(spool).at("look up", spool)? {
                return Ok(());
            }
            let new = format!("{:016x}", RandomState::new().hash_one(archive));
            match write(disk, archive, MARK, &format!("{new}\n")) {
                // Only the cameras' folders in it are ours: then it does without.
                Err(error) if error.source.kind() == io::ErrorKind::PermissionDenied => {
                    return Ok(());
                }
                result => result?,
            }
            new
        }
        Some(found) => found,
    };
    if known.as_deref() != Some(&found)
        && let Err(error) = write(disk, spool, MEMORY, &memory(&found, archive))
    {
        // A spool that is full gets room by being carried: this must not keep it from that. The
        // next look tries again.
        tracing::debug!(%error, cause = %error.source, "the archive's mark is not remembered yet");
    }
    Ok(())
}

fn memory(mark: &str, archive: &Path) -> String {
    format!("{mark} {}\n", archive.display())
}

/// The mark that this archive had when the spool saw it last.
fn known(disk: &dyn Disk, archive: &Path, spool: &Path) -> Result<Option<String>, StorageError> {
    let Some(text) = read(disk, &spool.join(MEMORY))? else {
        return Ok(None);
    };
    let mark = text.split_once(' ').map_or("", |(mark, _)| mark);
    // Elsewhere it is another archive, as the owner wants it.
    Ok((text == memory(mark, archive)).then(|| mark.to_owned()))
}

fn mark(disk: &dyn Disk, archive: &Path) -> Result<Option<String>, StorageError> {
    let text = read(disk, &archive.join(MARK))?;
    Ok(text.map(|text| text.trim().to_owned()))
}

fn away<T>(archive: &Path, spool: &Path) -> Result<T, StorageError> {
    let words = format!(
        "it has no {MARK}: its disk is not mounted, it seems. If this is the archive all the same, \
         remove {}",
        spool.join(MEMORY).display()
    );
    Err(io::Error::new(io::ErrorKind::NotFound, words)).at("use the archive", archive)
}

fn read(disk: &dyn Disk, path: &Path) -> Result<Option<String>, StorageError> {
    let file = match disk.open_to_read(path) {
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            return Ok(None);
        }
        file => file.at("open", path)?,
    };
    let mut text = vec![0; BYTES_MAX];
    let read = file.read_at(0, &mut text).at("read", path)?;
    text.truncate(read);
    Ok(Some(String::from_utf8_lossy(&text).into_owned()))
}

fn write(disk: &dyn Disk, folder: &Path, name: &str, text: &str) -> Result<(), StorageError> {
    let path = folder.join(name);
    let file = match disk.create_new(&path) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => disk.open(&path),
        file => file,
    };
    let file = file.at("create", &path)?;
    write_all_at(&*file, 0, &mut [IoSlice::new(text.as_bytes())]).at("write", &path)?;
    file.set_size(text.len() as u64).at("cut", &path)?;
    file.sync().at("flush", &path)?;
    disk.sync_dir(folder).at("flush the folder", folder)
}
