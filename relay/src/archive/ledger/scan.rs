//! Reading the archive's folders and the spool for what the catalog does not know.

use std::collections::HashSet;
use std::io;
use std::path::{Path, PathBuf};

use super::footage::{self, Recorded};
use super::journal::{Lives, PURPOSE, read_line};
use crate::archive::catalog::{Catalog, Change};
use crate::archive::disk::{Disk, RealDisk, Sequence, is_outage};
use crate::archive::findings::{self, PURPOSE as FINDINGS};
use crate::archive::jsonl::{EXTENSION, each_line};
use crate::archive::ladder::OnDisk;
use crate::archive::manifest::{self, Gone, Page, PageAt, Record};
use crate::archive::mp4::{Source as _, Unrepairable};
use crate::archive::names::{Spool, SpoolName};
use crate::archive::{Fingerprint, StorageError};
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

/// What the catalog knows already, a folder at a time.
#[derive(Debug, Default)]
pub(super) struct Known {
    catalog: Option<Catalog>,
    folder: String,
    objects: HashSet<String>,
}

impl Known {
    /// What can't be looked up is read again.
    pub(super) fn by_catalog(spool: &Path) -> Self {
        Self {
            catalog: Catalog::open_to_read(spool).ok(),
            ..Self::default()
        }
    }

    fn has(&mut self, object: &str) -> bool {
        let Some(catalog) = &self.catalog else {
            return false;
        };
        let folder = object.rsplit_once('/').map_or("", |(folder, _)| folder);
        if folder != self.folder {
            self.folder = folder.to_owned();
            self.objects = catalog.known_in(folder).unwrap_or_default();
        }
        self.objects.contains(object)
    }
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
    known: Known,
    /// Takes changes in their order; false ends the scan.
    pub(super) take: &'a mut dyn FnMut(Vec<Change>, Scanned) -> bool,
    pub(super) scanned: Scanned,
    /// The first that there may be more of than was read: what can't be listed, or did not answer.
    pub(super) missed: Option<StorageError>,
    /// It ends there, and refusals count as well.
    is_strict: bool,
    batch: Vec<Change>,
    going: bool,
}

impl<'a> Scan<'a> {
    pub(super) fn new(
        disk: &'a dyn Disk,
        (archive, spool): (&'a Path, &'a Path),
        (since, manifests_since): (&'a str, &'a str),
        known: Known,
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
            missed: None,
            is_strict: false,
            batch: Vec::new(),
            going: true,
        }
    }

    /// For a catalog made anew, which must not know less than the old one: what can't be listed or
    /// reached ends it.
    pub(super) fn strict(mut self) -> Self {
        self.is_strict = true;
        self
    }

    /// Reads all there is; journals first, as footage without runs is not wanted. Whether it came
    /// to its end.
    pub(super) fn run(&mut self, with_open: bool) -> bool {
        let archive = self.archive;
        let cameras: Vec<(CameraName, PathBuf)> = self
            .entries(archive)
            .into_iter()
            .filter_map(|(name, path)| Some((Name::new(&name).ok()?, path)))
            .collect();
        let spool = Spool::new(self.spool);
        let mut folders = vec![&spool.finished];
        if with_open {
            folders.push(&spool.open);
        }
        for (camera, folder) in &cameras {
            self.days(&folder.join(PURPOSE), &mut |scan, path| {
                scan.journal(camera, path)
            });
        }
        for folder in &folders {
            for (name, path) in self.spool_names(folder, PURPOSE, EXTENSION) {
                self.journal(&name.key.camera, &path);
            }
        }
        // Before the footage: what they say has gone may be there again.
        for (camera, _) in &cameras {
            self.manifests(camera);
        }
        for (camera, folder) in &cameras {
            self.days(&folder.join(FOOTAGE), &mut |scan, path| {
                scan.archived(camera, path)
            });
        }
        for (name, path) in self.spool_names(&spool.finished, FOOTAGE, MP4) {
            let object = spooled(&name.encode());
            self.footage(object, &name.key.camera, name.key.begin, name.end, &path);
        }
        for (camera, folder) in &cameras {
            self.days(&folder.join(FINDINGS), &mut |scan, path| {
                if let Some(object) = published(scan.archive, path) {
                    scan.findings(object, camera, path);
                }
            });
        }
        for (name, path) in self.spool_names(&spool.finished, FINDINGS, EXTENSION) {
            self.findings(spooled(&name.encode()), &name.key.camera, &path);
        }
        self.hand_over();
        self.going
    }

    /// What is in a folder.
    fn entries(&mut self, folder: &Path) -> Vec<(String, PathBuf)> {
        self.listed(folder, entries(self.disk, folder))
    }

    fn spool_names(
        &mut self,
        folder: &Path,
        purpose: &str,
        extension: &str,
    ) -> Vec<(SpoolName, PathBuf)> {
        self.listed(folder, in_spool(folder, purpose, extension))
    }

    /// What can't be listed is not empty: it is missed.
    fn listed<T>(&mut self, folder: &Path, found: io::Result<Vec<T>>) -> Vec<T> {
        found.unwrap_or_else(|source| {
            tracing::warn!(folder = %folder.display(), error = %source, "the folder can't be listed");
            self.miss("list the folder", folder, source);
            Vec::new()
        })
    }

    fn miss(&mut self, operation: &'static str, path: &Path, source: io::Error) {
        let path = path.to_owned();
        self.missed.get_or_insert(StorageError {
            operation,
            path,
            source,
        });
        self.going &= !self.is_strict;
    }

    /// A file is passed over; if its content was not even had, it is missed.
    fn unread(&mut self, path: &Path, error: io::Error) {
        self.scanned.failed += 1;
        let refused = self.is_strict && error.kind() == io::ErrorKind::PermissionDenied;
        if refused || is_outage(&error) {
            self.miss("read", path, error);
        }
    }

    /// The files in the folders of days, the oldest first; names of one day are in memory at a time.
    fn days(&mut self, folder: &Path, take: &mut dyn FnMut(&mut Self, &Path)) {
        let mut days = self.entries(folder);
        days.retain(|(day, _)| day.as_str() >= self.since && !day.starts_with('.'));
        days.sort();
        for (_, day) in days {
            let mut files = self.entries(&day);
            files.sort();
            for (_, path) in files {
                if !self.going {
                    return;
                }
                take(self, &path);
            }
        }
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
        if !self.going || self.known.has(&object) {
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
                tracing::warn!(path = %path.display(), %error, "no footage can be read from the file");
                match error {
                    Unrepairable::Read(error) => self.unread(path, error),
                    _ => self.scanned.failed += 1,
                }
            }
        }
    }

    fn findings(&mut self, object: String, camera: &CameraName, path: &Path) {
        if !self.going || !has_lines(path) || self.known.has(&object) {
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
                tracing::warn!(path = %path.display(), %error, "the findings can't be read");
                self.unread(path, error);
            }
        }
    }

    fn journal(&mut self, camera: &CameraName, path: &Path) {
        if !self.going || !has_lines(path) {
            return;
        }
        let mut lives = Lives::default();
        let read = self.disk.open_to_read(path).and_then(|file| {
            each_line(Sequence::new(file), &mut |line| {
                for change in read_line(camera, line) {
                    if let Some(change) = lives.keep(change) {
                        self.push(change);
                    }
                }
                self.going
            })
        });
        lives.into_changes().for_each(|change| self.push(change));
        match read {
            Ok(_) => self.scanned.journals += 1,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => {
                tracing::warn!(path = %path.display(), %error, "the journal can't be read");
                self.unread(path, error);
            }
        }
    }

    fn manifests(&mut self, camera: &CameraName) {
        let (archive, spool, since) = (self.archive, self.spool, self.manifests_since);
        let pages = manifest::pages(self.disk, archive, spool, camera, since);
        let folder = archive.join(camera.as_str()).join(manifest::PURPOSE);
        let pages = self.listed(&folder, pages);
        let mut gone = Gone::default();
        for page in pages {
            if !self.going {
                return;
            }
            gone.begin(page.place.0);
            self.manifest(camera, &page, &mut gone);
        }
    }

    fn manifest(&mut self, camera: &CameraName, page: &PageAt, gone: &mut Gone) {
        let read = manifest_changes(self.disk, camera, page, gone, &mut |change| {
            self.push(change);
        });
        match read {
            // Carried to the archive meanwhile, it is read there.
            Ok(is_there) => self.scanned.manifests += u64::from(is_there),
            Err(error) => {
                let path = page.path.display();
                tracing::warn!(%path, %error, "the manifest can't be read");
                self.unread(&page.path, error);
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

/// What a manifest is to the catalog: calls back with its lines, and with itself where it is closed.
/// Whether it is there.
pub(super) fn manifest_changes(
    disk: &dyn Disk,
    camera: &CameraName,
    page: &PageAt,
    gone: &mut Gone,
    take: &mut dyn FnMut(Change),
) -> io::Result<bool> {
    let read = manifest::read(disk, page, &mut |record, at| match record {
        // By a manifest of another relay that tells of later times.
        Record::Object { object, .. } if gone.has(&object, at) => {}
        Record::Object {
            object,
            bytes,
            sha256,
            late,
        } => take(Change::Object {
            object,
            camera: camera.clone(),
            fingerprint: Fingerprint { bytes, sha256 },
            late,
        }),
        Record::Gone { object, .. } => {
            gone.note(&object, at);
            take(Change::Gone { object });
        }
        Record::Acknowledged {
            object,
            sha256: None,
            ..
        } => {
            gone.note(&object, at);
            take(Change::Gone { object });
        }
        Record::Chain(_) | Record::Acknowledged { .. } => {}
    })?;
    let Some(Page { fingerprint, .. }) = read else {
        return Ok(false);
    };
    if page.is_published {
        take(Change::Object {
            object: page.name.clone(),
            camera: camera.clone(),
            fingerprint,
            late: false,
        });
    }
    Ok(true)
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

/// Files of a folder of the spool that have a purpose and an extension; none where it can't be
/// listed.
pub(in crate::archive) fn spool_names(
    folder: &Path,
    purpose: &str,
    extension: &str,
) -> Vec<(SpoolName, PathBuf)> {
    in_spool(folder, purpose, extension).unwrap_or_else(|error| {
        tracing::warn!(folder = %folder.display(), %error, "the folder can't be listed");
        Vec::new()
    })
}

fn in_spool(
    folder: &Path,
    purpose: &str,
    extension: &str,
) -> io::Result<Vec<(SpoolName, PathBuf)>> {
    let mut names: Vec<_> = entries(&RealDisk, folder)?
        .into_iter()
        .filter_map(|(name, path)| Some((SpoolName::decode(&name)?, path)))
        .filter(|(name, _)| name.key.purpose == purpose && name.key.extension == extension)
        .collect();
    names.sort_by_cached_key(|(name, _)| name.order());
    Ok(names)
}

/// Names and paths in a folder; none where there is no folder.
pub(super) fn entries(disk: &dyn Disk, folder: &Path) -> io::Result<Vec<(String, PathBuf)>> {
    let mut entries = Vec::new();
    let listed = disk.each_entry(folder, &mut |name| {
        entries.extend(
            name.to_str()
                .map(|name| (name.to_owned(), folder.join(name))),
        );
    });
    match listed {
        Err(error)
            if !matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            Err(error)
        }
        _ => Ok(entries),
    }
}
