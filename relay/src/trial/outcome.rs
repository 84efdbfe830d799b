//! What came of a trial: the same each time for the same input.

use std::collections::BTreeMap;

use super::album::Album;
use crate::archive::findings::{Finding, Phase};
use crate::sinks::{Told, World};
use crate::units::CaptureTime;

/// Findings kept; more are counted.
const FINDINGS_MAX: usize = 100_000;
/// Scores kept of all kinds together; more are counted.
const SCORES_MAX: usize = 1_000_000;
/// Values kept of all gauges together; more are counted.
const VALUES_MAX: usize = 1_000_000;

/// What came of a trial.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// What the plugin is.
    pub world: Option<World>,
    /// How the plugin is named.
    pub plugin: String,
    /// What it was tried on.
    pub input: String,
    /// Capture times of the first and the last unit.
    pub span: Option<(CaptureTime, CaptureTime)>,
    /// Units of footage.
    pub units: u64,
    /// How often each function of the plugin was called.
    pub calls: BTreeMap<&'static str, u64>,
    /// Most linear memory in bytes.
    pub memory_bytes: usize,
    /// Its bound.
    pub memory_bytes_max: u64,
    /// What it has seen of them.
    pub seen: Seen,
    /// In the order in which they were told.
    pub findings: Vec<Finding>,
    /// Findings beyond those.
    pub findings_left_out: u64,
    /// Every kind with its scores, those too low to be published included.
    pub kinds: BTreeMap<String, Kind>,
    /// Scores beyond those.
    pub scores_left_out: u64,
    /// Every gauge that the plugin has set: capture time and value, each that is a number.
    pub gauges: BTreeMap<String, Vec<(CaptureTime, f64)>>,
    /// Values beyond those.
    pub values_left_out: u64,
    /// Errors that the plugin answered with: how many, and the first ones.
    pub errors: Vec<(CaptureTime, String)>,
    /// How many errors there were.
    pub errors_count: u64,
    /// Metrics of the plugin's own, and limits that it met: name with labels, and value.
    pub metrics: Vec<(String, String)>,
    /// Files that it made, by their names below `--out`, with their sizes in bytes.
    pub objects: Vec<(String, u64)>,
    /// When and why it ended against its will.
    pub ended: Option<(CaptureTime, String)>,
    /// The pictures of the findings.
    pub(super) album: Album,
}

/// What was shown to the plugin.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Seen {
    /// Units handed to a sink.
    pub units: u64,
    /// Pictures shown to an analyzer.
    pub pictures: u64,
    /// Pictures that could not be decoded.
    pub undecoded: u64,
    /// Why the first of them could not.
    pub fault: Option<String>,
    /// Pieces of the footage that could not be read.
    pub unreadable: u64,
    /// Why the first of them could not.
    pub unreadable_why: Option<String>,
    /// Stretches without footage of more than a day, whose seconds were not counted out.
    pub leaps: u64,
}

/// A kind of findings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Kind {
    /// How many were published.
    pub published: u64,
    /// How many of the scores are of an instant; the others are of begins and ends of a state.
    pub marks: u64,
    /// Capture time and score.
    pub scores: Vec<(CaptureTime, f64)>,
}

/// Errors whose texts are kept.
const ERRORS_MAX: usize = 20;

impl Seen {
    pub(super) fn unreadable(&mut self, why: String) {
        self.unreadable += 1;
        self.unreadable_why.get_or_insert(why);
    }
}

impl Outcome {
    pub(super) fn told(&mut self, told: Told) {
        let (finding, published) = match told {
            Told::Finding(finding) => (finding, true),
            Told::Score(finding) => (finding, false),
        };
        let kept: usize = self.kinds.values().map(|kind| kind.scores.len()).sum();
        let kind = self.kinds.entry(finding.kind.clone()).or_default();
        kind.published += u64::from(published);
        kind.marks += u64::from(finding.phase == Phase::Mark);
        if kept < SCORES_MAX {
            kind.scores.push((finding.at, finding.score));
        } else {
            self.scores_left_out += 1;
        }
        if !published {
            return;
        }
        if self.findings.len() < FINDINGS_MAX {
            self.album.mark(self.findings.len(), finding.at);
            self.findings.push(finding);
        } else {
            self.findings_left_out += 1;
        }
    }

    /// The plugin has set a gauge.
    pub(super) fn gauge(&mut self, name: String, at: CaptureTime, value: f64) {
        if !value.is_finite() {
            return;
        }
        let kept: usize = self.gauges.values().map(Vec::len).sum();
        if kept < VALUES_MAX {
            self.gauges.entry(name).or_default().push((at, value));
        } else {
            self.values_left_out += 1;
        }
    }

    pub(super) fn error(&mut self, at: CaptureTime, text: String) {
        self.errors_count += 1;
        if self.errors.len() < ERRORS_MAX {
            self.errors.push((at, text));
        }
    }

    /// Length of the footage in seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.span.map_or(0.0, |(begin, end)| {
            end.unix_seconds() - begin.unix_seconds()
        })
    }
}
