//! What a clip lacks of the stretch that was asked for, and why (pure).

use crate::archive::ledger::{Coverage, GapCause, Span};
use crate::units::CaptureTime;

/// The ledger's edges and those of the pictures are not quite the same.
const EDGE_NANOS: i64 = 1_000_000_000;

/// A shorter hole is none: two pictures are never quite as far from each other as others.
const GAP_NANOS_MIN: i64 = 100_000_000;

/// A stretch that was asked for and is not in the clip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClipGap {
    /// From when to when.
    pub span: Span,
    /// By the ledger; none where it does not tell.
    pub cause: Option<GapCause>,
    /// In words; may be empty.
    pub detail: String,
}

/// What is known of the time that was asked for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known<'a> {
    /// None where the journals know nothing of the camera.
    pub(super) coverage: Option<&'a Coverage>,
    /// Footage from here on was still being written.
    pub(super) open: Option<CaptureTime>,
}

/// The gaps of a clip: what of `asked` is in none of the stretches, which are in order.
pub(super) fn gaps(asked: Span, stretches: &[Span], known: Known<'_>) -> Vec<ClipGap> {
    let mut gaps = Vec::new();
    let mut begin = asked.begin;
    let ends = stretches.iter().copied().chain([Span {
        begin: asked.end,
        end: asked.end,
    }]);
    for stretch in ends {
        let hole = Span::new(begin, stretch.begin.min(asked.end));
        if let Some(hole) = hole.filter(|hole| hole.nanos() > GAP_NANOS_MIN) {
            gaps.extend(explain(hole, known));
        }
        begin = begin.max(stretch.end);
    }
    gaps
}

fn explain(hole: Span, known: Known<'_>) -> Vec<ClipGap> {
    let told = known.coverage.into_iter().flat_map(|c| &c.gaps);
    let mut gaps: Vec<ClipGap> = Vec::new();
    let mut at = hole.begin;
    for gap in told {
        let Some(span) = gap.span.cut(hole) else {
            continue;
        };
        let mut span = Span {
            begin: span.begin.max(at),
            ..span
        };
        if let Some(before) = Span::new(at, span.begin) {
            match before.nanos() <= EDGE_NANOS {
                true => span.begin = at,
                false => gaps.push(unexplained(before, known)),
            }
        }
        if let Some(span) = Span::new(span.begin, span.end) {
            at = span.end;
            gaps.push(ClipGap {
                span,
                cause: Some(gap.cause),
                detail: gap.detail.clone(),
            });
        }
    }
    if let Some(rest) = Span::new(at, hole.end) {
        match gaps.last_mut() {
            Some(last) if rest.nanos() <= EDGE_NANOS => last.span.end = rest.end,
            _ => gaps.push(unexplained(rest, known)),
        }
    }
    gaps
}

fn unexplained(span: Span, known: Known<'_>) -> ClipGap {
    let settled = known.coverage.map(|coverage| coverage.window.end);
    let wanted = known.coverage.into_iter().flat_map(|c| &c.wanted);
    let wanted = wanted.filter_map(|w| w.cut(span)).next().is_some();
    let cut = |spans: fn(&Coverage) -> &[Span]| {
        let spans = known.coverage.into_iter().flat_map(spans);
        spans.filter_map(|w| w.cut(span)).next().is_some()
    };
    let expired = cut(|coverage| &coverage.expired);
    let detail = match (known.open, settled) {
        _ if expired => "it was recorded, and has gone by the rules of [ladder]",
        (Some(open), _) if open < span.end => "was still being written when the clip was cut",
        (_, None) => "the archive has no journal of this camera",
        (_, Some(settled)) if settled < span.end => "not accounted for yet when the clip was cut",
        _ if !wanted => "no relay was configured to record the camera",
        _ => "the ledger has footage that the clip could not use",
    };
    ClipGap {
        span,
        cause: None,
        detail: detail.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::ledger::Gap;
    use crate::units::Name;

    const SECOND: i64 = 1_000_000_000;

    fn span(begin: i64, end: i64) -> Span {
        let at = |tenths: i64| CaptureTime::from_unix_nanos(tenths * SECOND / 10);
        Span::new(at(begin), at(end)).unwrap()
    }

    fn told(gaps: &[ClipGap]) -> Vec<(Span, Option<GapCause>, &str)> {
        let one = |gap: &'_ ClipGap| (gap.span, gap.cause);
        let details = gaps.iter().map(|gap| gap.detail.as_str());
        let pairs = gaps.iter().map(one).zip(details);
        pairs
            .map(|((span, cause), detail)| (span, cause, detail))
            .collect()
    }

    #[test]
    fn holes_have_the_causes_of_the_ledger() {
        let gap = |begin, end, cause, detail: &str| Gap {
            span: span(begin, end),
            cause,
            detail: detail.to_owned(),
            lasts: false,
        };
        let coverage = Coverage {
            camera: Name::new("gate").unwrap(),
            site: Name::new("boatyard").unwrap(),
            window: span(0, 1000),
            wanted: vec![span(0, 900)],
            recorded: vec![],
            thinned: vec![],
            expired: vec![],
            gaps: vec![
                gap(102, 200, GapCause::Uplink, "no answer"),
                gap(200, 246, GapCause::Camera, ""),
                gap(600, 650, GapCause::Relay, ""),
            ],
        };
        let known = Known {
            coverage: Some(&coverage),
            open: None,
        };
        let stretches = [span(0, 100), span(250, 400), span(430, 500), span(700, 880)];
        let found = gaps(span(0, 1200), &stretches, known);
        assert_eq!(
            told(&found),
            [
                (span(100, 200), Some(GapCause::Uplink), "no answer"),
                (span(200, 250), Some(GapCause::Camera), ""),
                (
                    span(400, 430),
                    None,
                    "the ledger has footage that the clip could not use"
                ),
                (
                    span(500, 600),
                    None,
                    "the ledger has footage that the clip could not use"
                ),
                (span(600, 650), Some(GapCause::Relay), ""),
                (
                    span(650, 700),
                    None,
                    "the ledger has footage that the clip could not use"
                ),
                (
                    span(880, 1200),
                    None,
                    "not accounted for yet when the clip was cut"
                ),
            ]
        );
        // The clip begins before what was asked for.
        assert_eq!(gaps(span(50, 90), &stretches, known), []);
        let open = Known {
            open: Some(span(1100, 1101).begin),
            ..known
        };
        let found = gaps(span(950, 1200), &stretches, open);
        assert_eq!(
            told(&found),
            [(
                span(950, 1200),
                None,
                "was still being written when the clip was cut"
            )]
        );
        let found = gaps(span(950, 1000), &stretches, known);
        assert_eq!(
            told(&found),
            [(
                span(950, 1000),
                None,
                "no relay was configured to record the camera"
            )]
        );
        let nothing = Known {
            coverage: None,
            open: None,
        };
        let found = gaps(span(0, 300), &stretches, nothing);
        assert_eq!(
            told(&found),
            [(
                span(100, 250),
                None,
                "the archive has no journal of this camera"
            )]
        );
    }
}
