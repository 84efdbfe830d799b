//! What was wrong with a request, as an object that says what, where, and what to do (RFC 9457).

use axum::body::Body;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

/// A request that can't be answered as it was meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Problem {
    status: StatusCode,
    /// In one line.
    what: &'static str,
    /// What exactly, with the values given.
    detail: String,
    /// What to do.
    advice: String,
    /// Header fields beside it.
    headers: Vec<(header::HeaderName, HeaderValue)>,
}

#[derive(Serialize)]
struct Document<'a> {
    status: u16,
    title: &'a str,
    detail: &'a str,
    advice: &'a str,
}

impl Problem {
    pub(super) fn new(
        status: StatusCode,
        what: &'static str,
        detail: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Self {
            status,
            what,
            detail: detail.into(),
            advice: advice.into(),
            headers: Vec::new(),
        }
    }

    pub(super) fn bad(detail: impl Into<String>, advice: impl Into<String>) -> Self {
        Self::new(
            StatusCode::BAD_REQUEST,
            "the request is wrong",
            detail,
            advice,
        )
    }

    pub(super) fn missing(
        what: &'static str,
        detail: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Self::new(StatusCode::NOT_FOUND, what, detail, advice)
    }

    /// Something that may be there in `seconds`.
    pub(super) fn later(
        what: &'static str,
        detail: impl Into<String>,
        advice: impl Into<String>,
        seconds: u32,
    ) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, what, detail, advice)
            .with(header::RETRY_AFTER, &seconds.to_string())
    }

    /// Adds a header field.
    pub(super) fn with(mut self, name: header::HeaderName, value: &str) -> Self {
        if let Ok(value) = HeaderValue::from_str(value) {
            self.headers.push((name, value));
        }
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let document = Document {
            status: self.status.as_u16(),
            title: self.what,
            detail: &self.detail,
            advice: &self.advice,
        };
        let mut text = serde_json::to_vec(&document).unwrap_or_default();
        text.push(b'\n');
        let mut response = Response::new(Body::from(text));
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        let kind = HeaderValue::from_static("application/problem+json");
        headers.insert(header::CONTENT_TYPE, kind);
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        headers.extend(self.headers);
        response
    }
}
