//! The handle that never waits, and the thread that writes.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

use super::line::Line;
use super::{Finding, PURPOSE};
use crate::archive::Archive;
use crate::archive::ending::{Ended, Ending};
use crate::archive::jsonl::Lines;
use crate::telemetry::{FindingDrop, FindingsEvents};
use crate::units::{CameraName, CaptureTime};

/// Findings that wait for the thread, some 400 bytes each.
const WAITING_MAX: usize = 8192;
/// Findings that are taken between two writes.
const BATCH: usize = 1024;
const TICK: Duration = Duration::from_secs(1);
/// A file is handed in to the archive after this.
const OPEN_MAX: Duration = Duration::from_secs(3600);
/// A capture time further from now is an error of whoever tells it: memory reaches back minutes.
/// It also bounds the days, and so the files, that are written at a time.
const DISTANCE_MAX_NANOS: i64 = 24 * 3600 * 1_000_000_000;

enum Message {
    Note(CameraName, Finding),
    /// Look whether to end.
    Wake,
}

/// Takes findings to the archive and to the metrics. Clones share it; with the last one its thread
/// ends. No call waits.
#[derive(Debug, Clone)]
pub struct FindingsHandle(Arc<Handle>);

#[derive(Debug)]
struct Handle {
    sender: SyncSender<Message>,
    events: FindingsEvents,
    ending: Arc<Ending>,
}

impl FindingsHandle {
    /// Starts the thread that writes.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start(archive: &Archive, events: FindingsEvents) -> std::io::Result<Self> {
        let (sender, inbox) = sync_channel(WAITING_MAX);
        let ending = Arc::new(Ending::default());
        let writer = Writer {
            lines: Lines::new(archive.clone(), PURPOSE, OPEN_MAX),
            events: events.clone(),
            inbox,
        };
        let ended = Ended(Arc::clone(&ending));
        std::thread::Builder::new()
            .name("findings".to_owned())
            .spawn(move || writer.run(&ended.0))?;
        Ok(Self(Arc::new(Handle {
            sender,
            events,
            ending,
        })))
    }

    /// Takes a finding. One that is not as `wit/findings.wit` allows, or of an instant more than a
    /// day from now, is dropped and counted, and so is one for which there is no room.
    ///
    /// Kinds become metric labels: the caller bounds their number.
    pub fn note(&self, camera: &CameraName, finding: Finding) {
        let events = &self.0.events;
        let now = CaptureTime::now().unix_nanos();
        let distance = finding.at.unix_nanos().saturating_sub(now);
        let wrong = if !finding.is_sound() {
            Some(FindingDrop::Invalid)
        } else if distance.saturating_abs() > DISTANCE_MAX_NANOS {
            Some(FindingDrop::Instant)
        } else {
            None
        };
        if let Some(reason) = wrong {
            events.dropped(camera, &finding.sink, reason, 1);
            return;
        }
        events.noted(camera, &finding);
        let sent = self
            .0
            .sender
            .try_send(Message::Note(camera.clone(), finding));
        if let Err(
            TrySendError::Full(Message::Note(camera, finding))
            | TrySendError::Disconnected(Message::Note(camera, finding)),
        ) = sent
        {
            events.dropped(&camera, &finding.sink, FindingDrop::Busy, 1);
        }
    }

    /// Shows a finding's score in the metrics and no more: it is not to be kept.
    pub fn observe(&self, camera: &CameraName, finding: &Finding) {
        if finding.is_sound() {
            self.0.events.score(camera, finding);
        }
    }

    /// Ends it with everything handed to the archive; call it when no sink runs any more. Whether
    /// that was done within `patience`.
    #[must_use]
    pub fn close(&self, patience: Duration) -> bool {
        self.0.ending.ask();
        self.0.wake();
        self.0.ending.wait(patience)
    }
}

impl Handle {
    fn wake(&self) {
        // A full channel wakes it, too.
        self.sender.try_send(Message::Wake).ok();
    }
}

impl Drop for Handle {
    fn drop(&mut self) {
        self.ending.ask();
        self.wake();
    }
}

struct Writer {
    lines: Lines,
    events: FindingsEvents,
    inbox: Receiver<Message>,
}

impl Writer {
    fn run(mut self, ending: &Ending) {
        loop {
            match self.inbox.recv_timeout(TICK) {
                Ok(message) => {
                    self.take(message);
                    self.drain(BATCH);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => ending.ask(),
            }
            if ending.is_asked() {
                self.drain(WAITING_MAX);
                for refused in self.lines.finish() {
                    self.events.failed(&refused.camera, &refused.error);
                }
                return;
            }
            for refused in self.lines.append() {
                self.events.failed(&refused.camera, &refused.error);
            }
        }
    }

    fn drain(&mut self, number: usize) {
        for message in self.inbox.try_iter().take(number).collect::<Vec<_>>() {
            self.take(message);
        }
    }

    fn take(&mut self, message: Message) {
        let Message::Note(camera, finding) = message else {
            return;
        };
        let line = Line::from(&finding);
        if !self.lines.write(&camera, finding.at, &line) {
            let events = &self.events;
            events.dropped(&camera, &finding.sink, FindingDrop::Storage, 1);
        }
    }
}

#[cfg(test)]
#[path = "run_tests.rs"]
mod tests;
