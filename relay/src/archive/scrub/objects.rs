//! Whether the objects are those that were written.

use std::collections::{BTreeMap, BTreeSet};
use std::io;

use super::chain::Folders;
use super::quarantine::{find, set_aside};
use super::{FaultKind, Scrub, ScrubEvent, is_within};
use crate::archive::MANIFESTS;
use crate::archive::catalog::Catalog;
use crate::archive::checksum::{Fingerprint, fingerprint_paced};
use crate::archive::ledger::Span;
use crate::archive::manifest::{Entries, Entry, State, UNLISTED, Wanted, entries, names};
use crate::archive::names::{ObjectName, days_before};
use crate::units::{CameraName, CaptureTime};

/// Days whose lines are in memory at a time; each time the manifests that tell of them are read.
const DAYS: usize = 8;
/// Rows of the catalog in memory at a time.
const ROWS: usize = 4096;

/// A relay that runs writes a line within seconds, one that starts within minutes.
const WAIT_NANOS_MAX: i64 = 3600 * 1_000_000_000;

/// What was found in the place of an object.
enum Found {
    Whole(u64),
    Damaged(String),
    Missing,
    Unreadable(io::Error),
    Stopped,
}

/// A file that no manifest lists.
struct Stray {
    object: String,
    detail: String,
    is_object: bool,
}

/// An object of which the catalog says something else than its manifest, and that.
type Unlike = (String, Option<Fingerprint>);

impl Scrub<'_> {
    pub(super) fn objects(
        &mut self,
        camera: &CameraName,
        listed: Folders,
        window: Option<Span>,
        behind: Option<&str>,
        catalog: Option<&Catalog>,
    ) {
        let folders = match self.had(|scrub| scrub.folders(camera, &listed, catalog)) {
            Ok(folders) => folders,
            Err(error) => {
                let detail = format!("the camera's folders can't be listed: {error}");
                return self.fault(FaultKind::Unreadable, Some(camera), camera.as_str(), detail);
            }
        };
        let behind = behind.and_then(|object| Some((ObjectName::parse(object)?.day, object)));
        let days: BTreeSet<&str> = folders.iter().map(|(_, day)| day.as_str()).collect();
        let within = |day: &&str| {
            let window = window.is_none_or(|span| {
                // The last instant is not included.
                let last = CaptureTime::from_unix_nanos(span.end.unix_nanos() - 1);
                (span.begin.day().as_str()..=last.day().as_str()).contains(day)
            });
            window && behind.is_none_or(|(of, _)| *day >= of)
        };
        let days: Vec<&str> = days.into_iter().filter(within).collect();
        for days in days.chunks(DAYS) {
            let folders = folders
                .iter()
                .filter(|(_, day)| days.contains(&day.as_str()));
            let folders = folders.map(|(purpose, day)| format!("{camera}/{purpose}/{day}"));
            let folders: Vec<_> = folders.collect();
            let wants = |name: &ObjectName<'_>| days.contains(&name.day) && is_within(name, window);
            let told = &listed;
            let listed = match self.had(|scrub| scrub.entries(camera, told, days, &wants)) {
                Ok(listed) => listed,
                Err(error) => return self.unreadable_manifests(camera, &error),
            };
            // At once: what comes in while objects are read is not in these lines.
            let (mut strays, mut unlike) = (Vec::new(), Vec::new());
            for folder in &folders {
                if let Some(catalog) = catalog {
                    unlike.extend(compare(catalog, camera, folder, &listed.objects, window));
                }
                strays.extend(self.strays(camera, folder, &listed, window));
            }
            for stray in strays {
                self.stray(camera, stray);
            }
            let mut missing = Vec::new();
            for (object, entry) in by_day(&listed.objects) {
                let name = ObjectName::parse(object);
                let is_done = behind.zip(name).is_some_and(|((day, behind), name)| {
                    name.day == day && object.as_str() <= behind
                });
                if let State::There(written) = entry.state
                    && !is_done
                    && self.check(camera, object, written)
                {
                    missing.push(object.clone());
                }
                if !self.goes_on() {
                    return;
                }
            }
            self.doubts(camera, told, days, missing, unlike);
        }
    }

    fn entries(
        &self,
        camera: &CameraName,
        told: &Folders,
        days: &[&str],
        wants: &dyn Fn(&ObjectName<'_>) -> bool,
    ) -> io::Result<Entries> {
        let since = days
            .first()
            .map(|day| days_before(day, 1))
            .unwrap_or_default();
        let places = (self.archive, self.spool);
        let wanted = Wanted {
            since: &since,
            page: &|page| told.tells_of(page, days),
        };
        let mut listed = entries(self.disk, places, camera, wanted, wants)?;
        listed.last = listed.last.max(told.last);
        Ok(listed)
    }

    /// Purpose and day of all that manifests list, that is there, or that the catalog knows.
    fn folders(
        &self,
        camera: &CameraName,
        told: &Folders,
        catalog: Option<&Catalog>,
    ) -> io::Result<BTreeSet<(String, String)>> {
        let mut found = told.found.clone();
        let top = self.archive.join(camera.as_str());
        for purpose in names(self.disk, &top)? {
            if !UNLISTED.contains(&&*purpose) {
                let days = names(self.disk, &top.join(&purpose))?.into_iter();
                found.extend(days.map(|day| (purpose.clone(), day)));
            }
        }
        let known = catalog.map(|catalog| catalog.folders(camera).unwrap_or_default());
        for folder in known.into_iter().flatten() {
            let below = folder
                .split_once('/')
                .and_then(|(_, below)| below.split_once('/'));
            if let Some((purpose, day)) = below.filter(|(purpose, _)| *purpose != MANIFESTS) {
                found.insert((purpose.to_owned(), day.to_owned()));
            }
        }
        Ok(found)
    }

    /// Files of a folder that no manifest lists.
    fn strays(
        &mut self,
        camera: &CameraName,
        folder: &str,
        listed: &Entries,
        window: Option<Span>,
    ) -> Vec<Stray> {
        let mut strays = Vec::new();
        let path = self.archive.join(folder);
        let files = match self.had(|scrub| names(scrub.disk, &path)) {
            Ok(files) => files,
            Err(error) => {
                let detail = format!("the folder can't be listed: {error}");
                self.fault(FaultKind::Unreadable, Some(camera), folder, detail);
                return strays;
            }
        };
        let now = CaptureTime::now();
        for file in files {
            let object = format!("{folder}/{file}");
            let name = ObjectName::parse(&object);
            // What is being copied has a dot before its name.
            let outside = name.as_ref().is_some_and(|name| !is_within(name, window));
            if file.starts_with('.') || outside {
                continue;
            }
            let entry = listed.objects.get(&object);
            let detail = match entry.map(|entry| (&entry.state, entry.at)) {
                Some((State::There(_), _)) => continue,
                // It is said first, and done then.
                Some((State::Gone(_), Some(at))) if self.is_young(at, now) => continue,
                Some((State::Gone(reason), _)) => {
                    format!("it was taken away ({reason}), but is there")
                }
                None => "no manifest lists it".to_owned(),
            };
            let path = self.archive.join(&object);
            let Ok(metadata) = self.had(|scrub| scrub.disk.metadata(&path)) else {
                // Taken away meanwhile.
                continue;
            };
            // Not before the last line of its camera, it may yet get one; unless it has waited for so
            // long that a manifest may have been taken away.
            let last = listed.last;
            let mut detail = detail;
            if last.is_none_or(|last| self.is_young(metadata.changed, last)) {
                let waited = now
                    .unix_nanos()
                    .saturating_sub(metadata.changed.unix_nanos());
                if waited < WAIT_NANOS_MAX || entry.is_some() {
                    self.scrubbed.waiting += 1;
                    continue;
                }
                detail.push_str(
                    ", nor anything later: either no relay has started since, or the newest manifest \
                     was taken away",
                );
            }
            strays.push(Stray {
                is_object: entry.is_none() && name.is_some() && metadata.is_file,
                object,
                detail,
            });
        }
        strays
    }

    fn stray(&mut self, camera: &CameraName, stray: Stray) {
        let Stray {
            object,
            detail,
            is_object,
        } = stray;
        self.fault(FaultKind::Unlisted, Some(camera), &object, detail);
        if is_object && let Ok(Some(fingerprint)) = self.had(|scrub| scrub.read(&object)) {
            (self.tell)(ScrubEvent::Unlisted {
                object,
                fingerprint,
            });
        }
    }

    /// From the disk, at the allowed pace; none where it was stopped.
    fn read(&self, object: &str) -> io::Result<Option<Fingerprint>> {
        let file = self.disk.open_to_read(&self.archive.join(object))?;
        // Not what memory holds of it; and memory is for what others read.
        file.forget()?;
        let taken = fingerprint_paced(&*file, &mut |bytes| self.pace.spend(bytes));
        file.forget()?;
        taken
    }

    fn look(&mut self, object: &str, written: Fingerprint) -> Found {
        match self.had(|scrub| scrub.look_once(object, written)) {
            Ok(found) => found,
            Err(_) if self.scrubbed.stopped => Found::Stopped,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Found::Missing,
            Err(error) => Found::Unreadable(error),
        }
    }

    fn look_once(&self, object: &str, written: Fingerprint) -> io::Result<Found> {
        let metadata = self.disk.metadata(&self.archive.join(object))?;
        if metadata.is_file && metadata.bytes != written.bytes {
            return Ok(Found::Damaged(format!(
                "it has {} bytes instead of {}",
                metadata.bytes, written.bytes
            )));
        }
        Ok(match self.read(object)? {
            None => Found::Stopped,
            Some(taken) if taken == written => Found::Whole(taken.bytes),
            Some(taken) => Found::Damaged(format!(
                "its SHA-256 is {} instead of {}",
                taken.sha256, written.sha256
            )),
        })
    }

    /// Reads an object; whether it is missing.
    fn check(&mut self, camera: &CameraName, object: &str, written: Fingerprint) -> bool {
        let mut bytes = 0;
        let mut missing = false;
        match self.look(object, written) {
            Found::Stopped => {
                self.scrubbed.stopped = true;
                return false;
            }
            Found::Whole(read) => bytes = read,
            Found::Missing => missing = true,
            Found::Unreadable(error) => {
                let detail = format!("the disk does not give it: {error}");
                self.fault(FaultKind::Unreadable, Some(camera), object, detail);
            }
            Found::Damaged(detail) => {
                bytes = written.bytes;
                self.fault(FaultKind::Damaged, Some(camera), object, detail.clone());
                if self.quarantine {
                    match set_aside(self.disk, self.archive, object) {
                        Ok(path) => (self.tell)(ScrubEvent::Quarantined {
                            object: object.to_owned(),
                            path,
                            reason: format!("damaged, and moved to quarantine: {detail}"),
                        }),
                        Err(error) => {
                            let detail = format!("it can't be moved aside: {}", error.line());
                            self.fault(FaultKind::Unreadable, Some(camera), object, detail);
                        }
                    }
                }
            }
        }
        self.scrubbed.objects += 1;
        self.scrubbed.bytes += bytes;
        let object = object.to_owned();
        (self.tell)(ScrubEvent::Checked { object, bytes });
        missing
    }

    /// What is wrong unless it was taken away, or written down, meanwhile.
    fn doubts(
        &mut self,
        camera: &CameraName,
        told: &Folders,
        days: &[&str],
        missing: Vec<String>,
        unlike: Vec<Unlike>,
    ) {
        if missing.is_empty() && unlike.is_empty() {
            return;
        }
        let listed = self.had(|scrub| {
            scrub.check_place()?;
            scrub.entries(camera, told, days, &|name| days.contains(&name.day))
        });
        let listed = match listed {
            Ok(listed) => listed.objects,
            Err(error) => return self.unreadable_manifests(camera, &error),
        };
        let state = |object: &String| listed.get(object).map(|entry| &entry.state);
        for object in missing {
            if !matches!(state(&object), Some(State::There(_))) {
                continue;
            }
            let aside = find(self.disk, self.archive, &object);
            let detail = match &aside {
                Some(path) => format!(
                    "a manifest lists it, but it lies in {}: a scrub with --quarantine notes that",
                    path.display()
                ),
                None => "a manifest lists it, but it is not there".to_owned(),
            };
            self.fault(FaultKind::Missing, Some(camera), &object, detail);
            if let Some(path) = aside.filter(|_| self.quarantine) {
                let reason = "damaged, and moved to quarantine before".to_owned();
                (self.tell)(ScrubEvent::Quarantined {
                    object,
                    path,
                    reason,
                });
            }
        }
        let now = CaptureTime::now();
        for (object, row) in unlike {
            let written = listed.get(&object).and_then(|entry| entry.at);
            if written.is_some_and(|at| self.is_young(at, now)) {
                continue;
            }
            let detail = match (state(&object), row) {
                (Some(State::There(_)), None) => "the catalog lacks it",
                (Some(State::There(_)), Some(_)) => {
                    "the catalog has another length or SHA-256 of it than its manifest"
                }
                (Some(State::Gone(_)), Some(_)) => "the catalog has it, but it was taken away",
                (None, Some(_)) => "the catalog has it, but no manifest lists it",
                (Some(State::Gone(_)) | None, None) => continue,
            };
            let detail = format!("{detail}; `forebay catalog rebuild` makes the catalog anew");
            self.fault(FaultKind::Catalog, Some(camera), &object, detail);
        }
    }
}

/// In the order of days: that of names has the purposes first.
fn by_day(listed: &BTreeMap<String, Entry>) -> Vec<(&String, &Entry)> {
    let mut all: Vec<_> = listed.iter().collect();
    all.sort_by_key(|(object, _)| ObjectName::parse(object).map(|name| name.day));
    all
}

/// Where what the catalog says of a folder is not what the manifests say.
fn compare(
    catalog: &Catalog,
    camera: &CameraName,
    folder: &str,
    listed: &BTreeMap<String, Entry>,
    window: Option<Span>,
) -> Vec<Unlike> {
    let prefix = format!("{folder}/");
    let mut known = BTreeMap::new();
    let mut after = prefix.clone();
    while after.starts_with(&prefix)
        && let Ok(rows) = catalog.objects(camera, &after, ROWS)
        && let Some((last, _)) = rows.last()
    {
        after.clone_from(last);
        let ours = rows
            .into_iter()
            .filter(|(path, _)| path.starts_with(&prefix));
        known.extend(ours);
    }
    let mut unlike = Vec::new();
    let of_folder = listed.range(prefix.clone()..);
    for (object, entry) in of_folder.take_while(|(object, _)| object.starts_with(&prefix)) {
        let row = known.remove(object);
        let written = match entry.state {
            State::There(written) => Some(written),
            State::Gone(_) => None,
        };
        if row != written {
            unlike.push((object.clone(), row));
        }
    }
    unlike.extend(known.into_iter().map(|(object, row)| (object, Some(row))));
    unlike.retain(|(object, _)| {
        let name = ObjectName::parse(object);
        name.is_none_or(|name| is_within(&name, window))
    });
    unlike
}
