//! Work that takes a disk or a core: few jobs at a time, on threads of their own, and few that wait.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use axum::http::StatusCode;
use tokio::sync::Semaphore;

use super::error::Problem;
use super::limits::{JOBS_MAX, JOBS_WAITING_MAX};
use crate::telemetry::{OutletEvents, Refusal};

/// Takes jobs.
#[derive(Debug)]
pub(super) struct Desk {
    places: Arc<Semaphore>,
    waiting: AtomicUsize,
    events: OutletEvents,
}

/// Tells a job that nobody waits for it any more.
#[derive(Debug, Clone, Default)]
pub(super) struct Stop(Arc<AtomicBool>);

impl Stop {
    pub(super) fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Asks for the end where whoever waits is gone.
struct Leaves(Stop);

impl Drop for Leaves {
    fn drop(&mut self) {
        self.0.0.store(true, Ordering::Relaxed);
    }
}

struct Waits<'a>(&'a AtomicUsize);

impl Drop for Waits<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Desk {
    pub(super) fn new(events: OutletEvents) -> Self {
        Self {
            places: Arc::new(Semaphore::new(JOBS_MAX)),
            waiting: AtomicUsize::new(0),
            events,
        }
    }

    /// Has a job done.
    ///
    /// # Errors
    /// Where too many wait already, or the job fails by a defect.
    pub(super) async fn run<T: Send + 'static>(
        &self,
        job: impl FnOnce(&Stop) -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let waiting = self.waiting.fetch_add(1, Ordering::Relaxed);
        let waits = Waits(&self.waiting);
        if waiting >= JOBS_WAITING_MAX {
            self.events.refused(Refusal::Busy, None);
            return Err(Problem::later(
                "too much at once",
                format!("{JOBS_WAITING_MAX} requests wait for the archive"),
                "Ask for less at a time, or try again.",
                5,
            ));
        }
        let place = Arc::clone(&self.places).acquire_owned().await;
        drop(waits);
        let stop = Stop::default();
        let leaves = Leaves(stop.clone());
        let done = tokio::task::spawn_blocking(move || {
            // As long as the job takes, whether somebody waits or not.
            let _place = place;
            job(&stop)
        });
        let done = done.await;
        drop(leaves);
        done.map_err(|error| {
            tracing::error!(%error, "a job of the outlet failed by a defect");
            Problem::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                "the relay has a defect here",
                "the request could not be answered",
                "Report it with the relay's log lines of this moment.",
            )
        })
    }
}
