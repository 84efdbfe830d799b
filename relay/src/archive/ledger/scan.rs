//! Reading the archive's folders and the spool for what the catalog does not know.

use std::collections::HashSet;
use std::io;
use std::path::{Path, PathBuf};

use super::footage::{self, Recorded};
use super::journal::{PURPOSE, read_line};
use crate::archive::Fingerprint;
use crate::archive::catalog::Change;
use crate::archive::disk::{Disk, RealDisk, Sequence};
use crate::archive::findings::{self, PURPOSE as FINDINGS};
use crate::archive::jsonl::{EXTENSION, each_line};
use crate::archive::ladder::OnDisk;
use crate::archive::manifest::{self, Page, Record};
use crate::archive::mp4::{Source as _, Unrepairable};
use crate::archive::names::{Spool, SpoolName};
use crate::units::{CameraName, CaptureTime, Name};

/// The purpose of what counts as recorded.
pub const FOOTAGE: &str = "footage";
/// And its extension.
pub(super) const MP4: &str = "mp4";
/// Changes that are handed over together.
const BATCH: usize = 256;

/// Names a file of the spool in the catalog.
pub(super) fn spooled(name: &str) -> String {
    format!("spool/{name}")
}

/// Names a file of the archive in the catalog; none for a path outside of it.
pub(super) fn published(archive: &Path, path: &Path) -> Option<String> {
    Some(path.strip_prefix(archive).ok()?.to_str()?.to_owned())
}

/// What a file of footage holds, and its length.
pub(super) fn read_footage(
    disk: &dyn Disk,
    path: &Path,
    begin: CaptureTime,
    end: Option<CaptureTime>,
) -> Result<(Recorded, u64), Unrepairable> {
    let source = OnDisk::new(disk.open_to_read(path)?)?;
    Ok((footage::read(&source, begin, end)?, source.size()))
}

/// What a file is to the catalog.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Subject {
    Footage,
    Findings,
}

impl Subject {
    /// None for a file that the catalog knows nothing of.
    pub(super) fn of(purpose: &str, extension: &str) -> Option<Self> {
        match (purpose, extension) {
            (FOOTAGE, MP4) => Some(Self::Footage),
            (FINDINGS, EXTENSION) => Some(Self::Findings),
            _ => None,
        }
    }
}

/// What a file of findings is to the catalog.
pub(super) fn read_findings(
    disk: &dyn Disk,
    object: String,
    camera: &CameraName,
    path: &Path,
) -> io::Result<Change> {
    let bytes = disk.metadata(path)?.bytes;
    Ok(Change::Findings {
        object,
        camera: camera.clone(),
        tallies: findings::tally(disk, path)?,
        bytes,
    })
}

/// What a scan went through.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Scanned {
    /// Files of footage that were read.
    pub footage: u64,
    /// Journals that were read.
    pub journals: u64,
    /// Manifests that were read.
    pub manifests: u64,
    /// Files of findings that were read.
    pub findings: u64,
    /// Lines of these that could not be read.
    pub damaged_lines: u64,
    /// Files that could not be read, or hold nothing that can be played.
    pub failed: u64,
}

/// Looks for files.
pub(super) struct Scan<'a> {
    pub(super) disk: &'a dyn Disk,
    pub(super) archive: &'a Path,
    pub(super) spool: &'a Path,
    /// Days before this one are left out: `2026-05-04`.
    pub(super) since: &'a str,
    /// The same for manifests, whose days are those of publishing.
    pub(super) manifests_since: &'a str,
    /// What need not be read.
    pub(super) known: &'a HashSet<String>,
    /// Takes changes in their order; false ends the scan.
    pub(super) take: &'a mut dyn FnMut(Vec<Change>, Scanned) -> bool,
    pub(super) scanned: Scanned,
    batch: Vec<Change>,
    going: bool,
}

impl<'a> Scan<'a> {
    pub(super) fn new(
        disk: &'a dyn Disk,
        (archive, spool): (&'a Path, &'a Path),
        (since, manifests_since): (&'a str, &'a str),
        known: &'a HashSet<String>,
        take: &'a mut dyn FnMut(Vec<Change>, Scanned) -> bool,
    ) -> Self {
        Self {
            disk,
            archive,
            spool,
            since,
            manifests_since,
            known,
            take,
            scanned: Scanned::default(),
            batch: Vec::new(),
            going: true,
        }
    }

    /// Reads all there is; journals first, as footage without runs is not wanted. Whether it came
    /// to its end.
    pub(super) fn run(&mut self, with_open: bool) -> bool {
        let cameras: Vec<(CameraName, PathBuf)> = entries(self.disk, self.archive)
            .into_iter()
            .filter_map(|(name, path)| Some((Name::new(&name).ok()?, path)))
            .collect();
        let spool = Spool::new(self.spool);
        let mut folders = vec![&spool.finished];
        if with_open {
            folders.push(&spool.open);
        }
        for (camera, folder) in &cameras {
            for path in self.days(&folder.join(PURPOSE)) {
                self.journal(camera, &path);
            }
        }
        for folder in &folders {
            for (name, path) in spool_names(folder, PURPOSE, EXTENSION) {
                self.journal(&name.key.camera, &path);
            }
        }
        // Before the footage: what they say has gone may be there again.
        for (camera, _) in &cameras {
            self.manifests(camera);
        }
        for (camera, folder) in &cameras {
            for path in self.days(&folder.join(FOOTAGE)) {
                self.archived(camera, &path);
            }
        }
        for (name, path) in spool_names(&spool.finished, FOOTAGE, MP4) {
            let object = spooled(&name.encode());
            self.footage(object, &name.key.camera, name.key.begin, name.end, &path);
        }
        for (camera, folder) in &cameras {
            for path in self.days(&folder.join(FINDINGS)) {
                if let Some(object) = published(self.archive, &path) {
                    self.findings(object, camera, &path);
                }
            }
        }
        for (name, path) in spool_names(&spool.finished, FINDINGS, EXTENSION) {
            self.findings(spooled(&name.encode()), &name.key.camera, &path);
        }
        self.hand_over();
        self.going
    }

    /// The files in the folders of days, the oldest first.
    fn days(&self, folder: &Path) -> Vec<PathBuf> {
        let mut days = entries(self.disk, folder);
        days.retain(|(day, _)| day.as_str() >= self.since && !day.starts_with('.'));
        days.sort();
        let files = days.into_iter().flat_map(|(_, day)| {
            let mut files = entries(self.disk, &day);
            files.sort();
            files
        });
        files.map(|(_, path)| path).collect()
    }

    fn archived(&mut self, camera: &CameraName, path: &Path) {
        let name = path.file_name().and_then(|name| name.to_str());
        let Some((stem, MP4)) = name.and_then(|name| name.rsplit_once('.')) else {
            return;
        };
        // `…Z.mp4`, or `…Z-2.mp4`.
        let stem = stem.split_inclusive('Z').next().unwrap_or_default();
        let Some(begin) = CaptureTime::from_file_stem(stem) else {
            return;
        };
        if let Some(object) = published(self.archive, path) {
            self.footage(object, camera, begin, None, path);
        }
    }

    fn footage(
        &mut self,
        object: String,
        camera: &CameraName,
        begin: CaptureTime,
        end: Option<CaptureTime>,
        path: &Path,
    ) {
        if !self.going || self.known.contains(&object) {
            return;
        }
        match read_footage(self.disk, path, begin, end) {
            Ok((recorded, bytes)) => {
                self.scanned.footage += 1;
                let camera = camera.clone();
                self.push(Change::Footage {
                    object,
                    camera,
                    recorded,
                    bytes,
                });
            }
            // Carried to the archive meanwhile.
            Err(Unrepairable::Read(error)) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => {
                self.scanned.failed += 1;
                tracing::warn!(path = %path.display(), %error, "no footage can be read from the file");
            }
        }
    }

    fn findings(&mut self, object: String, camera: &CameraName, path: &Path) {
        if !self.going || !has_lines(path) || self.known.contains(&object) {
            return;
        }
        match read_findings(self.disk, object, camera, path) {
            Ok(change) => {
                self.scanned.findings += 1;
                if let Change::Findings { tallies, .. } = &change {
                    self.scanned.damaged_lines += tallies.damaged;
                }
                self.push(change);
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => {
                self.scanned.failed += 1;
                tracing::warn!(path = %path.display(), %error, "the findings can't be read");
            }
        }
    }

    fn journal(&mut self, camera: &CameraName, path: &Path) {
        if !self.going || !has_lines(path) {
            return;
        }
        let read = self.disk.open_to_read(path).and_then(|file| {
            each_line(Sequence::new(file), &mut |line| {
                for change in read_line(camera, line) {
                    self.push(change);
                }
                self.going
            })
        });
        match read {
            Ok(_) => self.scanned.journals += 1,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => {
                self.scanned.failed += 1;
                tracing::warn!(path = %path.display(), %error, "the journal can't be read");
            }
        }
    }

    fn manifests(&mut self, camera: &CameraName) {
        let (archive, spool, since) = (self.archive, self.spool, self.manifests_since);
        let pages = manifest::pages(self.disk, archive, spool, camera, since);
        let pages = pages.unwrap_or_else(|error| {
            tracing::warn!(%camera, %error, "the manifests can't be listed");
            Vec::new()
        });
        for page in pages {
            if !self.going {
                return;
            }
            let read = manifest::read(self.disk, &page, &mut |record, _| {
                self.push(match record {
                    Record::Object {
                        object,
                        bytes,
                        sha256,
                        ..
                    } => Change::Object {
                        object,
                        camera: camera.clone(),
                        fingerprint: Fingerprint { bytes, sha256 },
                    },
                    Record::Gone { object, .. } => Change::Gone { object },
                    Record::Chain(_) => return,
                });
            });
            match read {
                Ok(Some(Page { fingerprint, .. })) => {
                    self.scanned.manifests += 1;
                    if page.is_published {
                        self.push(Change::Object {
                            object: page.name,
                            camera: camera.clone(),
                            fingerprint,
                        });
                    }
                }
                // Carried to the archive meanwhile.
                Ok(None) => {}
                Err(error) => {
                    self.scanned.failed += 1;
                    let path = page.path.display();
                    tracing::warn!(%path, %error, "the manifest can't be read");
                }
            }
        }
    }

    fn push(&mut self, change: Change) {
        self.batch.push(change);
        if self.batch.len() >= BATCH {
            self.hand_over();
        }
    }

    fn hand_over(&mut self) {
        let batch = std::mem::take(&mut self.batch);
        self.going = self.going && (self.take)(batch, self.scanned);
    }
}

pub(super) fn has_lines(path: &Path) -> bool {
    path.extension()
        .is_some_and(|extension| extension == EXTENSION)
}

/// The footage of a camera that is whole and waits in the spool, with its begin.
pub(crate) fn spooled_footage(spool: &Path, camera: &CameraName) -> Vec<(CaptureTime, PathBuf)> {
    let names = spool_names(&Spool::new(spool).finished, FOOTAGE, MP4).into_iter();
    let own = names.filter(|(name, _)| name.key.camera == *camera);
    own.map(|(name, path)| (name.key.begin, path)).collect()
}

/// From when on footage of a camera is still being written; none where none is.
pub(crate) fn open_footage(spool: &Path, camera: &CameraName) -> Option<CaptureTime> {
    let names = spool_names(&Spool::new(spool).open, FOOTAGE, MP4).into_iter();
    let own = names.filter(|(name, _)| name.key.camera == *camera);
    own.map(|(name, _)| name.key.begin).min()
}

/// Files of a folder of the spool that have a purpose and an extension.
pub(in crate::archive) fn spool_names(
    folder: &Path,
    purpose: &str,
    extension: &str,
) -> Vec<(SpoolName, PathBuf)> {
    let mut names: Vec<_> = entries(&RealDisk, folder)
        .into_iter()
        .filter_map(|(name, path)| Some((SpoolName::decode(&name)?, path)))
        .filter(|(name, _)| name.key.purpose == purpose && name.key.extension == extension)
        .collect();
    names.sort_by_cached_key(|(name, _)| name.order());
    names
}

/// Names and paths in a folder; none where it can't be listed.
pub(super) fn entries(disk: &dyn Disk, folder: &Path) -> Vec<(String, PathBuf)> {
    let mut entries = Vec::new();
    let listed = disk.each_entry(folder, &mut |name| {
        entries.extend(
            name.to_str()
                .map(|name| (name.to_owned(), folder.join(name))),
        );
    });
    if let Err(error) = listed
        && error.kind() != io::ErrorKind::NotFound
    {
        tracing::warn!(folder = %folder.display(), %error, "the folder can't be listed");
    }
    entries
}
