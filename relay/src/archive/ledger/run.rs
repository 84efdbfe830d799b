//! The running ledger: a handle that never waits, and a thread that keeps the books.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

use super::keeper::Keeper;
use super::pulse::Pulse;
use super::reader::Reader;
use super::scan::{FOOTAGE, Subject};
use super::{ClockState, Evidence, Retired, Witness};
use crate::archive::catalog::Change;
use crate::archive::ending::{Ended, Ending};
use crate::archive::manifest::Newest;
use crate::archive::{Archive, ArchiveEvent, Fingerprint, MANIFESTS, ObjectKey};
use crate::telemetry::LedgerEvents;
use crate::units::{CameraName, CaptureTime, SiteName};

/// Messages that wait. A start after a long outage of the archive publishes a thousand files.
const MESSAGES_MAX: usize = 16_384;

/// Where the ledger keeps its books, and for whom.
#[derive(Debug, Clone)]
pub struct LedgerOptions {
    /// The archive's spool: the catalog is in it.
    pub spool: PathBuf,
    /// The configured cameras with their sites.
    pub cameras: Vec<(CameraName, SiteName)>,
}

#[derive(Debug)]
pub(super) enum Message {
    Tell(Evidence),
    Withdraw(CameraName, Witness, CaptureTime),
    Clock(CameraName, ClockState),
    /// From that instant on these cameras are in the configuration, and no others.
    Cameras(Vec<(CameraName, SiteName)>, CaptureTime),
    /// A finished file waits in the spool.
    Waits(FileAt),
    /// A file is under its final name; what of it the ledger reads.
    Published(PathBuf, Fingerprint, Option<FileAt>),
    /// A published file that no manifest lists.
    Unlisted(String, Fingerprint),
    /// The manifests of each camera that no other one names, or why they can't be known.
    Manifests(Result<Vec<(CameraName, Vec<Newest>)>, String>),
    /// Objects that have come to the archive of late: this relay's own, and maybe others.
    Seen(Vec<String>),
    /// An object of another relay was there: what it says, and what it is to be listed as.
    Adopted(String, Vec<Change>, Option<Fingerprint>),
    /// An object was taken away on purpose.
    Gone(Removal),
    /// What a file holds, if anything.
    Read(String, CameraName, Option<Change>),
    /// Footage in the spool is no more.
    Lost(LostFile),
    /// All of the spool is no more.
    SpoolRenewed,
    /// A manifest in the spool is no more.
    LostManifest(String),
    /// Files and journals told this.
    Scanned(Vec<Change>),
    /// Whether all was there to be looked at.
    ScanEnded(bool),
    /// Something of the archive could not be had: it is looked for again.
    Unreached,
    /// Look at the flags.
    Wake,
}

/// An object that was taken away on purpose.
#[derive(Debug, Clone)]
pub(super) struct Removal {
    pub(super) object: String,
    /// One line for the manifest.
    pub(super) reason: String,
    /// It was damaged: its footage is missing from now on.
    pub(super) is_loss: bool,
}

/// Footage that never reached the archive.
#[derive(Debug, Clone)]
pub(super) struct LostFile {
    pub(super) camera: CameraName,
    pub(super) begin: CaptureTime,
    pub(super) end: CaptureTime,
    pub(super) spooled: PathBuf,
    pub(super) why: &'static str,
    /// To be removed once this is written down.
    pub(super) tombstone: Option<PathBuf>,
}

/// A file in the spool.
#[derive(Debug, Clone)]
pub(super) struct FileAt {
    pub(super) subject: Subject,
    pub(super) camera: CameraName,
    pub(super) begin: CaptureTime,
    pub(super) end: Option<CaptureTime>,
    pub(super) spooled: PathBuf,
}

/// Takes the archive's events to the ledger. It is there before the archive is opened, so that what
/// a repair publishes is not missed.
#[derive(Debug, Clone)]
pub struct LedgerFeed {
    sender: SyncSender<Message>,
    missed: Arc<AtomicBool>,
    events: LedgerEvents,
}

/// Where a [`LedgerFeed`] ends.
#[derive(Debug)]
pub struct LedgerInbox {
    pub(super) receiver: Receiver<Message>,
    pub(super) sender: SyncSender<Message>,
    /// An event of the archive did not fit.
    pub(super) missed: Arc<AtomicBool>,
    events: LedgerEvents,
}

impl LedgerFeed {
    /// A feed, and its end for [`Ledger::start`].
    #[must_use]
    pub fn new(events: &LedgerEvents) -> (Self, LedgerInbox) {
        let (sender, receiver) = sync_channel(MESSAGES_MAX);
        let missed = Arc::new(AtomicBool::new(false));
        let feed = Self {
            sender: sender.clone(),
            missed: Arc::clone(&missed),
            events: events.clone(),
        };
        let events = events.clone();
        let inbox = LedgerInbox {
            receiver,
            sender,
            missed,
            events,
        };
        (feed, inbox)
    }

    /// Notes what became of a file. Never waits.
    pub fn note(&self, event: &ArchiveEvent) {
        let file = |key: &ObjectKey, end: &Option<CaptureTime>, spooled: &PathBuf| {
            Some(FileAt {
                subject: Subject::of(&key.purpose, &key.extension)?,
                camera: key.camera.clone(),
                begin: key.begin,
                end: *end,
                spooled: spooled.clone(),
            })
        };
        let message = match event {
            ArchiveEvent::Deferred {
                key, end, spooled, ..
            } => file(key, end, spooled).map(Message::Waits),
            ArchiveEvent::Published {
                key,
                end,
                spooled,
                path,
                fingerprint,
            } => {
                let file = file(key, end, spooled);
                Some(Message::Published(path.clone(), *fingerprint, file))
            }
            ArchiveEvent::LetGo {
                key,
                end,
                spooled,
                tombstone,
                ..
            } => Some(Message::Lost(LostFile {
                camera: key.camera.clone(),
                begin: key.begin,
                end: *end,
                spooled: spooled.clone(),
                why: "the spool was full, and the oldest footage in it was let go",
                tombstone: Some(tombstone.clone()),
            })),
            ArchiveEvent::Lost {
                key,
                end: Some(end),
                spooled,
                ..
            } if key.purpose == FOOTAGE => Some(Message::Lost(LostFile {
                camera: key.camera.clone(),
                begin: key.begin,
                end: *end,
                spooled: spooled.clone(),
                why: "it was lost with the spool",
                tombstone: None,
            })),
            ArchiveEvent::Lost { key, .. } if key.purpose == MANIFESTS => {
                Some(Message::LostManifest(key.object_name()))
            }
            ArchiveEvent::SpoolRenewed(_) => Some(Message::SpoolRenewed),
            _ => None,
        };
        let Some(message) = message else { return };
        // What is published once the books are closed is found at the next start.
        if let Err(TrySendError::Full(_)) = self.sender.try_send(message) {
            self.missed.store(true, Ordering::Release);
            self.events.dropped();
        }
    }
}

/// The running ledger. Clones share it; with the last one it ends. No call waits.
#[derive(Debug, Clone)]
pub struct Ledger(Arc<Handle>);

#[derive(Debug)]
struct Handle {
    sender: SyncSender<Message>,
    /// The journals know what did not fit.
    missed: Arc<AtomicBool>,
    events: LedgerEvents,
    flags: Arc<Flags>,
}

#[derive(Debug, Default)]
pub(super) struct Flags {
    pub(super) ending: Arc<Ending>,
    /// Ends at once, as if killed.
    #[cfg(test)]
    pub(super) killed: AtomicBool,
}

impl Ledger {
    /// Starts the ledger's threads. No state of the catalog is an error.
    ///
    /// # Errors
    /// When a thread can't be started.
    pub fn start(
        inbox: LedgerInbox,
        archive: &Archive,
        options: LedgerOptions,
    ) -> std::io::Result<Self> {
        let LedgerInbox {
            receiver,
            sender,
            missed,
            events,
        } = inbox;
        let flags = Arc::new(Flags::default());
        let root = archive.store.archive.clone();
        let reader = Reader::start(archive, options.spool.clone(), sender.clone())?;
        let handle = Handle {
            sender,
            missed: Arc::clone(&missed),
            events: events.clone(),
            flags: Arc::clone(&flags),
        };
        let keeper = Keeper::new(
            archive.clone(),
            root,
            options,
            events,
            reader,
            receiver,
            (missed, Pulse::start()?),
        );
        std::thread::Builder::new()
            .name("ledger".to_owned())
            .spawn(move || {
                let _ended = Ended(Arc::clone(&flags.ending));
                keeper.run(&flags);
            })?;
        Ok(Self(Arc::new(handle)))
    }

    /// Tells why footage may be missing. The same camera, witness and begin again: takes its place.
    /// An end that is not after the begin withdraws it.
    pub fn tell(&self, evidence: Evidence) {
        self.0.send(Message::Tell(evidence));
    }

    /// Takes evidence back.
    pub fn withdraw(&self, camera: &CameraName, witness: Witness, begin: CaptureTime) {
        self.0
            .send(Message::Withdraw(camera.clone(), witness, begin));
    }

    /// Notes how well capture times are known, and how the camera's clock stands.
    pub fn clock(&self, camera: &CameraName, state: ClockState) {
        self.0.send(Message::Clock(camera.clone(), state));
    }

    /// Notes that from `at` on these cameras are in the configuration, and no others: those that are
    /// left out are not wanted any more.
    pub fn cameras(&self, cameras: Vec<(CameraName, SiteName)>, at: CaptureTime) {
        self.0.send(Message::Cameras(cameras, at));
    }

    /// Notes that an object (its path below the archive) was taken away on purpose, and why: it is
    /// not missing. What it held is the caller's to tell.
    pub fn gone(&self, object: &str, reason: &str) {
        self.remove(object, reason, false);
    }

    /// Notes that a damaged object was moved aside: its footage counts as missing by the storage.
    pub fn quarantined(&self, object: &str, reason: &str) {
        self.remove(object, reason, true);
    }

    fn remove(&self, object: &str, reason: &str, is_loss: bool) {
        self.0.send(Message::Gone(Removal {
            object: object.to_owned(),
            reason: reason.to_owned(),
            is_loss,
        }));
    }

    /// Has an object that no manifest lists written down, as found late.
    pub fn unlisted(&self, object: &str, fingerprint: Fingerprint) {
        self.0
            .send(Message::Unlisted(object.to_owned(), fingerprint));
    }

    /// Tells the catalog of files that go. Their journal has it already, durably.
    pub(in crate::archive) fn retire(&self, retired: Retired) {
        let message = Message::Scanned(vec![Change::Retired(retired)]);
        if self.0.sender.try_send(message).is_err() {
            self.0.missed.store(true, Ordering::Release);
            self.0.events.dropped();
        }
    }

    /// Ends it with the books closed; call it when no more footage is written. Whether that was
    /// done within `patience`.
    #[must_use]
    pub fn close(&self, patience: Duration) -> bool {
        self.0.flags.ending.ask();
        self.0.wait(patience)
    }

    /// Ends it as a kill would.
    #[cfg(test)]
    pub(super) fn kill(&self) {
        self.0.flags.killed.store(true, Ordering::Release);
        assert!(self.0.wait(Duration::from_secs(20)));
    }
}

impl Handle {
    fn send(&self, message: Message) {
        if self.sender.try_send(message).is_err() {
            self.events.dropped();
        }
    }

    fn wait(&self, patience: Duration) -> bool {
        // A full channel wakes it, too.
        self.sender.try_send(Message::Wake).ok();
        self.flags.ending.wait(patience)
    }
}

impl Drop for Handle {
    fn drop(&mut self) {
        self.flags.ending.ask();
        self.sender.try_send(Message::Wake).ok();
    }
}
