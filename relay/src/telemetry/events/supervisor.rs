//! What happens in the relay itself.

use std::sync::Arc;

use tracing::error;

use crate::telemetry::metrics::{OfTask, Telemetry};

/// What happens in the relay itself.
#[derive(Debug, Clone)]
pub struct SupervisorEvents(Arc<Telemetry>);

impl SupervisorEvents {
    /// A handle on the relay's own metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        for task in ["camera", "sink", "pictures"] {
            drop(
                telemetry
                    .families
                    .task_failures
                    .get_or_create(&OfTask { task }),
            );
        }
        Self(Arc::clone(telemetry))
    }

    /// A task failed by a defect and is started again.
    pub fn task_failed(&self, task: &'static str, name: &str, error: &str) {
        self.0
            .families
            .task_failures
            .get_or_create(&OfTask { task })
            .inc();
        error!(
            task,
            name, error, "a task of the relay failed; it is started again"
        );
    }
}
