//! Findings as people want them told: states with their begin, end and length.

use std::collections::BTreeMap;

use super::{Finding, Phase, Region};
use crate::pictures::Source;
use crate::units::{CaptureTime, SinkName};

/// States that are open at a time; the kinds of a configuration are fewer.
const OPEN_MAX: usize = 4096;

/// Something seen: at an instant, or a state that lasted.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    /// Who saw it.
    pub sink: SinkName,
    /// What it is.
    pub kind: String,
    /// 0 to 1; of a state the greater one of begin and end.
    pub score: f64,
    /// The instant, or where the state began; none where that is not told.
    pub begin: Option<CaptureTime>,
    /// Where the state ended; none for an instant, and for a state whose end is not told: it lasts,
    /// or the relay was killed meanwhile.
    pub end: Option<CaptureTime>,
    /// It is a state.
    pub lasts: bool,
    /// Which stream the picture came from.
    pub source: Source,
    /// Where in the picture, as it began.
    pub region: Option<Region>,
    /// As it began; as it ended where the begin says nothing.
    pub text: String,
}

impl Episode {
    /// The first instant that is known of it.
    #[must_use]
    pub fn first(&self) -> CaptureTime {
        let known = self.begin.or(self.end);
        known.unwrap_or(CaptureTime::from_unix_nanos(i64::MIN))
    }

    /// Length of a state whose begin and end are known.
    #[must_use]
    pub fn nanos(&self) -> Option<u64> {
        let (begin, end) = (self.begin?, self.end?);
        let nanos = end.unix_nanos().saturating_sub(begin.unix_nanos());
        Some(u64::try_from(nanos).unwrap_or(0))
    }
}

/// Makes episodes of findings that come in order: an instant at once, a state when it ends.
#[derive(Debug, Default)]
pub struct Episodes {
    open: BTreeMap<(SinkName, String), Finding>,
}

impl Episodes {
    /// Takes the next finding; gives what is complete by it.
    pub fn push(&mut self, finding: Finding) -> Option<Episode> {
        let key = (finding.sink.clone(), finding.kind.clone());
        match finding.phase {
            Phase::Mark => Some(instant(finding)),
            // One that has not ended was cut off.
            Phase::Begin if self.open.len() >= OPEN_MAX && !self.open.contains_key(&key) => {
                Some(unended(finding))
            }
            Phase::Begin => self.open.insert(key, finding).map(unended),
            Phase::End => Some(match self.open.remove(&key) {
                None => Episode {
                    begin: None,
                    end: Some(finding.at),
                    lasts: true,
                    ..instant(finding)
                },
                Some(begin) => {
                    let text = match begin.text.is_empty() {
                        true => finding.text,
                        false => begin.text.clone(),
                    };
                    Episode {
                        end: Some(finding.at),
                        score: begin.score.max(finding.score),
                        text,
                        ..unended(begin)
                    }
                }
            }),
        }
    }

    /// Whether a state of this sink and kind has begun and not ended.
    #[must_use]
    pub fn is_open(&self, kind: &(SinkName, String)) -> bool {
        self.open.contains_key(kind)
    }

    /// The states that have not ended, in the order of their begins.
    pub fn finish(self) -> Vec<Episode> {
        let mut left: Vec<_> = self.open.into_values().map(unended).collect();
        left.sort_by_key(Episode::first);
        left
    }
}

fn instant(finding: Finding) -> Episode {
    Episode {
        sink: finding.sink,
        kind: finding.kind,
        score: finding.score,
        begin: Some(finding.at),
        end: None,
        lasts: false,
        source: finding.source,
        region: finding.region,
        text: finding.text,
    }
}

fn unended(begin: Finding) -> Episode {
    Episode {
        lasts: true,
        ..instant(begin)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Name;

    fn finding(second: i64, kind: &str, phase: Phase, score: f64) -> Finding {
        Finding {
            sink: Name::new("motion").unwrap(),
            kind: kind.to_owned(),
            score,
            at: CaptureTime::from_unix_nanos(second * 1_000_000_000),
            phase,
            source: Source::Main,
            region: None,
            text: String::new(),
        }
    }

    #[test]
    fn begins_find_their_ends() {
        let mut episodes = Episodes::default();
        let mut told = Vec::new();
        for (second, kind, phase, score) in [
            (0, "dark", Phase::End, 0.25),
            (1, "motion", Phase::Begin, 0.5),
            (2, "still", Phase::Mark, 1.0),
            (3, "dark", Phase::Begin, 0.75),
            (4, "motion", Phase::End, 0.25),
            // The relay was killed: no end.
            (5, "motion", Phase::Begin, 0.5),
            (6, "motion", Phase::Begin, 0.25),
        ] {
            told.extend(episodes.push(finding(second, kind, phase, score)));
        }
        told.extend(episodes.finish());
        let second = |time: Option<CaptureTime>| time.map(|t| t.unix_nanos() / 1_000_000_000);
        let told: Vec<_> = told
            .iter()
            .map(|e| {
                (
                    e.kind.as_str(),
                    second(e.begin),
                    second(e.end),
                    e.lasts,
                    e.score,
                )
            })
            .collect();
        assert_eq!(
            told,
            [
                ("dark", None, Some(0), true, 0.25),
                ("still", Some(2), None, false, 1.0),
                ("motion", Some(1), Some(4), true, 0.5),
                ("motion", Some(5), None, true, 0.5),
                ("dark", Some(3), None, true, 0.75),
                ("motion", Some(6), None, true, 0.25),
            ]
        );
    }
}
