//! The account of a camera, from what is known: a pure function.
//!
//! Wanted is all time from the camera's first run on, the relay's down times included, except
//! between a run that knew the camera and one that didn't, and except what is planned. What is
//! wanted and not recorded is a gap. Its cause is, in this order: that no relay ran; what intake
//! says; what the archive says; and otherwise the sink. Intake leaves evidence for everything that
//! it did not get: without evidence the units were there, and nobody recorded them.

use std::collections::BTreeSet;

use super::spans::{intersect, later, subtract};
use super::{Coverage, Fate, Gap, GapCause, Span, Witness, union};
use crate::units::{CameraName, CaptureTime, SiteName};

const SECOND: i64 = 1_000_000_000;
/// How far one file may be from the next beyond a sample: capture times are estimates.
pub(super) const SLACK: i64 = 20_000_000;
/// A shorter piece of a gap takes the cause of its neighbour: footage and evidence come from
/// different hands, and their edges are never quite the same.
const PIECE_MIN: i64 = SECOND / 4;
/// What a relay that is cut off may take with it: a fragment of 10 s and what waits before it, and
/// 5 s that were not flushed. (Its last sign of life is up to 2 s old.)
const TAIL_MAX: i64 = 30 * SECOND;
/// How long a start may take until there is footage or evidence.
const START_MAX: i64 = 60 * SECOND;
/// How far around the window is looked, so that an account does not depend on where it is cut.
pub(crate) const MARGIN: i64 = 2 * START_MAX;
/// Of the words of a gap.
const DETAIL_CHARS_MAX: usize = 240;

/// A relay's life.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Run {
    /// When it began, and when it was last known to live.
    pub span: Span,
    /// Whether the camera was in its configuration.
    pub knows: bool,
}

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Footage {
    /// When.
    pub span: Span,
    /// Mean duration of its samples in nanoseconds.
    pub frame_nanos: i64,
}

/// Evidence about the camera that has an end, be it that of the run that left it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Testimony {
    /// Who says so.
    pub witness: Witness,
    /// For when.
    pub span: Span,
    /// Of what.
    pub cause: GapCause,
    /// In words.
    pub detail: String,
    /// Whether it still lasts.
    pub lasts: bool,
}

/// Everything that is known of a camera; in any order.
#[derive(Debug, Clone, Copy)]
pub struct Books<'a> {
    /// Whose.
    pub camera: &'a CameraName,
    /// Where it stands.
    pub site: &'a SiteName,
    /// All runs of the relay.
    pub runs: &'a [Run],
    /// What is durable.
    pub footage: &'a [Footage],
    /// What was, and is not whole any more: it counts as recorded.
    pub retired: &'a [(Fate, Footage)],
    /// What was told.
    pub evidence: &'a [Testimony],
}

/// Accounts for a window, up to `horizon`: what is before it is settled. The books must reach
/// two minutes around it. Where nothing of the window is settled, the account's window is empty.
#[must_use]
pub fn account(books: Books<'_>, window: Span, horizon: CaptureTime) -> Coverage {
    let window = Span {
        begin: window.begin,
        end: window.end.min(horizon).max(window.begin),
    };
    let mut coverage = Coverage {
        camera: books.camera.clone(),
        site: books.site.clone(),
        window,
        wanted: Vec::new(),
        recorded: Vec::new(),
        thinned: Vec::new(),
        expired: Vec::new(),
        gaps: Vec::new(),
    };
    let extent = Span::new(
        later(window.begin, -MARGIN),
        later(window.end, MARGIN).min(horizon),
    );
    let (Some(extent), false) = (extent, window.begin == window.end) else {
        return coverage;
    };
    let open = wanted(books.runs, extent);
    let of_plan = |t: &&Testimony| t.witness == Witness::Plan && t.cause == GapCause::Planned;
    let planned = union(
        books
            .evidence
            .iter()
            .filter(of_plan)
            .map(|t| t.span)
            .collect(),
    );
    let (planned, wanted) = (intersect(&open, &planned), subtract(&open, &planned));

    let retired = books.retired.iter().map(|(_, footage)| footage);
    let ever: Vec<Footage> = books.footage.iter().chain(retired).copied().collect();
    let missing = missing(&wanted, ever);
    let recorded = subtract(&wanted, &missing);
    let ground = Ground::new(&books, extent);
    let mut gaps: Vec<Gap> = Vec::new();
    let mut near = Near::new(books.evidence);
    for span in &missing {
        gaps.extend(ground.gaps(*span, near.at(*span)));
    }
    let mut near = Near::new(books.evidence);
    for span in &planned {
        let told = near.at(*span).iter().filter(|t| of_plan(t)).copied();
        gaps.push(Gap {
            span: *span,
            cause: GapCause::Planned,
            detail: words(told.map(|t| t.detail.as_str())),
            lasts: false,
        });
    }
    for gap in &mut gaps {
        let told = |t: &Testimony| t.lasts && t.cause == gap.cause && t.span.begin < gap.span.end;
        gap.lasts =
            gap.span.end == window.end && window.end == horizon && books.evidence.iter().any(told);
    }
    gaps.sort_by_key(|gap| gap.span);
    let in_window = |spans: Vec<Span>| spans.into_iter().filter_map(|s| s.cut(window)).collect();
    let (thinned, expired) = no_longer_whole(&books, &recorded);
    coverage.thinned = in_window(thinned);
    coverage.expired = in_window(expired);
    coverage.wanted = in_window(wanted);
    coverage.recorded = in_window(recorded);
    gaps.retain_mut(|gap| {
        let cut = gap.span.cut(window);
        cut.inspect(|cut| gap.span = *cut).is_some()
    });
    coverage.gaps = gaps;
    coverage
}

/// When the camera was in the configuration of a relay that ran, or that should have run.
fn wanted(runs: &[Run], extent: Span) -> Vec<Span> {
    let mut runs = runs.to_vec();
    runs.sort_unstable();
    let known = runs.iter().filter(|run| run.knows).map(|run| run.span);
    // A run that lasted over several others is followed by the last of them.
    let between = runs.windows(2).filter_map(|pair| match pair {
        [a, b] if a.knows && b.knows => Span::new(a.span.end, b.span.begin),
        _ => None,
    });
    intersect(&union(known.chain(between).collect()), &[extent])
}

/// What of the wanted time no footage covers. What is shorter than a sample and some slack, beside
/// footage, does not count.
fn missing(wanted: &[Span], mut footage: Vec<Footage>) -> Vec<Span> {
    footage.sort_unstable();
    let mut pieces: Vec<(Span, i64)> = Vec::new();
    for Footage { span, frame_nanos } in footage {
        let slack = frame_nanos.saturating_add(SLACK);
        match pieces.last_mut() {
            Some((last, last_slack)) if span.begin <= later(last.end, slack.max(*last_slack)) => {
                if span.end >= last.end {
                    (last.end, *last_slack) = (span.end, slack);
                }
            }
            _ => pieces.push((span, slack)),
        }
    }
    let recorded: Vec<Span> = pieces.iter().map(|(span, _)| *span).collect();
    let mut missing = subtract(wanted, &recorded);
    missing.retain(|hole| {
        let after = pieces.partition_point(|(span, _)| span.begin < hole.end);
        let sides = pieces.get(after.saturating_sub(1)..).unwrap_or_default();
        !sides.iter().take(2).any(|(span, slack)| {
            (span.end == hole.begin || span.begin == hole.end) && hole.nanos() <= *slack
        })
    });
    missing
}

/// What of the recorded has only key frames left, and what is gone. What is whole is whole, whatever
/// was written down of it: the relay may have been cut off before the file went.
fn no_longer_whole(books: &Books<'_>, recorded: &[Span]) -> (Vec<Span>, Vec<Span>) {
    let of = |wanted: Fate| {
        let retired = books.retired.iter().filter(|(fate, _)| *fate == wanted);
        union(retired.map(|(_, footage)| footage.span).collect())
    };
    let whole = union(books.footage.iter().map(|footage| footage.span).collect());
    let expired = subtract(&of(Fate::Expired), &whole);
    let thinned = subtract(&subtract(&of(Fate::Thinned), &whole), &expired);
    (intersect(recorded, &thinned), intersect(recorded, &expired))
}

/// Evidence around spans that are asked for in their order.
struct Near<'a> {
    coming: Vec<&'a Testimony>,
    current: Vec<&'a Testimony>,
}

impl<'a> Near<'a> {
    fn new(evidence: &'a [Testimony]) -> Self {
        let mut coming: Vec<_> = evidence.iter().collect();
        coming.sort_unstable_by(|a, b| (b.span, b).cmp(&(a.span, a)));
        Self {
            coming,
            current: Vec::new(),
        }
    }

    fn at(&mut self, span: Span) -> &[&'a Testimony] {
        while let Some(next) = self.coming.pop_if(|next| next.span.begin < span.end) {
            self.current.push(next);
        }
        self.current.retain(|told| told.span.end > span.begin);
        &self.current
    }
}

/// What the relay itself did.
struct Ground {
    down: Vec<Span>,
    starts: BTreeSet<CaptureTime>,
    ends: BTreeSet<CaptureTime>,
}

#[derive(Debug, Clone)]
struct Piece {
    span: Span,
    /// None: nobody said anything.
    cause: Option<GapCause>,
    detail: String,
}

impl Ground {
    fn new(books: &Books<'_>, extent: Span) -> Self {
        let alive = union(books.runs.iter().map(|run| run.span).collect());
        Self {
            down: subtract(&[extent], &alive),
            starts: books.runs.iter().map(|run| run.span.begin).collect(),
            ends: books.runs.iter().map(|run| run.span.end).collect(),
        }
    }

    /// Divides what is missing by cause.
    fn gaps(&self, missing: Span, evidence: &[&Testimony]) -> Vec<Gap> {
        let mut edges = BTreeSet::from([missing.begin, missing.end]);
        let spans = evidence
            .iter()
            .map(|told| told.span)
            .chain(self.down_in(missing));
        edges.extend(spans.flat_map(|span| [span.begin, span.end]));
        edges.extend(self.starts.range(missing.begin..missing.end));
        let edges: Vec<_> = edges.range(missing.begin..=missing.end).copied().collect();
        let spans = edges.windows(2).filter_map(|pair| match pair {
            [begin, end] => Span::new(*begin, *end),
            _ => None,
        });
        let pieces: Vec<_> = spans.map(|span| self.piece(span, evidence)).collect();
        let gap = |piece: Piece| Gap {
            span: piece.span,
            cause: piece.cause.unwrap_or(GapCause::Sink),
            detail: piece.detail,
            lasts: false,
        };
        even_out(self.lengthen(pieces))
            .into_iter()
            .map(gap)
            .collect()
    }

    fn down_in(&self, span: Span) -> impl Iterator<Item = Span> {
        let first = self.down.partition_point(|down| down.end <= span.begin);
        let down = self.down.get(first..).unwrap_or_default().iter().copied();
        down.take_while(move |down| down.begin < span.end)
    }

    fn is_down(&self, span: Span) -> bool {
        self.down_in(span).next().is_some()
    }

    /// A piece in which nothing begins or ends.
    fn piece(&self, span: Span, evidence: &[&Testimony]) -> Piece {
        if self.is_down(span) {
            return Piece {
                span,
                cause: Some(GapCause::Relay),
                detail: "the relay did not run".to_owned(),
            };
        }
        let rank = |told: &Testimony| match told.witness {
            Witness::Intake => Some(0),
            Witness::Archive => Some(1),
            Witness::Sink(_) => Some(2),
            Witness::Plan => None,
        };
        let here = evidence
            .iter()
            .filter(|told| told.span.begin <= span.begin && told.span.end >= span.end);
        let best = here
            .clone()
            .filter_map(|told| Some((rank(told)?, told.cause)))
            .min();
        let said = here.filter(|told| best == rank(told).map(|rank| (rank, told.cause)));
        Piece {
            span,
            cause: best.map(|(_, cause)| cause),
            detail: words(said.map(|told| told.detail.as_str())),
        }
    }

    /// A relay's end takes what was not flushed with it, and its start takes a while: silence
    /// beside them is theirs.
    fn lengthen(&self, pieces: Vec<Piece>) -> Vec<Piece> {
        let mut out: Vec<Piece> = Vec::new();
        // Where the start that the present silence belongs to was.
        let mut start = None;
        for (index, piece) in pieces.iter().enumerate() {
            if piece.cause.is_some() {
                start = None;
                out.push(piece.clone());
                continue;
            }
            if self.starts.contains(&piece.span.begin) {
                start = Some(piece.span.begin);
            }
            let silent_until = pieces
                .get(index..)
                .unwrap_or_default()
                .iter()
                .find(|next| next.cause.is_some());
            let last = pieces.last().map(|last| last.span.end);
            let down_from = match silent_until {
                Some(next) => Some(next.span.begin).filter(|_| self.is_down(next.span)),
                // The end of a run that no other follows yet.
                None => last.filter(|last| self.ends.contains(last)),
            };
            let started = start.map_or(piece.span.begin, |start| later(start, START_MAX));
            let cut_off = down_from.map_or(piece.span.end, |down| later(down, -TAIL_MAX));
            let Span { begin, end } = piece.span;
            let started = started.clamp(begin, end);
            let cut_off = cut_off.clamp(started, end);
            let relay = |span, detail: &str| Piece {
                span,
                cause: Some(GapCause::Relay),
                detail: detail.to_owned(),
            };
            let silent = |span| Piece {
                span,
                cause: Some(GapCause::Sink),
                detail: "no plugin recorded it".to_owned(),
            };
            out.extend(Span::new(begin, started).map(|s| relay(s, "the relay was starting")));
            out.extend(Span::new(started, cut_off).map(silent));
            out.extend(Span::new(cut_off, end).map(|s| relay(s, "the relay ended")));
        }
        out
    }
}

/// Joins pieces of one cause, and gives short ones to their longer neighbour.
fn even_out(mut pieces: Vec<Piece>) -> Vec<Piece> {
    loop {
        let mut joined: Vec<Piece> = Vec::with_capacity(pieces.len());
        for piece in pieces {
            match joined.last_mut() {
                Some(last) if last.cause == piece.cause => {
                    last.span.end = piece.span.end;
                    last.detail = words([last.detail.as_str(), &piece.detail].into_iter());
                }
                _ => joined.push(piece),
            }
        }
        pieces = joined;
        let shortest = pieces
            .iter()
            .enumerate()
            .min_by_key(|(_, piece)| piece.span.nanos())
            .filter(|(_, piece)| piece.span.nanos() < PIECE_MIN && pieces.len() > 1)
            .map(|(index, _)| index);
        let Some(index) = shortest else {
            return pieces;
        };
        let short = pieces.remove(index);
        let length = |index: Option<usize>| {
            let piece = index.and_then(|index| pieces.get(index));
            piece.map_or(0, |piece| piece.span.nanos())
        };
        let before = index.checked_sub(1);
        if length(before) >= length(Some(index)) {
            if let Some(piece) = before.and_then(|index| pieces.get_mut(index)) {
                piece.span.end = short.span.end;
            }
        } else if let Some(piece) = pieces.get_mut(index) {
            piece.span.begin = short.span.begin;
        }
    }
}

/// Several accounts as one line, each only once, of bounded length.
fn words<'a>(details: impl Iterator<Item = &'a str>) -> String {
    let mut line = String::new();
    for detail in details.flat_map(|detail| detail.split("; ")) {
        if detail.is_empty() || line.split("; ").any(|said| said == detail) {
            continue;
        }
        if line.chars().count() + detail.chars().count() > DETAIL_CHARS_MAX {
            break;
        }
        if !line.is_empty() {
            line.push_str("; ");
        }
        line.push_str(detail);
    }
    line
}

#[cfg(test)]
#[path = "account_tests.rs"]
mod tests;
