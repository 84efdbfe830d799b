//! Work on several threads whose results come in order, with a bound for what waits; and how far it is.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::LapseError;

/// Results of one thread that may wait.
const AHEAD: usize = 3;

struct Desk<T> {
    /// The next piece to begin with.
    next: usize,
    /// All before it have been taken.
    taken: usize,
    ready: BTreeMap<usize, Option<T>>,
    closed: bool,
}

struct Shared<T> {
    desk: Mutex<Desk<T>>,
    changed: Condvar,
}

impl<T> Shared<T> {
    fn lock(&self) -> MutexGuard<'_, Desk<T>> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Does pieces `from..count` on `jobs` threads, and hands the results over in order on this one.
///
/// # Errors
/// That of `take`, [`LapseError::Interrupted`] after `stop`, [`LapseError::Defect`] after a panic.
pub(super) fn ordered<T: Send>(
    jobs: usize,
    (from, count): (usize, usize),
    stop: &(dyn Fn() -> bool + Sync),
    work: &(dyn Fn(usize) -> T + Sync),
    mut take: impl FnMut(usize, T) -> Result<(), LapseError>,
) -> Result<(), LapseError> {
    let jobs = jobs.max(1);
    let shared = Shared {
        desk: Mutex::new(Desk {
            next: from,
            taken: from,
            ready: BTreeMap::new(),
            closed: false,
        }),
        changed: Condvar::new(),
    };
    let worker = || {
        loop {
            let piece = {
                let mut desk = shared.lock();
                loop {
                    if desk.closed || desk.next >= count {
                        return;
                    }
                    if desk.next < desk.taken + AHEAD * jobs {
                        break;
                    }
                    desk = shared
                        .changed
                        .wait(desk)
                        .unwrap_or_else(PoisonError::into_inner);
                }
                desk.next += 1;
                desk.next - 1
            };
            let result = catch_unwind(AssertUnwindSafe(|| work(piece))).ok();
            shared.lock().ready.insert(piece, result);
            shared.changed.notify_all();
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..jobs.min(count.saturating_sub(from)) {
            scope.spawn(worker);
        }
        let mut outcome = Ok(());
        for piece in from..count {
            let result = {
                let mut desk = shared.lock();
                loop {
                    if let Some(result) = desk.ready.remove(&piece) {
                        break Some(result);
                    }
                    if stop() {
                        break None;
                    }
                    let wait = shared
                        .changed
                        .wait_timeout(desk, Duration::from_millis(200));
                    desk = wait.unwrap_or_else(PoisonError::into_inner).0;
                }
            };
            outcome = match result {
                None => Err(LapseError::Interrupted),
                Some(None) => Err(LapseError::Defect(piece)),
                Some(Some(result)) => take(piece, result),
            };
            let mut desk = shared.lock();
            desk.taken = piece + 1;
            if outcome.is_err() || stop() {
                outcome = outcome.and(if piece + 1 < count && stop() {
                    Err(LapseError::Interrupted)
                } else {
                    Ok(())
                });
                desk.closed = outcome.is_err();
            }
            drop(desk);
            shared.changed.notify_all();
            if outcome.is_err() {
                break;
            }
        }
        outcome
    })
}

/// What is being done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Candidates are looked at.
    Survey,
    /// Brightness and position of the chosen frames are measured.
    Measure,
    /// Frames are made and coded.
    Render,
    /// Key frames are copied as they were recorded.
    Copy,
}

impl Stage {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Survey => "looking at candidates",
            Self::Measure => "measuring",
            Self::Render => "making frames",
            Self::Copy => "copying key frames",
        }
    }
}

/// How far it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// With what.
    pub stage: Stage,
    /// Pieces done.
    pub done: usize,
    /// Pieces in all.
    pub of: usize,
    /// Time left for this and all that follows, where it can be told.
    pub left: Option<Duration>,
}

/// Tells of progress, at most twice a second.
pub(super) struct Teller<'a> {
    tell: &'a dyn Fn(&Progress),
    stage: Stage,
    of: usize,
    begun: Instant,
    skipped: usize,
    told: Option<Instant>,
    /// What the stages behind this one will take.
    behind: Duration,
}

impl<'a> Teller<'a> {
    /// `skipped`: pieces that were done by an earlier run.
    pub(super) fn new(
        tell: &'a dyn Fn(&Progress),
        stage: Stage,
        (skipped, of): (usize, usize),
        behind: Duration,
    ) -> Self {
        Self {
            tell,
            stage,
            of,
            begun: Instant::now(),
            skipped,
            told: None,
            behind,
        }
    }

    pub(super) fn done(&mut self, done: usize) {
        let now = Instant::now();
        let soon = self
            .told
            .is_some_and(|told| now - told < Duration::from_millis(500));
        if soon && done < self.of {
            return;
        }
        self.told = Some(now);
        let fresh = done.saturating_sub(self.skipped);
        let left = (fresh > 0).then(|| {
            let each = self.begun.elapsed().as_secs_f64() / fresh as f64;
            Duration::from_secs_f64(each * self.of.saturating_sub(done) as f64) + self.behind
        });
        (self.tell)(&Progress {
            stage: self.stage,
            done,
            of: self.of,
            left,
        });
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

    use super::*;

    #[test]
    fn results_come_in_order_and_few_wait() {
        let (begun, taken) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let most = AtomicUsize::new(0);
        let work = |piece: usize| {
            let ahead = (begun.fetch_add(1, Ordering::SeqCst) + 1)
                .saturating_sub(taken.load(Ordering::SeqCst));
            most.fetch_max(ahead, Ordering::SeqCst);
            piece * 2
        };
        let mut expected = 5;
        ordered(4, (5, 300), &|| false, &work, |piece, double| {
            assert_eq!((piece, double), (expected, 2 * expected));
            expected += 1;
            taken.fetch_add(1, Ordering::SeqCst);
            Ok(())
        })
        .unwrap();
        assert_eq!(expected, 300);
        assert!(most.load(Ordering::SeqCst) <= AHEAD * 4 + 1);
    }

    #[test]
    fn a_panic_a_stop_and_a_fault_end_it() {
        let hook = std::panic::take_hook();
        std::panic::set_hook(Box::new(|_| {}));
        let broken = ordered(
            2,
            (0, 50),
            &|| false,
            &|piece| assert!(piece != 9),
            |_, ()| Ok(()),
        );
        std::panic::set_hook(hook);
        assert!(matches!(broken, Err(LapseError::Defect(9))));
        let stop = AtomicBool::new(false);
        let stopped = ordered(
            2,
            (0, 50),
            &|| stop.load(Ordering::SeqCst),
            &|piece| piece,
            |piece, _| {
                stop.store(piece == 7, Ordering::SeqCst);
                Ok(())
            },
        );
        assert!(matches!(stopped, Err(LapseError::Interrupted)));
        let fault = ordered(
            3,
            (0, 50),
            &|| false,
            &|piece| piece,
            |piece, _| match piece {
                20 => Err(LapseError::NotNear(20)),
                _ => Ok(()),
            },
        );
        assert!(matches!(fault, Err(LapseError::NotNear(20))));
        ordered(3, (4, 4), &|| false, &|piece| piece, |_, _| Ok(())).unwrap();
    }
}
