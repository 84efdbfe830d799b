//! What analyzers tell.

use std::sync::Arc;

use tracing::{debug, error, warn};

use super::REPEAT;
use crate::archive::findings::{Finding, Phase};
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{News, OfSinkKind, OfSinkReason, Telemetry};
use crate::units::{CameraName, SinkName};

/// Why a finding is not in the archive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FindingDrop {
    /// It is not as the interface of plugins lays down.
    Invalid,
    /// It is about an instant more than a day from now.
    Instant,
    /// More came than could be written.
    Busy,
    /// The disk refuses, and too many wait for it.
    Storage,
}

impl FindingDrop {
    const ALL: [Self; 4] = [Self::Invalid, Self::Instant, Self::Busy, Self::Storage];

    /// As metric label and log field.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Invalid => "invalid",
            Self::Instant => "instant",
            Self::Busy => "busy",
            Self::Storage => "storage",
        }
    }
}

/// Complaints that are told apart, beside the reasons.
const FAILED: u64 = 1000;

/// What analyzers tell.
#[derive(Debug, Clone)]
pub struct FindingsEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

impl FindingsEvents {
    /// A handle on the metrics of findings.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// Makes the metrics of an analyzer that don't depend on kinds, so that they begin with 0.
    pub fn sink(&self, camera: &CameraName, sink: &SinkName) {
        for reason in FindingDrop::ALL {
            let labels = of_reason(camera, sink, reason);
            drop(
                self.telemetry
                    .families
                    .findings_dropped
                    .get_or_create(&labels),
            );
        }
    }

    /// A finding is to be kept.
    pub fn noted(&self, camera: &CameraName, finding: &Finding) {
        self.score(camera, finding);
        let families = &self.telemetry.families;
        let labels = of_kind(camera, finding);
        if finding.phase != Phase::End {
            families.findings.get_or_create(&labels).inc();
        }
        let open = match finding.phase {
            Phase::Mark => None,
            Phase::Begin => Some(1),
            Phase::End => Some(0),
        };
        if let Some(open) = open {
            families.finding_open.get_or_create(&labels).set(open);
        }
        debug!(
            %camera, sink = %finding.sink, kind = finding.kind, score = finding.score,
            at = %finding.at, phase = finding.phase.as_str(), text = finding.text, "finding"
        );
        self.telemetry
            .tell(|| News::Finding(camera.clone(), finding.clone()));
    }

    /// The score of a finding, whether it is kept or not.
    pub fn score(&self, camera: &CameraName, finding: &Finding) {
        let families = &self.telemetry.families;
        let labels = of_kind(camera, finding);
        let score = families.finding_score.get_or_create(&labels);
        score.set(finding.score);
        let at = families.finding_at.get_or_create(&labels);
        at.set(finding.at.unix_seconds());
    }

    /// Findings are lost.
    pub fn dropped(&self, camera: &CameraName, sink: &SinkName, reason: FindingDrop, number: u64) {
        let labels = of_reason(camera, sink, reason);
        let family = &self.telemetry.families.findings_dropped;
        family.get_or_create(&labels).inc_by(number);
        if let Some(repeated) = self.calm.pass(reason as u64) {
            let reason = reason.as_str();
            warn!(%camera, %sink, reason, number, repeated, "findings are dropped");
        }
    }

    /// A file of findings can't be written. What waits is tried again.
    pub fn failed(&self, camera: &CameraName, error: &dyn std::error::Error) {
        self.telemetry.families.findings_failures.inc();
        if let Some(repeated) = self.calm.pass(FAILED) {
            let cause = error.source().map(ToString::to_string);
            error!(%camera, %error, cause, repeated, "findings can't be written; they wait");
        }
    }
}

fn of_kind(camera: &CameraName, finding: &Finding) -> OfSinkKind {
    OfSinkKind {
        camera: camera.clone(),
        sink: finding.sink.clone(),
        kind: finding.kind.clone(),
    }
}

fn of_reason(camera: &CameraName, sink: &SinkName, reason: FindingDrop) -> OfSinkReason {
    OfSinkReason {
        camera: camera.clone(),
        sink: sink.clone(),
        reason: reason.as_str(),
    }
}
