//! `live.mp4`: a film that grows as long as somebody looks on, from a cursor on the hold.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use bytes::Bytes;
use futures_util::stream;
use tokio::sync::OwnedSemaphorePermit;

use super::error::Problem;
use super::mux::{Breaks, Muxer, NoFilm, Parts, Placed, nanos};
use super::pace::{Look, Pace, Verdict};
use super::roll::Spot;
use super::shop::Shop;
use super::view::{CutOff, Seat};
use crate::config::WhenBehind;
use crate::hold::{Cursor, Hold, Unit};
use crate::supervise::Shutdown;
use crate::telemetry::{Refusal, ViewKind};
use crate::units::CaptureTime;

/// Units are gathered for so long: with as many viewers as there may be, a wake-up for each unit costs
/// more than what is sent.
const GATHER: Duration = Duration::from_millis(30);
/// After so long without a picture an empty box is sent: players, and what stands between, take a
/// connection for dead that says nothing, many of them after fifteen seconds.
const QUIET: Duration = Duration::from_secs(3);
/// A box that says nothing, between fragments (ISO/IEC 14496-12 §8.1.2).
const EMPTY_BOX: &[u8] = b"\0\0\0\x08free";
/// Units of one fragment, and about their bytes: what a viewer keeps alive beyond the hold.
const UNITS: usize = 256;
const BYTES: usize = 1 << 20;

/// Begins a film.
///
/// # Errors
/// Where there is nothing to begin with, or no room.
pub(super) fn film(shop: &Shop, spot: &Spot) -> Result<Response, Problem> {
    let newest = spot.hold.newest().ok_or_else(|| nothing_yet(spot))?;
    let parts = Parts::of(&newest.tracks).map_err(|why| no_film(spot, &why))?;
    let place = Arc::clone(&shop.viewers).try_acquire_owned();
    let Ok(place) = place else {
        shop.events.refused(Refusal::Viewers, None);
        return Err(Problem::later(
            "too many viewers",
            "as many films as this relay sends at a time are being looked at",
            "Try again when some have gone, or fetch live.m3u8, which has no such bound.",
            10,
        ));
    };
    let codecs = parts.codecs();
    let kind = match codecs.is_empty() {
        true => "video/mp4".to_owned(),
        false => format!("video/mp4; codecs=\"{codecs}\""),
    };
    let viewer = Viewer {
        cursor: spot.hold.cursor(WhenBehind::SkipToNewest),
        hold: Arc::clone(&spot.hold),
        muxer: None,
        pace: Pace::default(),
        out: VecDeque::new(),
        ended: false,
        begun: false,
        seat: spot.audience.seat(ViewKind::Film),
        shutdown: shop.shutdown.clone(),
        left: spot.left.clone(),
        _place: place,
    };
    let body = Body::from_stream(stream::unfold(viewer, |mut viewer| async move {
        let next = viewer.next().await?;
        Some((next, viewer))
    }));
    let mut response = Response::new(body);
    *response.status_mut() = StatusCode::OK;
    if let Ok(kind) = HeaderValue::from_str(&kind) {
        response.headers_mut().insert(header::CONTENT_TYPE, kind);
    }
    Ok(response)
}

/// For a camera from which nothing has come since the start.
pub(super) fn nothing_yet(spot: &Spot) -> Problem {
    Problem::later(
        "no picture yet",
        format!(
            "nothing has come from the camera {} since the relay started",
            spot.name
        ),
        format!("See /v1/cameras/{} for what is wrong.", spot.name),
        5,
    )
}

/// For a camera of which no film can be made.
pub(super) fn no_film(spot: &Spot, why: &NoFilm) -> Problem {
    let name = &spot.name;
    let (detail, advice) = match why {
        NoFilm::Codec(codec) => (
            format!("the camera {name} sends {codec}, which browsers play in no film"),
            format!(
                "Fetch /v1/cameras/{name}/still.jpg again and again, or set the camera to H.264; what \
                 is recorded is not affected."
            ),
        ),
        NoFilm::Configuration => (
            format!("the camera {name} has not sent its parameter sets yet"),
            "Try again in a moment.".to_owned(),
        ),
        NoFilm::NoPictures => (
            format!("the camera {name} sends sound alone"),
            "There is nothing to see; what is recorded is not affected.".to_owned(),
        ),
    };
    Problem::new(
        StatusCode::NOT_FOUND,
        "not available of this camera",
        detail,
        advice,
    )
}

/// One who looks on.
struct Viewer {
    cursor: Cursor,
    hold: Arc<Hold>,
    /// Made with the first unit.
    muxer: Option<Muxer>,
    pace: Pace,
    /// What waits to be sent: one fragment.
    out: VecDeque<Bytes>,
    /// Other parameters: a film has one set of them. The viewer comes again.
    ended: bool,
    begun: bool,
    seat: Seat,
    shutdown: Shutdown,
    /// The camera is left out of the configuration.
    left: Shutdown,
    _place: OwnedSemaphorePermit,
}

impl Viewer {
    /// What is sent next. It is asked for when the connection has room.
    async fn next(&mut self) -> Option<Result<Bytes, CutOff>> {
        loop {
            if let Some(bytes) = self.out.pop_front() {
                self.seat.sent(bytes.len());
                return Some(Ok(bytes));
            }
            if self.ended {
                return None;
            }
            let ready = async {
                if self.begun {
                    tokio::time::sleep(GATHER).await;
                }
                self.cursor.ready().await;
            };
            tokio::select! {
                () = ready => {}
                () = self.shutdown.requested() => return None,
                () = self.left.requested() => return None,
                () = tokio::time::sleep(QUIET), if self.begun => {
                    self.seat.sent(EMPTY_BOX.len());
                    return Some(Ok(Bytes::from_static(EMPTY_BOX)));
                }
            }
            if self.read() == Verdict::Cut {
                self.seat.cut_off();
                return Some(Err(CutOff("the viewer can't keep up")));
            }
        }
    }

    /// Reads on, and writes a fragment of what there is.
    fn read(&mut self) -> Verdict {
        let now = Instant::now();
        let batch = self.cursor.read(UNITS, BYTES);
        if let Some(lapse) = &batch.lapse
            && lapse.after.is_some()
        {
            self.cut();
            self.seat.skipped();
            if self.pace.skip(now) == Verdict::Cut {
                return Verdict::Cut;
            }
        }
        let newest = self.hold.newest();
        let group = self.hold.newest_group();
        let home = CaptureTime::now();
        let mut placed = Vec::with_capacity(batch.units.len());
        for unit in &batch.units {
            let look = Look {
                age: nanos(unit.captured, home),
                behind: newest
                    .as_ref()
                    .map_or(0, |newest| nanos(unit.captured, newest.captured)),
                newer_group: group.is_some_and(|group| group > unit.captured),
                random_access: unit.starts_group(),
            };
            match self.pace.judge(look, now) {
                Verdict::Show => {
                    if !self.show(unit, &mut placed) {
                        break;
                    }
                }
                Verdict::Pass => self.cut(),
                Verdict::Skip => {
                    self.cut();
                    self.cursor = self.hold.cursor(WhenBehind::SkipToNewest);
                    self.seat.skipped();
                    break;
                }
                Verdict::Cut => return Verdict::Cut,
            }
        }
        self.write(&mut placed);
        Verdict::Show
    }

    fn cut(&mut self) {
        if let Some(muxer) = &mut self.muxer {
            muxer.cut();
        }
    }

    /// Gives a unit its place; whether the film goes on.
    fn show(&mut self, unit: &Arc<Unit>, placed: &mut Vec<Placed>) -> bool {
        if self
            .muxer
            .as_ref()
            .is_some_and(|muxer| muxer.is_other(unit))
        {
            self.ended = true;
            return false;
        }
        if self.muxer.is_none() {
            let Ok(parts) = Parts::of(&unit.tracks) else {
                self.ended = true;
                return false;
            };
            self.out.push_back(parts.init(unit.captured));
            self.muxer = Some(Muxer::new(parts, Breaks::Closed));
        }
        let place = |muxer: &mut Muxer| muxer.place(unit);
        if let Some(next) = self.muxer.as_mut().and_then(place) {
            if next.is_break {
                self.write(placed);
            }
            placed.push(next);
        }
        true
    }

    fn write(&mut self, placed: &mut Vec<Placed>) {
        if let Some(muxer) = &mut self.muxer
            && !placed.is_empty()
        {
            self.begun = true;
            self.out.extend(muxer.fragment(placed, None));
            placed.clear();
        }
    }
}
