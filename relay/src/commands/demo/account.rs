//! The ledger's account beside what the simulated cameras themselves know. Pure.

use std::collections::BTreeSet;

use super::pictures::Pictures;
use crate::archive::ledger::{Coverage, GapCause, Span, total_nanos};
use crate::coverage::length;
use crate::units::CaptureTime;

/// How far a gap may begin before another one ends and be the same.
const TOUCHING: i64 = 1_000_000;
/// At the start and at the end one side of a gap is the relay's clock and the other the capture time
/// of a picture: between them lies the time to draw and code it, which no relay can see.
const DRAWING: i64 = 250_000_000;

/// What is known of a camera, other than by the ledger.
#[derive(Debug)]
pub(super) struct Truth<'a> {
    /// What its files hold.
    pub(super) pictures: &'a Pictures,
    /// Numbers of the pictures that it took and dropped.
    pub(super) dropped: BTreeSet<u64>,
    /// From picture to picture.
    pub(super) frame_nanos: i64,
    /// When its uplink was down.
    pub(super) dropouts: Vec<Span>,
    /// When it was away.
    pub(super) restarts: Vec<Span>,
}

/// Why pictures are missing in the files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Why {
    /// They were taken before the first that was wanted and could be had.
    Start,
    End,
    /// The camera had no room for them while it could not send.
    Dropped,
    /// The camera was away, or just back.
    Restart,
    /// The simulated camera took none: there was no time to draw them.
    Busy,
    /// The camera has sent them, and there is no excuse.
    Unknown,
}

/// A stretch of which the files have no picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Hole {
    span: Span,
    pictures: u64,
    why: Why,
}

/// A gap of the ledger, and the hole in the files that it speaks of.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Pair {
    gap: Option<(Span, Vec<GapCause>)>,
    hole: Option<Hole>,
    agrees: bool,
}

/// The account of one camera beside the truth.
#[derive(Debug)]
pub(super) struct Comparison {
    wanted_nanos: u64,
    recorded_nanos: u64,
    by_cause: Vec<(GapCause, u64)>,
    pairs: Vec<Pair>,
    recorded: u64,
    rescued: u64,
    doubled: usize,
    in_order: bool,
}

impl Comparison {
    pub(super) fn new(coverage: &Coverage, truth: &Truth<'_>) -> Self {
        let pictures = truth.pictures;
        let saved = |taken: CaptureTime| {
            let within = |span: &Span| span.begin <= taken && taken < span.end;
            truth.dropouts.iter().any(within)
        };
        let rescued = pictures.list.iter().filter(|one| saved(one.taken)).count();
        Self {
            wanted_nanos: total_nanos(&coverage.wanted).unsigned_abs(),
            recorded_nanos: total_nanos(&coverage.recorded).unsigned_abs(),
            by_cause: (coverage.gaps.iter())
                .map(|gap| (gap.cause, nanos(gap.span)))
                .collect(),
            pairs: pair(&gaps(coverage), &holes(coverage, truth), truth.frame_nanos),
            recorded: (pictures.list.len() - pictures.doubled) as u64,
            rescued: rescued as u64,
            doubled: pictures.doubled,
            in_order: pictures.in_order(),
        }
    }

    /// Whether the ledger says what is true, to a picture at each gap, and nothing is wrong with
    /// what was recorded.
    pub(super) fn agrees(&self) -> bool {
        let explained = |pair: &Pair| pair.hole.is_none_or(|hole| hole.why != Why::Unknown);
        let pairs = self.pairs.iter().all(|pair| pair.agrees && explained(pair));
        pairs && self.recorded > 0 && self.doubled == 0 && self.in_order
    }

    /// The heading of [`ledger`](Self::ledger).
    pub(super) const LEDGER_HEADING: [&'static str; 4] =
        ["camera", "wanted", "recorded", "missing, by cause"];

    /// The ledger's sums.
    pub(super) fn ledger(&self, camera: &str) -> Vec<String> {
        let by_cause = GapCause::ALL.into_iter().filter_map(|cause| {
            let of_cause = self.by_cause.iter().filter(|(one, _)| *one == cause);
            let nanos = of_cause.map(|(_, nanos)| nanos).sum::<u64>();
            (nanos > 0).then(|| format!("{} {}", cause.as_str(), length(nanos)))
        });
        let by_cause: Vec<_> = by_cause.collect();
        vec![
            camera.to_owned(),
            length(self.wanted_nanos),
            length(self.recorded_nanos),
            by_cause.join(", "),
        ]
    }

    /// The heading of [`files`](Self::files).
    pub(super) const FILES_HEADING: [&'static str; 7] = [
        "camera",
        "recorded",
        "of these rescued",
        "missing",
        "of these dropped by the camera",
        "doubled",
        "in order",
    ];

    /// Pictures, counted by the numbers in the files.
    pub(super) fn files(&self, camera: &str) -> Vec<String> {
        let holes = || self.pairs.iter().filter_map(|pair| pair.hole);
        let dropped = holes().filter(|hole| hole.why == Why::Dropped);
        vec![
            camera.to_owned(),
            self.recorded.to_string(),
            self.rescued.to_string(),
            holes().map(|hole| hole.pictures).sum::<u64>().to_string(),
            dropped.map(|hole| hole.pictures).sum::<u64>().to_string(),
            self.doubled.to_string(),
            if self.in_order { "yes" } else { "NO" }.to_owned(),
        ]
    }

    /// The heading of [`gaps`](Self::gaps).
    pub(super) const GAPS_HEADING: [&'static str; 4] = [
        "camera",
        "at",
        "the ledger says",
        "the camera's own numbers say",
    ];

    /// A row for each gap; `begin` is what the seconds count from.
    pub(super) fn gaps(&self, camera: &str, begin: CaptureTime) -> Vec<Vec<String>> {
        let row = |pair: &Pair| {
            let at = pair.gap.as_ref().map(|(span, _)| span.begin);
            let at = at.or(pair.hole.map(|hole| hole.span.begin));
            let at = at.map_or(0, |at| at.unix_nanos() - begin.unix_nanos());
            let says = pair.gap.as_ref().map_or_else(
                || "nothing is missing".to_owned(),
                |(span, causes)| {
                    let causes: Vec<_> = causes.iter().map(|cause| cause.as_str()).collect();
                    format!("{}, {}", length(nanos(*span)), causes.join(" and "))
                },
            );
            let mut knows = pair.hole.map_or_else(
                || "nothing is missing".to_owned(),
                |hole| {
                    let (long, number) = (length(nanos(hole.span)), hole.pictures);
                    format!("{long}, {number} pictures {}", hole.why.words())
                },
            );
            if !pair.agrees {
                knows += "  <- they differ";
            }
            vec![
                camera.to_owned(),
                format!("{:.1} s", (at.max(0)) as f64 / 1e9),
                says,
                knows,
            ]
        };
        self.pairs.iter().map(row).collect()
    }
}

impl Why {
    fn words(self) -> &'static str {
        match self {
            Self::Start => "taken before the relay had its first key frame",
            Self::End => "taken after the relay had said good-bye",
            Self::Dropped => "dropped by the camera: its buffer was full",
            Self::Busy => "taken: this computer had too much else to do",
            Self::Restart => "lost in its restart, up to the next key frame",
            Self::Unknown => "SENT, and not in the files",
        }
    }
}

fn nanos(span: Span) -> u64 {
    u64::try_from(span.nanos()).unwrap_or(0)
}

/// The ledger's gaps; those that touch are one.
fn gaps(coverage: &Coverage) -> Vec<(Span, Vec<GapCause>)> {
    let mut gaps: Vec<(Span, Vec<GapCause>)> = Vec::new();
    for gap in &coverage.gaps {
        let begin = gap.span.begin.unix_nanos();
        match gaps.last_mut() {
            Some((last, causes)) if begin - last.end.unix_nanos() < TOUCHING => {
                last.end = gap.span.end;
                if !causes.contains(&gap.cause) {
                    causes.push(gap.cause);
                }
            }
            _ => gaps.push((gap.span, vec![gap.cause])),
        }
    }
    gaps
}

/// What the files lack of the wanted time, by the numbers and times in their pictures.
fn holes(coverage: &Coverage, truth: &Truth<'_>) -> Vec<Hole> {
    let (Some(first), Some(last)) = (coverage.wanted.first(), coverage.wanted.last()) else {
        return Vec::new();
    };
    let after = |time: CaptureTime| {
        CaptureTime::from_unix_nanos(time.unix_nanos().saturating_add(truth.frame_nanos))
    };
    let in_time = |span: Span| (span.nanos() + truth.frame_nanos / 2) / truth.frame_nanos;
    let edge = |span: Option<Span>, why| {
        span.map(|span| Hole {
            span,
            pictures: u64::try_from(in_time(span)).unwrap_or(0),
            why,
        })
    };
    let list = &truth.pictures.list;
    let mut holes = Vec::new();
    let begin = list.first().map_or(last.end, |first| first.taken);
    holes.extend(edge(Span::new(first.begin, begin), Why::Start));
    for pair in list.windows(2) {
        let [one, next] = pair else { continue };
        let missing = next.number.saturating_sub(one.number + 1);
        let Some(span) = Span::new(after(one.taken), next.taken) else {
            continue;
        };
        let mut numbers = one.number + 1..next.number;
        let away = |restart: &Span| restart.cut(span).is_some();
        let why = if truth.restarts.iter().any(away) {
            Why::Restart
        } else if missing == 0 {
            Why::Busy
        } else if numbers.all(|number| truth.dropped.contains(&number)) {
            Why::Dropped
        } else {
            Why::Unknown
        };
        holes.push(Hole {
            span,
            pictures: missing,
            why,
        });
    }
    let end = list.last().map(|last| after(last.taken));
    holes.extend(edge(end.and_then(|end| Span::new(end, last.end)), Why::End));
    holes
}

/// Finds the hole to each gap. Lengths may differ by a picture; what only one side knows of, by
/// two: the ledger does not count what is about as short as that.
fn pair(gaps: &[(Span, Vec<GapCause>)], holes: &[Hole], frame_nanos: i64) -> Vec<Pair> {
    let mut pairs = Vec::new();
    let mut holes = holes.iter().copied().peekable();
    let alone = |span: Span| span.nanos() <= 2 * frame_nanos;
    let lone_hole = |hole: Hole| Pair {
        gap: None,
        hole: Some(hole),
        agrees: hole.why == Why::Busy || alone(hole.span),
    };
    for (span, causes) in gaps {
        while let Some(before) = holes.next_if(|hole| hole.span.end <= span.begin) {
            pairs.push(lone_hole(before));
        }
        let hole = holes.next_if(|hole| hole.span.cut(*span).is_some());
        pairs.push(Pair {
            gap: Some((*span, causes.clone())),
            hole,
            agrees: hole.map_or(alone(*span), |hole| {
                let edge = matches!(hole.why, Why::Start | Why::End);
                let allowed = frame_nanos + if edge { DRAWING } else { 0 };
                span.nanos().abs_diff(hole.span.nanos()) <= allowed.unsigned_abs()
            }),
        });
    }
    pairs.extend(holes.map(lone_hole));
    // At the edges the ledger doesn't look at what is as short as that, and for a picture that
    // takes longer to come it shows the one before.
    let fine = |hole: Hole| matches!(hole.why, Why::Start | Why::End | Why::Busy);
    pairs.retain(|pair| !(pair.agrees && pair.gap.is_none() && pair.hole.is_some_and(fine)));
    pairs
}

#[cfg(test)]
#[path = "account_tests.rs"]
mod tests;
