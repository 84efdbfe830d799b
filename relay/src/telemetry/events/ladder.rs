//! What grows old in the archive.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tracing::{error, info, warn};

use super::REPEAT;
use crate::archive::ladder::{Act, Form, Reason};
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfForm, OfNothing, OfRetirement, Telemetry};
use crate::units::{CameraName, CaptureTime};

/// Complaints that are told apart.
const FAILED: u64 = 0;
const PINS: u64 = 1;
const SHORT: u64 = 2;
const CLOCK: u64 = 3;
const FLOOR: u64 = 4;

/// What grows old in the archive.
#[derive(Debug, Clone)]
pub struct LadderEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

impl LadderEvents {
    /// A handle on the ladder's metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        let events = Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        };
        events.round_ended(CaptureTime::now(), 0);
        events
    }

    /// All days that are old enough have been looked at; so many objects that were due are still there.
    pub fn round_ended(&self, at: CaptureTime, overdue: u64) {
        let families = &self.telemetry.families;
        let round = families.ladder_round.get_or_create(&OfNothing {});
        round.set(at.unix_seconds());
        let overdue = i64::try_from(overdue).unwrap_or(i64::MAX);
        let gauge = families.ladder_overdue.get_or_create(&OfNothing {});
        gauge.set(overdue);
    }

    /// Files of a folder go, and their journal tells of it.
    pub fn retired(
        &self,
        camera: &CameraName,
        form: Form,
        (act, reason): (Act, Reason),
        files: u64,
        bytes: u64,
        folder: &str,
    ) {
        let labels = OfRetirement {
            camera: camera.clone(),
            form: form.as_str(),
            fate: act.as_str(),
            reason: reason.as_str(),
        };
        let families = &self.telemetry.families;
        families
            .retired_objects
            .get_or_create(&labels)
            .inc_by(files);
        families.retired_bytes.get_or_create(&labels).inc_by(bytes);
        info!(
            %camera, form = form.as_str(), reason = reason.as_str(), files, bytes, folder,
            "{} by the rules of how long it is kept", act.as_str()
        );
    }

    /// A file of footage stays whole.
    pub fn not_thinned(&self, path: &Path, error: &dyn std::error::Error) {
        self.telemetry.families.ladder_unthinned.inc();
        let cause = error.source().map(ToString::to_string);
        warn!(path = %path.display(), %error, cause, "footage can't be thinned and stays whole");
    }

    /// Something could not be done; it is tried again.
    pub fn failed(&self, what: &str, place: &str, error: &dyn std::error::Error) {
        self.telemetry.families.ladder_failures.inc();
        if let Some(repeated) = self.calm.pass(FAILED) {
            let cause = error.source().map(ToString::to_string);
            error!(place, %error, cause, repeated, "can't {what}; it is tried again");
        }
    }

    /// It can't be told what of a camera is pinned, so nothing of it goes.
    pub fn pins_unknown(&self, camera: &CameraName, error: &dyn std::error::Error) {
        self.telemetry.families.ladder_failures.inc();
        if let Some(repeated) = self.calm.pass(PINS) {
            let cause = error.source().map(ToString::to_string);
            error!(%camera, %error, cause, repeated, "nothing of the camera goes: its pins can't be read");
        }
    }

    /// What a camera holds of a form.
    pub fn holds(&self, camera: &CameraName, form: Form, bytes: u64) {
        let labels = OfForm {
            camera: camera.clone(),
            form: form.as_str(),
        };
        let gauge = self.telemetry.families.archive_bytes.get_or_create(&labels);
        gauge.set(i64::try_from(bytes).unwrap_or(i64::MAX));
    }

    /// So many bytes should be set free, and nothing is left that may go.
    pub fn short(&self, bytes: u64) {
        let families = &self.telemetry.families;
        families
            .ladder_short
            .set(i64::try_from(bytes).unwrap_or(i64::MAX));
        if bytes > 0
            && let Some(repeated) = self.calm.pass(SHORT)
        {
            error!(
                bytes,
                repeated,
                "there is less room than there should be, and all that is left is pinned, too young to \
                 go, or no footage"
            );
        }
    }

    /// More shall be free than there is at all.
    pub fn floor_too_high(&self, floor_bytes: u64, total_bytes: u64) {
        self.telemetry.families.ladder_failures.inc();
        if let Some(repeated) = self.calm.pass(FLOOR) {
            error!(
                floor_bytes,
                total_bytes,
                repeated,
                "free_space of [ladder] is as much as the whole file system has: nothing goes for it; give \
                 less"
            );
        }
    }

    /// The clock is ahead of its own pace.
    pub fn clock_leapt(&self, ahead: Duration) {
        if let Some(repeated) = self.calm.pass(CLOCK) {
            warn!(
                ahead_seconds = ahead.as_secs(),
                repeated,
                "the clock is far ahead of the newest footage, or of its own pace: nothing grows older \
                 by it before it has lasted for an hour"
            );
        }
    }
}
