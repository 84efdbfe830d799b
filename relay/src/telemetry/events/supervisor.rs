//! What happens in the relay itself.

use std::sync::Arc;

use tracing::{error, info, warn};

use crate::telemetry::metrics::{OfReload, OfTask, Telemetry};

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
        for outcome in ["applied", "unchanged", "refused"] {
            drop(
                telemetry
                    .families
                    .reloads
                    .get_or_create(&OfReload { outcome }),
            );
        }
        Self(Arc::clone(telemetry))
    }

    fn reload(&self, outcome: &'static str) {
        let families = &self.0.families;
        families.reloads.get_or_create(&OfReload { outcome }).inc();
        let refused = outcome == "refused";
        families.reload_refused.set(i64::from(refused));
    }

    /// The configuration was read again, and says something else; `changes`: what.
    pub fn reloaded(&self, changes: &str) {
        self.reload("applied");
        info!(changes, "configuration reloaded");
    }

    /// The configuration was read again, and says what it said before.
    pub fn reload_changed_nothing(&self) {
        self.reload("unchanged");
        info!("configuration reloaded: nothing in it has changed");
    }

    /// The configuration was read again and is wrong.
    pub fn reload_refused(&self, problems: &str) {
        self.reload("refused");
        error!(
            problems,
            "the new configuration is refused; the relay goes on with the one that it has"
        );
    }

    /// What the new configuration says that this relay can't take over while it runs.
    pub fn reload_fixed(&self, names: &[&'static str]) {
        let number = i64::try_from(names.len()).unwrap_or(i64::MAX);
        self.0.families.reload_restart.set(number);
        for name in names {
            warn!(
                setting = name,
                "{name} has changed, which can't be followed while the relay runs and stays as it \
                 was: restart to apply"
            );
        }
    }

    /// Something about the new configuration that is no mistake.
    pub fn reload_warns(&self, problem: &str, advice: &str) {
        warn!(problem, advice, "configuration");
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
