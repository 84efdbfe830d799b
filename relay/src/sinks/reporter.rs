//! From an analyzer's answers to those who keep findings.

use std::fmt;
use std::sync::Arc;

use super::bindings::analyzer::forebay::plugin::findings;
use super::sandbox::Sandbox;
use super::sieve::{Scene, Sieve, Verdict, take};
use crate::archive::findings::Finding;
use crate::units::{CameraName, CaptureTime, SinkName};

/// Findings judged of one answer; what is beyond them is dropped as above `findings_per_minute`.
const FINDINGS_MAX: usize = 1024;

/// What an analyzer has said, once it is found right.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// To be kept.
    Finding(Finding),
    /// Its score is lower than the analyzer wants published: for the metrics alone.
    Score(Finding),
}

/// Who hears it. Called from the sink's task: it must neither block nor panic.
#[derive(Clone)]
pub struct Tell {
    hear: Arc<Hear>,
    gauges: Option<Arc<HearGauge>>,
}

type Hear = dyn Fn(&CameraName, Told) + Send + Sync;
type HearGauge = dyn Fn(&str, f64) + Send + Sync;

impl Tell {
    /// Calls `hear` with each.
    pub fn to(hear: impl Fn(&CameraName, Told) + Send + Sync + 'static) -> Self {
        Self {
            hear: Arc::new(hear),
            gauges: None,
        }
    }

    /// Calls `hear`, too, with name and value of each gauge that the plugin sets, be it sink or
    /// analyzer.
    #[must_use]
    pub fn and_gauges_to(mut self, hear: impl Fn(&str, f64) + Send + Sync + 'static) -> Self {
        self.gauges = Some(Arc::new(hear));
        self
    }

    pub(super) fn gauge(&self, name: &str, value: f64) {
        if let Some(hear) = &self.gauges {
            hear(name, value);
        }
    }
}

impl Default for Tell {
    /// Nobody does.
    fn default() -> Self {
        Self::to(|_, _| {})
    }
}

impl fmt::Debug for Tell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tell").finish_non_exhaustive()
    }
}

/// Passes on what one instance finds. Dropped with the instance, however that ends, it ends the
/// states that are open.
#[derive(Debug)]
pub(super) struct Reporter {
    camera: CameraName,
    tell: Tell,
    sieve: Sieve,
    /// When the last picture or second was.
    last: CaptureTime,
}

impl Reporter {
    pub(super) fn new(
        camera: CameraName,
        sink: SinkName,
        minimum_score: f64,
        tell: Tell,
        begin: CaptureTime,
    ) -> Self {
        Self {
            camera,
            tell,
            sieve: Sieve::new(sink, minimum_score),
            last: begin,
        }
    }

    /// Judges an answer and passes on what is right of it.
    pub(super) fn take(&mut self, answer: Vec<findings::Finding>, scene: Scene, of: &Sandbox) {
        self.last = self.last.max(scene.at);
        let surplus = answer.len().saturating_sub(FINDINGS_MAX);
        if surplus > 0 {
            of.limit_hits("findings_per_minute", surplus as u64);
        }
        for raw in answer.into_iter().take(FINDINGS_MAX) {
            let verdict = self.sieve.judge(raw, scene, |kind, faint| {
                of.with_account(|account, now| take(account, now, kind, faint))
            });
            match verdict {
                Verdict::Publish(finding) => (self.tell.hear)(&self.camera, Told::Finding(finding)),
                Verdict::Faint(finding) => (self.tell.hear)(&self.camera, Told::Score(finding)),
                Verdict::Limit(limit) => of.limit_hit(limit),
                Verdict::Flawed(flaw, text) => of.flawed_finding(flaw, &text),
                Verdict::Unheard => {}
            }
        }
    }
}

impl Drop for Reporter {
    fn drop(&mut self) {
        for finding in self.sieve.close(self.last) {
            (self.tell.hear)(&self.camera, Told::Finding(finding));
        }
    }
}
