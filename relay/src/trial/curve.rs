//! Scores over time, drawn: a lane for each kind.

use std::fmt::Write as _;

use super::outcome::Kind;
use crate::archive::findings::{Finding, Phase};
use crate::units::CaptureTime;

/// Columns of a lane; within one the highest score is drawn.
const COLUMNS: usize = 1000;
/// Height of the scores, and of the bar of states below them.
const HEIGHT: f64 = 72.0;
const BAR: f64 = 8.0;

/// The footage along the lanes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    begin: i64,
    length: f64,
}

impl Axis {
    pub(super) fn new((begin, end): (CaptureTime, CaptureTime)) -> Self {
        let (begin, end) = (begin.unix_nanos(), end.unix_nanos());
        Self {
            begin,
            length: (end.saturating_sub(begin) as f64).max(1.0),
        }
    }

    /// 0 to [`COLUMNS`].
    pub(super) fn x(self, at: CaptureTime) -> f64 {
        let since = at.unix_nanos().saturating_sub(self.begin) as f64;
        (since / self.length * COLUMNS as f64).clamp(0.0, COLUMNS as f64)
    }
}

/// Draws a kind. `findings` are those of this kind, each with its place in the list; marks link
/// there.
pub(super) fn draw<'a>(
    name: &str,
    kind: &Kind,
    axis: Axis,
    findings: impl Iterator<Item = (usize, &'a Finding)> + Clone,
) -> String {
    let mut svg = String::new();
    write!(
        svg,
        "<svg class=\"lane\" viewBox=\"0 0 {COLUMNS} {}\" preserveAspectRatio=\"none\" \
         role=\"img\" aria-label=\"Scores of {name}, 0 to 1, over the footage\">",
        HEIGHT + BAR
    )
    .ok();
    for share in [0.0, 0.5, 1.0] {
        let y = HEIGHT * (1.0 - share);
        write!(svg, "<path class=\"grid\" d=\"M0 {y:.1}H{COLUMNS}\"/>").ok();
    }
    let highest = columns(kind, axis);
    // Each column by itself: where nothing was said, nothing is drawn.
    let mut path = String::new();
    let mut before = None;
    for (x, score) in highest {
        let y = HEIGHT * (1.0 - score);
        // Two pictures further apart than this are not one line.
        let joined = before.is_some_and(|last| x - last <= COLUMNS / 20);
        let step = if joined { 'L' } else { 'M' };
        write!(path, "{step}{x} {y:.1}").ok();
        if !joined {
            // A point that stands alone is seen, too.
            write!(path, "h0.01").ok();
        }
        before = Some(x);
    }
    if !path.is_empty() {
        write!(svg, "<path class=\"score\" d=\"{path}\"/>").ok();
    }
    for (begin, end) in states(axis, findings.clone().map(|(_, finding)| finding)) {
        let width = (end - begin).max(1.0);
        write!(
            svg,
            "<rect class=\"state\" x=\"{begin:.1}\" y=\"{HEIGHT}\" width=\"{width:.1}\" \
             height=\"{BAR}\"/>"
        )
        .ok();
    }
    for (place, finding) in findings {
        if finding.phase == Phase::Mark {
            let (x, y) = (axis.x(finding.at), HEIGHT * (1.0 - finding.score));
            write!(
                svg,
                "<a href=\"#f{place}\"><path class=\"mark\" d=\"M{x:.1} {y:.1}V{}\"/></a>",
                HEIGHT + BAR
            )
            .ok();
        }
    }
    svg.push_str("</svg>");
    svg
}

/// The highest score of each column that has one.
fn columns(kind: &Kind, axis: Axis) -> Vec<(usize, f64)> {
    let mut highest: Vec<Option<f64>> = vec![None; COLUMNS + 1];
    for (at, score) in &kind.scores {
        if let Some(slot) = highest.get_mut(axis.x(*at) as usize) {
            *slot = Some(slot.map_or(*score, |known: f64| known.max(*score)));
        }
    }
    let columns = highest.into_iter().enumerate();
    columns.filter_map(|(x, score)| Some((x, score?))).collect()
}

/// From where to where states last; one that does not end lasts to the end.
fn states<'a>(axis: Axis, findings: impl Iterator<Item = &'a Finding>) -> Vec<(f64, f64)> {
    let mut states = Vec::new();
    let mut begun = None;
    for finding in findings {
        match finding.phase {
            Phase::Begin => begun = Some(axis.x(finding.at)),
            Phase::End => {
                if let Some(begin) = begun.take() {
                    states.push((begin, axis.x(finding.at)));
                }
            }
            Phase::Mark => {}
        }
    }
    states.extend(begun.map(|begin| (begin, COLUMNS as f64)));
    states
}
