//! What of an analyzer's findings is passed on. Pure.

use std::collections::BTreeMap;
use std::time::Duration;

use super::account::Account;
use super::bindings::analyzer::forebay::plugin::findings;
use super::stderr::cut;
use crate::archive::findings::{Finding, Phase, Region, is_kind};
use crate::pictures::Source;
use crate::units::{CaptureTime, SinkName};

/// How far behind the newest picture, or the present second, a finding may be: an analyzer may be
/// late with what it was asked for, but not by a day.
const BEHIND_MAX: Duration = Duration::from_secs(24 * 3600);
/// How far ahead: the error of a capture time.
const AHEAD_MAX: Duration = Duration::from_secs(60);
/// Bytes of a text.
const TEXT_MAX: usize = 256;
/// Bytes of a word that is shown although it is wrong.
const WORD_MAX: usize = 64;

/// Why a finding is not passed on: the plugin's mistake.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flaw {
    /// Its kind is no name.
    Kind,
    /// Its score is no number.
    Score,
    /// Its time is far from that of any picture.
    Time,
    /// Its phase is no word, begins what has begun or ends what has not.
    Phase,
    /// Its region has edges that are no numbers.
    Region,
}

impl Flaw {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Kind,
        Self::Score,
        Self::Time,
        Self::Phase,
        Self::Region,
    ];

    /// The value of the label `reason`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Kind => "kind",
            Self::Score => "score",
            Self::Time => "time",
            Self::Phase => "phase",
            Self::Region => "region",
        }
    }
}

/// What becomes of a finding.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Verdict {
    /// It goes to the archive.
    Publish(Finding),
    /// Its score is too low for that.
    Faint(Finding),
    /// The plugin may not: the limit's name.
    Limit(&'static str),
    /// It can't be meant.
    Flawed(Flaw, String),
    /// It ends a state whose begin was not published.
    Unheard,
}

/// The picture, or the second, that findings come of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Scene {
    /// When.
    pub at: CaptureTime,
    /// The stream.
    pub source: Source,
}

/// The findings of one instance.
#[derive(Debug)]
pub(super) struct Sieve {
    sink: SinkName,
    minimum_score: f64,
    /// States that have begun, by kind.
    open: BTreeMap<String, Open>,
}

/// A state that has begun.
#[derive(Debug, Clone, Copy)]
struct Open {
    begin: CaptureTime,
    source: Source,
    published: bool,
}

impl Sieve {
    pub(super) fn new(sink: SinkName, minimum_score: f64) -> Self {
        Self {
            sink,
            minimum_score,
            open: BTreeMap::new(),
        }
    }

    /// Judges one finding. `take` asks the plugin's allowances.
    pub(super) fn judge(
        &mut self,
        raw: findings::Finding,
        scene: Scene,
        take: impl FnOnce(&str, bool) -> Option<&'static str>,
    ) -> Verdict {
        let (mut finding, phase) = match self.read(raw, scene) {
            Ok(finding) => {
                let phase = finding.phase;
                (finding, phase)
            }
            Err((flaw, text)) => return Verdict::Flawed(flaw, text),
        };
        let open = self.open.get(&finding.kind).copied();
        match (phase, open) {
            (Phase::Begin, Some(open)) if open.published => {
                let text = format!("the state {:?} begins and had begun", finding.kind);
                return Verdict::Flawed(Flaw::Phase, text);
            }
            (Phase::End, None) => {
                let text = format!("the state {:?} ends and had not begun", finding.kind);
                return Verdict::Flawed(Flaw::Phase, text);
            }
            (Phase::End, Some(open)) => {
                self.open.remove(&finding.kind);
                if !open.published {
                    return Verdict::Unheard;
                }
                finding.at = finding.at.max(open.begin);
                // Its begin has been counted, and whoever reads that waits for the end.
                return Verdict::Publish(finding);
            }
            _ => {}
        }
        let faint = finding.score < self.minimum_score;
        let limit = take(&finding.kind, faint);
        let published = !faint && limit.is_none();
        // States are as many as the kinds that fit: those of further kinds are not remembered.
        if phase == Phase::Begin && limit != Some("finding_kinds") {
            let open = Open {
                begin: finding.at,
                source: finding.source,
                published,
            };
            self.open.insert(finding.kind.clone(), open);
        }
        match limit {
            Some(limit) => Verdict::Limit(limit),
            None if faint => Verdict::Faint(finding),
            None => Verdict::Publish(finding),
        }
    }

    /// Ends the states that have begun: the instance is over.
    pub(super) fn close(&mut self, at: CaptureTime) -> Vec<Finding> {
        let open = std::mem::take(&mut self.open);
        let published = open.into_iter().filter(|(_, open)| open.published);
        published
            .map(|(kind, open)| Finding {
                sink: self.sink.clone(),
                kind,
                score: 0.0,
                at: at.max(open.begin),
                phase: Phase::End,
                source: open.source,
                region: None,
                text: "the analyzer ended: whether this lasts is not known".to_owned(),
            })
            .collect()
    }

    fn read(&self, raw: findings::Finding, scene: Scene) -> Result<Finding, (Flaw, String)> {
        let findings::Finding {
            kind,
            score,
            at,
            phase,
            region,
            text,
        } = raw;
        if !is_kind(&kind) {
            let shown = cut(&kind, WORD_MAX);
            let text = format!("{shown:?} is no kind: [a-z][a-z0-9-]{{0,31}} is");
            return Err((Flaw::Kind, text));
        }
        if !score.is_finite() {
            return Err((Flaw::Score, format!("a score of {score} for {kind:?}")));
        }
        let at = CaptureTime::from_unix_nanos(at);
        if !is_near(at, scene.at) {
            let text = format!("{kind:?} is said of {at}, beside a picture of {}", scene.at);
            return Err((Flaw::Time, text));
        }
        let phase = match phase.as_str() {
            "" => Phase::Mark,
            "begin" => Phase::Begin,
            "end" => Phase::End,
            other => {
                let shown = cut(other, WORD_MAX);
                let text = format!("{shown:?} is no phase: \"\", \"begin\" and \"end\" are");
                return Err((Flaw::Phase, text));
            }
        };
        let region = match region {
            None => None,
            Some(region) => clamped(region)
                .map_err(|()| (Flaw::Region, format!("a region of {region:?} for {kind:?}")))?,
        };
        Ok(Finding {
            sink: self.sink.clone(),
            kind,
            // Zero has a sign, which nobody means.
            score: score.clamp(0.0, 1.0).abs(),
            at,
            phase,
            source: scene.source,
            region,
            text: cut(&text, TEXT_MAX),
        })
    }
}

fn is_near(at: CaptureTime, scene: CaptureTime) -> bool {
    let ahead = i128::from(at.unix_nanos()) - i128::from(scene.unix_nanos());
    let nanos = |span: Duration| i128::try_from(span.as_nanos()).unwrap_or(i128::MAX);
    (-nanos(BEHIND_MAX)..=nanos(AHEAD_MAX)).contains(&ahead)
}

/// The part of a region that is in the picture; nothing where none is.
fn clamped(region: findings::Region) -> Result<Option<Region>, ()> {
    let findings::Region {
        left,
        top,
        width,
        height,
    } = region;
    let span = |begin: f64, length: f64| {
        let (from, to) = (begin.clamp(0.0, 1.0), (begin + length).clamp(0.0, 1.0));
        (from.abs(), to - from)
    };
    if [left, top, width, height].iter().any(|x| !x.is_finite()) || width < 0.0 || height < 0.0 {
        return Err(());
    }
    let ((left, width), (top, height)) = (span(left, width), span(top, height));
    Ok((width > 0.0 && height > 0.0).then_some(Region {
        left,
        top,
        width,
        height,
    }))
}

/// The allowances of one sink, as [`Sieve::judge`] asks them: the name of the limit that is met.
pub(super) fn take(
    account: &mut Account,
    now: std::time::Instant,
    kind: &str,
    faint: bool,
) -> Option<&'static str> {
    if !account.finding_kind(kind) {
        return Some("finding_kinds");
    }
    // What isn't published is a number in the metrics and nothing more.
    if !faint && !account.take_finding(now) {
        return Some("findings_per_minute");
    }
    None
}

#[cfg(test)]
#[path = "sieve_tests.rs"]
mod tests;
