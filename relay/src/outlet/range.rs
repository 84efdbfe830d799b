//! Parts of what is asked for (RFC 9110 §13 and §14): validators, and one range of bytes.

use std::ops::Range;

use axum::body::Body;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::Response;
use bytes::Bytes;
use jiff::Timestamp;
use jiff::fmt::rfc2822::DateTimePrinter;

use super::error::Problem;
use crate::units::CaptureTime;

/// When what is sent was captured, to the millisecond.
pub(super) const CAPTURED: HeaderName = HeaderName::from_static("forebay-captured");

/// A strong validator.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Tag(String);

impl Tag {
    /// Of letters that need no escape.
    pub(super) fn new(text: std::fmt::Arguments<'_>) -> Self {
        Self(format!("\"{text}\""))
    }
}

pub(super) fn set(headers: &mut HeaderMap, name: HeaderName, value: &str) {
    if let Ok(value) = HeaderValue::from_str(value) {
        headers.insert(name, value);
    }
}

/// As RFC 9110 §5.6.7 has it.
pub(super) fn http_date(time: CaptureTime) -> String {
    let time = Timestamp::from_nanosecond(time.unix_nanos().into()).unwrap_or_default();
    let printed = DateTimePrinter::new().timestamp_to_rfc9110_string(&time);
    printed.unwrap_or_default()
}

/// What of it is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Wanted {
    /// The client has it.
    Nothing,
    All,
    Part(Range<u64>),
}

/// # Errors
/// Where a range lies outside of it.
pub(super) fn wanted(headers: &HeaderMap, tag: &Tag, length: u64) -> Result<Wanted, Problem> {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(known) = text(header::IF_NONE_MATCH) {
        let mut tags = known.split(',').map(str::trim);
        let same = |known: &str| known == "*" || known.trim_start_matches("W/") == tag.0;
        if tags.any(same) {
            return Ok(Wanted::Nothing);
        }
    }
    let Some(ranges) = text(header::RANGE) else {
        return Ok(Wanted::All);
    };
    // Of another state of it a part is of no use.
    if text(header::IF_RANGE).is_some_and(|known| known != tag.0) {
        return Ok(Wanted::All);
    }
    match parse(ranges, length) {
        Parsed::Range(range) => Ok(Wanted::Part(range)),
        Parsed::Ignored => Ok(Wanted::All),
        Parsed::Outside => Err(Problem::new(
            StatusCode::RANGE_NOT_SATISFIABLE,
            "the range lies outside",
            format!("there are {length} bytes"),
            "Ask for bytes that are there.",
        )
        .with(header::CONTENT_RANGE, &format!("bytes */{length}"))),
    }
}

enum Parsed {
    Range(Range<u64>),
    Outside,
    /// Of another kind, of several parts, or nonsense: all is sent, as §14.2 allows.
    Ignored,
}

fn parse(ranges: &str, length: u64) -> Parsed {
    let spec = ranges.strip_prefix("bytes=").map(str::trim);
    let Some((first, last)) = spec.and_then(|spec| spec.split_once('-')) else {
        return Parsed::Ignored;
    };
    // Digits alone: a sign or a comma is none.
    let number = |text: &str| match text.is_empty() || !text.bytes().all(|c| c.is_ascii_digit()) {
        true => None,
        false => Some(text.parse().unwrap_or(u64::MAX)),
    };
    let range = match (number(first), number(last), first, last) {
        (Some(first), Some(last), ..) if first <= last => first..last.saturating_add(1).min(length),
        (Some(first), None, _, "") => first..length,
        (None, Some(tail), "", _) => length.saturating_sub(tail)..length,
        _ => return Parsed::Ignored,
    };
    match range.is_empty() {
        true => Parsed::Outside,
        false => Parsed::Range(range),
    }
}

/// An answer to what is wanted; `body` makes that of a range.
pub(super) fn answer(
    wanted: Wanted,
    tag: &Tag,
    length: u64,
    body: impl FnOnce(Range<u64>) -> Body,
) -> Response {
    let (status, range) = match wanted {
        Wanted::Nothing => (StatusCode::NOT_MODIFIED, None),
        Wanted::All => (StatusCode::OK, Some(0..length)),
        Wanted::Part(range) => (StatusCode::PARTIAL_CONTENT, Some(range)),
    };
    let mut response = Response::new(Body::empty());
    *response.status_mut() = status;
    let headers = response.headers_mut();
    set(headers, header::ETAG, &tag.0);
    let Some(range) = range else { return response };
    set(headers, header::ACCEPT_RANGES, "bytes");
    let bytes = range.end.saturating_sub(range.start);
    set(headers, header::CONTENT_LENGTH, &bytes.to_string());
    if status == StatusCode::PARTIAL_CONTENT {
        let (first, last) = (range.start, range.end.saturating_sub(1));
        let told = format!("bytes {first}-{last}/{length}");
        set(headers, header::CONTENT_RANGE, &told);
    }
    *response.body_mut() = body(range);
    response
}

/// An answer from what is in memory.
///
/// # Errors
/// Where a range lies outside of it.
pub(super) fn whole(
    bytes: &Bytes,
    tag: &Tag,
    headers: &HeaderMap,
    body: impl FnOnce(Bytes) -> Body,
) -> Result<Response, Problem> {
    let length = bytes.len() as u64;
    let wanted = wanted(headers, tag, length)?;
    Ok(answer(wanted, tag, length, |range| {
        let index = |at: u64| usize::try_from(at).unwrap_or(usize::MAX).min(bytes.len());
        body(bytes.slice(index(range.start)..index(range.end)))
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(range: &str) -> Option<Result<Range<u64>, ()>> {
        match parse(range, 1000) {
            Parsed::Range(range) => Some(Ok(range)),
            Parsed::Outside => Some(Err(())),
            Parsed::Ignored => None,
        }
    }

    #[test]
    fn ranges_of_rfc_9110() {
        // §14.1.2, of 1000 bytes instead of 10 000.
        assert_eq!(of("bytes=0-499"), Some(Ok(0..500)));
        assert_eq!(of("bytes=500-999"), Some(Ok(500..1000)));
        assert_eq!(of("bytes=-500"), Some(Ok(500..1000)));
        assert_eq!(of("bytes=950-"), Some(Ok(950..1000)));
        assert_eq!(of("bytes=-5000"), Some(Ok(0..1000)));
        assert_eq!(of("bytes=900-99999999999999999999999"), Some(Ok(900..1000)));
        for outside in ["bytes=1000-", "bytes=1000-2000", "bytes=-0"] {
            assert_eq!(of(outside), Some(Err(())), "{outside}");
        }
        for ignored in [
            "bytes=5-2",
            "bytes=0-1,5-6",
            "bytes=a-b",
            "bytes=+1-2",
            "bytes=-",
            "lines=1-2",
            "",
        ] {
            assert_eq!(of(ignored), None, "{ignored}");
        }
    }

    #[test]
    fn dates_of_rfc_9110() {
        // §5.6.7
        let time = CaptureTime::from_unix_nanos(784_111_777_000_000_000);
        assert_eq!(http_date(time), "Sun, 06 Nov 1994 08:49:37 GMT");
    }
}
