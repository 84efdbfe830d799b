//! How long the machine itself keeps a thread waiting, measured beside a test.

use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// From wake to wake.
const TICK: Duration = Duration::from_millis(10);

/// A thread that has nothing to do but to wake up in time. What it is late by, any other thread may
/// be late by as well, whatever program it is of: a test that judges a delay adds this to what is
/// promised, or it would judge the machine. Ends when dropped.
#[derive(Debug)]
pub struct Strain {
    stop: Sender<()>,
    thread: JoinHandle<Duration>,
}

impl Strain {
    /// Measures from now on.
    #[must_use]
    pub fn measure() -> Self {
        let (stop, stopped) = mpsc::channel();
        let thread = thread::spawn(move || {
            let mut worst = Duration::ZERO;
            loop {
                let asleep = Instant::now();
                if stopped.recv_timeout(TICK) != Err(RecvTimeoutError::Timeout) {
                    return worst;
                }
                worst = worst.max(asleep.elapsed().saturating_sub(TICK));
            }
        });
        Self { stop, thread }
    }

    /// The longest that it was late by.
    #[must_use]
    pub fn end(self) -> Duration {
        drop(self.stop);
        self.thread.join().unwrap()
    }
}
