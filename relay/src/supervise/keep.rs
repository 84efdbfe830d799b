//! Starts a task again that failed by a defect: it must cost its own camera a second, not the
//! others everything.

use std::future::Future;
use std::time::Duration;

use super::Shutdown;
use crate::telemetry::SupervisorEvents;

/// Pause before a failed task is started again: a defect that repeats at once must not spin.
const PAUSE: Duration = Duration::from_secs(1);

/// Runs `task` until shutdown. `label`: the kind and the name, for log and metric. `again` makes
/// another task when this one has failed.
pub(super) async fn alive<T, F>(
    events: SupervisorEvents,
    label: (&'static str, String),
    mut shutdown: Shutdown,
    mut task: T,
    run: impl Fn(T, Shutdown) -> F,
    again: impl Fn() -> T,
) where
    F: Future<Output = ()> + Send + 'static,
{
    loop {
        let mut running = Aborted(tokio::spawn(run(task, shutdown.clone())));
        let Err(error) = (&mut running.0).await else {
            return;
        };
        if shutdown.is_requested() {
            return;
        }
        events.task_failed(label.0, &label.1, &error.to_string());
        tokio::select! {
            () = tokio::time::sleep(PAUSE) => {}
            () = shutdown.requested() => return,
        }
        task = again();
    }
}

/// A task that ends with whoever waits for it.
struct Aborted(tokio::task::JoinHandle<()>);

impl Drop for Aborted {
    fn drop(&mut self) {
        self.0.abort();
    }
}
