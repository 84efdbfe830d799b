//! How long a call has kept the sandbox busy. Waiting for the disk is not the plugin's doing and
//! is counted apart: a hung disk must not look like a hung plugin.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Shared by the sandbox, the code that calls into it, and the epoch callback. One call at a time.
#[derive(Debug)]
pub(super) struct CallClock {
    origin: Instant,
    /// Nanoseconds after `origin`; of the call going on.
    began: AtomicU64,
    waited: AtomicU64,
    /// When the present wait began; 0: not waiting.
    waiting_since: AtomicU64,
}

impl CallClock {
    pub(super) fn new() -> Self {
        Self {
            origin: Instant::now(),
            began: AtomicU64::new(0),
            waited: AtomicU64::new(0),
            waiting_since: AtomicU64::new(0),
        }
    }

    fn now(&self) -> u64 {
        // 584 years; never 0, which means "not waiting".
        u64::try_from(self.origin.elapsed().as_nanos())
            .unwrap_or(u64::MAX)
            .max(1)
    }

    pub(super) fn begin(&self) {
        self.waited.store(0, Ordering::Relaxed);
        self.waiting_since.store(0, Ordering::Relaxed);
        self.began.store(self.now(), Ordering::Relaxed);
    }

    /// Time busy and time waiting for the disk since the call began.
    pub(super) fn read(&self) -> (Duration, Duration) {
        let now = self.now();
        let since = self.waiting_since.load(Ordering::Relaxed);
        let waiting = if since == 0 {
            0
        } else {
            now.saturating_sub(since)
        };
        let waited = self.waited.load(Ordering::Relaxed).saturating_add(waiting);
        let total = now.saturating_sub(self.began.load(Ordering::Relaxed));
        (
            Duration::from_nanos(total.saturating_sub(waited)),
            Duration::from_nanos(waited),
        )
    }

    /// Counts the time until the guard is dropped as waiting.
    pub(super) fn wait(&self) -> WaitGuard<'_> {
        self.waiting_since.store(self.now(), Ordering::Relaxed);
        WaitGuard(self)
    }
}

#[derive(Debug)]
pub(super) struct WaitGuard<'a>(&'a CallClock);

impl Drop for WaitGuard<'_> {
    fn drop(&mut self) {
        let since = self.0.waiting_since.swap(0, Ordering::Relaxed);
        if since != 0 {
            self.0
                .waited
                .fetch_add(self.0.now().saturating_sub(since), Ordering::Relaxed);
        }
    }
}
