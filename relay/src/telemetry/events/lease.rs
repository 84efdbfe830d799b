//! What happens to the lease that says which of several relays works.

use std::sync::Arc;
use std::time::Duration;

use tracing::{error, info, warn};

use super::REPEAT;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfNothing, Telemetry};

/// What happens to a relay's lease.
#[derive(Debug, Clone)]
pub struct LeaseEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

impl LeaseEvents {
    /// A handle on the metrics of the lease.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// How it stands now; `age`: since it was last seen to be renewed.
    pub fn state(&self, holds: bool, epoch: u64, age: Duration) {
        let families = &self.telemetry.families;
        let held = families.lease_held.get_or_create(&OfNothing {});
        held.set(i64::from(holds));
        let epoch = i64::try_from(epoch).unwrap_or(i64::MAX);
        families.lease_epoch.get_or_create(&OfNothing {}).set(epoch);
        let seconds = age.as_secs_f64();
        families.lease_age.get_or_create(&OfNothing {}).set(seconds);
    }

    /// Another holder than before was seen.
    pub fn changed(&self) {
        self.telemetry.families.lease_changes.inc();
    }

    /// Somebody else holds it.
    pub fn waits(&self, holder: Option<&str>, epoch: u64) {
        info!(holder, epoch, "waiting: another relay holds the lease");
    }

    /// It is ours now; `silent`: since its last holder was heard of.
    pub fn taken(&self, epoch: u64, before: Option<&str>, silent: Option<Duration>) {
        // Not only when the clock is looked at next: the work may begin before.
        self.state(true, epoch, Duration::ZERO);
        let silent_seconds = silent.map(|silent| silent.as_secs_f64());
        info!(
            epoch,
            before, silent_seconds, "this relay holds the lease now"
        );
    }

    /// What the hand-over took within this relay: from the lease to all at work.
    pub fn at_work(&self, seconds: f64) {
        info!(seconds, "at work after the hand-over");
    }

    /// It was ours, and is not any more.
    pub fn lost(&self, holder: Option<&str>) {
        error!(
            holder,
            "the lease is lost: it could not be renewed in time, or another relay has taken it; all work \
             ends now"
        );
    }

    /// Given back.
    pub fn released(&self, epoch: u64) {
        info!(epoch, "the lease is given back");
    }

    /// It could not be reached; it is tried again.
    pub fn failed(&self, what: &str, words: &str) {
        self.telemetry.families.lease_failures.inc();
        if let Some(repeated) = self.calm.pass(0) {
            warn!(words, repeated, "can't {what} the lease; it is tried again");
        }
    }

    /// The work has not ended in time.
    pub fn ended_by_force(&self) {
        error!("the lease is lost, and the work has not ended in time: the process ends at once");
    }
}
