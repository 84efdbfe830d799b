//! Scores and gauges over time, drawn: a lane for each kind, and for each gauge.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::outcome::Kind;
use crate::archive::findings::{Finding, Phase};
use crate::markup::escaped;
use crate::units::CaptureTime;

/// Columns of a lane; within one the highest score is drawn, and all that a gauge was.
const COLUMNS: usize = 1000;
/// Height of the scores, and of the bar of states below them.
const HEIGHT: f64 = 72.0;
const BAR: f64 = 8.0;
/// Times are written below each of so many equal parts, and at the end.
const PARTS: i64 = 4;
const SECOND: i64 = 1_000_000_000;

/// The footage along the lanes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    begin: i64,
    end: i64,
    length: f64,
}

impl Axis {
    pub(super) fn new((begin, end): (CaptureTime, CaptureTime)) -> Self {
        let (begin, end) = (begin.unix_nanos(), end.unix_nanos());
        Self {
            begin,
            end,
            length: (end.saturating_sub(begin) as f64).max(1.0),
        }
    }

    /// 0 to [`COLUMNS`].
    pub(super) fn x(self, at: CaptureTime) -> f64 {
        let since = at.unix_nanos().saturating_sub(self.begin) as f64;
        (since / self.length * COLUMNS as f64).clamp(0.0, COLUMNS as f64)
    }

    /// What the times below the lanes have in common, and these times, as short as they tell the parts
    /// apart.
    pub(super) fn times(self) -> (String, Vec<String>) {
        let length = self.end.saturating_sub(self.begin);
        let part = length / PARTS;
        let times: Vec<_> = (0..=PARTS)
            .map(|n| {
                if n == PARTS {
                    self.end
                } else {
                    self.begin.saturating_add(part * n)
                }
            })
            // The calendar holds any i64 of nanoseconds.
            .map(|nanos| Timestamp::from_nanosecond(nanos.into()).unwrap_or_default())
            .collect();
        let day = |time: &Timestamp| time.strftime("%F").to_string();
        let days: Vec<_> = times.iter().map(day).collect();
        let is_one_day = days.first() == days.last();
        let (common, format) = match (is_one_day, part) {
            (true, part) if part >= 3600 * SECOND => (days.first(), "%H:%M"),
            (true, part) if part >= 10 * SECOND => (days.first(), "%T"),
            (true, part) if part >= SECOND => (days.first(), "%T.%1f"),
            (true, _) => (days.first(), "%T.%3f"),
            (false, part) if part >= 24 * 3600 * SECOND => (None, "%F"),
            (false, part) if part >= 60 * SECOND => (None, "%m-%d %H:%M"),
            (false, _) => (None, "%m-%d %T"),
        };
        let common = common.map_or_else(|| "UTC".to_owned(), |day| format!("{day}, UTC"));
        let times = times.iter().map(|time| time.strftime(format).to_string());
        (common, times.collect())
    }
}

/// Draws a kind. `findings` are those of this kind, each with its place in the list; marks link
/// there. A kind that is only of states has no curve: what it tells is when they last.
pub(super) fn draw<'a>(
    name: &str,
    kind: &Kind,
    axis: Axis,
    findings: impl Iterator<Item = (usize, &'a Finding)> + Clone,
) -> String {
    let has_curve = kind.marks > 0;
    let height = if has_curve { HEIGHT } else { 0.0 };
    let mut svg = if has_curve {
        let about = format!("Scores of {name}, 0 to 1, over the footage");
        begin(
            "lane",
            height + BAR,
            &about,
            &[0.0, 0.5, 1.0].map(|share| HEIGHT * share),
        )
    } else {
        let about = format!("When {name} lasted, over the footage");
        begin("lane flat", height + BAR, &about, &[BAR / 2.0])
    };
    if has_curve {
        let mut path = String::new();
        let mut before = None;
        // Each column by itself: where nothing was said, nothing is drawn.
        for (x, score) in columns(kind, axis) {
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
    }
    for (begin, end) in states(axis, findings.clone().map(|(_, finding)| finding)) {
        let width = (end - begin).max(1.0);
        write!(
            svg,
            "<rect class=\"state\" x=\"{begin:.1}\" y=\"{height}\" width=\"{width:.1}\" \
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

/// Draws a gauge from its lowest value to its highest, which are given beside it. A gauge has its
/// value until it is set anew.
pub(super) fn gauge(
    name: &str,
    values: &[(CaptureTime, f64)],
    axis: Axis,
) -> Option<(String, f64, f64)> {
    let numbers = || values.iter().map(|(_, value)| *value);
    let (lowest, highest) = (numbers().reduce(f64::min)?, numbers().reduce(f64::max)?);
    let about = format!("Values of the gauge {name} over the footage");
    let mut svg = begin(
        "lane",
        HEIGHT,
        &about,
        &[0.0, 0.5, 1.0].map(|share| HEIGHT * share),
    );
    let y = |value: f64| {
        // Halved, since the range of two numbers may be no number.
        let range = highest / 2.0 - lowest / 2.0;
        match range > 0.0 {
            true => HEIGHT * (1.0 - (value / 2.0 - lowest / 2.0) / range),
            false => HEIGHT / 2.0,
        }
    };
    let mut path = String::new();
    for (x, extent) in extents(values, axis) {
        let step = if path.is_empty() { 'M' } else { 'H' };
        write!(path, "{step}{x}").ok();
        let step = if step == 'M' { ' ' } else { 'V' };
        write!(path, "{step}{:.1}", y(extent.first)).ok();
        // Whatever it was within the column is seen.
        for value in [extent.lowest, extent.highest, extent.last] {
            write!(path, "V{:.1}", y(value)).ok();
        }
    }
    write!(svg, "<path class=\"gauge\" d=\"{path}H{COLUMNS}\"/></svg>").ok();
    Some((svg, lowest, highest))
}

fn begin(class: &str, height: f64, about: &str, lines: &[f64]) -> String {
    let mut svg = format!(
        "<svg class=\"{class}\" viewBox=\"0 0 {COLUMNS} {height}\" preserveAspectRatio=\"none\" \
         role=\"img\" aria-label=\"{}\">",
        escaped(about)
    );
    for y in lines {
        write!(svg, "<path class=\"grid\" d=\"M0 {y:.1}H{COLUMNS}\"/>").ok();
    }
    for part in 0..=PARTS {
        let x = COLUMNS as i64 / PARTS * part;
        write!(svg, "<path class=\"grid\" d=\"M{x} 0V{height:.1}\"/>").ok();
    }
    svg
}

/// What a gauge was within a column.
struct Extent {
    first: f64,
    lowest: f64,
    highest: f64,
    last: f64,
}

/// Of each column that has a value.
fn extents(values: &[(CaptureTime, f64)], axis: Axis) -> Vec<(usize, Extent)> {
    let mut extents: Vec<Option<Extent>> = Vec::new();
    extents.resize_with(COLUMNS + 1, || None);
    for (at, value) in values {
        let value = *value;
        let Some(slot) = extents.get_mut(axis.x(*at) as usize) else {
            continue;
        };
        let extent = slot.get_or_insert(Extent {
            first: value,
            lowest: value,
            highest: value,
            last: value,
        });
        extent.lowest = extent.lowest.min(value);
        extent.highest = extent.highest.max(value);
        extent.last = value;
    }
    let columns = extents.into_iter().enumerate();
    columns
        .filter_map(|(x, extent)| Some((x, extent?)))
        .collect()
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

#[cfg(test)]
#[path = "curve_tests.rs"]
mod tests;
