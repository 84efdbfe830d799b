//! What is recorded: `footage.mp4`, one file by ranges, and `footage.m3u8`, slices of it. Both run like
//! the clock over what is missing.

use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::Response;
use bytes::Bytes;
use futures_util::{Stream, stream};

use super::desk::Stop;
use super::error::Problem;
use super::limits::FOOTAGE_NANOS_MAX;
use super::playlist::{Entry, Media};
use super::query::Query;
use super::range::{self, Tag};
use super::roll::Spot;
use super::shop::Shop;
use super::view::{CutOff, Paced};
use crate::archive::ledger::Span;
use crate::clip::{ClipError, Film, Shelf, Slice, slices};
use crate::telemetry::ViewKind;
use crate::units::CaptureTime;

/// Bytes that are read at a time, for one client.
const BLOCK: u64 = 1 << 20;
/// Planned films that are kept, over all cameras: tables of up to 20 MiB each. A player asks for many
/// ranges of the same one.
const FILMS_MAX: usize = 4;
/// Files never change, but new ones may come.
const FILM_TIME: Duration = Duration::from_secs(60);

type Known = (String, Span, Instant, Arc<Film>);

/// Films that were planned lately.
#[derive(Debug, Default)]
pub(super) struct Films(Mutex<Vec<Known>>);

impl Films {
    fn known(&self, camera: &str, asked: Span) -> Option<Arc<Film>> {
        let mut films = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        films.retain(|(_, _, made, _)| made.elapsed() < FILM_TIME);
        let mut films = films.iter();
        let (.., film) = films.find(|(of, span, ..)| of == camera && *span == asked)?;
        Some(Arc::clone(film))
    }

    fn keep(&self, camera: &str, asked: Span, film: &Arc<Film>) {
        let mut films = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if films.len() >= FILMS_MAX {
            films.remove(0);
        }
        films.push((camera.to_owned(), asked, Instant::now(), Arc::clone(film)));
    }
}

fn shelf(shop: &Shop, spot: &Spot) -> Shelf {
    Shelf {
        disk: Arc::clone(&shop.disk),
        archive: shop.archive.clone(),
        spool: shop.spool.clone(),
        camera: spot.name.clone(),
    }
}

fn asked(spot: &Spot, uri: &Uri) -> Result<Span, Problem> {
    let query = Query::of(uri, &["from", "to"])?;
    query.window(&spot.site, CaptureTime::now(), None, FOOTAGE_NANOS_MAX)
}

/// One file.
///
/// # Errors
/// Where there is no footage, or a range lies outside.
pub(super) async fn film(
    shop: &Arc<Shop>,
    spot: &Spot,
    uri: &Uri,
    headers: &HeaderMap,
) -> Result<Response, Problem> {
    let asked = asked(spot, uri)?;
    let name = spot.name.as_str();
    let film = match shop.films.known(name, asked) {
        Some(film) => film,
        None => {
            let shelf = shelf(shop, spot);
            let plan = move |stop: &Stop| Film::plan(&shelf, asked, &|| stop.is_asked());
            let film = shop.desk.run(plan).await?;
            let film = Arc::new(film.map_err(|error| failed(spot, &error))?);
            shop.films.keep(name, asked, &film);
            film
        }
    };
    let tag = Tag::new(format_args!("{}", film.tag));
    let wanted = range::wanted(headers, &tag, film.length())?;
    let seat = spot.audience.seat(ViewKind::Footage);
    let mut response = range::answer(wanted, &tag, film.length(), |range| {
        let blocks = blocks(Arc::clone(shop), Arc::clone(&film), range);
        Body::from_stream(Paced::new(blocks, seat))
    });
    let fields = response.headers_mut();
    range::set(fields, header::CONTENT_TYPE, "video/mp4");
    range::set(fields, header::CACHE_CONTROL, "private, no-cache");
    range::set(fields, range::CAPTURED, &film.span.begin.to_string());
    let file = format!(
        "inline; filename=\"{name}-{}.mp4\"",
        film.span.begin.file_stem()
    );
    range::set(fields, header::CONTENT_DISPOSITION, &file);
    if let Some(next) = film.next {
        // What comes then takes a film of its own.
        let link = format!("<footage.mp4?from={next}&to={}>; rel=\"next\"", asked.end);
        range::set(fields, header::LINK, &link);
    }
    Ok(response)
}

/// Reads a film block by block, as fast as the client takes them.
fn blocks(
    shop: Arc<Shop>,
    film: Arc<Film>,
    range: Range<u64>,
) -> impl Stream<Item = Result<Bytes, CutOff>> + Send {
    stream::unfold(range.start, move |at| {
        let (shop, film) = (Arc::clone(&shop), Arc::clone(&film));
        let end = at.saturating_add(BLOCK).min(range.end);
        async move {
            if at >= end {
                return None;
            }
            // The head is sent: what fails now can only end the answer.
            let read = shop.desk.run(move |_| film.read(at..end)).await;
            let block = match read {
                Ok(Ok(bytes)) if bytes.len() as u64 == end - at => Ok(Bytes::from(bytes)),
                _ => Err(CutOff("the footage can't be read on")),
            };
            let next = if block.is_ok() { end } else { u64::MAX };
            Some((block, next))
        }
    })
}

/// The list of slices.
///
/// # Errors
/// Where there is no footage.
pub(super) async fn list(shop: &Shop, spot: &Spot, uri: &Uri) -> Result<Response, Problem> {
    let asked = asked(spot, uri)?;
    let shelf = shelf(shop, spot);
    let found = move |stop: &Stop| slices(&shelf, asked, &|| stop.is_asked());
    let found = shop.desk.run(found).await?;
    let found = found.map_err(|error| failed(spot, &error))?;
    let longest = found.iter().map(|slice| slice.nanos).max().unwrap_or(1);
    let media = Media {
        // Rounded up: a length that is rounded to the nearest is no longer than that.
        target_seconds: u64::try_from(longest).unwrap_or(1).div_ceil(1_000_000_000),
        sequence: 0,
        breaks: 0,
        is_whole: true,
        entries: found.iter().map(entry).collect(),
    };
    let mut response = Response::new(Body::from(media.write()));
    let fields = response.headers_mut();
    range::set(
        fields,
        header::CONTENT_TYPE,
        "application/vnd.apple.mpegurl",
    );
    range::set(fields, header::CACHE_CONTROL, "private, no-cache");
    Ok(response)
}

fn entry(slice: &Slice) -> Entry {
    let nanos = |time: CaptureTime| time.unix_nanos();
    let mut uri = format!(
        "footage/slice.m4s?zero={}&begin={}&last={}&end={}&at={}",
        nanos(slice.zero),
        nanos(slice.begin),
        nanos(slice.last),
        nanos(slice.end),
        slice.at
    );
    if let Some(sound) = slice.sound {
        uri.push_str(&format!("&sound={sound}"));
    }
    if slice.is_break {
        uri.push_str("&break=1");
    }
    Entry {
        uri,
        map: format!("footage/begin.mp4?at={}", nanos(slice.map)),
        is_break: slice.is_break,
        begin: slice.begin,
        nanos: slice.nanos,
    }
}

/// A slice of the list.
///
/// # Errors
/// Where it is not there any more.
pub(super) async fn slice(shop: &Shop, spot: &Spot, uri: &Uri) -> Result<Response, Problem> {
    let known = ["zero", "begin", "last", "end", "at", "sound", "break"];
    let query = Query::of(uri, &known)?;
    let time = |name| query.number(name).map(CaptureTime::from_unix_nanos);
    let (begin, end) = (time("begin")?, time("end")?);
    let length = end.unix_nanos().saturating_sub(begin.unix_nanos());
    if length <= 0 || length > FOOTAGE_NANOS_MAX {
        let advice = "Take the address from the playlist as it is.";
        return Err(Problem::bad("begin and end make no slice", advice));
    }
    let sound = query.get("sound").map(|_| query.number("sound"));
    let slice = Slice {
        zero: time("zero")?,
        begin,
        last: time("last")?,
        end,
        at: query.number("at")?,
        sound: sound.transpose()?,
        is_break: query.get("break").is_some(),
        map: begin,
        nanos: 0,
    };
    let shelf = shelf(shop, spot);
    let made = shop.desk.run(move |_| slice.make(&shelf)).await?;
    Ok(media(spot, made.map_err(|error| failed(spot, &error))?))
}

/// What comes before slices.
///
/// # Errors
/// Where it is not there any more.
pub(super) async fn beginning(shop: &Shop, spot: &Spot, uri: &Uri) -> Result<Response, Problem> {
    let query = Query::of(uri, &["at"])?;
    let at = CaptureTime::from_unix_nanos(query.number("at")?);
    let shelf = shelf(shop, spot);
    let made = shop.desk.run(move |_| Slice::beginning(&shelf, at)).await?;
    Ok(media(spot, made.map_err(|error| failed(spot, &error))?))
}

/// A piece of a film: the same for good.
pub(super) fn media(spot: &Spot, bytes: Bytes) -> Response {
    pieces(spot, ViewKind::Footage, vec![bytes])
}

/// A piece that lies in memory.
pub(super) fn pieces(spot: &Spot, kind: ViewKind, pieces: Vec<Bytes>) -> Response {
    let length: usize = pieces.iter().map(Bytes::len).sum();
    let pieces = stream::iter(pieces.into_iter().map(Ok));
    let body = Paced::new(pieces, spot.audience.seat(kind));
    let mut response = Response::new(Body::from_stream(body));
    let fields = response.headers_mut();
    range::set(fields, header::CONTENT_TYPE, "video/mp4");
    range::set(fields, header::CONTENT_LENGTH, &length.to_string());
    range::set(
        fields,
        header::CACHE_CONTROL,
        "private, max-age=3600, immutable",
    );
    response
}

fn failed(spot: &Spot, error: &ClipError) -> Problem {
    let name = &spot.name;
    match error {
        ClipError::Nothing { asked, .. } => Problem::missing(
            "no footage",
            format!(
                "{name} has no finished footage from {} to {}",
                asked.begin, asked.end
            ),
            format!(
                "See /v1/cameras/{name}/coverage for what is recorded, and why something is missing; \
                 what is being recorded can be had some minutes later."
            ),
        ),
        ClipError::Gone(_) => Problem::missing(
            "the footage is gone",
            format!("footage of {name} was removed meanwhile"),
            "Ask again.",
        ),
        other => {
            let cause = std::error::Error::source(other).map(ToString::to_string);
            tracing::warn!(camera = %name, error = %other, cause, "footage can't be read");
            Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "the archive can't be read",
                format!("footage of {name} can't be read now"),
                "See the relay's log for what the disk says, and try again.",
            )
            .with(header::RETRY_AFTER, "30")
        }
    }
}
