//! The end of a thread that serves handles.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

/// Asks a thread to end, and waits for that.
#[derive(Debug, Default)]
pub(super) struct Ending {
    asked: AtomicBool,
    ended: Mutex<bool>,
    woken: Condvar,
}

impl Ending {
    /// Asks. The thread must be woken beside.
    pub(super) fn ask(&self) {
        self.asked.store(true, Ordering::Release);
    }

    /// Whether the thread is to end.
    pub(super) fn is_asked(&self) -> bool {
        self.asked.load(Ordering::Acquire)
    }

    /// Whether the thread ended within `patience`.
    pub(super) fn wait(&self, patience: Duration) -> bool {
        let ended = self.ended.lock().unwrap_or_else(PoisonError::into_inner);
        let waited = self
            .woken
            .wait_timeout_while(ended, patience, |ended| !*ended);
        waited.is_ok_and(|(ended, _)| *ended)
    }
}

/// Kept by the thread: tells its end, also by a panic.
pub(super) struct Ended(pub(super) Arc<Ending>);

impl Drop for Ended {
    fn drop(&mut self) {
        *self.0.ended.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.0.woken.notify_all();
    }
}
