//! How long a call has kept a processor busy, and how long it has waited for the disk. What counts
//! against a plugin is its own work: a hung disk, or a machine that has no processor free, must not
//! look like a hung plugin.

use std::future::Future;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Shared by the sandbox, the code that calls into it, and the epoch callback. One call at a time.
#[derive(Debug)]
pub(super) struct CallClock {
    origin: Instant,
    /// When the call began, in nanoseconds after `origin`, as all below.
    began: AtomicU64,
    busy: Span,
    storage: Span,
}

/// Time in sum, and since when more is being added; 0: it isn't.
#[derive(Debug, Default)]
struct Span {
    sum: AtomicU64,
    since: AtomicU64,
}

impl Span {
    fn reset(&self) {
        self.sum.store(0, Ordering::Relaxed);
        self.since.store(0, Ordering::Relaxed);
    }

    fn read(&self, now: u64) -> u64 {
        let since = self.since.load(Ordering::Relaxed);
        let going_on = if since == 0 {
            0
        } else {
            now.saturating_sub(since)
        };
        self.sum.load(Ordering::Relaxed).saturating_add(going_on)
    }
}

impl CallClock {
    pub(super) fn new() -> Self {
        Self {
            origin: Instant::now(),
            began: AtomicU64::new(0),
            busy: Span::default(),
            storage: Span::default(),
        }
    }

    fn now(&self) -> u64 {
        // 584 years; never 0, which means that nothing goes on.
        u64::try_from(self.origin.elapsed().as_nanos())
            .unwrap_or(u64::MAX)
            .max(1)
    }

    pub(super) fn begin(&self) {
        self.busy.reset();
        self.storage.reset();
        self.began.store(self.now(), Ordering::Relaxed);
    }

    /// Time that the call has been at work.
    pub(super) fn busy(&self) -> Duration {
        Duration::from_nanos(self.busy.read(self.now()))
    }

    /// Time that it has waited for the disk.
    pub(super) fn storage(&self) -> Duration {
        Duration::from_nanos(self.storage.read(self.now()))
    }

    /// Time since it began, without its waits for the disk.
    pub(super) fn elapsed(&self) -> Duration {
        let now = self.now();
        let total = now.saturating_sub(self.began.load(Ordering::Relaxed));
        Duration::from_nanos(total.saturating_sub(self.storage.read(now)))
    }

    /// Counts the time until the guard is dropped as waiting for the disk.
    pub(super) fn wait(&self) -> SpanGuard<'_> {
        self.enter(&self.storage)
    }

    fn enter<'a>(&'a self, span: &'a Span) -> SpanGuard<'a> {
        span.since.store(self.now(), Ordering::Relaxed);
        SpanGuard { clock: self, span }
    }

    /// The same future; the time in which it is polled counts as work.
    pub(super) fn work<T>(
        &self,
        mut call: Pin<&mut impl Future<Output = T>>,
    ) -> impl Future<Output = T> {
        std::future::poll_fn(move |context| {
            let _at_work = self.enter(&self.busy);
            call.as_mut().poll(context)
        })
    }
}

#[derive(Debug)]
pub(super) struct SpanGuard<'a> {
    clock: &'a CallClock,
    span: &'a Span,
}

impl Drop for SpanGuard<'_> {
    fn drop(&mut self) {
        let since = self.span.since.swap(0, Ordering::Relaxed);
        if since != 0 {
            let passed = self.clock.now().saturating_sub(since);
            self.span.sum.fetch_add(passed, Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::pin::pin;

    use super::*;

    #[tokio::test]
    async fn waiting_is_no_work() {
        let clock = CallClock::new();
        clock.begin();
        let call = pin!(async {
            let working = Instant::now();
            while working.elapsed() < Duration::from_millis(20) {}
            let _waiting = clock.wait();
            tokio::time::sleep(Duration::from_millis(60)).await;
        });
        clock.work(call).await;
        let (busy, storage) = (clock.busy(), clock.storage());
        assert!(busy >= Duration::from_millis(20) && storage >= Duration::from_millis(60));
        assert!(busy + storage <= clock.elapsed() + storage + Duration::from_millis(1));
    }
}
