//! A lease at work: one thread reads and renews it, another one looks at the clock.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::watch;

use super::board::Board;
use super::contest::{Act, Contest, Moment, Outcome, Timing};
use super::file::SharedFile;
use super::{LeaseAt, LeaseError, identity};
use crate::archive::{Disk as _, DiskFile, RealDisk};
use crate::commands::exit;
use crate::telemetry::LeaseEvents;

/// How often the clock is looked at.
const WATCH: Duration = Duration::from_millis(100);

/// How a contender stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tenure {
    /// Another one holds the lease, or nobody yet.
    Waiting,
    /// It is ours.
    Holding {
        /// Counts changes of the holder.
        epoch: u64,
    },
    /// It was ours: all work is to end.
    Lost,
}

/// A relay's part in a lease. Dropped, it is given back, if there is time for that.
#[derive(Debug)]
pub struct Lease {
    shared: Arc<Shared>,
    tenure: watch::Receiver<Tenure>,
    /// Two processes with one spool would be one contender.
    _lock: Box<dyn DiskFile>,
}

#[derive(Debug)]
struct Shared {
    contest: Mutex<Contest>,
    tenure: watch::Sender<Tenure>,
    /// Nothing more is done in its name: it may be given back.
    over: AtomicBool,
    /// The thread that renews has ended.
    ended: Mutex<bool>,
    woken: Condvar,
    events: LeaseEvents,
}

impl Lease {
    /// Begins to contend.
    ///
    /// # Errors
    /// When another process contends with this spool, there is no cluster, or a thread can't start.
    pub fn start(at: &LeaseAt, spool: &Path, events: LeaseEvents) -> Result<Self, LeaseError> {
        let fail = |source| LeaseError::Spool {
            path: spool.to_owned(),
            source,
        };
        let spooled = identity(spool).map_err(fail)?;
        let lock = match RealDisk.lock(&spool.join("lease.lock")) {
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                return Err(LeaseError::Taken(spool.to_owned()));
            }
            lock => lock.map_err(fail)?,
        };
        let timing = Timing::default();
        let (me, board): (String, Box<dyn Board>) = match at {
            LeaseAt::File(path) => {
                let board = SharedFile::new(path, &spooled, timing);
                (spooled, Box::new(board))
            }
            #[cfg(feature = "kubernetes")]
            LeaseAt::Kubernetes(name) => {
                let mut account =
                    super::kubernetes::Account::of_pod().map_err(LeaseError::Cluster)?;
                // A pod of the same name on another node is another one: this one may still run there.
                if let Some((_, spool)) = spooled.rsplit_once('/') {
                    account.pod = format!("{}/{spool}", account.pod);
                }
                let board = super::kubernetes::Cluster::new(&account, name, timing);
                let board = board.map_err(LeaseError::Cluster)?;
                (account.pod, Box::new(board))
            }
            #[cfg(not(feature = "kubernetes"))]
            LeaseAt::Kubernetes(_) => {
                return Err(LeaseError::Cluster("this build has none".to_owned()));
            }
        };
        let (sender, tenure) = watch::channel(Tenure::Waiting);
        let shared = Arc::new(Shared {
            contest: Mutex::new(Contest::new(&me, timing, Moment::now())),
            tenure: sender,
            over: AtomicBool::new(false),
            ended: Mutex::new(false),
            woken: Condvar::new(),
            events,
        });
        tracing::info!(lease = %at, me, "contending for the lease");
        let for_worker = Arc::clone(&shared);
        spawn("lease", move || work(&for_worker, board))?;
        let for_watch = Arc::clone(&shared);
        spawn("lease-watch", move || keep_watch(&for_watch))?;
        let lease = Self {
            shared,
            tenure,
            _lock: lock,
        };
        Ok(lease)
    }

    /// Waits until it is ours; gives the epoch. Cancel-safe.
    pub async fn held(&mut self) -> u64 {
        let held = |tenure: &Tenure| matches!(tenure, Tenure::Holding { .. } | Tenure::Lost);
        match self.tenure.wait_for(held).await.as_deref() {
            Ok(Tenure::Holding { epoch }) => *epoch,
            // Lost before anybody began: whoever began would stop at once.
            _ => 0,
        }
    }

    /// Waits until it is lost. Cancel-safe.
    pub async fn lost(&mut self) {
        let lost = self.tenure.wait_for(|tenure| *tenure == Tenure::Lost).await;
        drop(lost);
    }

    /// Whether it was ours and is not any more.
    #[must_use]
    pub fn is_lost(&self) -> bool {
        *self.tenure.borrow() == Tenure::Lost
    }

    /// Gives it back, so that another one need not wait. Call it when nothing more is done in its
    /// name. Whether that was done within `patience`.
    #[must_use]
    pub fn release(&self, patience: Duration) -> bool {
        self.shared.end();
        let ended = locked(&self.shared.ended);
        let waited = self
            .shared
            .woken
            .wait_timeout_while(ended, patience, |ended| !*ended);
        waited.is_ok_and(|(_, timeout)| !timeout.timed_out())
    }
}

impl Shared {
    /// Under the lock that the thread looks under before it rests: or it would sleep past this.
    fn end(&self) {
        let ended = locked(&self.ended);
        self.over.store(true, Ordering::Release);
        drop(ended);
        self.woken.notify_all();
    }
}

impl Drop for Lease {
    fn drop(&mut self) {
        self.shared.end();
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> Result<(), LeaseError> {
    let builder = std::thread::Builder::new().name(name.to_owned());
    builder.spawn(work).map(drop).map_err(LeaseError::Thread)
}

/// Reads and renews the lease: the one thread that may hang in it.
fn work(shared: &Shared, mut board: Box<dyn Board>) {
    while !shared.over.load(Ordering::Acquire) {
        let act = locked(&shared.contest).next(Moment::now());
        let begun = Moment::now();
        match act {
            Act::Over => break,
            Act::Rest(until) => {
                let rest = until.since(Moment::now());
                let ended = locked(&shared.ended);
                let over = || shared.over.load(Ordering::Acquire);
                drop(shared.woken.wait_timeout_while(ended, rest, |_| !over()));
            }
            Act::Look => {
                let looked = board.look();
                let ended = Moment::now();
                let mut contest = locked(&shared.contest);
                match looked {
                    Ok(sight) => contest.looked(begun, ended, sight),
                    Err(words) => {
                        contest.failed(ended);
                        shared.events.failed("read", &words);
                    }
                }
            }
            Act::Claim(over) => {
                let claimed = board.claim(over.as_ref());
                let outcome = shared.understood("take", claimed);
                let mut contest = locked(&shared.contest);
                let silent = contest.renewed_at().map(|at| Moment::now().since(at));
                let before = over.and_then(|sight| sight.holder);
                contest.claimed(begun, Moment::now(), &outcome);
                if let Some(epoch) = contest.holds() {
                    shared.events.taken(epoch, before.as_deref(), silent);
                }
            }
            Act::Renew(epoch) => {
                let renewed = board.renew(epoch);
                let outcome = shared.understood("renew", renewed);
                locked(&shared.contest).renewed(begun, Moment::now(), &outcome);
            }
        }
        shared.publish();
    }
    let held = locked(&shared.contest).holds();
    if let Some(epoch) = held.filter(|_| shared.over.load(Ordering::Acquire)) {
        match board.release(epoch) {
            Ok(()) => shared.events.released(epoch),
            Err(words) => shared.events.failed("give back", &words),
        }
    }
    *locked(&shared.ended) = true;
    shared.woken.notify_all();
}

/// Sees to it that a lease that can't be renewed is given up in time, also where the thread that
/// renews it hangs; and that the process ends in time, whatever else hangs.
fn keep_watch(shared: &Shared) {
    let mut told = None;
    let mut changes = 0;
    let begun = Moment::now();
    while !shared.over.load(Ordering::Acquire) {
        let now = Moment::now();
        let (end, is_lost) = {
            let mut contest = locked(&shared.contest);
            contest.check(now);
            let age = now.since(contest.renewed_at().unwrap_or(begun));
            shared
                .events
                .state(contest.holds().is_some(), contest.epoch(), age);
            while changes < contest.changes() {
                changes += 1;
                shared.events.changed();
            }
            if contest.holds().is_none() && contest.holder() != told.as_deref() {
                told = contest.holder().map(ToOwned::to_owned);
                shared.events.waits(contest.holder(), contest.epoch());
            }
            (contest.end(), contest.is_lost())
        };
        shared.publish();
        if is_lost && end.is_some_and(|end| now >= end) {
            shared.events.ended_by_force();
            // The last words are on their way to a log.
            std::thread::sleep(WATCH);
            std::process::exit(exit::TRY_LATER.into());
        }
        std::thread::sleep(WATCH);
    }
}

impl Shared {
    fn publish(&self) {
        let contest = locked(&self.contest);
        let tenure = match (contest.holds(), contest.is_lost()) {
            (Some(epoch), _) => Tenure::Holding { epoch },
            (None, true) => Tenure::Lost,
            (None, false) => Tenure::Waiting,
        };
        let is_new = self.tenure.send_if_modified(|before| {
            let is_new = *before != tenure;
            *before = tenure;
            is_new
        });
        if is_new && tenure == Tenure::Lost {
            self.events.lost(contest.holder());
        }
    }

    fn understood(&self, what: &'static str, outcome: Result<Outcome, String>) -> Outcome {
        outcome.unwrap_or_else(|words| {
            self.events.failed(what, &words);
            Outcome::Unknown
        })
    }
}
