//! A finding as a line of JSON.
//!
//! Names of fields and their meaning stay; new fields may come. A line whose required fields can't
//! be read is none.

use serde::{Deserialize, Serialize};

use super::{Finding, Phase, Region};
use crate::archive::jsonl::Stamp;
use crate::pictures::Source;
use crate::units::Name;

/// Longest text that is kept, in bytes; `wit/findings.wit` allows as much.
pub(super) const TEXT_BYTES_MAX: usize = 256;

/// What stands in the archive.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Line {
    /// The capture time that it is about, RFC 3339 in UTC.
    at: Stamp,
    sink: String,
    kind: String,
    /// `begin` or `end` of a state; left out for an instant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    phase: Option<String>,
    /// 0 to 1.
    score: f64,
    /// `main` or `analysis`.
    stream: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    region: Option<Part>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    text: String,
}

/// Shares of the picture's width and height.
#[derive(Debug, Serialize, Deserialize)]
struct Part {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

impl From<&Finding> for Line {
    fn from(finding: &Finding) -> Self {
        let phase = match finding.phase {
            Phase::Mark => None,
            phase => Some(phase.as_str().to_owned()),
        };
        Self {
            at: finding.at.into(),
            sink: finding.sink.to_string(),
            kind: finding.kind.clone(),
            phase,
            score: finding.score,
            stream: finding.source.as_str().to_owned(),
            region: finding.region.map(|region| Part {
                left: region.left,
                top: region.top,
                width: region.width,
                height: region.height,
            }),
            text: finding.text.clone(),
        }
    }
}

impl Line {
    fn finding(self) -> Option<Finding> {
        let finding = Finding {
            sink: Name::new(&self.sink).ok()?,
            kind: self.kind,
            score: self.score,
            at: self.at.time()?,
            phase: match self.phase {
                Some(word) => Phase::parse(&word)?,
                None => Phase::Mark,
            },
            source: match self.stream.as_str() {
                "main" => Source::Main,
                "analysis" => Source::Analysis,
                _ => return None,
            },
            region: self.region.map(|part| Region {
                left: part.left,
                top: part.top,
                width: part.width,
                height: part.height,
            }),
            text: self.text,
        };
        finding.is_sound().then_some(finding)
    }
}

/// Reads a line of a file of findings, without its break; none for one that can't be read.
#[must_use]
pub fn read_line(line: &[u8]) -> Option<Finding> {
    serde_json::from_slice::<Line>(line).ok()?.finding()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::CaptureTime;

    fn finding() -> Finding {
        Finding {
            sink: Name::new("motion").unwrap(),
            kind: "motion".to_owned(),
            score: 0.75,
            at: CaptureTime::from_unix_nanos(1_777_879_860_123_456_789),
            phase: Phase::Begin,
            source: Source::Analysis,
            region: Some(Region {
                left: 0.25,
                top: 0.5,
                width: 0.125,
                height: 0.25,
            }),
            text: "a \"crane\" moves".to_owned(),
        }
    }

    fn text(finding: &Finding) -> String {
        serde_json::to_string(&Line::from(finding)).unwrap()
    }

    #[test]
    fn the_line_is_as_told() {
        assert_eq!(
            text(&finding()),
            r#"{"at":"2026-05-04T07:31:00.123456789Z","sink":"motion","kind":"motion","phase":"begin","score":0.75,"stream":"analysis","region":{"left":0.25,"top":0.5,"width":0.125,"height":0.25},"text":"a \"crane\" moves"}"#
        );
        let mark = Finding {
            phase: Phase::Mark,
            region: None,
            text: String::new(),
            ..finding()
        };
        assert_eq!(
            text(&mark),
            r#"{"at":"2026-05-04T07:31:00.123456789Z","sink":"motion","kind":"motion","score":0.75,"stream":"analysis"}"#
        );
        assert_eq!(read_line(text(&mark).as_bytes()), Some(mark));
    }

    #[test]
    fn what_is_no_line_is_none() {
        let good = text(&finding());
        assert_eq!(read_line(good.as_bytes()), Some(finding()));
        for cut in 0..good.len() {
            assert_eq!(read_line(&good.as_bytes()[..cut]), None);
        }
        for (from, to) in [
            ("0.75", "1.5"),
            ("0.75", "null"),
            ("\"begin\"", "\"middle\""),
            ("\"analysis\"", "\"other\""),
            ("\"kind\":\"motion\"", "\"kind\":\"Motion\""),
            ("\"sink\":\"motion\"", "\"sink\":\"../motion\""),
            ("2026-", "9999-"),
            ("0.125", "1e999"),
        ] {
            let bad = good.replacen(from, to, 1);
            assert_ne!(bad, good);
            assert_eq!(read_line(bad.as_bytes()), None, "{bad}");
        }
        // Fields that a later version adds are passed over.
        let later = good.replacen('{', "{\"more\":[1],", 1);
        assert_eq!(read_line(later.as_bytes()), Some(finding()));
        assert_eq!(read_line(&vec![b'['; 1 << 20]), None);
    }

    proptest! {
        #[test]
        fn findings_read_back(
            kind in "[a-z][a-z0-9-]{0,31}",
            // Sums of powers of two: others may read back with another last digit.
            score in (0..=1024u32).prop_map(|n| f64::from(n) / 1024.0),
            nanos in any::<i64>(),
            corner in prop::option::of((0..=64u32, 0..=64u32)),
            words in "[^\\p{Cc}]{0,60}",
        ) {
            let share = |n: u32| f64::from(n) / 64.0;
            let region = corner.map(|(left, top)| (share(left), share(top)));
            let region = region.map(|(left, top)| Region { left, top, width: 1.0 - left, height: 0.0 });
            let at = CaptureTime::from_unix_nanos(nanos);
            let finding = Finding { kind, score, at, region, text: words, ..finding() };
            prop_assert_eq!(read_line(text(&finding).as_bytes()), Some(finding));
        }

        #[test]
        fn any_bytes_are_taken(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
            prop_assert!(read_line(&bytes).is_none_or(|finding| finding.is_sound()));
        }
    }
}
