//! The archive's threads: one flushes, one settles, one carries, one looks after the spool's room.
//!
//! They are apart because the archive may lie on a file system that hangs, and then the data of
//! open objects must still reach the local disk in time.

use std::io;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use super::store::{Store, locked};
use super::{carry, room};

/// The first pause after a failure.
pub(super) const RETRY_FIRST: Duration = Duration::from_secs(1);
/// How long a start waits to learn where the archive lies. One that does not answer by then is
/// treated as being on another file system.
const PROBE_PATIENCE: Duration = Duration::from_secs(2);

/// Handle of the threads; the last one dropped ends them.
pub(super) struct Workers {
    store: Arc<Store>,
}

impl Workers {
    pub(super) fn start(store: &Arc<Store>) -> io::Result<Self> {
        // First, so that a failure to start a thread ends those before it.
        let workers = Self {
            store: Arc::clone(store),
        };
        spawn("archive-flush", store, flush)?;
        spawn("archive-settle", store, carry::settle)?;
        spawn("archive-carry", store, carry::carry)?;
        spawn("archive-room", store, room::watch)?;
        Ok(workers)
    }

    pub(super) fn await_probe(&self) {
        self.wait(PROBE_PATIENCE, |wake| wake.probed);
    }

    /// What a crash left is sorted: carrying may begin.
    pub(super) fn begin(&self) {
        {
            let mut wake = locked(&self.store.wake);
            (wake.ready, wake.handed) = (true, true);
        }
        self.store.call_worker();
    }

    pub(super) fn close(&self, patience: Duration) -> bool {
        locked(&self.store.wake).closing = true;
        self.store.woken.notify_all();
        let ended = self.wait(patience, |wake| wake.running == 0);
        self.hurry();
        ended && locked(&self.store.handed).is_empty()
    }

    /// Ends what is being carried after the present call.
    fn hurry(&self) {
        locked(&self.store.wake).hurry = true;
        self.store.pace.stop();
        self.store.woken.notify_all();
    }

    fn wait(&self, patience: Duration, is_met: impl Fn(&super::store::Wake) -> bool) -> bool {
        let wake = locked(&self.store.wake);
        let result = self
            .store
            .woken
            .wait_timeout_while(wake, patience, |wake| !is_met(wake));
        result.is_ok_and(|(_, timeout)| !timeout.timed_out())
    }
}

impl Drop for Workers {
    fn drop(&mut self) {
        locked(&self.store.wake).closing = true;
        self.hurry();
    }
}

fn spawn(name: &str, store: &Arc<Store>, work: fn(&Store)) -> io::Result<()> {
    let running = Running(Arc::clone(store));
    locked(&store.wake).running += 1;
    thread::Builder::new()
        .name(name.into())
        .spawn(move || work(&running.0))?;
    Ok(())
}

/// Counts a thread, also one that panics or that could not be started.
struct Running(Arc<Store>);

impl Drop for Running {
    fn drop(&mut self) {
        locked(&self.0.wake).running -= 1;
        self.0.woken.notify_all();
    }
}

fn flush(store: &Store) {
    let tick =
        (store.flush_interval / 8).clamp(Duration::from_millis(5), Duration::from_millis(500));
    let mut last_round = Duration::ZERO;
    loop {
        let wake = locked(&store.wake);
        let Ok((wake, _)) = store
            .woken
            .wait_timeout_while(wake, tick, |wake| !wake.closing)
        else {
            return;
        };
        let closing = wake.closing;
        drop(wake);
        // Begins early by what the last round took: the last file of a round is in time too.
        let age = store.flush_interval.saturating_sub(tick + last_round);
        let start = Instant::now();
        store.flush_older_than(if closing { Duration::ZERO } else { age });
        last_round = start.elapsed();
        if closing {
            return;
        }
    }
}
