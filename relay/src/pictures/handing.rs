//! Renders a decoded picture once for each size and format, and hands it to everybody who wants
//! it so.

use std::sync::Arc;
use std::time::{Duration, Instant};

use super::board::{Question, Seat};
use super::decoded::Decoded;
use super::picture::{Picture, Plane};
use super::render::Renderer;
use super::request::{PixelFormat, Request, Source};
use super::scale::scaled_size;
use crate::hold::Unit;
use crate::telemetry::{DropReason, PictureEvents};
use crate::units::CaptureTime;

/// A decoded picture and who gets it.
#[derive(Debug)]
pub(super) struct Order {
    pub(super) source: Source,
    pub(super) decoded: Decoded,
    /// Those whose rate has room for it.
    pub(super) wanting: Vec<Arc<Seat>>,
    /// Those who have asked for it.
    pub(super) answers: Vec<(Arc<Seat>, Question)>,
}

/// What tells renderings apart.
type Look = (PixelFormat, u32, u32);

fn look(decoded: &Decoded, request: &Request) -> Look {
    let (width, height) = scaled_size((decoded.width, decoded.height), request.longest_side);
    (request.format, width, height)
}

/// Hands out what `unit` was decoded to. Gives the renderer back.
pub(super) async fn hand_out(
    order: Order,
    unit: &Unit,
    renderer: Renderer,
    events: &PictureEvents,
) -> Renderer {
    let Order {
        source,
        decoded,
        wanting,
        answers,
    } = order;
    let seats = wanting.iter().chain(answers.iter().map(|(seat, _)| seat));
    let mut requests: Vec<(Look, Request)> = Vec::new();
    for seat in seats {
        let look = look(&decoded, &seat.request);
        if !requests.iter().any(|(other, _)| *other == look) {
            requests.push((look, seat.request));
        }
    }
    if requests.is_empty() {
        return renderer;
    }
    // Some ms of pure arithmetic: not on a thread that others wait for.
    let rendering = tokio::task::spawn_blocking(move || {
        let (began, mut renderer) = (Instant::now(), renderer);
        let rendered: Vec<(Look, Vec<Plane>)> = requests
            .into_iter()
            .map(|(look, request)| (look, renderer.render(&decoded, &request).0))
            .collect();
        (renderer, decoded, rendered, began.elapsed())
    });
    // Fails where the runtime ends, and by a defect, which is logged as a panic.
    let Ok((renderer, decoded, rendered, took)) = rendering.await else {
        return Renderer::new();
    };
    events.rendered(took);
    let picture = |seat: &Seat, asked: Option<CaptureTime>| {
        let look = look(&decoded, &seat.request);
        let planes = rendered.iter().find(|(other, _)| *other == look)?;
        let (format, width, height) = look;
        Some(Arc::new(Picture {
            sequence: unit.sequence,
            captured: unit.captured,
            uncertainty_nanos: unit.uncertainty_nanos,
            asked,
            source,
            random_access: unit.random_access,
            width,
            height,
            camera_width: decoded.width,
            camera_height: decoded.height,
            format,
            planes: planes.1.clone(),
        }))
    };
    let (mut handed, mut slow) = (0, 0);
    for seat in &wanting {
        if let Some(picture) = picture(seat, None) {
            slow += u64::from(seat.hand(picture));
            handed += 1;
        }
    }
    let lag = (handed > 0).then(|| since(unit.captured));
    for (seat, question) in &answers {
        if let Some(picture) = picture(seat, Some(question.at)) {
            handed += usize::from(seat.answer(*question, picture));
        }
    }
    events.handed(handed, lag.filter(|_| !wanting.is_empty()));
    events.dropped(DropReason::Slow, slow);
    renderer
}

fn since(captured: CaptureTime) -> Duration {
    let nanos = CaptureTime::now()
        .unix_nanos()
        .saturating_sub(captured.unix_nanos());
    Duration::from_nanos(u64::try_from(nanos).unwrap_or(0))
}
