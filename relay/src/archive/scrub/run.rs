//! The slow scrub beside a running relay: a thread of its own, since the archive may hang.

use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};

use super::{Pace, Scrub, ScrubEvent, Scrubbed};
use crate::archive::disk::Disk;
use crate::archive::jsonl::Stamp;
use crate::archive::ledger::Ledger;
use crate::archive::{Archive, At, StorageError};
use crate::telemetry::ScrubEvents;
use crate::units::{CameraName, CaptureTime};

/// Where a scrub has come to, in the spool.
const FILE: &str = "scrub.json";
/// How often that is written down.
const SAVE: Duration = Duration::from_secs(60);
/// A pass begins so long after the begin of the one before, at the earliest.
const PERIOD_NANOS: i64 = 24 * 3600 * 1_000_000_000;
/// Files of this kind are some hundred bytes long.
const CURSOR_BYTES_MAX: u64 = 4096;

/// How a scrub goes about it.
#[derive(Debug, Clone)]
pub struct ScrubOptions {
    /// The archive's spool.
    pub spool: PathBuf,
    /// Bytes that it reads in a second.
    pub bytes_per_second: u64,
    /// Damaged objects are moved aside.
    pub quarantine: bool,
    /// Pause before the first pass, and after an archive that could not be listed.
    pub rest: Duration,
}

/// What is kept of a scrub over restarts.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Cursor {
    /// When the present pass began.
    begin: Stamp,
    /// The camera that it has come to, and the last object that it has read of it.
    camera: Option<String>,
    object: Option<String>,
    /// When the last pass that came to its end had begun.
    passed: Option<Stamp>,
}

impl Cursor {
    fn new(passed: Option<Stamp>) -> Self {
        Self {
            begin: Stamp::from(CaptureTime::now()),
            camera: None,
            object: None,
            passed,
        }
    }

    /// None for one that is damaged: then a pass begins anew.
    fn read(path: &Path) -> Option<Self> {
        let mut text = Vec::new();
        let file = File::open(path).ok()?;
        file.take(CURSOR_BYTES_MAX).read_to_end(&mut text).ok()?;
        serde_json::from_slice(&text).ok()
    }

    /// In one piece: a power cut leaves this one or the one before.
    fn write(&self, path: &Path) -> io::Result<()> {
        let mut text = serde_json::to_vec(self).map_err(io::Error::other)?;
        text.push(b'\n');
        let new = path.with_extension("json.new");
        let mut file = File::create(&new)?;
        file.write_all(&text)?;
        file.sync_all()?;
        std::fs::rename(&new, path)
    }
}

/// A running scrub. Dropped, it ends.
#[derive(Debug)]
pub struct Scrubber(Arc<Pace>);

impl Scrubber {
    /// Starts the thread.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start(
        archive: &Archive,
        ledger: Ledger,
        events: ScrubEvents,
        options: ScrubOptions,
    ) -> io::Result<Self> {
        let pace = Arc::new(Pace::new(options.bytes_per_second));
        let worker = Worker {
            disk: Arc::clone(&archive.store.disk),
            archive: archive.store.archive.clone(),
            cursor: options.spool.join(FILE),
            options,
            ledger,
            events,
            pace: Arc::clone(&pace),
        };
        std::thread::Builder::new()
            .name("scrub".to_owned())
            .spawn(move || worker.run())?;
        Ok(Self(pace))
    }
}

impl Drop for Scrubber {
    fn drop(&mut self) {
        self.0.stop();
    }
}

struct Worker {
    disk: Arc<dyn Disk>,
    archive: PathBuf,
    cursor: PathBuf,
    options: ScrubOptions,
    ledger: Ledger,
    events: ScrubEvents,
    pace: Arc<Pace>,
}

impl Worker {
    fn run(&self) {
        let mut cursor = Cursor::read(&self.cursor).unwrap_or_else(|| Cursor::new(None));
        if let Some(passed) = cursor.passed.as_ref().and_then(Stamp::time) {
            self.events.passed(passed);
        }
        while self.pace.rest(self.rest(&cursor)) {
            match self.pass(&mut cursor) {
                Ok(scrubbed) if scrubbed.stopped => break,
                Ok(scrubbed) => {
                    if let Some(begin) = cursor.begin.time() {
                        self.events.passed(begin);
                    }
                    self.events.ended(&scrubbed);
                    cursor.passed = Some(cursor.begin.clone());
                    (cursor.camera, cursor.object) = (None, None);
                }
                Err(error) => self.events.failed(&error),
            }
            self.save(&cursor);
        }
        if cursor.camera.is_some() {
            self.save(&cursor);
        }
    }

    /// How long to wait for the next pass.
    fn rest(&self, cursor: &Cursor) -> Duration {
        let passed = cursor.passed.as_ref().and_then(Stamp::time);
        let (Some(passed), None) = (passed, &cursor.camera) else {
            return self.options.rest;
        };
        let next = passed.unix_nanos().saturating_add(PERIOD_NANOS);
        let left = next.saturating_sub(CaptureTime::now().unix_nanos());
        // A clock that was set back must not put it off for good.
        let left = left.clamp(0, PERIOD_NANOS).unsigned_abs();
        Duration::from_nanos(left).max(self.options.rest)
    }

    fn save(&self, cursor: &Cursor) {
        if let Err(error) = cursor.write(&self.cursor) {
            self.events.failed(&error);
        }
    }

    /// Goes on with a pass, or begins one.
    fn pass(&self, cursor: &mut Cursor) -> Result<Scrubbed, StorageError> {
        if cursor.camera.is_none() {
            *cursor = Cursor::new(cursor.passed.take());
        }
        let (first, behind) = (cursor.camera.clone(), cursor.object.clone());
        let mut told = Told {
            worker: self,
            cursor,
            saved: Instant::now(),
        };
        // Read whole once, and not for each camera.
        let (cameras, is_sound, mut scrubbed) = {
            let mut tell = |event| told.event(event);
            let mut scrub = self.scrub(&mut tell, Scrubbed::default());
            let catalog = scrub.catalog();
            let cameras = scrub.cameras(catalog.as_ref());
            let cameras = cameras.at("list the folder", &self.archive)?;
            (cameras, catalog.is_some(), scrub.scrubbed)
        };
        for camera in cameras {
            if first
                .as_deref()
                .is_some_and(|first| camera.as_str() < first)
            {
                continue;
            }
            let is_first = first.as_deref() == Some(camera.as_str());
            let behind = behind.as_deref().filter(|_| is_first);
            told.camera(&camera, behind);
            let mut tell = |event| told.event(event);
            let mut scrub = self.scrub(&mut tell, scrubbed);
            let catalog = is_sound.then(|| scrub.sound_catalog()).flatten();
            scrub.camera(&camera, None, behind, catalog.as_ref());
            scrubbed = scrub.scrubbed;
            if scrubbed.stopped {
                break;
            }
        }
        Ok(scrubbed)
    }

    fn scrub<'a>(&'a self, tell: &'a mut dyn FnMut(ScrubEvent), scrubbed: Scrubbed) -> Scrub<'a> {
        Scrub {
            disk: &*self.disk,
            archive: &self.archive,
            spool: &self.options.spool,
            pace: &self.pace,
            quarantine: self.options.quarantine,
            young: Scrub::YOUNG,
            tell,
            scrubbed,
        }
    }
}

/// Takes what a scrub tells to the ledger, the events and the cursor.
struct Told<'a> {
    worker: &'a Worker,
    cursor: &'a mut Cursor,
    saved: Instant,
}

impl Told<'_> {
    fn camera(&mut self, camera: &CameraName, behind: Option<&str>) {
        self.cursor.camera = Some(camera.to_string());
        self.cursor.object = behind.map(str::to_owned);
    }

    fn event(&mut self, event: ScrubEvent) {
        let worker = self.worker;
        worker.events.note(&event);
        match event {
            ScrubEvent::Checked { object, .. } => {
                self.cursor.object = Some(object);
                if self.saved.elapsed() >= SAVE {
                    self.saved = Instant::now();
                    worker.save(self.cursor);
                }
            }
            // It was told of once; from now on it is watched.
            ScrubEvent::Unlisted {
                object,
                fingerprint,
            } => worker.ledger.unlisted(&object, fingerprint),
            ScrubEvent::Quarantined { object, reason, .. } => {
                worker.ledger.quarantined(&object, &reason);
            }
            ScrubEvent::Fault(_) | ScrubEvent::Away(_) | ScrubEvent::Back => {}
        }
    }
}
