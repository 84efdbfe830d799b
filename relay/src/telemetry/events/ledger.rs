//! What happens in the ledger.

use std::path::Path;
use std::sync::{Arc, PoisonError};
use std::time::Instant;

use tracing::{debug, error, warn};

use super::REPEAT;
use crate::archive::ledger::{Coverage, GapCause, total_nanos};
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{News, OfCamera, OfCause, Telemetry};
use crate::units::{CameraName, CaptureTime};

/// What happens in the ledger.
#[derive(Debug, Clone)]
pub struct LedgerEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

/// Complaints that are told apart.
const DROPPED: u64 = 0;
const CATALOG: u64 = 1;
const JOURNAL: u64 = 2;
const MANIFEST: u64 = 3;
const STRANGERS: u64 = 4;

fn seconds(nanos: i64) -> f64 {
    nanos.max(0) as f64 / 1e9
}

impl LedgerEvents {
    /// A handle on the ledger's metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// Makes the metrics of a camera, so that they begin with 0.
    pub fn camera(&self, camera: &CameraName) {
        let of_camera = OfCamera {
            camera: camera.clone(),
        };
        let families = &self.telemetry.families;
        drop(families.wanted_seconds.get_or_create(&of_camera));
        drop(families.recorded_seconds.get_or_create(&of_camera));
        for cause in GapCause::ALL {
            drop(families.gap_seconds.get_or_create(&OfCause {
                camera: camera.clone(),
                cause: cause.as_str(),
            }));
        }
        self.gap(camera, None);
    }

    /// More of a camera's time is settled.
    pub fn settled(&self, coverage: &Coverage) {
        let of_camera = OfCamera {
            camera: coverage.camera.clone(),
        };
        let families = &self.telemetry.families;
        let add = |spans| seconds(total_nanos(spans));
        let wanted = families.wanted_seconds.get_or_create(&of_camera);
        wanted.inc_by(add(&coverage.wanted));
        let recorded = families.recorded_seconds.get_or_create(&of_camera);
        recorded.inc_by(add(&coverage.recorded));
        for gap in &coverage.gaps {
            let of_cause = OfCause {
                camera: coverage.camera.clone(),
                cause: gap.cause.as_str(),
            };
            let total = families.gap_seconds.get_or_create(&of_cause);
            total.inc_by(seconds(gap.span.nanos()));
            debug!(
                camera = %coverage.camera, cause = gap.cause.as_str(), begin = %gap.span.begin,
                seconds = seconds(gap.span.nanos()), detail = gap.detail, "a gap is settled"
            );
            let news = || News::Gap(coverage.camera.clone(), gap.clone());
            self.telemetry.tell(news);
        }
    }

    /// What had been settled as recorded is lost after all.
    pub fn lost_later(&self, camera: &CameraName, nanos: i64) {
        let of_cause = OfCause {
            camera: camera.clone(),
            cause: GapCause::Storage.as_str(),
        };
        let total = self.telemetry.families.gap_seconds.get_or_create(&of_cause);
        total.inc_by(seconds(nanos));
    }

    /// The account of a camera is settled up to here.
    pub fn horizon(&self, camera: &CameraName, until: CaptureTime) {
        let of_camera = OfCamera {
            camera: camera.clone(),
        };
        let gauge = self.telemetry.families.settled.get_or_create(&of_camera);
        gauge.set(until.unix_seconds());
    }

    /// The books are up to date.
    pub fn accounted(&self) {
        let accounted = self.telemetry.accounted.lock();
        *accounted.unwrap_or_else(PoisonError::into_inner) = Some(Instant::now());
    }

    /// Since when there is a gap that lasts, and what it is put down to.
    pub fn gap(&self, camera: &CameraName, gap: Option<(CaptureTime, GapCause)>) {
        let of_camera = OfCamera {
            camera: camera.clone(),
        };
        let family = &self.telemetry.families.gap_begin;
        // A planned pause is no gap.
        for cause in GapCause::ALL
            .into_iter()
            .filter(|c| *c != GapCause::Planned)
        {
            let of_cause = OfCause {
                camera: camera.clone(),
                cause: cause.as_str(),
            };
            let open = gap.is_some_and(|(_, known)| known == cause);
            let gauge = self.telemetry.families.gap_open.get_or_create(&of_cause);
            gauge.set(open.into());
        }
        match gap {
            Some((begin, _)) => {
                family.get_or_create(&of_camera).set(begin.unix_seconds());
            }
            None => {
                family.remove(&of_camera);
            }
        }
    }

    /// The ledger could not take something.
    pub fn dropped(&self) {
        self.telemetry.families.ledger_dropped.inc();
        if let Some(repeated) = self.calm.pass(DROPPED) {
            warn!(repeated, "the ledger is too busy to take everything");
        }
    }

    /// The catalog fails.
    pub fn catalog_failed(&self, error: &dyn std::error::Error) {
        self.telemetry.families.catalog_failures.inc();
        if let Some(repeated) = self.calm.pass(CATALOG) {
            let cause = error.source().map(ToString::to_string);
            error!(%error, cause, repeated, "the catalog can't be used; recording goes on");
        }
    }

    /// A catalog that can't be used lies here now.
    pub fn catalog_put_aside(&self, path: &Path) {
        self.telemetry.families.catalog_renewals.inc();
        error!(
            path = %path.display(),
            "the catalog was damaged or none of this version: put aside, and made anew from the archive"
        );
    }

    /// The file of the catalog is no more.
    pub fn catalog_removed(&self) {
        self.telemetry.families.catalog_renewals.inc();
        error!("the catalog was removed while the relay runs; it is written again");
    }

    /// A journal fails. `lost`: lines that nothing holds any more.
    pub fn journal_failed(&self, camera: &CameraName, error: &dyn std::error::Error, lost: u64) {
        self.telemetry.families.journal_failures.inc();
        if let Some(repeated) = self.calm.pass(JOURNAL) {
            let cause = error.source().map(ToString::to_string);
            error!(%camera, %error, cause, lost, repeated, "a journal of the ledger can't be written");
        }
    }

    /// A manifest fails. `lost`: lines that nothing holds any more; a scan finds what they told of.
    pub fn manifest_failed(&self, camera: &CameraName, error: &dyn std::error::Error, lost: u64) {
        self.telemetry.families.manifest_failures.inc();
        if let Some(repeated) = self.calm.pass(MANIFEST) {
            let cause = error.source().map(ToString::to_string);
            error!(%camera, %error, cause, lost, repeated, "a manifest can't be written");
        }
    }

    /// A published object had no line in a manifest, and gets one now.
    pub fn listed_late(&self, object: &str) {
        self.telemetry.families.listed_late.inc();
        debug!(object, "an object had no line in a manifest: listed late");
    }

    /// An object has come to the archive that this relay has not written.
    pub fn stranger(&self, object: &str) {
        self.telemetry.families.foreign_objects.inc();
        if let Some(repeated) = self.calm.pass(STRANGERS) {
            warn!(
                object,
                repeated,
                "another relay, or somebody, writes into this archive, too; what comes is read and listed. \
                 If that is not meant, stop one of them, or give both a --lease"
            );
        }
    }

    /// No capture times can be read from a file.
    pub fn unreadable(&self, path: &Path, error: &str) {
        self.telemetry.families.unreadable.inc();
        warn!(path = %path.display(), error, "no footage can be read from the file");
    }
}
