//! RTSP 1.0 messages (RFC 2326): requests read, responses written.

use std::fmt::Write as _;

use bytes::{Buf, Bytes, BytesMut};

/// Bound of a request's header, and of its body.
const HEADER_BYTES_MAX: usize = 16 << 10;
const BODY_BYTES_MAX: usize = 64 << 10;

/// A request, its body left out: the cameras need none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Request {
    pub(crate) method: String,
    pub(crate) url: String,
    headers: Vec<(String, String)>,
}

/// What a viewer sends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Incoming {
    Request(Request),
    /// An answer to a request of ours.
    Response,
    /// Binary data on an interleaved channel (RFC 2326 §10.12).
    Interleaved(Bytes),
    /// Not RTSP.
    Malformed,
}

impl Request {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let found = self
            .headers
            .iter()
            .find(|(key, _)| key.eq_ignore_ascii_case(name));
        found.map(|(_, value)| value.as_str())
    }

    /// Path of the URL without slashes at its ends; empty for `*`.
    pub(crate) fn path(&self) -> &str {
        path_of(&self.url)
    }
}

/// Path of a URL without slashes at its ends; empty for `*`.
pub(crate) fn path_of(url: &str) -> &str {
    let rest = url.split_once("://").map_or(url, |(_, rest)| {
        rest.split_once('/').map_or("", |(_, path)| path)
    });
    rest.split('?')
        .next()
        .unwrap_or_default()
        .trim_matches(['/', '*'])
}

/// Takes the next message off the front, if it is there as a whole.
pub(crate) fn next(buffer: &mut BytesMut) -> Option<Incoming> {
    // Blank lines between messages are let pass, as RFC 2616 §4.1 advises.
    while buffer
        .first()
        .is_some_and(|byte| matches!(byte, b'\r' | b'\n'))
    {
        buffer.advance(1);
    }
    if buffer.first() == Some(&b'$') {
        let [_, _, high, low, ..] = **buffer else {
            return None;
        };
        let whole = 4 + usize::from(u16::from_be_bytes([high, low]));
        return (buffer.len() >= whole).then(|| {
            let mut packet = buffer.split_to(whole).freeze();
            packet.advance(4);
            Incoming::Interleaved(packet)
        });
    }
    let Some(end) = buffer.windows(4).position(|four| four == b"\r\n\r\n") else {
        return (buffer.len() > HEADER_BYTES_MAX).then_some(Incoming::Malformed);
    };
    let Ok(head) = std::str::from_utf8(buffer.get(..end)?) else {
        return Some(Incoming::Malformed);
    };
    let mut lines = head.split("\r\n");
    let mut first = lines.next().unwrap_or_default().split(' ');
    let headers: Vec<_> = lines
        .filter_map(|line| line.split_once(':'))
        .map(|(name, value)| (name.trim().to_owned(), value.trim().to_owned()))
        .collect();
    let (method, url) = (
        first.next().unwrap_or_default(),
        first.next().unwrap_or_default(),
    );
    let message = match first.next() {
        _ if method.starts_with("RTSP/") => Incoming::Response,
        Some("RTSP/1.0") => Incoming::Request(Request {
            method: method.to_owned(),
            url: url.to_owned(),
            headers: headers.clone(),
        }),
        _ => Incoming::Malformed,
    };
    let length = headers
        .iter()
        .find(|(name, _)| name.eq_ignore_ascii_case("content-length"));
    let body = match length.map(|(_, value)| value.parse::<usize>()) {
        None => 0,
        Some(Ok(body)) if body <= BODY_BYTES_MAX => body,
        Some(_) => return Some(Incoming::Malformed),
    };
    (buffer.len() >= end + 4 + body).then(|| {
        buffer.advance(end + 4 + body);
        message
    })
}

/// A response under construction.
#[derive(Debug)]
pub(crate) struct Response {
    text: String,
    body: String,
}

impl Response {
    /// With the status and, where the request has one, its `CSeq`.
    pub(crate) fn new(code: u16, cseq: Option<&str>) -> Self {
        let response = Self {
            text: format!("RTSP/1.0 {code} {}\r\n", reason(code)),
            body: String::new(),
        };
        match cseq {
            Some(cseq) => response.with("CSeq", cseq),
            None => response,
        }
    }

    pub(crate) fn with(mut self, name: &str, value: &str) -> Self {
        // Writing to a string can't fail.
        write!(self.text, "{name}: {value}\r\n").ok();
        self
    }

    pub(crate) fn body(self, kind: &str, body: String) -> Self {
        let length = body.len().to_string();
        Self {
            body,
            ..self
                .with("Content-Type", kind)
                .with("Content-Length", &length)
        }
    }

    /// Its header as far as it goes, without the blank line.
    pub(crate) fn head(self) -> String {
        self.text
    }

    pub(crate) fn bytes(self) -> Bytes {
        format!("{}\r\n{}", self.text, self.body).into()
    }
}

/// RFC 2326 §7.1.1.
fn reason(code: u16) -> &'static str {
    match code {
        200 => "OK",
        400 => "Bad Request",
        401 => "Unauthorized",
        404 => "Not Found",
        453 => "Not Enough Bandwidth",
        454 => "Session Not Found",
        455 => "Method Not Valid In This State",
        461 => "Unsupported Transport",
        500 => "Internal Server Error",
        501 => "Not Implemented",
        503 => "Service Unavailable",
        _ => "Status",
    }
}

/// The transport that a SETUP request asks for (RFC 2326 §12.39).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Transport {
    /// Channels of RTP and RTCP; without them the server chooses.
    Interleaved(Option<(u8, u8)>),
    /// The client's ports for RTP and RTCP.
    Udp(u16, u16),
}

impl Transport {
    /// The first of the offered transports that a camera knows.
    pub(crate) fn parse(header: &str) -> Option<Self> {
        header.split(',').find_map(|offer| {
            let mut parts = offer.trim().split(';');
            let profile = parts.next().unwrap_or_default();
            let fields: Vec<&str> = parts.map(str::trim).collect();
            let pair = |name: &str| {
                let value = fields
                    .iter()
                    .find_map(|field| field.strip_prefix(name)?.strip_prefix('='))?;
                let (low, high) = value.split_once('-').unwrap_or((value, ""));
                let low: u16 = low.parse().ok()?;
                Some((low, high.parse().ok().or_else(|| low.checked_add(1))?))
            };
            let narrow = |(a, b): (u16, u16)| Some((u8::try_from(a).ok()?, u8::try_from(b).ok()?));
            match profile {
                "RTP/AVP/TCP" => Some(Self::Interleaved(pair("interleaved").and_then(narrow))),
                "RTP/AVP" | "RTP/AVP/UDP" if !fields.contains(&"multicast") => {
                    pair("client_port").map(|(rtp, rtcp)| Self::Udp(rtp, rtcp))
                }
                _ => None,
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_come_off_one_by_one() {
        // The request is that of RFC 2326 §10.2, shortened.
        let text = b"\r\nDESCRIBE rtsp://server.example.com/fizzle/foo RTSP/1.0\r\nCSeq: 312\r\n\
            Accept: application/sdp, application/rtsl\r\n\r\n$\x01\x00\x02abRTSP/1.0 200 OK\r\nCSeq: 1\r\n\r\n\
            SET_PARAMETER * RTSP/1.0\r\ncontent-length: 3\r\n\r\nabcnonsense\r\n\r\n";
        let mut fed = BytesMut::new();
        let mut seen = Vec::new();
        for byte in text {
            fed.extend_from_slice(&[*byte]);
            seen.extend(next(&mut fed));
        }
        let [
            Incoming::Request(describe),
            Incoming::Interleaved(packet),
            Incoming::Response,
            Incoming::Request(set),
            Incoming::Malformed,
        ] = seen.as_slice()
        else {
            panic!("{seen:?}");
        };
        assert_eq!(packet, "ab");
        assert_eq!(
            (describe.method.as_str(), describe.path()),
            ("DESCRIBE", "fizzle/foo")
        );
        assert_eq!(describe.header("cseq"), Some("312"));
        assert_eq!((set.method.as_str(), set.path()), ("SET_PARAMETER", ""));
    }

    #[test]
    fn floods_are_malformed() {
        let mut long = BytesMut::from(&vec![b'a'; HEADER_BYTES_MAX + 1][..]);
        assert_eq!(next(&mut long), Some(Incoming::Malformed));
        let mut huge = BytesMut::from(&b"PLAY * RTSP/1.0\r\nContent-Length: 99999999\r\n\r\n"[..]);
        assert_eq!(next(&mut huge), Some(Incoming::Malformed));
    }

    #[test]
    fn transports_of_the_standard() {
        // RFC 2326 §12.39 and §14.1.
        for (header, wanted) in [
            (
                "RTP/AVP;unicast;client_port=4588-4589",
                Some(Transport::Udp(4588, 4589)),
            ),
            (
                "RTP/AVP/TCP;unicast;interleaved=2-3",
                Some(Transport::Interleaved(Some((2, 3)))),
            ),
            ("RTP/AVP/TCP;unicast", Some(Transport::Interleaved(None))),
            (
                "RTP/AVP;multicast;ttl=127;mode=\"PLAY\",RTP/AVP;unicast;client_port=3456-3457;mode=\"PLAY\"",
                Some(Transport::Udp(3456, 3457)),
            ),
            ("RTP/SAVP;unicast;client_port=1-2", None),
            ("RTP/AVP;unicast;client_port=x", None),
            ("", None),
        ] {
            assert_eq!(Transport::parse(header), wanted, "{header}");
        }
    }
}
