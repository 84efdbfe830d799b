//! One step at a time: files that go, and files that are thinned.
//!
//! The order makes it safe to be cut off anywhere. What is to go is first written into the camera's
//! journal, durably; then the catalog is told; then the files go. Cut off in between, the files are
//! still there, the next round finds them due again, and an account takes them for what they are.
//! A thinned copy is published before its original goes; cut off in between, the copy is made again,
//! to the byte, and recognised.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::pins::{self, Pins};
use super::thin::{OnDisk, ThinError, thin};
use super::{Act, Form, KEY_FRAMES, Object, Reason, Step, shelf};
use crate::archive::jsonl::Lines;
use crate::archive::ledger::{Fate, Footage, Ledger, Retired, footage, join_footage, retired_line};
use crate::archive::mp4::Unrepairable;
use crate::archive::{Archive, ArchiveError, At, Disk, ObjectKey, Published, StorageError};
use crate::config::LADDER_SINK;
use crate::telemetry::LadderEvents;
use crate::units::{CameraName, CaptureTime, Name};

/// Copies that wait to be carried to the archive; as long as there are so many, no more are made.
const WAITING_MAX: usize = 64;
/// Files of which it is remembered that they can't be thinned.
const STUBBORN_MAX: usize = 10_000;
const EXTENSION: &str = "mp4";

/// Why a step came to nothing.
#[derive(Debug, thiserror::Error)]
pub(super) enum StepError {
    #[error(transparent)]
    Storage(#[from] StorageError),
    #[error("the journal that tells of it can't be written")]
    Journal(#[source] ArchiveError),
}

/// Does what was planned.
pub(super) struct Hand {
    disk: Arc<dyn Disk>,
    root: PathBuf,
    archive: Archive,
    ledger: Ledger,
    events: LadderEvents,
    journal: Lines,
    /// Thinned copies that are on their way, by the name of the original: their lengths.
    waiting: BTreeMap<String, u64>,
    stubborn: BTreeSet<String>,
}

/// What became of a copy.
enum Copied {
    Published,
    Waits,
    Impossible,
}

impl Hand {
    pub(super) fn new(
        disk: Arc<dyn Disk>,
        root: PathBuf,
        archive: Archive,
        ledger: Ledger,
        events: LadderEvents,
        journal: Lines,
    ) -> Self {
        Self {
            disk,
            root,
            archive,
            ledger,
            events,
            journal,
            waiting: BTreeMap::new(),
            stubborn: BTreeSet::new(),
        }
    }

    /// Whether the archive is where it was.
    pub(super) fn check_place(&self) -> Result<(), StorageError> {
        self.archive.check_place()
    }

    /// Whether there is any use in thinning an object now.
    pub(super) fn can_thin(&self, object: &Object) -> bool {
        match self.waiting.get(&object.name) {
            Some(bytes) => self.is_carried(object, *bytes),
            None => self.waiting.len() < WAITING_MAX && !self.stubborn.contains(&object.name),
        }
    }

    /// How many copies wait to be carried.
    pub(super) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Does steps of some folders; gives the objects that are gone. The caller holds the guard.
    pub(super) fn apply(
        &mut self,
        steps: Vec<Step>,
        pins: &Pins,
        now: CaptureTime,
    ) -> Result<Vec<Object>, StepError> {
        let mut groups: BTreeMap<(CameraName, String, Act, Reason), Vec<Object>> = BTreeMap::new();
        for step in steps {
            let Some((folder, _)) = step.object.name.rsplit_once('/') else {
                continue;
            };
            let key = (
                step.object.camera.clone(),
                folder.to_owned(),
                step.act,
                step.reason,
            );
            groups.entry(key).or_default().push(step.object);
        }
        let mut gone = Vec::new();
        for ((camera, folder, act, reason), objects) in groups {
            let mut ready: Vec<(Object, Vec<Footage>)> = Vec::new();
            for object in objects {
                let held = match self.footage(&object) {
                    Ok(Some(held)) => held,
                    // Another relay with this archive was faster.
                    Ok(None) => {
                        self.waiting.remove(&object.name);
                        gone.push(object);
                        continue;
                    }
                    // What may not be kept goes, also if it can't be told what it holds.
                    Err(_) if reason == Reason::Maximum => Vec::new(),
                    Err(error) => {
                        self.events.failed("read", &object.name, &error);
                        continue;
                    }
                };
                // By its boxes it may reach further than its name and the next one's told.
                if pins.holding(&reaching(&object, &held), now).is_some() {
                    continue;
                }
                if act == Act::Thin {
                    match self.copy(&object, &held) {
                        Ok(Copied::Published) => {}
                        Ok(Copied::Waits | Copied::Impossible) => continue,
                        Err(error) => {
                            self.events.failed("thin", &object.name, &error);
                            continue;
                        }
                    }
                }
                ready.push((object, held));
            }
            if ready.is_empty() {
                continue;
            }
            self.retire(&camera, &folder, (act, reason), &ready, now)?;
            gone.extend(ready.into_iter().map(|(object, _)| object));
        }
        Ok(gone)
    }

    /// Writes down that objects go, and takes them away.
    fn retire(
        &mut self,
        camera: &CameraName,
        folder: &str,
        (act, reason): (Act, Reason),
        ready: &[(Object, Vec<Footage>)],
        now: CaptureTime,
    ) -> Result<(), StepError> {
        let file = |(object, _): &(Object, _)| {
            let name = object.name.rsplit_once('/');
            name.map_or_else(String::new, |(_, name)| name.to_owned())
        };
        let bytes = ready.iter().map(|(object, _)| object.bytes).sum();
        let retired = Retired {
            camera: camera.clone(),
            fate: match act {
                Act::Thin => Fate::Thinned,
                Act::Remove => Fate::Expired,
            },
            reason: reason.as_str().to_owned(),
            folder: folder.to_owned(),
            files: ready.iter().map(file).collect(),
            bytes,
            footage: join_footage(ready.iter().flat_map(|(_, held)| held).copied().collect()),
        };
        // In the day of the journal in which it is written, by the clock that names its files.
        let written = CaptureTime::now();
        self.journal
            .write(camera, written, &retired_line(written, &retired));
        self.journal.flush(camera).map_err(StepError::Journal)?;
        self.ledger.retire(retired);
        let form = ready.first().map_or(Form::Other, |(object, _)| object.form);
        self.events.retired(
            camera,
            form,
            (act, reason),
            ready.len() as u64,
            bytes,
            folder,
        );
        for (object, _) in ready {
            let path = shelf::path(&self.root, object);
            match self.disk.unlink(&path) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                result => result.at("remove", &path)?,
            }
            self.waiting.remove(&object.name);
        }
        let folder = self.root.join(folder);
        self.disk
            .sync_dir(&folder)
            .at("flush the folder", &folder)?;
        self.remove_if_empty(&folder, ready, now)
    }

    /// Takes the folder of a day away once nothing is in it, but not of a day to which something may
    /// still be published.
    fn remove_if_empty(
        &self,
        folder: &Path,
        ready: &[(Object, Vec<Footage>)],
        now: CaptureTime,
    ) -> Result<(), StepError> {
        const RECENT_NANOS: i64 = 48 * 3600 * 1_000_000_000;
        let recent = now.unix_nanos().saturating_sub(RECENT_NANOS);
        if ready
            .iter()
            .any(|(object, _)| object.begin.unix_nanos() > recent)
        {
            return Ok(());
        }
        match self.disk.remove_dir(folder) {
            Ok(()) => {
                let parent = folder.parent().unwrap_or(folder);
                Ok(self.disk.sync_dir(parent).at("flush the folder", parent)?)
            }
            Err(error)
                if matches!(
                    error.kind(),
                    io::ErrorKind::DirectoryNotEmpty | io::ErrorKind::NotFound
                ) =>
            {
                Ok(())
            }
            Err(error) => Err(error)
                .at("remove the folder", folder)
                .map_err(Into::into),
        }
    }

    /// What an object tells of the times at which footage was recorded; nothing for one that holds
    /// none, or that can't be understood; none where it is not there.
    fn footage(&self, object: &Object) -> Result<Option<Vec<Footage>>, StepError> {
        let path = shelf::path(&self.root, object);
        if !object.form.gives_room() || !object.name.ends_with(".mp4") {
            return match self.disk.metadata(&path) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
                _ => Ok(Some(Vec::new())),
            };
        }
        let source = match self.disk.open_to_read(&path).and_then(OnDisk::new) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            result => result.at("open", &path)?,
        };
        let recorded = match footage::read(&source, object.begin, None) {
            Ok(recorded) => recorded,
            Err(Unrepairable::Read(error)) => return Err(error).at("read", &path)?,
            Err(_) => return Ok(Some(Vec::new())),
        };
        // A key frame lasts for seconds: what was told when the footage was thinned knows better how
        // far one file may be from the next.
        let frame_nanos = match object.form {
            Form::KeyFrames => 0,
            _ => recorded.frame_nanos,
        };
        let held = |span| Footage { span, frame_nanos };
        Ok(Some(recorded.spans.into_iter().map(held).collect()))
    }

    /// Makes the copy with key frames alone, durable under its final name.
    fn copy(&mut self, object: &Object, held: &[Footage]) -> Result<Copied, StepError> {
        if let Some(bytes) = self.waiting.get(&object.name) {
            let there = self.is_carried(object, *bytes);
            return Ok(if there {
                Copied::Published
            } else {
                Copied::Waits
            });
        }
        if !self.can_thin(object) {
            return Ok(Copied::Impossible);
        }
        let path = shelf::path(&self.root, object);
        let failed = |error: ArchiveError| match error {
            ArchiveError::Storage(error) => StepError::Storage(error),
            denied => StepError::Storage(StorageError {
                operation: "make a copy with key frames of",
                path: path.clone(),
                source: io::Error::other(denied.to_string()),
            }),
        };
        let source = self.disk.open_to_read(&path).and_then(OnDisk::new);
        let source = source.at("open", &path)?;
        let sink = Name::new(LADDER_SINK).map_err(io::Error::other);
        let key = ObjectKey {
            camera: object.camera.clone(),
            sink: sink.at("name the copy of", &path)?,
            purpose: KEY_FRAMES.to_owned(),
            extension: EXTENSION.to_owned(),
            begin: object.begin,
        };
        let mut copy = self.archive.create(&key).map_err(failed)?;
        match thin(&source, object.begin, &mut copy) {
            Ok(_) => {}
            Err(ThinError::Archive(error)) => return Err(failed(error)),
            Err(ThinError::Footage(crate::archive::replay::Fault::Read(error))) => {
                return Err(error).at("read", &path)?;
            }
            Err(error) => {
                self.events.not_thinned(&path, &error);
                if self.stubborn.len() < STUBBORN_MAX {
                    self.stubborn.insert(object.name.clone());
                }
                return Ok(Copied::Impossible);
            }
        }
        let bytes = copy.size();
        let end = held.iter().map(|held| held.span.end).max();
        match copy.finish(end.unwrap_or(object.end)).map_err(failed)? {
            Published::Now { .. } => Ok(Copied::Published),
            Published::Deferred | Published::SetAside { .. } | Published::Nothing => {
                self.waiting.insert(object.name.clone(), bytes);
                Ok(Copied::Waits)
            }
        }
    }

    /// Whether a copy of this length has reached the archive. It bears the begin of its original,
    /// and a number where another one had that name.
    fn is_carried(&self, object: &Object, bytes: u64) -> bool {
        const NAMES_MAX: u32 = 9;
        let stem = object.begin.file_stem();
        let folder = self.root.join(object.camera.as_str()).join(KEY_FRAMES);
        let folder = folder.join(object.begin.day());
        (1..=NAMES_MAX).any(|nth| {
            let name = match nth {
                1 => format!("{stem}.{EXTENSION}"),
                _ => format!("{stem}-{nth}.{EXTENSION}"),
            };
            let found = self.disk.metadata(&folder.join(name));
            found.is_ok_and(|found| found.is_file && found.bytes == bytes)
        })
    }

    /// The pins of cameras; those of which it can't be told are left out, and told of.
    pub(super) fn pins(&self, cameras: &BTreeSet<CameraName>) -> (Pins, BTreeSet<CameraName>) {
        let (mut all, mut known) = (Vec::new(), BTreeSet::new());
        for camera in cameras {
            match pins::read(&*self.disk, &self.root, camera) {
                Ok(pins) => {
                    all.extend(pins);
                    known.insert(camera.clone());
                }
                Err(error) => self.events.pins_unknown(camera, &error),
            }
        }
        (Pins::from(all), known)
    }

    /// Ends the journals.
    pub(super) fn finish(&mut self) {
        for refused in self.journal.finish() {
            self.events.failed(
                "finish the journal of",
                &refused.camera.to_string(),
                &refused.error,
            );
        }
    }
}

/// The object, as far as its content reaches.
fn reaching(object: &Object, held: &[Footage]) -> Object {
    let ends = held.iter().map(|held| held.span.end);
    let begins = held.iter().map(|held| held.span.begin);
    Object {
        begin: begins.chain([object.begin]).min().unwrap_or(object.begin),
        end: ends.chain([object.end]).max().unwrap_or(object.end),
        ..object.clone()
    }
}
