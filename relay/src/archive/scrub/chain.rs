//! Whether the manifests are those that were written.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use super::{FaultKind, Scrub};
use crate::archive::MANIFESTS;
use crate::archive::catalog::Catalog;
use crate::archive::checksum::Checksum;
use crate::archive::manifest::{Link, Page, PageAt, Record, Wanted, read_all};
use crate::archive::names::ObjectName;
use crate::units::{CameraName, CaptureTime};

/// Rows of the catalog in memory at a time.
const ROWS: usize = 4096;
/// About what a line has, and how many are read at a time.
const LINE_BYTES: u64 = 256;
const LINES: u64 = 256;

/// Manifests of which somebody knows that they are not what was written, and what they are instead;
/// none: not there.
type Acknowledged = BTreeMap<String, Option<Checksum>>;

/// What the manifests of a camera have lines of: some bytes for each day and each manifest.
#[derive(Debug, Default)]
pub(super) struct Folders {
    /// Purpose and day of what is, or was, there.
    pub(super) found: BTreeSet<(String, String)>,
    /// For each day of objects: which manifests tell of it, by their begins.
    pages: BTreeMap<String, BTreeSet<CaptureTime>>,
    /// Manifests that were closed when they were read.
    closed: BTreeSet<CaptureTime>,
    /// When the last line of all was written.
    pub(super) last: Option<CaptureTime>,
}

impl Folders {
    fn add(&mut self, page: &PageAt, object: &str) {
        let Some(name) = ObjectName::parse(object).filter(|name| name.purpose != MANIFESTS) else {
            return;
        };
        let known = self.pages.get_mut(name.day);
        let is_new = match known {
            Some(pages) => pages.insert(page.place.0),
            None => {
                let pages = BTreeSet::from([page.place.0]);
                self.pages.insert(name.day.to_owned(), pages).is_none()
            }
        };
        let folder = (name.purpose.to_owned(), name.day.to_owned());
        if is_new || !self.found.contains(&folder) {
            self.found.insert(folder);
        }
    }

    /// Whether a manifest may have a line of an object of some days.
    pub(super) fn tells_of(&self, page: &PageAt, days: &[&str]) -> bool {
        let begin = &page.place.0;
        let told = |day: &&str| {
            let pages = self.pages.get(*day);
            pages.is_some_and(|pages| pages.contains(begin))
        };
        !self.closed.contains(begin) || days.iter().any(told)
    }
}

impl Scrub<'_> {
    /// Reads a camera's manifests, and gives what they have lines of; none where that can't be done, which has been told.
    pub(super) fn manifests(
        &mut self,
        camera: &CameraName,
        catalog: Option<&Catalog>,
    ) -> Option<Folders> {
        // First: what comes to the archive meanwhile is no disagreement.
        let known = self.known_manifests(camera, catalog);
        let mut folders = Folders::default();
        let mut acknowledged = Acknowledged::new();
        let places = (self.archive, self.spool);
        let (disk, pace) = (self.disk, self.pace);
        let mut lines = 0;
        let all = Wanted::since("");
        let read = read_all(disk, places, camera, all, &mut |_, page, record, _| {
            lines += 1;
            if lines % LINES == 0 {
                pace.spend(LINES * LINE_BYTES);
            }
            match record {
                Record::Object { object, .. } | Record::Gone { object, .. } => {
                    folders.add(page, &object);
                }
                Record::Acknowledged { object, sha256, .. } => {
                    acknowledged.insert(object, sha256);
                }
                Record::Chain(_) => {}
            }
        });
        let read = match read {
            Ok(read) => read,
            Err(error) => {
                self.unreadable_manifests(camera, &error);
                return None;
            }
        };
        self.scrubbed.manifests += read.len() as u64;
        for (at, page) in &read {
            if acknowledged.get(&at.name) != Some(&Some(page.fingerprint.sha256)) {
                self.lines(camera, at, page);
            }
        }
        self.links(camera, &read, &known, &acknowledged);
        let closed = read.iter().filter(|(at, _)| at.is_published);
        folders.closed = closed.map(|(at, _)| at.place.0).collect();
        // A name that was taken stands for two.
        for (at, _) in read.iter().filter(|(at, _)| !at.is_published) {
            folders.closed.remove(&at.place.0);
        }
        folders.last = read.iter().filter_map(|(_, page)| page.last).max();
        Some(folders)
    }

    pub(super) fn unreadable_manifests(&mut self, camera: &CameraName, error: &io::Error) {
        let path = format!("{camera}/{MANIFESTS}");
        let detail = format!("the manifests can't be read: {error}");
        self.fault(FaultKind::Unreadable, Some(camera), &path, detail);
    }

    fn known_manifests(
        &self,
        camera: &CameraName,
        catalog: Option<&Catalog>,
    ) -> BTreeMap<String, Checksum> {
        let mut known = BTreeMap::new();
        let Some(catalog) = catalog else { return known };
        let folder = format!("{camera}/{MANIFESTS}/");
        let mut after = folder.clone();
        while let Ok(rows) = catalog.objects(camera, &after, ROWS) {
            let Some((last, _)) = rows.last() else { break };
            after.clone_from(last);
            let ours = rows
                .into_iter()
                .filter(|(path, _)| path.starts_with(&folder));
            known.extend(ours.map(|(path, taken)| (path, taken.sha256)));
            if !after.starts_with(&folder) {
                break;
            }
        }
        known
    }

    /// Whether its lines are those that were written.
    fn lines(&mut self, camera: &CameraName, at: &PageAt, page: &Page) {
        for number in &page.damaged {
            let detail = format!("line {number} is not what was written");
            self.fault(FaultKind::Manifest, Some(camera), &at.name, detail);
        }
        if page.torn > 0 {
            let detail = format!("{} of its lines have no end, or are too long", page.torn);
            self.fault(FaultKind::Manifest, Some(camera), &at.name, detail);
        }
        if page.link.is_none() && page.damaged.is_empty() && page.torn == 0 && at.is_published {
            let detail = "it does not begin with the manifest before it".to_owned();
            self.fault(FaultKind::Manifest, Some(camera), &at.name, detail);
        }
    }

    /// Whether each file is what the next one, and the catalog, say.
    fn links(
        &mut self,
        camera: &CameraName,
        read: &[(PageAt, Page)],
        known: &BTreeMap<String, Checksum>,
        acknowledged: &Acknowledged,
    ) {
        let sums: BTreeSet<_> = read
            .iter()
            .map(|(_, page)| page.fingerprint.sha256)
            .collect();
        let mut told = BTreeSet::new();
        let links = read.iter().flat_map(|(at, page)| {
            let named = page.link.iter().flat_map(Link::names);
            named.map(|(name, sha256)| (name.to_owned(), sha256, format!("{} says so", at.name)))
        });
        let known = known.iter().map(|(name, sha256)| {
            (
                name.clone(),
                Some(*sha256),
                "the catalog says so".to_owned(),
            )
        });
        for (previous, sha256, who) in links.chain(known) {
            if sha256.is_some_and(|sha256| sums.contains(&sha256)) {
                continue;
            }
            // A name that was taken got a suffix, which its writer did not know.
            let place = ObjectName::parse(&previous).map(|name| name.begin);
            let there = read.iter().find(|(at, _)| Some(at.place.0) == place);
            let (kind, path, detail) = match (there, sha256) {
                (Some(_), None) => continue,
                (Some((at, page)), Some(sha256)) => (
                    FaultKind::Manifest,
                    at.name.clone(),
                    format!(
                        "its SHA-256 is {}, but was {sha256}: {who}",
                        page.fingerprint.sha256
                    ),
                ),
                (None, _) => (
                    FaultKind::Removed,
                    previous,
                    format!("it was there and is not any more: {who}"),
                ),
            };
            let now = there.map(|(_, page)| page.fingerprint.sha256);
            if acknowledged.get(&path) != Some(&now) && told.insert(path.clone()) {
                self.fault(kind, Some(camera), &path, detail);
            }
        }
    }
}
