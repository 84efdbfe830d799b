//! Whether the manifests are those that were written.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use super::{FaultKind, Scrub};
use crate::archive::MANIFESTS;
use crate::archive::catalog::Catalog;
use crate::archive::checksum::Checksum;
use crate::archive::manifest::{Link, Page, PageAt, Record, read_all};
use crate::archive::names::ObjectName;
use crate::units::CameraName;

/// Rows of the catalog in memory at a time.
const ROWS: usize = 4096;

/// Purpose and day of what is, or was, there.
#[derive(Debug, Default)]
pub(super) struct Folders(pub(super) BTreeSet<(String, String)>);

impl Folders {
    pub(super) fn add(&mut self, object: &str) {
        if let Some(name) = ObjectName::parse(object)
            && name.purpose != MANIFESTS
        {
            self.0
                .insert((name.purpose.to_owned(), name.day.to_owned()));
        }
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
        let places = (self.archive, self.spool);
        let read = read_all(
            self.disk,
            places,
            camera,
            "",
            &mut |_, record, _| match record {
                Record::Object { object, .. } | Record::Gone { object, .. } => folders.add(&object),
                Record::Chain(_) => {}
            },
        );
        let read = match read {
            Ok(read) => read,
            Err(error) => {
                self.unreadable_manifests(camera, &error);
                return None;
            }
        };
        self.scrubbed.manifests += read.len() as u64;
        for (at, page) in &read {
            self.lines(camera, at, page);
        }
        self.links(camera, &read, &known);
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
            if told.insert(path.clone()) {
                self.fault(kind, Some(camera), &path, detail);
            }
        }
    }
}
