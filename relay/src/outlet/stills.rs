//! `stills`: pictures that were kept on a schedule, listed and given out.

use std::io::Read as _;
use std::path::Path;
use std::sync::Arc;

use axum::body::Body;
use axum::http::{HeaderMap, Uri, header};
use axum::response::Response;
use bytes::Bytes;
use serde::Serialize;

use super::accounts::object;
use super::error::Problem;
use super::limits::{STILL_BYTES_MAX, STILLS_MAX, STILLS_NANOS_MAX};
use super::query::{Query, shown};
use super::range::{self, Tag};
use super::roll::Spot;
use super::shop::Shop;
use crate::archive::findings::utc;
use crate::archive::ladder::{DayFolder, Form, objects};
use crate::archive::ledger::Span;
use crate::archive::{Disk, Sequence, StorageError};
use crate::telemetry::ViewKind;
use crate::units::{CameraName, CaptureTime};

const PURPOSE: &str = "stills";
const DAY_NANOS: i64 = 24 * 3600 * 1_000_000_000;

/// Capture times and names of the stills of a stretch, in order; at most [`STILLS_MAX`].
pub(super) fn times(
    disk: &dyn Disk,
    archive: &Path,
    camera: &CameraName,
    window: Span,
) -> Result<Vec<(CaptureTime, String)>, StorageError> {
    let mut found = Vec::new();
    let mut at = window.begin;
    loop {
        let folder = folder(camera, at);
        for still in objects(disk, archive, &folder)? {
            if still.begin < window.begin || still.begin >= window.end {
                continue;
            }
            let name = still.name.rsplit_once('/').map(|(_, name)| name);
            let Some(name) = name.filter(|name| name.ends_with(".jpg")) else {
                continue;
            };
            if found.len() > STILLS_MAX {
                return Ok(found);
            }
            found.push((still.begin, name.to_owned()));
        }
        // Folders are days of UTC.
        let next = folder.end();
        if next >= window.end || next <= at {
            return Ok(found);
        }
        at = next;
    }
}

fn folder(camera: &CameraName, at: CaptureTime) -> DayFolder {
    let day = at.day();
    DayFolder {
        name: format!("{camera}/{PURPOSE}/{day}"),
        day,
        camera: camera.clone(),
        form: Form::Stills,
    }
}

#[derive(Serialize)]
struct Document<'a> {
    format: &'static str,
    version: u32,
    camera: &'a str,
    begin: String,
    end: String,
    stills: Vec<Still>,
    /// There are more, which this does not tell.
    truncated: bool,
}

#[derive(Serialize)]
struct Still {
    at: String,
    link: String,
}

/// The list.
///
/// # Errors
/// Where a parameter is wrong, or the archive can't be read.
pub(super) async fn list(shop: &Shop, spot: &Spot, uri: &Uri) -> Result<Response, Problem> {
    let query = Query::of(uri, &["from", "to"])?;
    let now = CaptureTime::now();
    let window = query.window(&spot.site, now, Some(DAY_NANOS), STILLS_NANOS_MAX)?;
    let (archive, camera) = (shop.archive.clone(), spot.name.clone());
    let disk = Arc::clone(&shop.disk);
    let found = shop
        .desk
        .run(move |_| times(&*disk, &archive, &camera, window));
    let mut found = found.await?.map_err(|error| unreadable(&error))?;
    let truncated = found.len() > STILLS_MAX;
    found.truncate(STILLS_MAX);
    let stills = found.into_iter().map(|(at, name)| Still {
        at: utc(at),
        link: format!("/v1/cameras/{}/stills/{name}", spot.name),
    });
    let document = Document {
        format: "forebay-camera-stills",
        version: 1,
        camera: spot.name.as_str(),
        begin: utc(window.begin),
        end: utc(window.end),
        stills: stills.collect(),
        truncated,
    };
    Ok(object(serde_json::to_string(&document).unwrap_or_default()))
}

/// One of them.
///
/// # Errors
/// Where there is none of that name.
pub(super) async fn file(
    shop: &Shop,
    spot: &Spot,
    name: &str,
    uri: &Uri,
    headers: &HeaderMap,
) -> Result<Response, Problem> {
    Query::of(uri, &[])?;
    let missing = || {
        Problem::missing(
            "no such still",
            format!("{} has no still {}", spot.name, shown(name)),
            format!("See /v1/cameras/{}/stills for what there is.", spot.name),
        )
    };
    let at = stem(name).ok_or_else(missing)?;
    let path = shop.archive.join(folder(&spot.name, at).name).join(name);
    let disk = Arc::clone(&shop.disk);
    let read = shop.desk.run(move |_| {
        let file = disk.open_to_read(&path)?;
        if file.size()? > STILL_BYTES_MAX {
            return Err(std::io::ErrorKind::FileTooLarge.into());
        }
        let mut jpeg = Vec::new();
        Sequence::new(file).read_to_end(&mut jpeg)?;
        Ok::<_, std::io::Error>(jpeg)
    });
    let jpeg = match read.await? {
        Ok(jpeg) => Bytes::from(jpeg),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Err(missing()),
        Err(error) => return Err(unreadable(&error)),
    };
    let seat = spot.audience.seat(ViewKind::Still);
    let tag = Tag::new(format_args!("{name}-{}", jpeg.len()));
    let mut response = range::whole(&jpeg, &tag, headers, |bytes| {
        seat.sent(bytes.len());
        Body::from(bytes)
    })?;
    let fields = response.headers_mut();
    range::set(fields, header::CONTENT_TYPE, "image/jpeg");
    // What has a final name never changes.
    range::set(
        fields,
        header::CACHE_CONTROL,
        "private, max-age=86400, immutable",
    );
    range::set(fields, range::CAPTURED, &at.to_string());
    Ok(response)
}

/// The time in `2026-05-04T073000.000Z.jpg` or `…Z-2.jpg`; none for any other text.
fn stem(name: &str) -> Option<CaptureTime> {
    let stem = name.strip_suffix(".jpg")?;
    let (time, rest) = stem.split_at(stem.find('Z')? + 1);
    let number = rest.is_empty()
        || rest.strip_prefix('-').is_some_and(|number| {
            (1..=3).contains(&number.len()) && number.bytes().all(|c| c.is_ascii_digit())
        });
    number.then(|| CaptureTime::from_file_stem(time))?
}

fn unreadable(error: &dyn std::fmt::Display) -> Problem {
    tracing::warn!(%error, "stills can't be read");
    Problem::later(
        "the archive can't be read",
        "the folder of stills can't be read now",
        "Try again in a moment; the relay's log says what is wrong.",
        10,
    )
}
