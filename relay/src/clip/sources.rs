//! The files that may hold something of a stretch, also while a relay writes and carries them.

use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::ClipError;
use crate::archive::Disk;
use crate::archive::ladder::KEY_FRAMES;
use crate::archive::ledger::{Span, spooled_footage};
use crate::archive::mp4::{FileSource, Source as _};
use crate::archive::replay::files::{LENGTH_MAX_NANOS, Named, recorded};
use crate::units::{CameraName, CaptureTime};

/// Bytes that are read at a time.
pub(super) const BLOCK: usize = 1 << 20;

/// Where footage lies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place<'a> {
    pub(super) disk: &'a dyn Disk,
    pub(super) archive: &'a Path,
    pub(super) spool: &'a Path,
    pub(super) camera: &'a CameraName,
}

/// A file that has not been opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Candidate {
    pub(super) path: PathBuf,
    /// By its name.
    pub(super) begin: CaptureTime,
}

/// A file that was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SourceFile {
    pub(super) path: PathBuf,
    pub(super) begin: CaptureTime,
    pub(super) bytes: u64,
}

impl Place<'_> {
    /// The files, in the order of their begins. What is still being written is not among them: its
    /// bytes may yet change.
    ///
    /// # Errors
    /// When the archive's folder of the camera can't be listed.
    pub(super) fn candidates(&self, window: Span) -> io::Result<VecDeque<Candidate>> {
        // The spool first: what is carried off meanwhile is found in the archive after that.
        let earliest = window.begin.unix_nanos().saturating_sub(LENGTH_MAX_NANOS);
        let near = CaptureTime::from_unix_nanos(earliest)..window.end;
        let waiting = spooled_footage(self.spool, self.camera);
        let mut all: Vec<Candidate> = waiting
            .into_iter()
            .filter(|(begin, _)| near.contains(begin))
            .map(|(begin, path)| Candidate { path, begin })
            .collect();
        match self.archived(window.begin, window.end) {
            Ok(files) => all.extend(files.into_iter().filter_map(|(path, begin)| {
                let begin = begin?;
                Some(Candidate { path, begin })
            })),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        all.sort_by(|a, b| (a.begin, &a.path).cmp(&(b.begin, &b.path)));
        Ok(all.into())
    }

    fn archived(&self, from: CaptureTime, to: CaptureTime) -> io::Result<VecDeque<Named>> {
        recorded(self.disk, self.archive, self.camera, Some(from), Some(to))
    }

    /// Whether a file has only the key frames of what was recorded.
    pub(super) fn is_thinned(&self, path: &Path) -> bool {
        let folder = self.archive.join(self.camera.as_str()).join(KEY_FRAMES);
        path.starts_with(folder)
    }

    /// The files of the archive that a file of the spool may have become.
    ///
    /// # Errors
    /// When they can't be listed.
    pub(super) fn carried(&self, begin: CaptureTime) -> io::Result<Vec<PathBuf>> {
        let next = CaptureTime::from_unix_nanos(begin.unix_nanos().saturating_add(1));
        let files = match self.archived(begin, next) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => VecDeque::new(),
            files => files?,
        };
        let own = files.into_iter().filter(|(_, at)| *at == Some(begin));
        Ok(own.map(|(path, _)| path).collect())
    }

    /// What the manifest calls a file: its path below the archive, or `spool/` and its name.
    pub(super) fn name(&self, path: &Path) -> String {
        match path.strip_prefix(self.archive) {
            Ok(below) if !path.starts_with(self.spool) => below.display().to_string(),
            _ => {
                let name = path.file_name().unwrap_or_default();
                format!("spool/{}", name.to_string_lossy())
            }
        }
    }

    /// Opens a source again, to copy from it.
    ///
    /// # Errors
    /// [`ClipError::Gone`] where it is no longer there as it was.
    pub(super) fn reopen(&self, source: &SourceFile) -> Result<FileSource, ClipError> {
        let open = |path: &Path| {
            let fetched = self.disk.fetch(path);
            match fetched.and_then(FileSource::new) {
                // Files never change once they have their names.
                Ok(file) if file.size() == source.bytes => Ok(Some(file)),
                Ok(_) => Ok(None),
                Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
                Err(error) => Err(ClipError::read(path, error)),
            }
        };
        if let Some(file) = open(&source.path)? {
            return Ok(file);
        }
        let carried = self.carried(source.begin);
        for path in carried.map_err(|error| ClipError::read(&source.path, error))? {
            if let Some(file) = open(&path)? {
                return Ok(file);
            }
        }
        Err(ClipError::Gone(source.path.clone()))
    }
}

/// The SHA-256 of a whole source, in hexadecimal digits: read anew, so that it is that of the bytes
/// that the clip was cut from. `verify.rs` holds it against what was noted when it was published.
pub(super) fn digest(
    path: &Path,
    source: &FileSource,
    proceed: &mut dyn FnMut() -> Result<(), ClipError>,
) -> Result<String, ClipError> {
    let mut hash = Sha256::new();
    each_block(path, source, 0..source.size(), &mut |block| {
        hash.update(block);
        proceed()
    })?;
    Ok(hex(hash))
}

/// Calls back with the bytes of a range, a block at a time.
pub(super) fn each_block(
    path: &Path,
    source: &FileSource,
    range: std::ops::Range<u64>,
    take: &mut dyn FnMut(&[u8]) -> Result<(), ClipError>,
) -> Result<(), ClipError> {
    let mut buffer = vec![0; BLOCK];
    let mut at = range.start;
    while at < range.end {
        let length = usize::try_from(range.end - at).unwrap_or(BLOCK).min(BLOCK);
        let block = buffer.get_mut(..length).unwrap_or_default();
        let read = source.read_exact_at(at, block);
        read.map_err(|source| ClipError::read(path, source))?;
        take(block)?;
        at += length as u64;
    }
    Ok(())
}

pub(super) fn hex(hash: Sha256) -> String {
    let digest = hash.finalize();
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}
