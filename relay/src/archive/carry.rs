//! The thread that carries finished objects from the spool to the archive, the oldest first.
//!
//! It alone waits for the archive, which may be away for days or answer never again. What it does can
//! be cut off anywhere and done again: a copy is made anew, an object that is there already is found.

use std::hash::{BuildHasher as _, RandomState};
use std::time::{Duration, Instant};

use super::ArchiveEvent;
use super::away::AwayReason;
use super::store::{Store, locked};
use super::worker::RETRY_FIRST;

const RETRY_MAX: Duration = Duration::from_secs(60);
/// An archive that nothing is to be carried to is looked at, too: so soon after it has come back the
/// thread goes on.
const LOOK_PERIOD: Duration = Duration::from_secs(5);
/// And not for each object anew.
const LOOK_REST: Duration = Duration::from_secs(1);

/// Pauses after failures: doubled each time, and never quite the same, so that relays that share an
/// archive do not come back to it all at once.
#[derive(Debug)]
pub(super) struct BackOff {
    pause: Duration,
    at: Option<Instant>,
}

impl Default for BackOff {
    fn default() -> Self {
        Self {
            pause: RETRY_FIRST,
            at: None,
        }
    }
}

impl BackOff {
    pub(super) fn pause(&self) -> Duration {
        self.pause
    }

    pub(super) fn failed(&mut self) {
        // Three quarters to five quarters.
        let dice = RandomState::new().hash_one(0_u8) >> 32;
        let share = 0.75 + 0.5 * dice as f64 / f64::from(u32::MAX);
        self.at = Some(Instant::now() + self.pause.mul_f64(share));
        self.pause = (self.pause * 2).min(RETRY_MAX);
    }

    /// None: nothing waits for a retry.
    pub(super) fn left(&self) -> Option<Duration> {
        let at = self.at?;
        Some(at.saturating_duration_since(Instant::now()))
    }

    pub(super) fn is_resting(&self) -> bool {
        self.left().is_some_and(|left| !left.is_zero())
    }
}

impl Store {
    /// Looks for the archive; whether it is there.
    fn look(&self) -> bool {
        self.asks();
        let looked = self.probe();
        self.answered();
        let Err(error) = looked else { return true };
        let reason = match error.source.kind() {
            std::io::ErrorKind::NotFound => AwayReason::Absent,
            _ => AwayReason::Refuses,
        };
        self.found(Some((reason, error.line())));
        false
    }

    /// Waits for something to do; whether the relay ends.
    fn await_work(&self, back_off: &BackOff) -> bool {
        let begun = Instant::now();
        let mut wake = locked(&self.wake);
        loop {
            if wake.closing && wake.settled || wake.hurry {
                break;
            }
            if wake.ready && wake.work && !wake.closing && !back_off.is_resting() {
                break;
            }
            let to_look = LOOK_PERIOD.saturating_sub(begun.elapsed());
            let left = back_off.left().map_or(to_look, |left| left.min(to_look));
            if left.is_zero() && !wake.closing {
                break;
            }
            // At the end what is being settled is waited for: it is carried, too.
            let left = if wake.closing { LOOK_PERIOD } else { left };
            match self.woken.wait_timeout(wake, left) {
                Ok((woken, _)) => wake = woken,
                Err(_) => return true,
            }
        }
        wake.closing
    }
}

/// The thread.
pub(super) fn carry(store: &Store) {
    let mut is_there = store.look();
    let mut looked = Instant::now();
    locked(&store.wake).probed = true;
    store.woken.notify_all();
    let mut cursor = None;
    let mut back_off = BackOff::default();
    loop {
        let closing = store.await_work(&back_off);
        let is_hurried = {
            let mut wake = locked(&store.wake);
            // As long as it rests, what has come stays to be done.
            wake.work &= !closing && back_off.is_resting();
            wake.hurry
        };
        if is_hurried {
            return;
        }
        let was_there = is_there;
        if !is_there || looked.elapsed() >= LOOK_REST {
            is_there = store.look();
            looked = Instant::now();
        }
        if !is_there {
            if closing {
                return;
            }
            back_off.failed();
            continue;
        }
        if was_there && back_off.is_resting() && !closing {
            continue;
        }
        if !locked(&store.wake).ready {
            continue;
        }
        let stop = || locked(&store.wake).hurry;
        let failed;
        let mut more = false;
        match store.carry(&mut cursor, back_off.pause(), &stop) {
            Ok(round) => {
                failed = round.failed > 0;
                more = round.more && !failed;
                if round.published > 0 && store.disk.is_far(&store.archive) {
                    // It fails now and then, and its round ends with the first failure.
                    back_off = BackOff::default();
                }
                match round.refused {
                    Some(away) if round.published == 0 => store.found(Some(away)),
                    _ => store.found(None),
                }
            }
            Err(error) => {
                failed = true;
                store.tell(ArchiveEvent::PublishFailed {
                    path: error.path.clone(),
                    error: error.line(),
                    retry_in: Some(back_off.pause()),
                });
            }
        }
        if closing && !more {
            return;
        }
        if more {
            locked(&store.wake).work = true;
        }
        if failed {
            back_off.failed();
        } else {
            back_off = BackOff::default();
        }
    }
}

/// The thread that repairs and finishes what writers left behind. It asks nothing of the archive,
/// unless that shares the spool's file system.
pub(super) fn settle(store: &Store) {
    let _settled = Settled(store);
    let mut back_off = BackOff::default();
    loop {
        let mut wake = locked(&store.wake);
        while !(wake.closing || wake.ready && wake.handed) {
            let left = back_off.left();
            if left == Some(Duration::ZERO) {
                break;
            }
            match store.woken.wait_timeout(wake, left.unwrap_or(RETRY_MAX)) {
                Ok((woken, _)) => wake = woken,
                Err(_) => return,
            }
        }
        let closing = wake.closing;
        wake.handed = false;
        drop(wake);
        if store.settle_handed(back_off.pause()) > 0 {
            back_off.failed();
        } else {
            back_off = BackOff::default();
        }
        if closing {
            return;
        }
    }
}

/// Tells that nothing more comes to be carried.
struct Settled<'a>(&'a Store);

impl Drop for Settled<'_> {
    fn drop(&mut self) {
        locked(&self.0.wake).settled = true;
        self.0.woken.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_and_differ() {
        let mut back_off = BackOff::default();
        let mut all = Vec::new();
        for _ in 0..8 {
            let pause = back_off.pause();
            back_off.failed();
            let left = back_off.left().unwrap();
            assert!(
                left > pause.mul_f64(0.7) && left <= pause.mul_f64(1.25),
                "{pause:?} {left:?}"
            );
            assert!(back_off.is_resting());
            all.push(pause);
        }
        assert_eq!(all.first(), Some(&RETRY_FIRST));
        assert_eq!(all.last(), Some(&RETRY_MAX));
    }
}
