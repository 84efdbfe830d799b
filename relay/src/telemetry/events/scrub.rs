//! What the scrub beside the relay finds.

use std::sync::Arc;

use tracing::{error, info, warn};

use super::REPEAT;
use crate::archive::scrub::{FaultKind, ScrubEvent, Scrubbed};
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfFault, Telemetry};
use crate::units::CaptureTime;

/// What the scrub beside the relay finds.
#[derive(Debug, Clone)]
pub struct ScrubEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

/// A complaint that is told apart from those of each kind of fault.
const FAILED: u64 = 100;

impl ScrubEvents {
    /// A handle on the scrub's metrics, which begin with 0.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        for kind in FaultKind::ALL {
            let fault = kind.as_str();
            let faults = &telemetry.families.scrub_faults;
            drop(faults.get_or_create(&OfFault { fault }));
        }
        Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// Passes what a scrub tells on to log and metrics.
    pub fn note(&self, event: &ScrubEvent) {
        let families = &self.telemetry.families;
        match event {
            ScrubEvent::Checked { bytes, .. } => {
                families.scrub_objects.inc();
                families.scrub_bytes.inc_by(*bytes);
            }
            ScrubEvent::Fault(fault) => {
                let label = fault.kind.as_str();
                let faults = &families.scrub_faults;
                faults.get_or_create(&OfFault { fault: label }).inc();
                if let Some(repeated) = self.calm.pass(fault.kind as u64) {
                    error!(
                        fault = label,
                        path = fault.path,
                        detail = fault.detail,
                        repeated,
                        "the archive is not what was written; `forebay scrub` lists all that is wrong"
                    );
                }
            }
            ScrubEvent::Quarantined {
                object,
                path,
                reason,
            } => {
                families.scrub_quarantined.inc();
                warn!(object, path = %path.display(), reason, "a damaged object was moved aside");
            }
            ScrubEvent::Away(error) => {
                warn!(error, "the scrub waits: the archive can't be read now");
            }
            ScrubEvent::Back => info!("the scrub goes on: the archive can be read again"),
            ScrubEvent::Unlisted { .. } => {}
        }
    }

    /// All that was published before this instant has been read since.
    pub fn passed(&self, begin: CaptureTime) {
        let gauge = &self.telemetry.families.scrub_passed;
        gauge.set(begin.unix_seconds());
    }

    /// A pass has come to its end.
    pub fn ended(&self, scrubbed: &Scrubbed) {
        info!(
            objects = scrubbed.objects,
            bytes = scrubbed.bytes,
            manifests = scrubbed.manifests,
            faults = scrubbed.faults,
            "the archive was read once"
        );
    }

    /// The scrub can't go on now.
    pub fn failed(&self, error: &dyn std::error::Error) {
        if let Some(repeated) = self.calm.pass(FAILED) {
            let cause = error.source().map(ToString::to_string);
            warn!(%error, cause, repeated, "the scrub can't go on; it tries again");
        }
    }
}
