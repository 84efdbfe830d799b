//! Where a clip is written: beside its place first, and into it when all is whole.

use std::fs::File;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::ClipError;
use super::sources::hex;
use crate::archive::{Disk as _, RealDisk, is_unsupported};
use crate::units::{CameraName, CaptureTime};

const MP4: &str = "mp4";

/// The place of a clip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// A folder of its own, which is not there yet or is empty.
    Folder(PathBuf),
    /// An `.mp4` file; the others stand beside it and begin with its name.
    File(PathBuf),
}

impl From<PathBuf> for Target {
    fn from(path: PathBuf) -> Self {
        match path.extension() {
            Some(extension) if extension.eq_ignore_ascii_case(MP4) => Self::File(path),
            _ => Self::Folder(path),
        }
    }
}

/// A line of `SHA256SUMS`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Sum {
    pub(super) name: String,
    pub(super) sha256: String,
}

/// A folder in which a clip comes about. Dropped, it is removed with what is in it.
#[derive(Debug)]
pub(super) struct Desk {
    target: Target,
    /// The folder that the target stands in.
    parent: PathBuf,
    work: PathBuf,
    sums: Vec<Sum>,
}

impl Desk {
    /// Makes the folder.
    pub(super) fn new(target: Target) -> Result<Self, ClipError> {
        let (Target::Folder(path) | Target::File(path)) = &target;
        let refused = |source| ClipError::write(path, source);
        // Manifest and sums name it, and both are text.
        let name = path
            .file_name()
            .and_then(|name| name.to_str())
            .ok_or_else(|| {
                let text = "its name must be there, and be UTF-8";
                refused(io::Error::new(io::ErrorKind::InvalidInput, text))
            })?;
        // `clip` alone stands in the present folder.
        let parent = path
            .parent()
            .filter(|parent| !parent.as_os_str().is_empty());
        let parent = parent.unwrap_or(Path::new(".")).to_owned();
        let hidden = format!(".{name}.{}.part", std::process::id());
        let desk = Self {
            work: parent.join(hidden),
            parent,
            sums: Vec::new(),
            target: target.clone(),
        };
        desk.check_free()?;
        // Of a process that had this number before and was killed.
        match std::fs::remove_dir_all(&desk.work) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(ClipError::write(&desk.work, error));
            }
            _ => {}
        }
        std::fs::create_dir(&desk.work).map_err(|source| ClipError::write(&desk.work, source))?;
        Ok(desk)
    }

    /// Nothing is overwritten.
    fn check_free(&self) -> Result<(), ClipError> {
        let taken = match &self.target {
            Target::Folder(path) => match std::fs::read_dir(path) {
                Ok(mut entries) => entries.next().map(|_| path.clone()),
                Err(error) if error.kind() == io::ErrorKind::NotFound => None,
                Err(error) if error.kind() == io::ErrorKind::NotADirectory => Some(path.clone()),
                Err(error) => return Err(ClipError::write(path, error)),
            },
            Target::File(path) => {
                let beside = [self.manifest_name(), self.sums_name()];
                let beside = beside.into_iter().map(|name| self.parent.join(name));
                let mut all = [path.clone()].into_iter().chain(beside);
                all.find(|path| path.symlink_metadata().is_ok())
            }
        };
        taken.map_or(Ok(()), |path| Err(ClipError::Exists(path)))
    }

    fn stem(&self) -> String {
        match &self.target {
            Target::File(path) => path
                .file_stem()
                .unwrap_or_default()
                .to_string_lossy()
                .into(),
            Target::Folder(_) => String::new(),
        }
    }

    /// The name of the file number `nth`, from 1.
    pub(super) fn file_name(&self, camera: &CameraName, begin: CaptureTime, nth: usize) -> String {
        match &self.target {
            Target::Folder(_) => format!("{camera}_{}.{MP4}", begin.file_stem()),
            Target::File(path) if nth == 1 => path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into(),
            Target::File(_) => format!("{}-{nth}.{MP4}", self.stem()),
        }
    }

    pub(super) fn manifest_name(&self) -> String {
        match &self.target {
            Target::Folder(_) => "manifest.json".to_owned(),
            Target::File(_) => format!("{}.manifest.json", self.stem()),
        }
    }

    fn sums_name(&self) -> String {
        match &self.target {
            Target::Folder(_) => "SHA256SUMS".to_owned(),
            Target::File(_) => format!("{}.SHA256SUMS", self.stem()),
        }
    }

    /// Where a file of the clip will be.
    pub(super) fn place(&self, name: &str) -> PathBuf {
        match &self.target {
            Target::Folder(path) => path.join(name),
            Target::File(_) => self.parent.join(name),
        }
    }

    /// Refuses what has no room: the disk would tell only when it is full.
    pub(super) fn check_room(&self, name: &str, bytes: u64) -> Result<(), ClipError> {
        match RealDisk.room(&self.work) {
            Ok(room) if room.free_bytes < bytes => Err(ClipError::Full {
                path: self.place(name),
                bytes,
                free: Some(room.free_bytes),
            }),
            // Where the room is not told, writing tells.
            _ => Ok(()),
        }
    }

    /// Writes a file; gives its length and its SHA-256.
    pub(super) fn write(
        &mut self,
        name: &str,
        fill: impl FnOnce(&mut dyn FnMut(&[u8]) -> Result<(), ClipError>) -> Result<(), ClipError>,
    ) -> Result<Sum, ClipError> {
        let path = self.work.join(name);
        let shown = self.place(name);
        let refused = |source| ClipError::write(&shown, source);
        let mut file = File::create_new(&path).map_err(refused)?;
        let mut hash = Sha256::new();
        fill(&mut |bytes| {
            hash.update(bytes);
            file.write_all(bytes).map_err(refused)
        })?;
        file.sync_all().map_err(refused)?;
        let sum = Sum {
            name: name.to_owned(),
            sha256: hex(hash),
        };
        self.sums.push(sum.clone());
        Ok(sum)
    }

    /// Writes the sums and brings all to its place; gives the paths.
    pub(super) fn publish(mut self) -> Result<Vec<PathBuf>, ClipError> {
        let text: String = self.sums.iter().map(line).collect();
        let sums_name = self.sums_name();
        self.write(&sums_name, |out| out(text.as_bytes()))?;
        let names: Vec<String> = self.sums.iter().map(|sum| sum.name.clone()).collect();
        let flush = |path: &Path| {
            let flushed = RealDisk.sync_dir(path);
            flushed.map_err(|source| ClipError::write(path, source))
        };
        flush(&self.work)?;
        match &self.target {
            // A folder takes the place of an empty one, and of nothing else.
            Target::Folder(path) => {
                std::fs::rename(&self.work, path).map_err(|source| match source.kind() {
                    io::ErrorKind::DirectoryNotEmpty | io::ErrorKind::NotADirectory => {
                        ClipError::Exists(path.clone())
                    }
                    _ => ClipError::write(path, source),
                })?;
            }
            Target::File(_) => {
                let mut placed = Vec::new();
                for name in &names {
                    let to = self.parent.join(name);
                    if let Err(error) = rename_new(&self.work.join(name), &to) {
                        // All or nothing. What can't be removed adds nothing to the error.
                        placed
                            .iter()
                            .for_each(|path| drop(std::fs::remove_file(path)));
                        return Err(error);
                    }
                    placed.push(to);
                }
            }
        }
        flush(&self.parent)?;
        Ok(names.iter().map(|name| self.place(name)).collect())
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        // After a rename of the folder there is none; any other error is the lesser of two.
        std::fs::remove_dir_all(&self.work).ok();
    }
}

fn rename_new(from: &Path, to: &Path) -> Result<(), ClipError> {
    let renamed = match RealDisk.rename_noreplace(from, to) {
        Err(error) if is_unsupported(&error) => {
            RealDisk.link(from, to).and_then(|()| RealDisk.unlink(from))
        }
        result => result,
    };
    renamed.map_err(|source| match source.kind() {
        io::ErrorKind::AlreadyExists => ClipError::Exists(to.to_owned()),
        _ => ClipError::write(to, source),
    })
}

/// As `sha256sum` writes it, and `sha256sum -c` reads it: a name with a backslash or a line break is
/// written with these escaped, behind a backslash before the sum.
fn line(sum: &Sum) -> String {
    let Sum { name, sha256 } = sum;
    let escaped = name
        .replace('\\', "\\\\")
        .replace('\n', "\\n")
        .replace('\r', "\\r");
    let mark = if escaped == *name { "" } else { "\\" };
    format!("{mark}{sha256}  {escaped}\n")
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    use super::*;

    fn write(desk: &mut Desk, name: &str, text: &[u8]) {
        desk.write(name, |out| out(text)).unwrap();
    }

    /// `sha256sum -c` of GNU coreutils.
    fn check(folder: &Path, sums: &str) -> (bool, String) {
        let output = Command::new("sha256sum")
            .args(["--strict", "-c", sums])
            .current_dir(folder)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.success(), said)
    }

    #[test]
    fn sums_are_those_of_coreutils_whatever_the_names() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["clip", "gate at noon", "a\\b", "two\nlines", "ørret"] {
            let path = folder.path().join(format!("{name}.mp4"));
            let mut desk = Desk::new(Target::from(path.clone())).unwrap();
            write(&mut desk, &format!("{name}.mp4"), b"pictures");
            write(&mut desk, &format!("{name}.manifest.json"), b"{}");
            let paths = desk.publish().unwrap();
            assert_eq!(paths.len(), 3);
            let sums = format!("{name}.SHA256SUMS");
            let (whole, said) = check(folder.path(), &sums);
            assert!(whole, "{said}");
            assert_eq!(said.matches(": OK").count(), 2, "{said}");
            std::fs::write(&path, b"picturez").unwrap();
            assert!(!check(folder.path(), &sums).0);
        }
        let left = std::fs::read_dir(folder.path()).unwrap().count();
        assert_eq!(left, 15);
    }

    #[test]
    fn nothing_is_overwritten_and_nothing_left_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("clip.mp4");
        for beside in ["clip.mp4", "clip.manifest.json", "clip.SHA256SUMS"] {
            let taken = folder.path().join(beside);
            std::fs::write(&taken, b"mine").unwrap();
            let error = Desk::new(Target::from(path.clone())).unwrap_err();
            assert!(matches!(error, ClipError::Exists(at) if at == taken));
            std::fs::remove_file(taken).unwrap();
        }
        // One of them comes while the clip is written.
        let mut desk = Desk::new(Target::from(path.clone())).unwrap();
        write(&mut desk, "clip.mp4", b"pictures");
        write(&mut desk, "clip.manifest.json", b"{}");
        let taken = folder.path().join("clip.manifest.json");
        std::fs::write(&taken, b"mine").unwrap();
        assert!(matches!(desk.publish(), Err(ClipError::Exists(at)) if at == taken));
        assert_eq!(std::fs::read(&taken).unwrap(), b"mine");
        assert!(!path.exists());
        std::fs::remove_file(taken).unwrap();

        let mut desk = Desk::new(Target::from(folder.path().join("clip"))).unwrap();
        write(&mut desk, "a.mp4", b"pictures");
        drop(desk);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_folder_takes_the_place_of_an_empty_one_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("clip");
        std::fs::create_dir(&path).unwrap();
        let mut desk = Desk::new(Target::from(path.clone())).unwrap();
        write(&mut desk, "a.mp4", b"pictures");
        let paths = desk.publish().unwrap();
        assert_eq!(paths, [path.join("a.mp4"), path.join("SHA256SUMS")]);
        let exists = |path: &Path| {
            let error = Desk::new(Target::from(path.to_owned())).unwrap_err();
            matches!(error, ClipError::Exists(at) if at == path)
        };
        assert!(exists(&path));
        std::fs::write(folder.path().join("file"), b"").unwrap();
        assert!(exists(&folder.path().join("file")));
        // One that is filled while the clip is written.
        let other = folder.path().join("other");
        let mut desk = Desk::new(Target::from(other.clone())).unwrap();
        write(&mut desk, "a.mp4", b"pictures");
        std::fs::create_dir(&other).unwrap();
        std::fs::write(other.join("mine"), b"mine").unwrap();
        assert!(matches!(desk.publish(), Err(ClipError::Exists(_))));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 3);

        let error = Desk::new(Target::from(folder.path().join("no/where"))).unwrap_err();
        assert!(error.to_string().contains("can't write"), "{error}");
    }
}
