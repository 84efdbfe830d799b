//! The two streams of a camera take turns where connections to it are made.
//!
//! A session's socket is known by being the one new connection to the camera's address (`wire.rs`):
//! two at a time could not be told apart, and neither could be kicked after an outage. The stream
//! that is recorded goes first: the other one breaks off what it is doing and begins again.

use std::future::Future;

use tokio::sync::{Mutex, watch};

/// One for each camera.
#[derive(Debug, Default)]
pub struct Door {
    /// Held while a connection is made that will be told apart by being alone.
    busy: Mutex<()>,
    /// Set-ups of the first stream that are at work or wait.
    firsts: watch::Sender<usize>,
}

/// Counts one as long as it lasts.
struct Counted<'a>(&'a watch::Sender<usize>);

impl<'a> Counted<'a> {
    fn new(count: &'a watch::Sender<usize>) -> Self {
        count.send_modify(|count| *count += 1);
        Self(count)
    }
}

impl Drop for Counted<'_> {
    fn drop(&mut self) {
        self.0.send_modify(|count| *count = count.saturating_sub(1));
    }
}

impl Door {
    /// A set-up of the stream that is recorded.
    pub(super) async fn first<T>(&self, work: impl Future<Output = T>) -> T {
        let _counted = Counted::new(&self.firsts);
        let _turn = self.busy.lock().await;
        work.await
    }

    /// A set-up of the other one: dropped where it is and made anew when the first one comes.
    /// `work` is told whether it was so.
    pub(super) async fn second<T, F>(&self, mut work: impl FnMut(bool) -> F) -> T
    where
        F: Future<Output = T>,
    {
        let mut again = false;
        loop {
            self.firsts_are(false).await;
            let _turn = self.busy.lock().await;
            tokio::select! {
                biased;
                () = self.firsts_are(true) => again = true,
                done = work(again) => return done,
            }
        }
    }

    /// Connections of the other one that are closed at once: beside each other, but not beside a
    /// set-up of the first.
    pub(super) async fn aside<T, F>(&self, mut work: impl FnMut() -> F) -> T
    where
        F: Future<Output = T>,
    {
        loop {
            self.firsts_are(false).await;
            tokio::select! {
                biased;
                () = self.firsts_are(true) => {}
                done = work() => return done,
            }
        }
    }

    /// Waits until there are set-ups of the first stream, or none.
    async fn firsts_are(&self, there: bool) {
        let mut firsts = self.firsts.subscribe();
        // The only error is a sender that is gone, and it is here.
        let waited = firsts.wait_for(|count| (*count > 0) == there).await;
        drop(waited);
    }
}

/// Which of a camera's streams a task pulls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// The one that is recorded.
    First,
    /// The one beside it.
    Second,
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use futures_util::FutureExt as _;
    use tokio::sync::oneshot;

    use super::*;

    #[tokio::test]
    async fn the_second_gives_way_and_begins_again() {
        let door = Door::default();
        let (begun, runs) = (Cell::new(0), Cell::new(true));
        let second = door.second(|again| {
            begun.set(begun.get() + 1);
            assert_eq!(again, begun.get() > 1);
            let goes = runs.get();
            async move {
                if goes {
                    std::future::pending::<()>().await;
                }
            }
        });
        tokio::pin!(second);
        assert!(second.as_mut().now_or_never().is_none());
        assert_eq!(begun.get(), 1);
        let (end, ended) = oneshot::channel::<()>();
        let first = door.first(ended);
        tokio::pin!(first);
        assert!(first.as_mut().now_or_never().is_none());
        // It breaks off, and waits while the first is at work.
        assert!(second.as_mut().now_or_never().is_none());
        assert!(first.as_mut().now_or_never().is_none());
        assert!(second.as_mut().now_or_never().is_none());
        assert_eq!(begun.get(), 1);
        end.send(()).unwrap();
        first.await.unwrap();
        runs.set(false);
        second.await;
        assert_eq!(begun.get(), 2);
    }

    #[tokio::test]
    async fn probes_of_the_second_wait_for_the_first_alone() {
        let door = Door::default();
        let begun = Cell::new(0);
        let probe = || {
            door.aside(|| {
                begun.set(begun.get() + 1);
                std::future::pending::<()>()
            })
        };
        let (one, other) = (probe(), probe());
        tokio::pin!(one, other);
        assert!(one.as_mut().now_or_never().is_none());
        assert!(other.as_mut().now_or_never().is_none());
        assert_eq!(begun.get(), 2);
        let (end, ended) = oneshot::channel::<()>();
        let mut first = Box::pin(door.first(ended));
        assert!(first.as_mut().now_or_never().is_none());
        assert!(one.as_mut().now_or_never().is_none());
        assert_eq!(begun.get(), 2);
        end.send(()).unwrap();
        first.await.unwrap();
        assert!(one.as_mut().now_or_never().is_none());
        assert_eq!(begun.get(), 3);
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn there_is_never_more_than_one_inside() {
        let door = Arc::new(Door::default());
        let inside = Arc::new(AtomicUsize::new(0));
        let work = |inside: Arc<AtomicUsize>| async move {
            struct Inside(Arc<AtomicUsize>);
            impl Drop for Inside {
                fn drop(&mut self) {
                    self.0.fetch_sub(1, Ordering::SeqCst);
                }
            }
            assert_eq!(inside.fetch_add(1, Ordering::SeqCst), 0);
            let _inside = Inside(inside);
            for _ in 0..5 {
                tokio::task::yield_now().await;
            }
        };
        let tasks = (0..40).map(|index| {
            let (door, inside) = (Arc::clone(&door), Arc::clone(&inside));
            tokio::spawn(async move {
                if index % 2 == 0 {
                    door.first(work(inside)).await;
                } else {
                    door.second(|_| work(Arc::clone(&inside))).await;
                }
            })
        });
        for task in tasks.collect::<Vec<_>>() {
            task.await.unwrap();
        }
    }
}
