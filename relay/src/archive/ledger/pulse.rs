//! Notices that all of the relay stood still: it was stopped, or its machine was.
//!
//! The ledger's own thread can't tell that from a disk that hangs, and a disk is another cause. This
//! one waits for nothing but time.

use std::io;
use std::sync::{Arc, Mutex, Weak};
use std::time::{Duration, Instant};

use super::Span;
use crate::archive::store::locked;
use crate::units::CaptureTime;

const PERIOD: Duration = Duration::from_millis(500);
/// No load of a machine holds up a thread that has nothing to do for so long.
const STILL_MIN: Duration = Duration::from_secs(5);

/// Beats as long as it lives.
#[derive(Debug)]
pub(super) struct Pulse(Arc<Mutex<Beats>>);

#[derive(Debug)]
struct Beats {
    last: (Instant, CaptureTime),
    /// What has not been asked for yet.
    still: Option<Span>,
}

impl Beats {
    fn beat(&mut self) {
        let now = (Instant::now(), CaptureTime::now());
        if now.0.duration_since(self.last.0) >= STILL_MIN {
            let begin = self.still.map_or(self.last.1, |still| still.begin);
            self.still = Span::new(begin, now.1).or(self.still);
        }
        self.last = now;
    }
}

impl Pulse {
    /// # Errors
    /// When the thread can't be started.
    pub(super) fn start() -> io::Result<Self> {
        let pulse = Self(Arc::new(Mutex::new(Beats {
            last: (Instant::now(), CaptureTime::now()),
            still: None,
        })));
        let beats: Weak<_> = Arc::downgrade(&pulse.0);
        std::thread::Builder::new()
            .name("ledger-pulse".to_owned())
            .spawn(move || {
                while let Some(beats) = beats.upgrade() {
                    locked(&beats).beat();
                    drop(beats);
                    std::thread::sleep(PERIOD);
                }
            })?;
        Ok(pulse)
    }

    /// From when to when the relay stood still, if it has since this was asked last.
    pub(super) fn stood_still(&self) -> Option<Span> {
        let mut beats = locked(&self.0);
        // Whoever asks first after it goes on is not always the other thread.
        beats.beat();
        beats.still.take()
    }

    #[cfg(test)]
    pub(super) fn set_back(&self, by: Duration) {
        let mut beats = locked(&self.0);
        let (at, time) = beats.last;
        let nanos = i64::try_from(by.as_nanos()).unwrap();
        beats.last = (
            at - by,
            CaptureTime::from_unix_nanos(time.unix_nanos() - nanos),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_tells_once_from_when_to_when() {
        let pulse = Pulse::start().unwrap();
        assert_eq!(pulse.stood_still(), None);
        let before = CaptureTime::now();
        pulse.set_back(Duration::from_secs(20));
        let still = pulse.stood_still().unwrap();
        let seconds = (still.end.unix_nanos() - still.begin.unix_nanos()) as f64 / 1e9;
        assert!((20.0..25.0).contains(&seconds), "{still:?}");
        assert!(still.end >= before);
        assert_eq!(pulse.stood_still(), None);
    }
}
