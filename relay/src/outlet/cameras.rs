//! `/v1/cameras`: what there is, and how it is.

use axum::response::Response;
use serde::Serialize;

use super::accounts::object;
use super::error::Problem;
use super::mux::{NoFilm, Parts};
use super::roll::Spot;
use super::shop::Shop;
use super::state::State;
use crate::archive::findings::utc;
use crate::hold::{Track, TrackKind};
use crate::units::CaptureTime;

#[derive(Serialize)]
struct All<'a> {
    now: String,
    version: &'static str,
    cameras: Vec<Camera<'a>>,
}

#[derive(Serialize)]
struct Camera<'a> {
    camera: &'a str,
    site: &'a str,
    time_zone: &'a str,
    #[serde(flatten)]
    state: State,
    /// What its line is doing.
    phase: &'static str,
    /// Capture time of the newest unit, and of the newest key frame, which a still is made of.
    last_capture: Option<String>,
    last_key_frame: Option<String>,
    tracks: Vec<Stream<'a>>,
    live: Live,
    links: Links,
}

#[derive(Serialize)]
struct Stream<'a> {
    kind: &'static str,
    codec: &'static str,
    rfc6381: &'a str,
    width: u32,
    height: u32,
    channels: u32,
    /// Part of what can be seen live.
    live: bool,
}

/// Whether it can be looked at as a film, and why not.
#[derive(Serialize)]
struct Live {
    film: bool,
    why_not: Option<String>,
}

#[derive(Serialize)]
struct Links {
    still: String,
    live_mp4: Option<String>,
    live_m3u8: Option<String>,
    footage_mp4: String,
    footage_m3u8: String,
    coverage: String,
    findings: String,
    stills: String,
}

pub(super) fn all(shop: &Shop) -> Result<Response, Problem> {
    let spots = shop.roll.spots();
    let held: Vec<_> = spots.iter().map(|spot| spot.hold.newest()).collect();
    let spots = spots.iter().zip(&held);
    write(&All {
        now: utc(CaptureTime::now()),
        version: env!("CARGO_PKG_VERSION"),
        cameras: spots
            .filter_map(|(spot, newest)| camera(shop, spot, newest.as_deref()))
            .collect(),
    })
}

pub(super) fn one(shop: &Shop, spot: &Spot) -> Result<Response, Problem> {
    let newest = spot.hold.newest();
    let told = camera(shop, spot, newest.as_deref());
    write(&told.ok_or_else(not_yet)?)
}

/// In the first moment nothing has been looked at.
fn not_yet() -> Problem {
    Problem::later(
        "not yet",
        "the relay has only just started",
        "Try again in a second.",
        1,
    )
}

/// Why a camera can't be looked at as a film, where it can't.
pub(super) fn why_no_film(newest: Option<&crate::hold::Unit>) -> Option<String> {
    match newest.map(|unit| Parts::of(&unit.tracks)) {
        None => Some("nothing has come from it yet".to_owned()),
        Some(Ok(_)) => None,
        Some(Err(NoFilm::Codec(codec))) => Some(format!(
            "it sends {codec}, which browsers play in no film: fetch still.jpg"
        )),
        Some(Err(NoFilm::Configuration)) => Some("its parameter sets have not come yet".to_owned()),
        Some(Err(NoFilm::NoPictures)) => Some("it sends sound alone".to_owned()),
    }
}

fn camera<'a>(
    shop: &Shop,
    spot: &'a Spot,
    newest: Option<&'a crate::hold::Unit>,
) -> Option<Camera<'a>> {
    let film = newest.map(|unit| Parts::of(&unit.tracks));
    let in_film = |track: &Track| {
        let Some(Ok(parts)) = &film else { return false };
        let side = parts.side.as_ref().map(|side| side.track.id);
        track.id == parts.main.track.id || Some(track.id) == side
    };
    let why_not = why_no_film(newest);
    let tracks = newest.map(|unit| unit.tracks.tracks.as_slice());
    let tracks = tracks.unwrap_or_default().iter().map(|track| Stream {
        kind: match track.codec.kind() {
            TrackKind::Video => "video",
            TrackKind::Audio => "audio",
        },
        codec: track.codec.as_str(),
        rfc6381: &track.rfc6381,
        width: track.width,
        height: track.height,
        channels: track.channels,
        live: in_film(track),
    });
    let base = format!("/v1/cameras/{}", spot.name);
    let link = |leaf: &str| format!("{base}/{leaf}");
    let is_film = why_not.is_none();
    Some(Camera {
        camera: spot.name.as_str(),
        site: spot.site.name.as_str(),
        time_zone: &spot.site.time_zone_name,
        state: shop.hub.state(&spot.name)?,
        phase: spot.status.phase().as_str(),
        last_capture: newest.map(|unit| utc(unit.captured)),
        last_key_frame: spot.hold.newest_key_frame().map(|key| utc(key.captured)),
        tracks: tracks.collect(),
        live: Live {
            film: is_film,
            why_not,
        },
        links: Links {
            still: link("still.jpg"),
            live_mp4: is_film.then(|| link("live.mp4")),
            live_m3u8: is_film.then(|| link("live.m3u8")),
            footage_mp4: link("footage.mp4"),
            footage_m3u8: link("footage.m3u8"),
            coverage: link("coverage"),
            findings: link("findings"),
            stills: link("stills"),
        },
    })
}

fn write(value: &impl Serialize) -> Result<Response, Problem> {
    let text = serde_json::to_string(value);
    text.map(object).map_err(|error| {
        tracing::error!(%error, "an object can't be written");
        not_yet()
    })
}
