//! One JSON object, for scripts.

use serde_json::{Value, json};

use super::{Told, milestones};
use crate::archive::ladder::Form;
use crate::budget::optics::{Class, Sight, reach_metres};
use crate::budget::{Known, OUTAGES, full_after_days};
use crate::config::View;

/// Of the object's shape: it changes when a field goes or means something else.
const VERSION: u32 = 1;

pub(super) fn write(told: &Told) -> Value {
    let streams = told.streams.iter().map(|stream| {
        let (known, seconds) = match stream.media {
            Some((_, Known::Footage { seconds })) => (Some("footage"), Some(seconds)),
            Some((_, Known::Expected)) => (Some("expected"), None),
            None => (None, None),
        };
        json!({
            "camera": stream.camera.as_str(),
            "site": stream.site.as_str(),
            "stream": if stream.is_analysis { "analysis" } else { "main" },
            "media_bits_per_second": stream.media.map(|(media, _)| media.bits()),
            "wire_bits_per_second": stream.wire.map(|wire| wire.bits()),
            "known_by": known,
            "footage_seconds": seconds,
            "wanted_seconds_per_month": stream.wanted_seconds,
        })
    });
    let sites = told.sites.iter().map(|site| {
        let caught = site.catch_up.map(|caught| {
            let each = OUTAGES.iter().zip(caught).map(|(outage, caught)| {
                json!({
                    "outage_seconds": outage.as_secs(),
                    "seconds": caught.map(|caught| caught.as_secs_f64()),
                })
            });
            each.collect::<Vec<_>>()
        });
        json!({
            "site": site.site.name.as_str(),
            "wire_bits_per_second": site.wire.bits(),
            "unknown_streams": site.unknown,
            "uplink_bits_per_second": site.site.uplink.rate.map(|rate| rate.bits()),
            "share": site.share,
            "month_bytes": site.month_bytes.round(),
            "volume_bytes": site.site.uplink.monthly.map(|bytes| bytes.bytes()),
            "month_share": site.month_share,
            "catch_up": caught,
        })
    });
    let archive = milestones(&told.points).map(|(day, point)| {
        json!({
            "day": day,
            "footage_bytes": point.of(Form::Footage),
            "key_frame_bytes": point.of(Form::KeyFrames),
            "still_bytes": point.of(Form::Stills),
            "finding_bytes": point.of(Form::Findings),
            "other_bytes": point.of(Form::Other),
            "free_bytes": point.free_bytes,
            "whole_back_days": point.least_reach_days(),
        })
    });
    let films = told.films.iter().map(|schedule| {
        json!({
            "sink": schedule.sink.as_ref().map(|sink| sink.as_str()),
            "minutes": schedule.minutes,
            "hours_per_day": schedule.hours,
            "stills": schedule.film.stills.round(),
            "film_seconds": schedule.film.seconds,
        })
    });
    json!({
        "format": "forebay-budget",
        "version": VERSION,
        "made": told.made.to_string(),
        "streams": streams.collect::<Vec<_>>(),
        "sites": sites.collect::<Vec<_>>(),
        "spool": {
            "free_bytes": told.spool.free_bytes,
            "is_the_archives": told.spool.is_archives,
            "bytes_per_second": told.spool.bytes_per_second,
            "lasts_seconds": told.spool.lasts_seconds(),
        },
        "archive": archive.collect::<Vec<_>>(),
        "archive_full_after_days": full_after_days(&told.points),
        "films": films.collect::<Vec<_>>(),
        "views": views(&told.views),
        "warnings": told.warnings,
        "assumed": told.assumed,
    })
}

pub(super) fn views(views: &[(String, View, Sight)]) -> Value {
    let views = views.iter().map(|(name, view, sight)| {
        let reach = Class::ALL.map(|class| {
            let metres = reach_metres(view, class);
            (class.as_str().to_owned(), json!(metres))
        });
        json!({
            "camera": name,
            "width_pixels": view.width_pixels,
            "distance_metres": view.distance_metres,
            "angle_degrees": sight.angle_degrees,
            "width_metres": sight.width_metres,
            "pixels_per_metre": sight.pixels_per_metre,
            "class": sight.class.as_str(),
            "reach_metres": Value::Object(reach.into_iter().collect()),
        })
    });
    Value::Array(views.collect())
}
