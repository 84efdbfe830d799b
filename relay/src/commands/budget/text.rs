//! For a terminal.

use super::{ASSUMED_OF_SIGHT, Told, milestones, stream_name};
use crate::archive::ladder::Form;
use crate::budget::optics::{Class, Sight, reach_metres};
use crate::budget::uplink::{buffered, volume};
use crate::budget::{Known, OUTAGES, SiteUse, Spool, length};
use crate::commands::ladder::size;
use crate::commands::ladder::text::columns;
use crate::config::View;

pub(super) fn write(told: &Told) -> String {
    let mut lines = vec![format!("What {} needs, as of {}", told.file, told.made)];
    lines.push(String::new());
    lines.extend(streams(told));
    for site in &told.sites {
        lines.push(String::new());
        lines.extend(uplink(site));
    }
    lines.push(String::new());
    lines.extend(spool(&told.spool));
    lines.push(String::new());
    lines.extend(archive(told));
    lines.push(String::new());
    lines.extend(films(told));
    if !told.views.is_empty() {
        lines.push(String::new());
        lines.extend(views(&told.views));
    }
    lines.push(String::new());
    lines.push("Assumed".to_owned());
    lines.extend(told.assumed.iter().map(|each| format!("  - {each}")));
    lines.push(String::new());
    if told.warnings.is_empty() {
        lines.push("It fits.".to_owned());
    } else {
        lines.push("To be looked at".to_owned());
        let rows = told.warnings.iter().map(|warning| format!("  - {warning}"));
        lines.extend(rows);
    }
    lines.join("\n")
}

/// What cameras see, where that is all.
pub(super) fn views_alone(of: &[(String, View, Sight)]) -> String {
    let mut lines = views(of);
    lines.extend([String::new(), format!("Assumed: {ASSUMED_OF_SIGHT}")]);
    lines.join("\n")
}

fn streams(told: &Told) -> Vec<String> {
    let heading = [
        "Stream",
        "Mb/s",
        "on the wire",
        "a day",
        "1 MB kept lasts",
        "known by",
    ];
    let mut rows = vec![heading.map(str::to_owned)];
    for stream in &told.streams {
        let unknown = || "?".to_owned();
        let rate = |rate: f64| format!("{rate:.2}");
        rows.push([
            stream_name(stream),
            stream
                .media
                .map_or_else(unknown, |(media, _)| rate(media.megabits())),
            stream
                .wire
                .map_or_else(unknown, |wire| rate(wire.megabits())),
            stream.wire.map_or_else(unknown, |wire| {
                size(volume(wire, stream.wanted_seconds / 30.0) as u64)
            }),
            stream
                .media
                .map_or_else(unknown, |(media, _)| length(buffered(1e6, media))),
            match stream.media {
                Some((_, Known::Footage { seconds })) => {
                    format!("{} of footage", length(seconds as f64))
                }
                Some((_, Known::Expected)) => "the configuration".to_owned(),
                None => "nothing".to_owned(),
            },
        ]);
    }
    columns(&rows, &[1, 2, 3, 4])
}

fn uplink(site: &SiteUse) -> Vec<String> {
    let mut lines = vec![format!("Uplink of {}", site.site.name)];
    let least = if site.unknown > 0 { "at least " } else { "" };
    let used = site.wire.megabits();
    lines.push(match (site.share, site.site.uplink.rate) {
        (Some(share), Some(rate)) => format!(
            "  in use         {least}{used:.2} of {:.2} Mb/s: {:.0} % (up to 60 % is well)",
            rate.megabits(),
            share * 100.0
        ),
        _ => {
            format!("  in use         {least}{used:.2} Mb/s (its rate: uplink_megabits_per_second)")
        }
    });
    let month = size(site.month_bytes as u64);
    lines.push(match (site.month_share, site.site.uplink.monthly) {
        (Some(share), Some(bytes)) => format!(
            "  in 30 days     {least}{month} of {}: {:.0} %",
            size(bytes.bytes()),
            share * 100.0
        ),
        _ => format!("  in 30 days     {least}{month}"),
    });
    if let Some(caught) = site.catch_up {
        let each = OUTAGES.iter().zip(caught).map(|(outage, caught)| {
            let caught = caught.map_or_else(
                || "never".to_owned(),
                |caught| format!("in {}", length(caught.as_secs_f64())),
            );
            format!("{} {caught}", length(outage.as_secs_f64()))
        });
        let each: Vec<_> = each.collect();
        lines.push(format!(
            "  caught up      an outage of {}; as far as cameras have kept it",
            each.join(", ")
        ));
    }
    lines
}

fn spool(spool: &Spool) -> Vec<String> {
    let least = if spool.unknown > 0 { "at least " } else { "" };
    let mut lines = vec!["Spool, while the archive is away".to_owned()];
    lines.push(format!(
        "  comes in       {least}{} an hour",
        size((spool.bytes_per_second * 3600.0) as u64)
    ));
    let lasts = spool.lasts_seconds().map(length);
    lines.push(match (spool.is_archives, lasts) {
        (true, _) => "  lasts          not at all: it is on the archive's own disk".to_owned(),
        (false, None) => format!("  free           {}", size(spool.free_bytes)),
        (false, Some(lasts)) => {
            format!("  lasts          {lasts} ({} free)", size(spool.free_bytes))
        }
    });
    lines
}

fn archive(told: &Told) -> Vec<String> {
    let heading = [
        "after",
        "footage",
        "key frames",
        "stills",
        "other",
        "in all",
        "free",
        "whole back",
    ];
    let mut rows = vec![heading.map(str::to_owned)];
    for (day, point) in milestones(&told.points) {
        let other = point
            .of(Form::Findings)
            .saturating_add(point.of(Form::Other));
        let full = told
            .points
            .get(..=day)
            .is_some_and(|points| points.iter().any(|point| point.full));
        rows.push([
            format!("{day} d"),
            size(point.of(Form::Footage)),
            size(point.of(Form::KeyFrames)),
            size(point.of(Form::Stills)),
            size(other),
            size(point.total()),
            if full {
                "FULL".to_owned()
            } else {
                point.free_bytes.map_or_else(|| "–".to_owned(), size)
            },
            point
                .least_reach_days()
                .map_or_else(|| "–".to_owned(), |days| format!("{days} d")),
        ]);
    }
    let mut lines = vec!["Archive, by the rules of [ladder]".to_owned()];
    lines.extend(columns(&rows, &[0, 1, 2, 3, 4, 5, 6, 7]));
    lines
}

fn films(told: &Told) -> Vec<String> {
    let days = told.points.len().saturating_sub(1);
    let mut lines = vec![format!(
        "Film of stills, {days} days at {} pictures a second",
        told.frames_per_second
    )];
    let heading = ["one each", "a day", "stills", "film", ""];
    let mut rows = vec![heading.map(str::to_owned)];
    for schedule in &told.films {
        rows.push([
            format!("{} min", schedule.minutes),
            format!("{:.1} h", schedule.hours),
            format!("{:.0}", schedule.film.stills),
            length(schedule.film.seconds),
            schedule
                .sink
                .as_ref()
                .map(|sink| format!("sink {sink}"))
                .unwrap_or_default(),
        ]);
    }
    lines.extend(columns(&rows, &[0, 1, 2, 3]));
    lines
}

/// What cameras see.
fn views(views: &[(String, View, Sight)]) -> Vec<String> {
    let mut lines = vec!["Sight".to_owned()];
    let heading = [
        "camera",
        "pixels",
        "angle",
        "at",
        "sees",
        "a metre has",
        "enough to",
        "to recognise, at most",
    ];
    let mut rows = vec![heading.map(str::to_owned)];
    for (name, view, sight) in views {
        rows.push([
            name.clone(),
            view.width_pixels.to_string(),
            format!("{:.1}°", sight.angle_degrees),
            format!("{} m", view.distance_metres),
            format!("{:.1} m", sight.width_metres),
            format!("{:.1} px", sight.pixels_per_metre),
            sight.class.as_str().to_owned(),
            format!("{:.1} m away", reach_metres(view, Class::Recognise)),
        ]);
    }
    lines.extend(columns(&rows, &[1, 2, 3, 4, 5]));
    lines
}
