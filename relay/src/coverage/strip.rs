//! A day drawn as a strip: what is recorded, gaps in place, a mark on each.
//!
//! Lengths along the day are percentages, so that a strip fits any width; patterns, marks and
//! letters are in pixels, so that they are not distorted.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::days::{Day, length_nanos, timestamp, zoned};
use super::words::length;
use crate::archive::ledger::{GapCause, Span};
use crate::units::CaptureTime;

pub(super) const HOUR: u64 = 3_600_000_000_000;
/// Gaps of one cause that lie within this are drawn as one: on a strip of 720 pixels a pixel is two
/// minutes.
const MERGE_NANOS_MIN: u64 = HOUR / 60;
/// From this length on a gap has room for its letter.
const LETTER_NANOS: u64 = HOUR * 3 / 4;
/// From this length on there is room for a pattern; below it only slows down printing.
const PATTERN_NANOS: u64 = HOUR / 6;
/// Height of the bar's lane of marks and of the bar, in pixels.
const BAR_TOP: u32 = 10;
const BAR_HEIGHT: u32 = 14;
/// Height of a strip, and of the hours below where a day has hours of its own.
const HEIGHT: u32 = BAR_TOP * 2 + BAR_HEIGHT;
const HOURS_HEIGHT: u32 = 13;

/// The letter of a cause, in gaps, legend and lists.
pub(super) fn letter(cause: GapCause) -> char {
    match cause {
        GapCause::Uplink => 'U',
        GapCause::Camera => 'C',
        GapCause::Loss => 'L',
        GapCause::Relay => 'R',
        GapCause::Sink => 'S',
        GapCause::Storage => 'D',
        GapCause::Planned => 'P',
    }
}

/// Whether its marks stand above the bar: what happens at the site or on the way. What happens at
/// home hangs below.
pub(super) fn is_above(cause: GapCause) -> bool {
    matches!(cause, GapCause::Uplink | GapCause::Camera | GapCause::Loss)
}

/// Gaps of one cause that are drawn as one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Sliver {
    span: Span,
    cause: GapCause,
    /// How many.
    gaps: u64,
    missing_nanos: u64,
}

/// Joins gaps of one cause that lie within `merge_nanos`.
fn slivers(day: &Day, merge_nanos: u64) -> Vec<Sliver> {
    let mut slivers: Vec<Sliver> = Vec::new();
    // Where each cause was drawn last.
    let mut places: [Option<usize>; GapCause::ALL.len()] = [None; GapCause::ALL.len()];
    for gap in &day.gaps {
        let missing_nanos = length_nanos(gap.span);
        let place = GapCause::ALL.into_iter().zip(&mut places);
        let Some((_, place)) = place.into_iter().find(|(cause, _)| *cause == gap.cause) else {
            continue;
        };
        let last = place.and_then(|place| slivers.get_mut(place));
        let joint = |last: &Sliver| Span {
            begin: last.span.begin,
            end: gap.span.end,
        };
        match last {
            Some(last) if length_nanos(joint(last)) < merge_nanos => {
                last.span = joint(last);
                last.gaps += 1;
                last.missing_nanos = last.missing_nanos.saturating_add(missing_nanos);
            }
            _ => {
                *place = Some(slivers.len());
                slivers.push(Sliver {
                    span: gap.span,
                    cause: gap.cause,
                    gaps: 1,
                    missing_nanos,
                });
            }
        }
    }
    slivers
}

/// The least distance at which all strips together draw at most `slivers_max` gaps.
pub(super) fn merge_nanos<'a>(
    days: impl Iterator<Item = &'a Day> + Clone,
    slivers_max: usize,
) -> u64 {
    let mut merge = MERGE_NANOS_MIN;
    // At more than the longest day, one for each cause is left.
    while merge <= HOUR * 26 {
        let drawn: usize = days.clone().map(|day| slivers(day, merge).len()).sum();
        if drawn <= slivers_max {
            break;
        }
        merge *= 2;
    }
    merge
}

/// How strips of a sheet are drawn.
#[derive(Debug)]
pub(super) struct Scale<'a> {
    pub(super) zone: &'a TimeZone,
    /// Length that takes the whole width: the longest day's.
    pub(super) width_nanos: u64,
    /// From [`merge_nanos`].
    pub(super) merge_nanos: u64,
}

impl Scale<'_> {
    fn percent(&self, nanos: u64) -> Percent {
        Percent(nanos as f64 * 100.0 / self.width_nanos.max(1) as f64)
    }

    fn offset(&self, day: &Day, time: CaptureTime) -> u64 {
        length_nanos(Span {
            begin: day.whole.begin,
            end: time,
        })
    }

    /// A rectangle of the bar.
    fn rectangle(&self, day: &Day, span: Span, class: &str) -> String {
        format!(
            r#"<rect class="{class}" x="{}" width="{}" y="{BAR_TOP}" height="{BAR_HEIGHT}""#,
            self.percent(self.offset(day, span.begin)),
            self.percent(length_nanos(span))
        )
    }

    /// Draws a day. `label` names the picture for those who can't see it.
    pub(super) fn draw(&self, day: &Day, label: &str) -> String {
        let slivers = slivers(day, self.merge_nanos);
        let own_hours = length_nanos(day.whole) != 24 * HOUR;
        let height = HEIGHT + if own_hours { HOURS_HEIGHT } else { 0 };
        let mut svg =
            format!(r#"<svg class="strip" role="img" height="{height}"><title>{label}</title>"#);
        svg.push_str(&self.rectangle(day, day.whole, "void"));
        svg.push_str("/>");
        for span in self.joined(&day.recorded) {
            svg.push_str(&self.rectangle(day, span, "have"));
            svg.push_str("/>");
        }
        for (time, text) in hours(day.whole, self.zone) {
            let x = self.percent(self.offset(day, time));
            let bottom = BAR_TOP + BAR_HEIGHT;
            let top = bottom - 4;
            write!(
                svg,
                r#"<line class="hour" x1="{x}" x2="{x}" y1="{top}" y2="{bottom}"/>"#
            )
            .ok();
            if own_hours {
                svg.push_str(&hour_label(x, &text, height - 2));
            }
        }
        for sliver in &slivers {
            self.sliver(&mut svg, day, sliver);
        }
        svg.push_str(&self.rectangle(day, day.whole, "frame"));
        svg.push_str("/></svg>");
        svg
    }

    fn sliver(&self, svg: &mut String, day: &Day, sliver: &Sliver) {
        let letter = letter(sliver.cause);
        // As long as what is missing: what lies between joined gaps is recorded.
        let drawn = Span {
            begin: sliver.span.begin,
            end: later(sliver.span.begin, sliver.missing_nanos),
        };
        let fill = match sliver.missing_nanos {
            ..PATTERN_NANOS => 'i',
            _ => 'g',
        };
        svg.push_str(&self.rectangle(day, drawn, &format!("gap {fill}{letter}")));
        let from = zoned(sliver.span.begin, self.zone).strftime("%T");
        let cause = sliver.cause.as_str();
        let missing = length(sliver.missing_nanos);
        let title = match sliver.gaps {
            1 => format!("{from} {cause} {missing}"),
            gaps => {
                let to = zoned(sliver.span.end, self.zone).strftime("%T");
                format!("{from} to {to} {cause}, {gaps} gaps, {missing} in all")
            }
        };
        write!(svg, "><title>{title}</title></rect>").ok();
        let nanos = sliver.missing_nanos;
        let middle = self.percent(self.offset(day, later(drawn.begin, nanos / 2)));
        if nanos >= LETTER_NANOS {
            let base = BAR_TOP + BAR_HEIGHT - 3;
            write!(
                svg,
                r#"<text class="letter" x="{middle}" y="{base}">{letter}</text>"#
            )
            .ok();
        } else if sliver.cause != GapCause::Planned {
            let y = if is_above(sliver.cause) {
                BAR_TOP
            } else {
                BAR_TOP + BAR_HEIGHT
            };
            write!(svg, r##"<use href="#m{letter}" x="{middle}" y="{y}"/>"##).ok();
        }
    }

    /// Recorded spans with what is too short to be seen between them closed: the gaps are drawn on
    /// top.
    fn joined(&self, spans: &[Span]) -> Vec<Span> {
        let mut joined: Vec<Span> = Vec::new();
        for span in spans {
            match joined.last_mut() {
                Some(last) if length_nanos(between(*last, *span)) < self.merge_nanos => {
                    last.end = span.end;
                }
                _ => joined.push(*span),
            }
        }
        joined
    }
}

fn later(time: CaptureTime, nanos: u64) -> CaptureTime {
    let nanos = i64::try_from(nanos).unwrap_or(i64::MAX);
    CaptureTime::from_unix_nanos(time.unix_nanos().saturating_add(nanos))
}

fn between(first: Span, second: Span) -> Span {
    Span {
        begin: first.end,
        end: second.begin,
    }
}

/// The hours' scale of a day of 24 hours, where `width_nanos` takes the whole width.
pub(super) fn axis(width_nanos: u64) -> String {
    let mut svg = String::from(r#"<svg class="axis" aria-hidden="true" height="14">"#);
    for hour in (0..=24).step_by(3) {
        let x = Percent((hour * HOUR) as f64 * 100.0 / width_nanos.max(1) as f64);
        svg.push_str(&hour_label(x, &format!("{hour:02}"), 11));
    }
    svg.push_str("</svg>");
    svg
}

fn hour_label(x: Percent, text: &str, y: u32) -> String {
    // The outermost would stick out.
    let class = match x.0 {
        x if x < 1.0 => " first",
        x if x > 99.0 => " last",
        _ => "",
    };
    // On a narrow page every second one stays.
    let minor = if matches!(text, "03" | "09" | "15" | "21") {
        " minor"
    } else {
        ""
    };
    format!(r#"<text class="scale{class}{minor}" x="{x}" y="{y}">{text}</text>"#)
}

/// Every third hour of a day by the zone's clock, with the hour's two digits. An hour that clocks
/// skip is not there; of one that they repeat the first is.
fn hours(whole: Span, zone: &TimeZone) -> Vec<(CaptureTime, String)> {
    let date = zoned(whole.begin, zone).date();
    let at = |hour: i8| {
        let civil = date.at(hour, 0, 0, 0);
        let zoned = civil.to_zoned(zone.clone()).ok()?;
        let time = CaptureTime::from_unix_nanos(zoned.timestamp().as_nanosecond().try_into().ok()?);
        // Where clocks skip it, jiff gives the hour after it.
        let is_there = zoned.hour() == hour && time > whole.begin && time < whole.end;
        is_there.then(|| (time, format!("{hour:02}")))
    };
    let inner = (1..=7).filter_map(|third| at(third * 3));
    let edge = |time, text: &str| std::iter::once((time, text.to_owned()));
    edge(whole.begin, "00")
        .chain(inner)
        .chain(edge(whole.end, "24"))
        .collect()
}

/// How clocks change within a day: `clocks forward 1 h at 03:00`; none where they don't.
pub(super) fn clock_change(day: &Day, zone: &TimeZone) -> Option<String> {
    let begin = timestamp(day.whole.begin);
    let change = zone.following(begin).next()?;
    if change.timestamp() >= timestamp(day.whole.end) {
        return None;
    }
    let before = zone.to_offset(begin).seconds();
    let after = change.offset().seconds();
    let direction = if after > before { "forward" } else { "back" };
    let minutes = (after - before).unsigned_abs() / 60;
    if minutes == 0 {
        return None;
    }
    let amount = match (minutes / 60, minutes % 60) {
        (hours, 0) => format!("{hours} h"),
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    };
    let to = change.timestamp().to_zoned(zone.clone()).strftime("%H:%M");
    Some(format!("clocks {direction} {amount} to {to}"))
}

/// A percentage in as few digits as a strip needs: a ten-thousandth is 9 s of a day.
#[derive(Debug, Clone, Copy)]
struct Percent(f64);

impl std::fmt::Display for Percent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let text = format!("{:.2}", self.0);
        let short = text.trim_end_matches('0').trim_end_matches('.');
        write!(f, "{short}%")
    }
}
