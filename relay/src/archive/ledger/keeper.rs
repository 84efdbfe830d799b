//! The ledger's thread: keeps catalog and journals, and tells what is settled.

mod horizon;
mod listing;
mod lost;
mod roll;
mod strangers;

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::time::{Duration, Instant};

use super::journal::Journals;
use super::pulse::Pulse;
use super::reader::{Job, Reader};
use super::run::{FileAt, Flags, LedgerOptions, Message};
use super::scan::{FOOTAGE, Subject, spooled};
use super::spans::later;
use super::{Evidence, Witness};
use crate::archive::Archive;
use crate::archive::catalog::{Catalog, CatalogError, Change, Found, RunRecord};
use crate::archive::jsonl::Refused;
use crate::archive::manifest::Manifests;
use crate::telemetry::LedgerEvents;
use crate::units::{CameraName, CaptureTime, SiteName};

const SECOND: i64 = 1_000_000_000;
/// Messages that are taken between two commits.
const BATCH: usize = 1024;
/// Changes that wait for a catalog that can't be written.
const PENDING_MAX: usize = 20_000;
const TICK: Duration = Duration::from_secs(1);
/// How long an end waits for the archive to take the last files.
const LAST_FILES_TIME: Duration = Duration::from_millis(300);
const LAST_FILES_TICK: Duration = Duration::from_millis(10);
/// A sign of life in the journals.
const JOURNAL_TICK: Duration = Duration::from_secs(60);
/// Pause before a catalog that can't be opened is tried again.
const CATALOG_REST: Duration = Duration::from_secs(30);
/// How long the first settling waits for the scan of the archive.
const SCAN_PATIENCE: Duration = Duration::from_secs(30);
/// A step between the clocks that ends the run: the computer slept, or its clock was set.
const CLOCK_STEP: i64 = 5 * SECOND;
/// Evidence without an end that is watched for each camera.
const OPEN_EVIDENCE_MAX: usize = 256;
/// Files that moved while they were being read.
const MOVED_MAX: usize = 4096;
const DETAIL_CHARS_MAX: usize = 160;
/// Pause before an archive that was away is looked through again.
const SCAN_REST: Duration = Duration::from_secs(30);
/// Pause before lost lines are looked for again: that reads the manifests of the last days.
const RELIST_REST: Duration = Duration::from_secs(60);
/// Earlier runs that a journal tells of, so that their ends are in it to the second.
const EARLIER_RUNS: usize = 8;

#[derive(Debug)]
struct Camera {
    name: CameraName,
    site: SiteName,
    /// Up to when its time is in the metrics.
    counted: Option<CaptureTime>,
    /// Files that are being read, with their begins.
    reading: BTreeMap<String, CaptureTime>,
    /// Evidence without an end.
    open: BTreeMap<(Witness, CaptureTime), Evidence>,
    /// Since when it is not in the configuration any more; up to then its account is settled.
    left: Option<CaptureTime>,
}

impl Camera {
    fn new((name, site): (CameraName, SiteName)) -> Self {
        Self {
            name,
            site,
            counted: None,
            reading: BTreeMap::new(),
            open: BTreeMap::new(),
            left: None,
        }
    }
}

/// The thread's state.
pub(super) struct Keeper {
    archive: Archive,
    root: PathBuf,
    spool: PathBuf,
    events: LedgerEvents,
    reader: Reader,
    inbox: Receiver<Message>,
    cameras: Vec<Camera>,
    catalog: Option<Catalog>,
    catalog_rest: Option<Instant>,
    /// It has been met damaged.
    doubted: bool,
    pending: Vec<Change>,
    journals: Journals,
    manifests: Manifests,
    /// Until when they wait to learn of those of earlier runs.
    chain_until: Instant,
    /// While a scan runs: objects of which it may not know the latest.
    told: Option<HashSet<String>>,
    /// Begin of the present run, and when it was last said to live.
    run: CaptureTime,
    alive: CaptureTime,
    ticked: Instant,
    journal_ticked: Instant,
    /// The day in whose journals all that lasts was told.
    stood: String,
    /// Nothing is settled before the scan has ended, or this has passed.
    scanning: Option<Instant>,
    missed: Arc<AtomicBool>,
    /// The catalog lacks something that only a scan finds.
    rescan: bool,
    relist: Relist,
    /// A manifest has failed, and lines may be lost that the disk had seemed to take.
    lines_lost: bool,
    /// When they were last looked for: a disk that fails now and then must not have all read each time.
    relisted: Option<Instant>,
    /// Not before this: the archive was away.
    rescan_rest: Option<Instant>,
    moved: VecDeque<(String, String)>,
    /// Files of the spool that are lost, and may be being read.
    lost: VecDeque<String>,
    tombstones: Vec<lost::Tombstone>,
    /// Of other relays that write into this archive.
    strangers: strangers::Strangers,
    pulse: Pulse,
}

/// What no manifest lists is listed, though the catalog knows it: a kill has come between the two, or
/// manifests have gone with the spool or were not taken by its disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Relist {
    No,
    /// By the next scan.
    Wanted,
    /// By the present one.
    Scanned,
}

impl Keeper {
    pub(super) fn new(
        archive: Archive,
        root: PathBuf,
        options: LedgerOptions,
        events: LedgerEvents,
        reader: Reader,
        inbox: Receiver<Message>,
        (missed, pulse): (Arc<AtomicBool>, Pulse),
    ) -> Self {
        let now = CaptureTime::now();
        Self {
            journals: Journals::new(archive.clone()),
            manifests: Manifests::new(archive.clone()),
            chain_until: Instant::now() + SCAN_PATIENCE,
            told: None,
            archive,
            root,
            spool: options.spool,
            events,
            reader,
            inbox,
            cameras: options.cameras.into_iter().map(Camera::new).collect(),
            catalog: None,
            catalog_rest: None,
            doubted: false,
            pending: Vec::new(),
            run: now,
            alive: now,
            ticked: Instant::now(),
            journal_ticked: Instant::now(),
            stood: String::new(),
            scanning: None,
            missed,
            rescan: false,
            relist: Relist::Wanted,
            lines_lost: false,
            relisted: None,
            rescan_rest: None,
            moved: VecDeque::new(),
            lost: VecDeque::new(),
            tombstones: Vec::new(),
            strangers: strangers::Strangers::new(),
            pulse,
        }
    }

    pub(super) fn run(mut self, flags: &Flags) {
        self.cameras
            .iter()
            .for_each(|c| self.events.camera(&c.name));
        self.ask_for_manifests();
        self.open_catalog();
        for camera in 0..self.cameras.len() {
            self.tell_earlier(camera);
        }
        self.begin_run(CaptureTime::now());
        self.commit();
        loop {
            let until_tick = TICK.saturating_sub(self.ticked.elapsed());
            match self.inbox.recv_timeout(until_tick) {
                Ok(message) => {
                    self.take(message);
                    self.drain();
                    self.commit();
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            #[cfg(test)]
            if flags.killed.load(Ordering::Acquire) {
                // Dropped, the journals would be repaired at once.
                std::mem::forget(self);
                return;
            }
            if flags.ending.is_asked() {
                self.finish();
                return;
            }
            if self.ticked.elapsed() >= TICK {
                self.tick();
            }
        }
    }

    fn drain(&mut self) {
        for _ in 0..BATCH {
            match self.inbox.try_recv() {
                Ok(message) => self.take(message),
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => return,
            }
        }
    }

    fn open_catalog(&mut self) {
        self.catalog_rest = Some(Instant::now() + CATALOG_REST);
        let opened = match self.doubted {
            true => Catalog::open_doubted(&self.spool),
            false => Catalog::open(&self.spool),
        };
        match opened {
            Ok((catalog, found)) => {
                self.doubted = false;
                if let Found::Damaged(path) = &found {
                    self.events.catalog_put_aside(path);
                }
                self.catalog = Some(catalog);
                self.scan();
            }
            Err(error) => self.events.catalog_failed(&error),
        }
    }

    /// Notes a new run: at the start, where the clock makes no sense of the present one, and where
    /// the cameras are others from now on.
    fn begin_run(&mut self, now: CaptureTime) {
        (self.run, self.alive) = (now, now);
        for camera in roll::present(&self.cameras) {
            self.pending.push(Change::Camera {
                run: now,
                camera: camera.name.clone(),
                site: camera.site.clone(),
            });
        }
        // What lasts goes on.
        let open = self.cameras.iter().flat_map(|camera| camera.open.values());
        self.pending.extend(open.map(|evidence| Change::Evidence {
            run: now,
            evidence: evidence.clone(),
        }));
        self.live(false);
        self.stand();
    }

    /// Tells in the journals of a day all that lasts, so that nobody has to read those before.
    fn stand(&mut self) {
        self.stood = CaptureTime::now().day();
        self.journal_run(false);
        for camera in roll::present(&self.cameras) {
            for evidence in camera.open.values() {
                self.journals.change(&Change::Evidence {
                    run: self.run,
                    evidence: evidence.clone(),
                });
            }
            self.journals.standing(&camera.name);
        }
    }

    /// Says that the run lives.
    fn live(&mut self, ended: bool) {
        let Self { run, alive, .. } = *self;
        self.pending
            .retain(|change| !matches!(change, Change::Run { begin, .. } if *begin == run));
        self.pending.push(Change::Run {
            begin: run,
            // Not empty, however short.
            alive: alive.max(later(run, 1)),
            ended,
        });
    }

    fn journal_run(&mut self, ended: bool) {
        self.journal_ticked = Instant::now();
        for camera in roll::present(&self.cameras) {
            let run = RunRecord {
                begin: self.run,
                alive: self.alive.max(later(self.run, 1)),
                ended,
                site: Some(camera.site.clone()),
            };
            self.journals.run(&camera.name, &run);
        }
    }

    fn take(&mut self, message: Message) {
        match message {
            Message::Tell(evidence) => self.tell(evidence),
            Message::Withdraw(camera, witness, begin) => self.withdraw(camera, witness, begin),
            Message::Clock(camera, state) => self.journals.clock(&camera, &state),
            Message::Cameras(cameras, at) => self.reconfigure(cameras, at),
            Message::Waits(file) => {
                let path = file.spooled.clone();
                if let Some(object) = spool_object(&path) {
                    self.read(object, file, path);
                }
            }
            Message::Published(path, fingerprint, file) => {
                self.list(&path, fingerprint, false);
                if let Some(file) = file {
                    self.published(file, path);
                }
            }
            Message::Unlisted(object, fingerprint) => {
                let path = self.root.join(object);
                self.list(&path, fingerprint, true);
            }
            Message::Manifests(tips) => self.chain(tips),
            Message::Seen(objects) => self.seen(objects),
            Message::Adopted(object, changes, fingerprint) => {
                self.adopted(&object, changes, fingerprint);
            }
            Message::Gone(removal) => self.gone(removal),
            Message::Read(object, camera, change) => {
                if let Some(camera) = self.camera(&camera) {
                    camera.reading.remove(&object);
                }
                if self.lost.contains(&object) {
                    return;
                }
                self.pending.extend(change);
                let moved = self.moved.iter().find(|(from, _)| *from == object);
                if let Some((from, to)) = moved.cloned() {
                    self.pending.push(Change::Moved { from, to });
                }
            }
            Message::Scanned(changes) => self.scanned(changes),
            Message::Lost(file) => self.lost(file),
            Message::SpoolRenewed => self.relist(),
            Message::LostManifest(object) => self.lost_manifest(&object),
            Message::ScanEnded(true) => {
                (self.scanning, self.told) = (None, None);
                if self.relist == Relist::Scanned {
                    self.relist = Relist::No;
                }
                self.pending.push(Change::Complete);
            }
            Message::ScanEnded(false) => {
                (self.scanning, self.told) = (None, None);
                self.rescan = true;
                self.rescan_rest = Some(Instant::now() + SCAN_REST);
            }
            Message::Unreached => {
                self.rescan = true;
                self.rescan_rest = Some(Instant::now() + SCAN_REST);
            }
            Message::Wake => {}
        }
    }

    fn camera(&mut self, name: &CameraName) -> Option<&mut Camera> {
        self.cameras.iter_mut().find(|camera| camera.name == *name)
    }

    /// Has a file read.
    fn read(&mut self, object: String, file: FileAt, path: PathBuf) {
        let (subject, begin) = (file.subject, file.begin);
        let camera = file.camera.clone();
        let job = Job::Read {
            object: object.clone(),
            file,
            path,
            events: self.events.clone(),
        };
        if !self.reader.ask(job) {
            self.events.dropped();
            self.rescan = true;
        } else if subject == Subject::Footage
            && let Some(camera) = self.camera(&camera)
        {
            camera.reading.insert(object, begin);
        }
    }

    fn tell(&mut self, mut evidence: Evidence) {
        let Evidence {
            witness,
            begin,
            end,
            ..
        } = &evidence;
        if end.is_some_and(|end| end <= *begin) {
            let (witness, begin) = (witness.clone(), *begin);
            return self.withdraw(evidence.camera, witness, begin);
        }
        evidence.detail = one_line(&evidence.detail);
        let Some(camera) = self.camera(&evidence.camera) else {
            return;
        };
        if let Some(left) = camera.left {
            if evidence.begin >= left {
                return;
            }
            evidence.end = Some(evidence.end.map_or(left, |end| end.min(left)));
        }
        let key = (evidence.witness.clone(), evidence.begin);
        if evidence.end.is_some() {
            camera.open.remove(&key);
        } else if camera.open.get(&key) == Some(&evidence) {
            return;
        } else if camera.open.len() < OPEN_EVIDENCE_MAX || camera.open.contains_key(&key) {
            camera.open.insert(key, evidence.clone());
        }
        let change = Change::Evidence {
            run: self.run,
            evidence,
        };
        self.journals.change(&change);
        self.pending.push(change);
    }

    fn withdraw(&mut self, camera: CameraName, witness: Witness, begin: CaptureTime) {
        if let Some(camera) = self.camera(&camera) {
            camera.open.remove(&(witness.clone(), begin));
        }
        let change = Change::Withdrawn {
            camera,
            witness,
            begin,
        };
        self.journals.change(&change);
        self.pending.push(change);
    }

    /// Writes what waits. What can't be written waits on.
    fn commit(&mut self) {
        for refused in self.journals.append() {
            self.journal_failed(&refused);
        }
        self.write_manifests();
        if self.catalog.is_none()
            && self
                .catalog_rest
                .is_none_or(|until| until <= Instant::now())
        {
            self.open_catalog();
        }
        if let Some(catalog) = &mut self.catalog
            && !self.pending.is_empty()
        {
            match catalog.apply(&self.pending) {
                Ok(()) => self.pending.clear(),
                Err(error) => self.failed(&error),
            }
        }
        self.bury();
        if self.pending.len() > PENDING_MAX {
            // Files and journals have it: a scan finds it again.
            let surplus = self.pending.len() - PENDING_MAX;
            self.pending.drain(..surplus);
            self.rescan = true;
            self.events.dropped();
        }
    }

    fn failed(&mut self, error: &CatalogError) {
        self.events.catalog_failed(error);
        if error.is_damage() {
            // Opened anew it is found to be damaged, and replaced.
            self.catalog = None;
            self.catalog_rest = None;
            self.doubted = true;
        }
    }

    fn tick(&mut self) {
        let passed = i64::try_from(self.ticked.elapsed().as_nanos()).unwrap_or(i64::MAX);
        self.ticked = Instant::now();
        let now = CaptureTime::now();
        let expected = later(self.alive, passed);
        let step = now.unix_nanos().saturating_sub(expected.unix_nanos());
        if self.stood_still() {
            // A new run has begun.
        } else if step.saturating_abs() > CLOCK_STEP {
            // In a state of the clock that made `alive` greater than `now`, steps back are small.
            tracing::warn!(
                seconds = step as f64 / 1e9,
                "the clock was set, or the computer slept"
            );
            self.live(true);
            self.begin_run(now);
        } else {
            self.alive = self.alive.max(now);
            self.live(false);
        }
        if self.stood != now.day() {
            self.stand();
        } else if self.journal_ticked.elapsed() >= JOURNAL_TICK {
            self.journal_run(false);
        }
        self.save_catalog();
        self.look_out();
        let again = self.relisted.is_none_or(|at| at.elapsed() >= RELIST_REST);
        if self.lines_lost && self.manifests.is_well() && again {
            self.lines_lost = false;
            self.relisted = Some(Instant::now());
            self.relist();
        }
        self.rescan |= self.missed.swap(false, Ordering::AcqRel);
        let rests = self.rescan_rest.is_some_and(|until| until > Instant::now());
        if self.rescan && self.scanning.is_none() && !rests {
            self.rescan = false;
            self.scan();
        }
        self.commit();
        // Without what could not be written an account would be wrong.
        let complete = self.pending.is_empty();
        if complete && self.scanning.is_none_or(|until| until <= Instant::now()) {
            self.settle(now, false);
            self.commit();
        }
        for camera in roll::present(&self.cameras) {
            self.events.gap(&camera.name, self.lasting_gap(camera));
        }
        self.events.accounted();
    }

    /// Nobody recorded while the relay was stopped: its run ended then, and a new one begins. Whether
    /// that was so.
    fn stood_still(&mut self) -> bool {
        let Some(still) = self.pulse.stood_still() else {
            return false;
        };
        let seconds = (still.end.unix_nanos() - still.begin.unix_nanos()) as f64 / 1e9;
        tracing::warn!(
            seconds,
            "the relay stood still: it was stopped, or its machine was"
        );
        self.alive = self.alive.max(still.begin);
        self.live(false);
        self.journal_run(false);
        self.begin_run(CaptureTime::now());
        true
    }

    fn finish(&mut self) {
        // What was recorded last is on its way into the archive, and what it holds is being read; that of a
        // file that has just come, too.
        let until = Instant::now() + LAST_FILES_TIME;
        loop {
            // Before the messages are taken: a file has come once it is told of.
            let comes = self.cameras.iter().any(|camera| self.is_unsettled(camera));
            let comes = comes && Instant::now() < until;
            self.drain();
            let reads = self.cameras.iter().any(|camera| !camera.reading.is_empty());
            let wait = match (comes, reads) {
                (true, _) => LAST_FILES_TICK,
                (false, true) => TICK,
                (false, false) => break,
            };
            match self.inbox.recv_timeout(wait) {
                Ok(message) => self.take(message),
                Err(RecvTimeoutError::Timeout) if comes => {}
                Err(_) => break,
            }
        }
        self.stood_still();
        self.alive = self.alive.max(CaptureTime::now());
        self.live(true);
        self.commit();
        if self.pending.is_empty() {
            self.settle(self.alive, true);
        }
        self.journal_run(true);
        self.commit();
        for refused in self.journals.finish() {
            self.journal_failed(&refused);
        }
        self.finish_manifests();
    }

    fn journal_failed(
        &self,
        Refused {
            camera,
            error,
            lost,
        }: &Refused,
    ) {
        self.events.journal_failed(camera, error, *lost);
    }
}

fn spool_object(path: &Path) -> Option<String> {
    Some(spooled(path.file_name()?.to_str()?))
}

/// Without line breaks, and of bounded length.
fn one_line(text: &str) -> String {
    let clean = |c: char| if c.is_control() { ' ' } else { c };
    text.chars().take(DETAIL_CHARS_MAX).map(clean).collect()
}

#[cfg(test)]
#[path = "keeper_tests.rs"]
mod tests;
