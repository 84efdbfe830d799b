//! What happens in the archive.

use std::sync::Arc;

use tracing::{debug, error, info, warn};

use super::{PLACES, REPEAT};
use crate::archive::ArchiveEvent;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfPlace, OfSink, Telemetry};

/// What happens in the archive.
#[derive(Debug, Clone)]
pub struct ArchiveEvents {
    telemetry: Arc<Telemetry>,
    calm_publish: Arc<Calm>,
    calm_flush: Arc<Calm>,
}

impl ArchiveEvents {
    /// A handle on the archive's metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm_publish: Arc::new(Calm::new(REPEAT)),
            calm_flush: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// Free and total bytes of the archive's and the spool's file systems.
    pub fn space(&self, index: usize, free: u64, total: u64) {
        let Some(place) = PLACES.get(index) else {
            return;
        };
        let families = &self.telemetry.families;
        let labels = OfPlace { place };
        let gauge = |bytes: u64| i64::try_from(bytes).unwrap_or(i64::MAX);
        families
            .archive_free
            .get_or_create(&labels)
            .set(gauge(free));
        families
            .archive_size
            .get_or_create(&labels)
            .set(gauge(total));
    }

    /// Objects being written, and how much of them is not on disk.
    pub fn open_objects(&self, count: usize, unflushed_bytes: u64) {
        let unflushed = i64::try_from(unflushed_bytes).unwrap_or(i64::MAX);
        self.telemetry.families.archive_unflushed.set(unflushed);
        let count = i64::try_from(count).unwrap_or(i64::MAX);
        self.telemetry.families.archive_open_objects.set(count);
    }

    /// Passes an event of the archive on to log and metrics.
    pub fn note(&self, event: &ArchiveEvent) {
        let families = &self.telemetry.families;
        match event {
            ArchiveEvent::Published {
                key,
                fingerprint,
                path,
                ..
            } => {
                let bytes = fingerprint.bytes;
                let labels = OfSink {
                    camera: key.camera.clone(),
                    sink: key.sink.clone(),
                };
                families.objects_published.get_or_create(&labels).inc();
                families
                    .published_bytes
                    .get_or_create(&labels)
                    .inc_by(bytes);
                debug!(
                    camera = %key.camera, bytes, sha256 = %fingerprint.sha256,
                    path = %path.display(), "object published"
                );
            }
            ArchiveEvent::Deferred { key, error, .. } => {
                families.archive_deferred.inc();
                debug!(camera = %key.camera, error, "object waits in the spool");
            }
            ArchiveEvent::Repaired {
                key,
                bytes_kept,
                bytes_cut,
            } => {
                families.archive_repaired.inc();
                info!(
                    camera = %key.camera, begin = %key.begin, bytes_kept, bytes_cut,
                    "object left open was repaired"
                );
            }
            ArchiveEvent::SetAside {
                key,
                path,
                bytes,
                reason,
            } => {
                families.archive_set_aside.inc();
                warn!(
                    camera = %key.camera, path = %path.display(), bytes, reason,
                    "object can't be repaired and was set aside"
                );
            }
            ArchiveEvent::RemovedEmpty { key } => {
                debug!(camera = %key.camera, begin = %key.begin, "empty object removed");
            }
            ArchiveEvent::RemovedCopy { key } => {
                debug!(camera = %key.camera, begin = %key.begin, "unfinished copy removed");
            }
            ArchiveEvent::PublishFailed {
                path,
                error,
                retry_in,
            } => {
                families.archive_publish_failures.inc();
                if let Some(repeated) = self.calm_publish.pass(0) {
                    error!(
                        path = %path.display(), error, retry_in = ?retry_in, repeated,
                        "publishing failed"
                    );
                }
            }
            ArchiveEvent::FlushFailed { path, error } => {
                families.archive_flush_failures.inc();
                if let Some(repeated) = self.calm_flush.pass(0) {
                    error!(path = %path.display(), error, repeated, "flush to disk failed");
                }
            }
        }
    }
}
