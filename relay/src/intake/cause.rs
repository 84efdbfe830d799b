//! Why a session with a camera ended or never began.

use std::time::Duration;

/// A closed list, so that it can be a metric label.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EndCause {
    /// No TCP connection: refused, or no route.
    Connect,
    /// A step of the set-up took longer than its time.
    Timeout,
    /// The camera refuses user name or password (401, 403).
    Unauthorized,
    /// The camera knows no such path (404).
    NotFound,
    /// The camera has no session left for us (453, 503).
    Busy,
    /// Another error status.
    Status,
    /// What the camera says is not RTSP, SDP or RTP as the standards have it.
    Protocol,
    /// The camera offers no track that the relay takes.
    NoMedia,
    /// Nothing arrived for too long.
    Silent,
    /// The camera closed the connection.
    Closed,
    /// Access units larger than the configuration allows.
    Oversize,
    /// The relay's own fault: the camera's task failed.
    Internal,
}

impl EndCause {
    /// Every cause, for metrics that begin at zero.
    pub const ALL: [Self; 12] = [
        Self::Connect,
        Self::Timeout,
        Self::Unauthorized,
        Self::NotFound,
        Self::Busy,
        Self::Status,
        Self::Protocol,
        Self::NoMedia,
        Self::Silent,
        Self::Closed,
        Self::Oversize,
        Self::Internal,
    ];

    /// As metric label and log field.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Connect => "connect",
            Self::Timeout => "timeout",
            Self::Unauthorized => "unauthorized",
            Self::NotFound => "not_found",
            Self::Busy => "busy",
            Self::Status => "status",
            Self::Protocol => "protocol",
            Self::NoMedia => "no_media",
            Self::Silent => "silent",
            Self::Closed => "closed",
            Self::Oversize => "oversize",
            Self::Internal => "internal",
        }
    }

    /// Whether the camera answered and does not want us: asking again soon can only annoy it.
    /// Silence and lost connections are the link's fault, and there every second counts.
    #[must_use]
    pub fn is_refusal(self) -> bool {
        match self {
            Self::Unauthorized
            | Self::NotFound
            | Self::Busy
            | Self::Status
            | Self::NoMedia
            | Self::Oversize
            | Self::Internal => true,
            Self::Connect | Self::Timeout | Self::Protocol | Self::Silent | Self::Closed => false,
        }
    }

    /// Whether the camera can be told good-bye: not over a link that is gone.
    pub(super) fn leaves_link(self) -> bool {
        !matches!(self, Self::Connect | Self::Timeout | Self::Silent)
    }

    /// What the operator can do about it.
    #[must_use]
    pub fn advice(self) -> &'static str {
        match self {
            Self::Connect => "check the tunnel, the camera's power, address and port",
            Self::Timeout => "check the link; a camera that hangs may need a restart",
            Self::Unauthorized => "check `username` and the password file of this camera",
            Self::NotFound => "check the path in the camera's `url`",
            Self::Busy => "close other clients of this camera, or raise its session limit",
            Self::Status => "check the camera's own log and RTSP settings",
            Self::Protocol => "try another `transport` or `[camera.quirks]`; update its firmware",
            Self::NoMedia => "set the camera to H.264, H.265 or MJPEG",
            Self::Silent => "check the link and the camera",
            Self::Closed => "check the camera's session limit and its log",
            Self::Oversize => "lower the camera's bit rate or raise `access_unit`",
            Self::Internal => "report this together with the log lines before it",
        }
    }
}

/// An ended session: the cause for policy and metrics, a text for people.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{message}")]
pub struct SessionError {
    /// What policy and metrics go by.
    pub cause: EndCause,
    /// One line: what was tried and what came of it.
    pub message: String,
}

impl SessionError {
    pub(super) fn new(cause: EndCause, message: impl Into<String>) -> Self {
        Self {
            cause,
            message: message.into(),
        }
    }

    pub(super) fn timed_out(step: &str, after: Duration) -> Self {
        Self::new(
            EndCause::Timeout,
            format!("{step}: no answer within {} s", after.as_secs_f64()),
        )
    }

    /// Sorts an error of the RTSP library by what it tells of the camera.
    pub(super) fn from_rtsp(step: &str, error: &retina::Error) -> Self {
        let text = error.to_string();
        // What follows are the bytes that could not be understood, and they are the camera's.
        let text = text.split("; buffered").next().unwrap_or_default();
        let text = text.lines().next().unwrap_or_default();
        if text.contains("at EOF") {
            let text = format!("{step}: the camera closed the connection in mid-message");
            return Self::new(EndCause::Closed, text);
        }
        let cause = match error.status_code() {
            Some(401 | 403) => EndCause::Unauthorized,
            Some(404) => EndCause::NotFound,
            Some(453 | 503) => EndCause::Busy,
            // A 2xx answer whose content can't be understood.
            Some(200..300) => EndCause::Protocol,
            Some(_) => EndCause::Status,
            // The library tells these apart only in words.
            None if text.starts_with("Unable to connect") => EndCause::Connect,
            None if text.contains("keepalive") => EndCause::Timeout,
            None if text.starts_with("Error reading") || text.starts_with("Error writing") => {
                EndCause::Closed
            }
            None => EndCause::Protocol,
        };
        Self::new(cause, format!("{step}: {}", first_line(text)))
    }
}

/// What a camera sends can end up in an error text: one line of it, bounded, printable.
pub(super) fn first_line(text: &str) -> String {
    const CHARS_MAX: usize = 240;
    let line = text.lines().next().unwrap_or_default();
    let mut short: String = line
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(CHARS_MAX)
        .collect();
    if line.chars().count() > CHARS_MAX {
        short.push('…');
    }
    short.trim_end_matches([' ', ':']).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_distinct() {
        let labels: std::collections::HashSet<_> =
            EndCause::ALL.iter().map(|cause| cause.as_str()).collect();
        assert_eq!(labels.len(), EndCause::ALL.len());
    }

    #[test]
    fn camera_texts_are_tamed() {
        assert_eq!(first_line("a\x1b[31mb: \nsecret"), "a [31mb");
        assert_eq!(first_line(&"x".repeat(1000)).chars().count(), 241);
    }
}
