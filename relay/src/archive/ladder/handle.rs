//! The handle on the ladder's thread.

use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use super::run::{Changed, Keeper, LadderOptions};
use crate::archive::Archive;
use crate::archive::ending::{Ended, Ending};
use crate::archive::ledger::Ledger;
use crate::telemetry::LadderEvents;

/// The running ladder; dropped, it ends.
#[derive(Debug)]
pub struct LadderHandle {
    ending: Arc<Ending>,
    waker: SyncSender<()>,
    changed: Changed,
}

impl LadderHandle {
    /// Starts its thread.
    ///
    /// # Errors
    /// When it can't be started.
    pub fn start(
        options: LadderOptions,
        archive: &Archive,
        ledger: &Ledger,
        events: LadderEvents,
    ) -> std::io::Result<Self> {
        let ending = Arc::new(Ending::default());
        let (waker, woken) = sync_channel(1);
        let disk = archive.disk();
        let changed = Changed::default();
        let options = (options, Arc::clone(&changed));
        let mut keeper = Keeper::new(options, disk, archive, ledger, events);
        let ended = Ended(Arc::clone(&ending));
        std::thread::Builder::new()
            .name("ladder".to_owned())
            .spawn(move || keeper.run(&ended.0, &woken))?;
        Ok(Self {
            ending,
            waker,
            changed,
        })
    }

    /// Has it go by other rules, from its next step on.
    pub fn change(&self, options: LadderOptions) {
        *self.changed.lock().unwrap_or_else(PoisonError::into_inner) = Some(options);
        self.waker.try_send(()).ok();
    }

    /// Ends it after its present step; whether that was within `patience`.
    #[must_use]
    pub fn close(&self, patience: Duration) -> bool {
        self.ask();
        self.ending.wait(patience)
    }

    /// Asks it to end after its present step.
    pub fn ask(&self) {
        self.ending.ask();
        // A full channel wakes it, too.
        self.waker.try_send(()).ok();
    }
}

impl Drop for LadderHandle {
    fn drop(&mut self) {
        self.ask();
    }
}
