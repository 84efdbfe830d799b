//! Which address leads where, and what every answer has.

use std::net::IpAddr;
use std::sync::{Arc, OnceLock};
use std::time::Instant;

use axum::body::{Body, HttpBody as _};
use axum::extract::{ConnectInfo, Request};
use axum::http::{HeaderName, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};

use super::error::Problem;
use super::health::Readiness;
use super::limits::ANSWER_TIME;
use super::query::Query;
use super::roll::Spot;
use super::segments::NoList;
use super::shop::Shop;
use super::token::{Denied, Gate};
use super::{accounts, cameras, events, films, host, live, page, range, still, stills};
use crate::telemetry::{OutletEvents, Refusal, Telemetry, ViewKind};

/// The text format of OpenMetrics 1.0.
const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
const M3U8: &str = "application/vnd.apple.mpegurl";
/// What can be asked for, for programs.
const OPENAPI: &str = include_str!("openapi.json");

/// What requests are answered from. The cameras come when they run.
#[derive(Debug)]
pub(super) struct Front {
    pub(super) shop: OnceLock<Arc<Shop>>,
    pub(super) readiness: Readiness,
    pub(super) telemetry: Arc<Telemetry>,
    pub(super) events: OutletEvents,
    pub(super) gate: Option<Gate>,
    /// Without a token, and for this machine alone.
    pub(super) is_private: bool,
}

/// Answers a request.
pub(super) async fn answer(front: Arc<Front>, request: Request) -> Response {
    let peer = request
        .extensions()
        .get::<ConnectInfo<std::net::SocketAddr>>();
    let peer = peer.map(|ConnectInfo(peer)| peer.ip());
    let (parts, _) = request.into_parts();
    let is_head = parts.method == Method::HEAD;
    let uri = parts.uri;
    let route = Route::of(uri.path());
    let answered = async {
        front.admit(peer, &uri, &parts.headers, route)?;
        if parts.method != Method::GET && !is_head {
            return Err(Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "only reading is possible",
                "nothing can be changed over HTTP",
                "Use GET or HEAD; what the relay does is for its configuration to say.",
            )
            .with(header::ALLOW, "GET, HEAD"));
        }
        let asked = Asked {
            peer,
            uri: &uri,
            headers: &parts.headers,
        };
        // Boxed: it is large, and there is one for each request.
        let respond = Box::pin(front.respond(route, asked));
        match tokio::time::timeout(ANSWER_TIME, respond).await {
            Ok(answered) => answered,
            Err(_) => Err(Problem::later(
                "it takes too long",
                format!("no answer within {} s", ANSWER_TIME.as_secs()),
                "Ask for less at a time; a disk may be slow, see the relay's log.",
                30,
            )),
        }
    };
    let mut response = match answered.await {
        Ok(response) => response,
        Err(problem) => problem.into_response(),
    };
    front
        .events
        .answered(route.word(), response.status().as_u16());
    dress(&mut response);
    if is_head {
        if let Some(length) = response.body().size_hint().exact() {
            let headers = response.headers_mut();
            if !headers.contains_key(header::CONTENT_LENGTH) {
                range::set(headers, header::CONTENT_LENGTH, &length.to_string());
            }
        }
        *response.body_mut() = Body::empty();
    }
    response
}

/// What every answer has, where it has not said otherwise.
fn dress(response: &mut Response) {
    let headers = response.headers_mut();
    for (name, value) in [
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; frame-ancestors 'none'",
        ),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
    ] {
        if !headers.contains_key(&name) {
            range::set(headers, name, value);
        }
    }
}

/// What an address stands for. Names of cameras are compared as they are written: none of them has a
/// character that would have to be escaped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Route<'a> {
    Front,
    /// Camera, date.
    Day(&'a str, &'a str),
    Asset(&'a str),
    Alive,
    Ready,
    Metrics,
    OpenApi,
    Cameras,
    Events,
    Camera(&'a str),
    Leaf(&'a str, &'a str),
    /// Camera, list, file.
    Live(&'a str, &'a str, &'a str),
    Footage(&'a str, &'a str),
    Still(&'a str, &'a str),
    None,
}

impl<'a> Route<'a> {
    fn of(path: &'a str) -> Self {
        let mut words = [""; 7];
        let mut number = 0;
        for word in path.strip_prefix('/').unwrap_or("?").split('/') {
            let Some(slot) = words.get_mut(number) else {
                return Self::None;
            };
            (*slot, number) = (word, number + 1);
        }
        match words.get(..number).unwrap_or_default() {
            [""] => Self::Front,
            [asset @ ("page.css" | "page.js")] => Self::Asset(asset),
            ["day", camera, date] => Self::Day(camera, date),
            ["healthz"] => Self::Alive,
            ["readyz"] => Self::Ready,
            ["metrics"] => Self::Metrics,
            ["v1", "openapi.json"] => Self::OpenApi,
            ["v1", "events"] => Self::Events,
            ["v1", "cameras"] => Self::Cameras,
            ["v1", "cameras", camera] if !camera.is_empty() => Self::Camera(camera),
            ["v1", "cameras", camera, leaf] => Self::Leaf(camera, leaf),
            ["v1", "cameras", camera, "live", list, file] => Self::Live(camera, list, file),
            ["v1", "cameras", camera, "footage", file] => Self::Footage(camera, file),
            ["v1", "cameras", camera, "stills", file] => Self::Still(camera, file),
            _ => Self::None,
        }
    }

    /// As metric label: from a closed list.
    fn word(self) -> &'static str {
        match self {
            Self::Front | Self::Day(..) | Self::Asset(_) => "page",
            Self::Alive | Self::Ready => "health",
            Self::Metrics => "metrics",
            Self::OpenApi => "openapi",
            Self::Cameras => "cameras",
            Self::Events => "events",
            Self::Camera(_) => "camera",
            Self::Leaf(_, leaf) => LEAVES
                .into_iter()
                .find(|known| *known == leaf)
                .unwrap_or("other"),
            Self::Live(..) => "live",
            Self::Footage(..) => "footage",
            Self::Still(..) => "stills",
            Self::None => "other",
        }
    }
}

const LEAVES: [&str; 8] = [
    "still.jpg",
    "live.mp4",
    "live.m3u8",
    "footage.mp4",
    "footage.m3u8",
    "coverage",
    "findings",
    "stills",
];

#[derive(Clone, Copy)]
struct Asked<'a> {
    peer: Option<IpAddr>,
    uri: &'a Uri,
    headers: &'a axum::http::HeaderMap,
}

impl Front {
    fn admit(
        &self,
        peer: Option<IpAddr>,
        uri: &Uri,
        headers: &axum::http::HeaderMap,
        route: Route<'_>,
    ) -> Result<(), Problem> {
        // Health needs no token: a prober has none, and it tells nothing but its one word.
        if matches!(route, Route::Alive | Route::Ready) {
            return Ok(());
        }
        if let Some(gate) = &self.gate {
            return gate.admit(peer, headers, Instant::now()).map_err(|denied| {
                let (refusal, problem) = match denied {
                    Denied::Wrong(problem) => (Refusal::Token, problem),
                    Denied::TooMany(problem) => (Refusal::TokenRate, problem),
                };
                self.events.refused(refusal, peer);
                problem
            });
        }
        if self.is_private {
            host::check(uri, headers).inspect_err(|_| self.events.refused(Refusal::Host, peer))?;
        }
        Ok(())
    }

    async fn respond(&self, route: Route<'_>, asked: Asked<'_>) -> Result<Response, Problem> {
        let Asked { uri, headers, .. } = asked;
        match route {
            Route::Alive => return Ok("alive\n".into_response()),
            Route::Ready => return Ok(self.readiness.answer().into_response()),
            Route::Metrics => return self.metrics(),
            Route::None => return Err(nowhere(uri)),
            Route::Asset(name) => {
                Query::of(uri, &[])?;
                return page::asset(name).ok_or_else(|| nowhere(uri));
            }
            Route::OpenApi => {
                Query::of(uri, &[])?;
                return Ok(accounts::object(OPENAPI.to_owned()));
            }
            _ => {}
        }
        let shop = self.shop.get().ok_or_else(|| {
            Problem::later(
                "not yet",
                "the relay is starting: it repairs what the last run has left",
                "Try again in a moment; /readyz tells when it is ready.",
                2,
            )
        })?;
        match route {
            Route::Front => {
                Query::of(uri, &[])?;
                Box::pin(page::front(shop)).await
            }
            Route::Day(name, date) => {
                let spot = shop.spot(name)?;
                Box::pin(page::day(shop, &spot, date, uri)).await
            }
            Route::Still(name, file) => {
                let spot = shop.spot(name)?;
                stills::file(shop, &spot, file, uri, headers).await
            }
            Route::Cameras => {
                Query::of(uri, &[])?;
                cameras::all(shop)
            }
            Route::Events => events::listen(shop, uri, headers),
            Route::Camera(name) => {
                let spot = shop.spot(name)?;
                Query::of(uri, &[])?;
                cameras::one(shop, &spot)
            }
            Route::Leaf(name, leaf) => {
                let spot = shop.spot(name)?;
                Box::pin(self.leaf(shop, &spot, leaf, asked)).await
            }
            Route::Live(name, list, file) => {
                let spot = shop.spot(name)?;
                Query::of(uri, &[])?;
                segment(&spot, list, file, asked)
            }
            Route::Footage(name, file) => {
                let spot = shop.spot(name)?;
                match file {
                    "slice.m4s" => films::slice(shop, &spot, uri).await,
                    "begin.mp4" => films::beginning(shop, &spot, uri).await,
                    _ => Err(nowhere(uri)),
                }
            }
            _ => Err(nowhere(uri)),
        }
    }

    async fn leaf(
        &self,
        shop: &Arc<Shop>,
        spot: &Arc<Spot>,
        leaf: &str,
        Asked { uri, headers, .. }: Asked<'_>,
    ) -> Result<Response, Problem> {
        match leaf {
            "still.jpg" => still::still(shop, spot, uri, headers).await,
            "live.mp4" => {
                Query::of(uri, &[])?;
                live::film(shop, spot)
            }
            "live.m3u8" => {
                Query::of(uri, &[])?;
                master(shop, spot).await
            }
            "footage.mp4" => films::film(shop, spot, uri, headers).await,
            "footage.m3u8" => films::list(shop, spot, uri).await,
            "coverage" => accounts::coverage(shop, spot, uri).await,
            "findings" => accounts::findings(shop, spot, uri).await,
            "stills" => stills::list(shop, spot, uri).await,
            _ => Err(nowhere(uri)),
        }
    }

    fn metrics(&self) -> Result<Response, Problem> {
        let text = self.telemetry.render().map_err(|error| {
            tracing::error!(%error, "metrics can't be written");
            Problem::new(
                StatusCode::INTERNAL_SERVER_ERROR,
                "the relay has a defect here",
                "the metrics can't be written",
                "Report it with the relay's log lines of this moment.",
            )
        })?;
        Ok(([(header::CONTENT_TYPE, OPENMETRICS)], text).into_response())
    }
}

fn nowhere(uri: &Uri) -> Problem {
    Problem::missing(
        "there is nothing here",
        format!("nothing is at {}", super::query::shown(uri.path())),
        "See /v1/openapi.json for what there is.",
    )
}

/// How often a list is looked for that has no segment yet.
const LOOK_AGAIN: std::time::Duration = std::time::Duration::from_millis(200);
/// And for how long.
const LOOK_TIME: std::time::Duration = std::time::Duration::from_secs(15);

/// The list of the one rendition; waits for the first segment.
async fn master(shop: &Shop, spot: &Spot) -> Result<Response, Problem> {
    let begun = Instant::now();
    let mut shutdown = shop.shutdown.clone();
    loop {
        match spot.channel.master(&spot.hold) {
            Ok(master) => return Ok(list(master.write())),
            Err(NoList::Never(why)) => return Err(live::no_film(spot, &why)),
            Err(_) if spot.hold.newest().is_none() => return Err(live::nothing_yet(spot)),
            Err(_) if begun.elapsed() > LOOK_TIME => {
                return Err(Problem::later(
                    "no segment yet",
                    format!("no segment of {} is whole yet", spot.name),
                    "Try again; a camera that sends key frames seldom takes as long.",
                    5,
                ));
            }
            Err(_) => {}
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_AGAIN) => {}
            () = shutdown.requested() => return Err(live::nothing_yet(spot)),
        }
    }
}

/// A file of a live list: `media.m3u8`, `0.mp4`, `17.m4s`.
fn segment(
    spot: &Spot,
    run: &str,
    file: &str,
    Asked { peer, uri, .. }: Asked<'_>,
) -> Result<Response, Problem> {
    let digits = |text: &str| -> Option<u64> {
        let plain = !text.is_empty() && text.bytes().all(|c| c.is_ascii_digit());
        plain.then(|| text.parse().ok()).flatten()
    };
    let run = digits(run).ok_or_else(|| nowhere(uri))?;
    if file == "media.m3u8" {
        spot.audience.fetches(peer, Instant::now());
        return match spot.channel.media(&spot.hold, run) {
            Ok(media) => Ok(list(media.write())),
            Err(NoList::Never(why)) => Err(live::no_film(spot, &why)),
            Err(NoList::Yet | NoList::Ended) => Err(ended(spot)),
        };
    }
    let known = file
        .split_once('.')
        .and_then(|(number, kind)| Some((digits(number)?, kind)));
    let bytes = match known {
        Some((number, "mp4")) => spot.channel.map(run, number).map(|map| vec![map]),
        Some((number, "m4s")) => spot.channel.segment(&spot.hold, run, number),
        _ => return Err(nowhere(uri)),
    };
    let bytes = bytes.ok_or_else(|| ended(spot))?;
    Ok(films::pieces(spot, ViewKind::Segments, bytes))
}

fn ended(spot: &Spot) -> Problem {
    Problem::missing(
        "no longer live",
        format!(
            "what was live of {} then is no longer held in memory",
            spot.name
        ),
        format!(
            "Begin anew with /v1/cameras/{0}/live.m3u8; what is older is in \
             /v1/cameras/{0}/footage.m3u8.",
            spot.name
        ),
    )
}

fn list(text: String) -> Response {
    ([(header::CONTENT_TYPE, M3U8)], text).into_response()
}

#[cfg(test)]
mod tests {
    use super::Route;

    #[test]
    fn paths_lead_where_they_say_and_nowhere_else() {
        assert_eq!(Route::of("/v1/cameras"), Route::Cameras);
        assert_eq!(Route::of("/v1/cameras/gate"), Route::Camera("gate"));
        let leaf = Route::Leaf("gate", "still.jpg");
        assert_eq!(Route::of("/v1/cameras/gate/still.jpg"), leaf);
        for nowhere in [
            "",
            "*",
            "/v1",
            "/v1/",
            "/v1/cameras/",
            "//v1/cameras",
            "/v1//cameras",
            "/v1/cameras/gate/live/1/2/3",
            "/v1/cameras/../../etc/passwd/x/y/z/a/b",
            "/metrics/",
        ] {
            assert_eq!(Route::of(nowhere), Route::None, "{nowhere}");
        }
        assert_eq!(Route::of("/v1/cameras/gate/..%2f..").word(), "other");
    }
}
