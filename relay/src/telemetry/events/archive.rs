//! What happens in the archive.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use tracing::{debug, error, info, warn};

use super::{PLACES, REPEAT};
use crate::archive::{ArchiveEvent, Away, AwayReason, ObjectKey, SpoolState};
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfCameraReason, OfPlace, OfReason, OfSink, Telemetry};
use crate::units::{CameraName, CaptureTime};

/// How what waits is lost.
const LET_GO: &str = "let-go";
const SPOOL: &str = "spool";

/// What happens in the archive.
#[derive(Debug, Clone)]
pub struct ArchiveEvents {
    telemetry: Arc<Telemetry>,
    calm_publish: Arc<Calm>,
    calm_flush: Arc<Calm>,
    /// By place.
    calm_space: Arc<Calm>,
    calm_let_go: Arc<Calm>,
    /// Bytes carried that are in the metrics already.
    carried: Arc<AtomicU64>,
}

impl ArchiveEvents {
    /// A handle on the archive's metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm_publish: Arc::new(Calm::new(REPEAT)),
            calm_flush: Arc::new(Calm::new(REPEAT)),
            calm_space: Arc::new(Calm::new(REPEAT)),
            calm_let_go: Arc::new(Calm::new(REPEAT)),
            carried: Arc::default(),
        }
    }

    /// The free space of a place can't be told.
    pub fn space_unknown(&self, index: usize, error: &std::io::Error) {
        let place = PLACES.get(index).copied().unwrap_or_default();
        if let Some(repeated) = self.calm_space.pass(index as u64) {
            warn!(place, %error, repeated, "can't tell the free space");
        }
    }

    /// How full the spool is.
    pub fn spool(&self, state: &SpoolState) {
        let families = &self.telemetry.families;
        let gauge = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
        families.spool_objects.set(gauge(state.objects));
        families.spool_bytes.set(gauge(state.bytes));
        families.spool_max.set(gauge(state.bytes_max));
        families.spool_full.set(i64::from(state.is_full));
        let oldest = state.oldest.map_or(0.0, CaptureTime::unix_seconds);
        families.spool_oldest.set(oldest);
        let before = self.carried.swap(state.carried_bytes, Ordering::AcqRel);
        let more = state.carried_bytes.saturating_sub(before);
        families.carried_bytes.inc_by(more);
    }

    /// Since when the archive can't be used.
    fn away(&self, away: Option<&Away>) {
        for reason in AwayReason::ALL {
            let labels = OfReason {
                reason: reason.as_str(),
            };
            let since = away.filter(|away| away.reason == reason);
            let since = since.map_or(0.0, |away| away.since.unix_seconds());
            let family = &self.telemetry.families.archive_away;
            family.get_or_create(&labels).set(since);
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

    /// Makes the metrics of what a camera may lose, at zero.
    pub fn camera(&self, camera: &CameraName) {
        let families = &self.telemetry.families;
        for reason in [LET_GO, SPOOL] {
            let camera = camera.clone();
            let labels = OfCameraReason { camera, reason };
            drop(families.lost_objects.get_or_create(&labels));
            drop(families.lost_bytes.get_or_create(&labels));
        }
    }

    fn lost(&self, key: &ObjectKey, reason: &'static str, bytes: u64) {
        let families = &self.telemetry.families;
        let labels = OfCameraReason {
            camera: key.camera.clone(),
            reason,
        };
        families.lost_objects.get_or_create(&labels).inc();
        families.lost_bytes.get_or_create(&labels).inc_by(bytes);
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
            ArchiveEvent::Away(away) => {
                self.away(away.as_ref());
                match away {
                    Some(away) => error!(
                        reason = away.reason.as_str(), since = %away.since, detail = away.detail,
                        "the archive can't be used; what is finished waits in the spool"
                    ),
                    None => info!("the archive can be used again"),
                }
            }
            ArchiveEvent::SpoolFull(Some(reason)) => {
                families.spool_full.set(1);
                error!(reason, "footage is not recorded until there is room");
            }
            ArchiveEvent::SpoolFull(None) => {
                families.spool_full.set(0);
                info!("there is room again: footage is recorded");
            }
            ArchiveEvent::SpoolRenewed(spool) => {
                error!(
                    spool = %spool.display(),
                    "the spool was removed while the relay runs: made anew, what was in it is lost"
                );
            }
            ArchiveEvent::LetGo {
                key, end, bytes, ..
            } => {
                if let Some(bytes) = bytes {
                    self.lost(key, LET_GO, *bytes);
                    if let Some(repeated) = self.calm_let_go.pass(0) {
                        warn!(
                            camera = %key.camera, begin = %key.begin, %end, bytes, repeated,
                            "the spool is full: footage that waited is let go, the oldest first"
                        );
                    }
                }
            }
            ArchiveEvent::Lost {
                key, end, bytes, ..
            } => {
                self.lost(key, SPOOL, *bytes);
                error!(
                    camera = %key.camera, purpose = key.purpose, begin = %key.begin, end = ?end,
                    bytes, "lost with the spool"
                );
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
