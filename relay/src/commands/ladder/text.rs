//! Tables for a terminal.

use std::time::Duration;

use super::{Outlook, day, size};
use crate::archive::ladder::forecast::Point;
use crate::archive::ladder::{Act, DueTally, Form, Reason};
use crate::config::{LadderRule, Period};
use crate::units::CameraName;

/// Days between two rows of the forecast: a month of 365/12 days.
const MONTH_DAYS: f64 = 365.0 / 12.0;

pub(super) fn write(outlook: &Outlook) -> String {
    let mut lines = vec![format!(
        "What the archive keeps, as of {} (days in UTC)",
        outlook.made
    )];
    lines.push(String::new());
    for (name, rule) in &outlook.rules {
        lines.push(format!("{name}: {}", told(rule)));
    }
    if outlook.floor_bytes > 0 {
        lines.push(format!(
            "free space: at least {}",
            size(outlook.floor_bytes)
        ));
    }
    lines.push(String::new());
    let due: Vec<_> = outlook.survey.due.iter().collect();
    match due.as_slice() {
        [] => lines.push("Nothing is due now.".to_owned()),
        due => {
            lines.push("Due now".to_owned());
            lines.extend(tallies(due));
        }
    }
    let pinned: Vec<_> = outlook.survey.pinned.iter().collect();
    if !pinned.is_empty() {
        lines.push(String::new());
        lines.push("Due, but pinned (`forebay pins` tells why)".to_owned());
        lines.extend(tallies(&pinned));
    }
    lines.push(String::new());
    lines.extend(curve(outlook));
    lines.extend(notes(outlook));
    lines.push(String::new());
    lines.join("\n")
}

/// A rule in words.
fn told(rule: &LadderRule) -> String {
    let days = |time: Duration| format!("{} d", time.as_secs_f64() / 86_400.0);
    let kept = |period: Period| match period {
        Period::ForGood => "for good".to_owned(),
        Period::Of(time) => days(time),
    };
    let mut parts = vec![match (rule.footage, rule.key_frames) {
        (whole, Period::Of(thin)) if thin.is_zero() => format!("footage {}", kept(whole)),
        (Period::ForGood, _) => "footage for good".to_owned(),
        (whole, thin) => format!("footage {}, its key frames {}", kept(whole), kept(thin)),
    }];
    parts.push(format!("stills {}", kept(rule.stills)));
    parts.push(format!("findings {}", kept(rule.findings)));
    if !rule.least.is_zero() {
        parts.push(format!("all at least {}", days(rule.least)));
    }
    if let Some(most) = rule.most {
        parts.push(format!("nothing longer than {}", days(most)));
    }
    if let Some(quota) = rule.quota {
        parts.push(format!("quota {}", size(quota.bytes())));
    }
    parts.join(", ")
}

type Key = (CameraName, Form, Act, Reason);

fn tallies(rows: &[(&Key, &DueTally)]) -> Vec<String> {
    let heading = [
        "camera", "what", "would be", "by", "files", "size", "from", "to",
    ];
    let mut table = vec![heading.map(ToOwned::to_owned)];
    for ((camera, form, act, reason), tally) in rows {
        table.push([
            camera.to_string(),
            form.as_str().to_owned(),
            act.as_str().to_owned(),
            reason.as_str().to_owned(),
            tally.objects.to_string(),
            size(tally.bytes),
            day(tally.first),
            day(tally.last),
        ]);
    }
    columns(&table, &[4, 5])
}

fn curve(outlook: &Outlook) -> Vec<String> {
    let heading = [
        "day",
        "footage",
        "key frames",
        "stills",
        "findings",
        "other",
        "in all",
        "free",
        "whole back",
        "gone since, by",
    ];
    let mut table = vec![heading.map(ToOwned::to_owned)];
    let mut next = 0.0;
    let mut since: Vec<&Point> = Vec::new();
    let last = outlook.points.len().saturating_sub(1);
    for (index, point) in outlook.points.iter().enumerate() {
        since.push(point);
        if (index as f64) < next && index != last {
            continue;
        }
        next += MONTH_DAYS;
        let reach = point.least_reach_days();
        table.push([
            day(point.time),
            size(point.of(Form::Footage)),
            size(point.of(Form::KeyFrames)),
            size(point.of(Form::Stills)),
            size(point.of(Form::Findings)),
            size(point.of(Form::Other)),
            size(point.total()),
            if since.iter().any(|point| point.full) {
                "FULL".to_owned()
            } else {
                point.free_bytes.map_or_else(|| "–".to_owned(), size)
            },
            reach.map_or_else(|| "–".to_owned(), |days| format!("{days} d")),
            freed(&since),
        ]);
        since.clear();
    }
    let days = last;
    let mut lines = vec![format!(
        "The next {days} days, if each is as the last week was"
    )];
    lines.extend(columns(&table, &[1, 2, 3, 4, 5, 6, 7, 8]));
    lines
}

/// What is set free in some days, by reason.
fn freed(points: &[&Point]) -> String {
    let parts = Reason::ALL.into_iter().filter_map(|reason| {
        let own = points.iter().flat_map(|point| &point.freed_bytes);
        let own = own.filter(|((_, of), _)| *of == reason);
        let bytes: u64 = own.map(|(_, bytes)| bytes).sum();
        (bytes > 0).then(|| format!("{} {}", reason.as_str(), size(bytes)))
    });
    parts.collect::<Vec<_>>().join(", ")
}

/// What a reader should not miss.
fn notes(outlook: &Outlook) -> Vec<String> {
    let mut notes = Vec::new();
    let first = |met: &dyn Fn(&Point) -> bool| {
        let point = outlook.points.iter().find(|point| met(point));
        point.map(|point| day(point.time))
    };
    if let Some(day) = first(&|point| point.full) {
        notes.push(format!(
            "The disk is full on {day}, and nothing is left that may go: what comes then is lost."
        ));
    }
    let by = |reason: Reason| first(&|point| point.freed_bytes.keys().any(|(_, of)| *of == reason));
    if let Some(day) = by(Reason::FreeSpace) {
        notes.push(format!(
            "From {day} on footage goes sooner than its period says, for the free space."
        ));
    } else if outlook.floor_bytes == 0
        && let Some(day) = first(&|point| point.free_bytes == Some(0))
    {
        notes.push(format!(
            "The disk has no free space on {day}: give free_space in [ladder], or shorter periods."
        ));
    }
    if let Some(day) = by(Reason::Quota) {
        notes.push(format!(
            "From {day} on footage goes sooner than its period says, for a quota."
        ));
    }
    if !notes.is_empty() {
        notes.insert(0, String::new());
    }
    notes
}

/// Columns two spaces apart; `right`: those that are set to the right.
pub(in crate::commands) fn columns<const N: usize>(
    rows: &[[String; N]],
    right: &[usize],
) -> Vec<String> {
    let width = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<_> = (0..N).map(width).collect();
    let line = |row: &[String; N]| {
        let cells = row
            .iter()
            .zip(&widths)
            .enumerate()
            .map(|(column, (cell, width))| {
                if right.contains(&column) {
                    format!("{cell:>width$}")
                } else {
                    format!("{cell:<width$}")
                }
            });
        format!("  {}", cells.collect::<Vec<_>>().join("  ").trim_end())
    };
    rows.iter().map(line).collect()
}
