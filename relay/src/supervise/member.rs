//! A task that can be ended alone.

use std::future::Future;
use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio::task::JoinHandle;

use super::{Shutdown, Trigger, shutdown};

/// A task that is cut off ends where it next waits; guests do so at each epoch.
const DROP_TIME: Duration = Duration::from_millis(200);

/// A running task. Dropped, it is cut off.
#[derive(Debug)]
pub(super) struct Member {
    trigger: Trigger,
    task: JoinHandle<()>,
}

impl Member {
    /// Starts it on `runtime`; `begin` gets what tells it when to end.
    pub(super) fn start<F>(runtime: &Handle, begin: impl FnOnce(Shutdown) -> F) -> Self
    where
        F: Future<Output = ()> + Send + 'static,
    {
        let (trigger, shutdown) = shutdown();
        Self {
            task: runtime.spawn(begin(shutdown)),
            trigger,
        }
    }
}

impl Drop for Member {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Has tasks end and waits for that; cuts off those that don't in time. Cancelled, it leaves those
/// that have not ended.
pub(super) async fn settle(members: &mut Vec<Member>, deadline: Instant) {
    for member in members.iter() {
        member.trigger.pull();
    }
    if ended(members, deadline).await {
        return;
    }
    tracing::warn!(
        tasks = members.len(),
        "tasks did not end in time and are cut off"
    );
    for member in members.iter() {
        member.task.abort();
    }
    // Dropped, they say how what they were at has ended, to those who end next.
    if !ended(members, Instant::now() + DROP_TIME).await {
        tracing::warn!(
            tasks = members.len(),
            "tasks that were cut off have not ended"
        );
        members.clear();
    }
}

/// Whether all have ended by then; the others are left.
async fn ended(members: &mut Vec<Member>, deadline: Instant) -> bool {
    let all = async {
        while let Some(member) = members.last_mut() {
            // What failed or was cut off has ended, too.
            (&mut member.task).await.ok();
            members.pop();
        }
    };
    let waited = tokio::time::timeout_at(deadline.into(), all).await;
    members.retain(|member| !member.task.is_finished());
    waited.is_ok() || members.is_empty()
}
