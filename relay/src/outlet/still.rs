//! `still.jpg`: the newest key frame, decoded where all pictures are, and kept for who comes next.

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::{HeaderMap, Uri, header};
use axum::response::Response;
use bytes::Bytes;
use tokio::sync::Mutex;

use super::error::Problem;
use super::live::nothing_yet;
use super::query::{Query, shown};
use super::range::{self, Tag};
use super::roll::Spot;
use super::shop::Shop;
use crate::pictures::{PixelFormat, Request, Source, coded};
use crate::telemetry::ViewKind;
use crate::units::CaptureTime;

/// Longest sides that can be had beside the camera's own, in pixels: few, so that few are kept.
const SIDES: [u32; 4] = [160, 320, 640, 1280];
/// A picture that was made so lately will do, whatever has come since.
const FRESH: Duration = Duration::from_secs(2);
/// How long decoding may take, with what others want meanwhile, and with the compiling of the decoder
/// where it is the first time.
const PATIENCE: Duration = Duration::from_secs(25);
const QUALITY: u8 = 85;

/// A picture that was made.
#[derive(Debug)]
struct Still {
    side: u32,
    /// Number of the key frame that was the newest then.
    newest: u64,
    captured: CaptureTime,
    jpeg: Bytes,
    made: Instant,
}

/// The pictures of one camera; one is made at a time.
#[derive(Debug, Default)]
pub(super) struct Darkroom(Mutex<Vec<Arc<Still>>>);

/// # Errors
/// Where there is no picture.
pub(super) async fn still(
    shop: &Shop,
    spot: &Spot,
    uri: &Uri,
    headers: &HeaderMap,
) -> Result<Response, Problem> {
    let side = side(&Query::of(uri, &["side"])?)?;
    let still = develop(shop, spot, side).await?;
    let tag = Tag::new(format_args!("{}-{side}", still.captured.unix_nanos()));
    let seat = spot.audience.seat(ViewKind::Still);
    let mut response = range::whole(&still.jpeg, &tag, headers, |bytes| {
        seat.sent(bytes.len());
        Body::from(bytes)
    })?;
    let fields = response.headers_mut();
    for (name, value) in [
        (header::CONTENT_TYPE, "image/jpeg".to_owned()),
        // Asked again each time; answered without the picture where it is the same.
        (header::CACHE_CONTROL, "private, no-cache".to_owned()),
        (header::LAST_MODIFIED, range::http_date(still.captured)),
        (range::CAPTURED, still.captured.to_string()),
    ] {
        range::set(fields, name, &value);
    }
    Ok(response)
}

fn side(query: &Query) -> Result<u32, Problem> {
    let Some(text) = query.get("side") else {
        return Ok(0);
    };
    let known = SIDES.into_iter().find(|side| side.to_string() == text);
    known.ok_or_else(|| {
        let advice = "Allowed: 160, 320, 640, 1280; left out, it is the camera's own size.";
        Problem::bad(format!("side={} is not to be had", shown(text)), advice)
    })
}

async fn develop(shop: &Shop, spot: &Spot, side: u32) -> Result<Arc<Still>, Problem> {
    // Who comes while one is made waits for it, and finds it made.
    let mut made = spot.darkroom.0.lock().await;
    let key = spot.hold.newest_key_frame();
    let known = made.iter().find(|still| still.side == side);
    if let Some(known) = known {
        let is_newest = key.as_ref().is_none_or(|key| key.sequence == known.newest);
        if is_newest || known.made.elapsed() < FRESH {
            return Ok(Arc::clone(known));
        }
    }
    let key = key.ok_or_else(|| nothing_yet(spot))?;
    let mut subscription = spot.board.subscribe(Request {
        rate: 0.0,
        longest_side: side,
        format: PixelFormat::I420,
        source: Source::Main,
    });
    subscription.ask(key.captured);
    let picture = tokio::time::timeout(PATIENCE, subscription.next()).await;
    drop(subscription);
    let name = &spot.name;
    let Ok(picture) = picture else {
        return Err(Problem::later(
            "no picture could be decoded",
            format!(
                "the newest key frame of {name} gave no picture within {} s",
                PATIENCE.as_secs()
            ),
            format!("See /v1/cameras/{name}: it tells whether the stream can be decoded at all."),
            10,
        ));
    };
    let captured = picture.captured;
    let jpeg = shop.desk.run(move |_| coded(&picture, u32::MAX, QUALITY));
    let Some((jpeg, ..)) = jpeg.await? else {
        return Err(Problem::later(
            "no picture could be made",
            format!("the picture of {name} is larger than JPEG has room for"),
            "Ask for side=1280.",
            10,
        ));
    };
    let still = Arc::new(Still {
        side,
        newest: key.sequence,
        captured,
        jpeg,
        made: Instant::now(),
    });
    made.retain(|known| known.side != side);
    made.push(Arc::clone(&still));
    Ok(still)
}
