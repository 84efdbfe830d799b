//! What is asked of the store that the archive is in.

use std::io::ErrorKind;
use std::sync::Arc;
use std::time::Duration;

use tracing::warn;

use super::REPEAT;
use crate::archive::place::Operation;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfStoreRequest, Telemetry};

/// What is asked of the store that the archive is in. What fails is told in the log by whoever asked.
#[derive(Debug, Clone)]
pub struct StoreEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

impl StoreEvents {
    /// A handle on the store's metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// A request has come to its end.
    pub fn asked(&self, operation: Operation, outcome: Result<(), ErrorKind>, took: Duration) {
        let labels = OfStoreRequest {
            operation: operation.as_str(),
            outcome: outcome.map_or_else(word, |()| "done"),
        };
        let families = &self.telemetry.families;
        families.store_requests.get_or_create(&labels).inc();
        let seconds = families.store_seconds.get_or_create(&labels);
        seconds.inc_by(took.as_secs_f64());
    }

    /// So many bytes have been sent and received since the last time.
    pub fn moved(&self, sent: u64, received: u64) {
        let families = &self.telemetry.families;
        families.store_sent.inc_by(sent);
        families.store_received.inc_by(received);
    }

    /// An object came damaged, or was damaged on its way to the store.
    pub fn damaged(&self) {
        self.telemetry.families.store_damaged.inc();
        if let Some(repeated) = self.calm.pass(0) {
            warn!(
                repeated,
                "an object was damaged on its way to or from the store, or in it; it is tried again"
            );
        }
    }
}

/// A closed list of what goes wrong.
fn word(kind: ErrorKind) -> &'static str {
    match kind {
        ErrorKind::NotFound | ErrorKind::AddrNotAvailable => "absent",
        ErrorKind::AlreadyExists => "taken",
        ErrorKind::ConnectionRefused => "refused",
        ErrorKind::ResourceBusy => "busy",
        ErrorKind::TimedOut => "timeout",
        ErrorKind::NotConnected | ErrorKind::ConnectionReset => "unreachable",
        ErrorKind::InvalidData | ErrorKind::UnexpectedEof => "damaged",
        _ => "failed",
    }
}
