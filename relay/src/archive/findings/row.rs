//! A finding as JSON, for scripts. Names of fields and their meaning stay. Times are RFC 3339 in UTC.

use serde::Serialize;

use super::Episode;
use crate::coverage::plain;
use crate::units::CaptureTime;

/// What was seen.
#[derive(Debug, Serialize)]
pub struct Row<'a> {
    sink: &'a str,
    kind: &'a str,
    /// A state, with begin, end and length; otherwise of the instant `begin`.
    state: bool,
    /// Null where the begin of a state is not told.
    begin: Option<String>,
    /// Null for an instant, and where a state has not ended or its end is not told.
    end: Option<String>,
    /// From begin to end.
    seconds: Option<f64>,
    /// 0 to 1.
    score: f64,
    /// `main` or `analysis`.
    stream: &'static str,
    /// Shares of the picture's width and height.
    region: Option<Part>,
    text: String,
}

#[derive(Debug, Serialize)]
struct Part {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

impl<'a> From<&'a Episode> for Row<'a> {
    fn from(episode: &'a Episode) -> Self {
        Self {
            sink: episode.sink.as_str(),
            kind: &episode.kind,
            state: episode.lasts,
            begin: episode.begin.map(utc),
            end: episode.end.map(utc),
            seconds: episode.nanos().map(|nanos| nanos as f64 / 1e9),
            score: episode.score,
            stream: episode.source.as_str(),
            region: episode.region.map(|region| Part {
                left: region.left,
                top: region.top,
                width: region.width,
                height: region.height,
            }),
            text: plain(&episode.text),
        }
    }
}

/// RFC 3339 in UTC, to the nanosecond where there are any.
pub fn utc(time: CaptureTime) -> String {
    let time = jiff::Timestamp::from_nanosecond(time.unix_nanos().into());
    time.unwrap_or(jiff::Timestamp::UNIX_EPOCH).to_string()
}
