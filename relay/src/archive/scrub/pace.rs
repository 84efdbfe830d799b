//! Reading no faster than allowed.

use std::sync::{Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What may be caught up with after a pause, in time.
const BURST: Duration = Duration::from_secs(1);

/// Bounds how much is read in a time, and stops it.
#[derive(Debug)]
pub struct Pace {
    /// Bytes a second; 0: no bound.
    rate: u64,
    state: Mutex<State>,
    woken: Condvar,
}

#[derive(Debug)]
struct State {
    /// Until when what has been read would have lasted at that rate.
    until: Instant,
    stopped: bool,
}

impl Pace {
    /// So many bytes a second; 0: as fast as it goes.
    #[must_use]
    pub fn new(rate: u64) -> Self {
        Self {
            rate,
            state: Mutex::new(State {
                until: Instant::now(),
                stopped: false,
            }),
            woken: Condvar::new(),
        }
    }

    /// So many bytes were read: waits as long as they should have lasted. Whether to go on.
    pub fn spend(&self, bytes: u64) -> bool {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if self.rate > 0 {
            let lasts = Duration::from_secs_f64(bytes as f64 / self.rate as f64);
            let now = Instant::now();
            let earliest = now.checked_sub(BURST).unwrap_or(now);
            state.until = state.until.max(earliest) + lasts;
        }
        while !state.stopped {
            let left = state.until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            let Ok((woken, _)) = self.woken.wait_timeout(state, left) else {
                return false;
            };
            state = woken;
        }
        !state.stopped
    }

    /// Waits, unless it is stopped. Whether to go on.
    pub(super) fn rest(&self, time: Duration) -> bool {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let rested = self
            .woken
            .wait_timeout_while(state, time, |state| !state.stopped);
        rested.is_ok_and(|(state, _)| !state.stopped)
    }

    /// Ends what reads at this pace, for good.
    pub fn stop(&self) {
        self.state
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .stopped = true;
        self.woken.notify_all();
    }

    /// Whether it was stopped.
    #[must_use]
    pub fn is_stopped(&self) -> bool {
        self.state
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .stopped
    }
}
