//! What becomes of the signs of life.

use std::sync::Arc;

use tracing::{debug, warn};

use super::REPEAT;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfBeat, OfNothing, Telemetry};
use crate::units::CaptureTime;

const ACCEPTED: &str = "accepted";
const FAILED: &str = "failed";
const WITHHELD: &str = "withheld";

/// What becomes of the signs of life.
#[derive(Debug)]
pub struct HeartbeatEvents {
    telemetry: Arc<Telemetry>,
    calm: Calm,
}

impl HeartbeatEvents {
    /// Makes their metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        for outcome in [ACCEPTED, FAILED, WITHHELD] {
            let labels = OfBeat { outcome };
            drop(telemetry.families.heartbeats.get_or_create(&labels));
        }
        let events = Self {
            telemetry: Arc::clone(telemetry),
            calm: Calm::new(10 * REPEAT),
        };
        events.now();
        events
    }

    fn now(&self) {
        let family = &self.telemetry.families.heartbeat_at;
        let gauge = family.get_or_create(&OfNothing {});
        gauge.set(CaptureTime::now().unix_seconds());
    }

    fn count(&self, outcome: &'static str) {
        let family = &self.telemetry.families.heartbeats;
        family.get_or_create(&OfBeat { outcome }).inc();
    }

    /// One was taken.
    pub fn accepted(&self) {
        self.count(ACCEPTED);
        self.now();
        debug!("heartbeat accepted");
    }

    /// One could not be sent, or was not taken.
    pub fn failed(&self, error: &(dyn std::error::Error + 'static)) {
        self.count(FAILED);
        if let Some(repeated) = self.calm.pass(0) {
            let mut causes = Vec::new();
            let mut source = error.source();
            while let Some(cause) = source {
                causes.push(cause.to_string());
                source = cause.source();
            }
            warn!(%error, cause = causes.join(": "), repeated, "the heartbeat was not taken");
        }
    }

    /// None is sent: not all is well.
    pub fn withheld(&self, reason: &str) {
        self.count(WITHHELD);
        if let Some(repeated) = self.calm.pass(1) {
            warn!(reason, repeated, "the heartbeat is withheld");
        }
    }
}
