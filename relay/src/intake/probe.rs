//! A look at a camera before relying on it: what it sends, how it signs in, what its clock says.

use std::sync::Arc;
use std::time::{Duration, Instant};

use retina::client::SessionGroup;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::cause::{EndCause, SessionError};
use super::clock::ntp_to_unix_nanos;
use super::session::{Item, Session, farewell};
use crate::config::Camera;
use crate::hold::{Codec, TrackKind};
use crate::units::{CameraName, CaptureTime};

/// Beyond this a camera's clock is worth a remark.
const CLOCK_OFFSET_REMARK: f64 = 2.0;
/// Beyond this a lost packet costs too much footage: what follows it up to the next key frame.
const GROUP_SECONDS_REMARK: f64 = 4.0;

/// A probe of one camera.
#[derive(Debug)]
pub struct Probe<'a> {
    camera: &'a Camera,
    time: Duration,
}

/// What a probe found.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Codec of the pictures.
    pub video: Option<Codec>,
    /// RFC 6381 name of it, where there is one.
    pub profile: String,
    /// Size in pixels.
    pub size: (u32, u32),
    /// Pictures a second.
    pub rate: f64,
    /// Longest distance of two key frames in seconds; `None`: fewer than two were seen.
    pub group_seconds: Option<f64>,
    /// All tracks, in bits a second.
    pub bits_per_second: f64,
    /// Codec and sampling rate of the sound.
    pub audio: Option<(Codec, u32)>,
    /// `none`, `basic`, `digest`, or what else the camera asks for.
    pub authentication: String,
    /// Camera clock minus ours in seconds, by its sender reports; `None`: it sent none.
    pub clock_offset: Option<f64>,
    /// From request to answer, in seconds.
    pub round_trip: f64,
    /// RTP packets missing.
    pub packets_lost: u64,
}

impl<'a> Probe<'a> {
    /// Looks at the stream for `time`.
    #[must_use]
    pub fn new(camera: &'a Camera, time: Duration) -> Self {
        Self { camera, time }
    }

    /// Talks to the camera.
    ///
    /// # Errors
    /// When no session can be had or it breaks off.
    pub async fn run(self) -> Result<Report, SessionError> {
        let limit = self.camera.step;
        let (authentication, round_trip) = tokio::time::timeout(limit, ask(self.camera))
            .await
            .map_err(|_| SessionError::timed_out("OPTIONS and DESCRIBE", limit))?
            .map_err(|error| SessionError::new(EndCause::Connect, format!("connect: {error}")))?;
        let group = Arc::new(SessionGroup::default());
        let mut session = match Session::open(self.camera, &group).await {
            Ok(session) => session,
            Err(error) => {
                farewell(&group).await;
                return Err(error);
            }
        };
        let mut seen = Seen::default();
        let begin = Instant::now();
        let outcome = tokio::time::timeout(self.time, async {
            loop {
                seen.take(&session.next().await?);
            }
        })
        .await;
        if let Ok(Err::<(), _>(error)) = outcome {
            session.close(&group).await;
            return Err(error);
        }
        let report = seen.report(&session, authentication, round_trip, begin.elapsed());
        session.close(&group).await;
        if report.video.is_none() && report.audio.is_none() {
            let text = format!("no unit within {} s", self.time.as_secs_f64());
            return Err(SessionError::new(EndCause::Silent, text));
        }
        Ok(report)
    }
}

/// Asks without credentials: the answer's challenge names the scheme, its delay is the round trip.
async fn ask(camera: &Camera) -> std::io::Result<(String, f64)> {
    let host = camera
        .url
        .host_str()
        .unwrap_or_default()
        .trim_matches(['[', ']']);
    let mut stream = TcpStream::connect((host, camera.url.port().unwrap_or(554))).await?;
    let begin = Instant::now();
    let options = format!("OPTIONS {} RTSP/1.0\r\nCSeq: 1\r\n\r\n", camera.url);
    stream.write_all(options.as_bytes()).await?;
    read_head(&mut stream).await?;
    let round_trip = begin.elapsed().as_secs_f64();
    let describe = format!(
        "DESCRIBE {} RTSP/1.0\r\nCSeq: 2\r\nAccept: application/sdp\r\n\r\n",
        camera.url
    );
    stream.write_all(describe.as_bytes()).await?;
    let head = read_head(&mut stream).await?;
    Ok((scheme(&head), round_trip))
}

async fn read_head(stream: &mut TcpStream) -> std::io::Result<String> {
    const HEAD_BYTES_MAX: u64 = 16 * 1024;
    let mut head = Vec::new();
    let mut limited = stream.take(HEAD_BYTES_MAX);
    while !head.ends_with(b"\r\n\r\n") && !head.ends_with(b"\n\n") {
        let mut byte = [0];
        if limited.read(&mut byte).await? == 0 {
            return Err(std::io::Error::other(
                "the camera gives no whole RTSP answer",
            ));
        }
        head.extend(byte);
    }
    Ok(String::from_utf8_lossy(&head).into_owned())
}

/// The schemes of the challenges in a 401 answer (RFC 7235 §4.1), strongest first.
fn scheme(head: &str) -> String {
    if !head
        .lines()
        .next()
        .is_some_and(|status| status.contains(" 401"))
    {
        return "none".to_owned();
    }
    let challenges: Vec<String> = head
        .lines()
        .filter_map(|line| line.split_once(':'))
        .filter(|(name, _)| name.trim().eq_ignore_ascii_case("www-authenticate"))
        .filter_map(|(_, value)| value.split_whitespace().next())
        .map(str::to_ascii_lowercase)
        .collect();
    for known in ["digest", "basic"] {
        if challenges.iter().any(|scheme| scheme == known) {
            return known.to_owned();
        }
    }
    "unknown".to_owned()
}

#[derive(Debug, Default)]
struct Seen {
    bytes: usize,
    packets_lost: u64,
    clock_offset: Option<f64>,
    streams: Vec<SeenStream>,
}

#[derive(Debug, Default, Clone)]
struct SeenStream {
    units: u64,
    first: Option<i64>,
    last: i64,
    last_key: Option<i64>,
    group: Option<i64>,
}

impl Seen {
    fn take(&mut self, item: &Item) {
        match item {
            Item::Frames { stream, frames } => {
                if self.streams.len() <= *stream {
                    self.streams.resize(*stream + 1, SeenStream::default());
                }
                let Some(seen) = self.streams.get_mut(*stream) else {
                    return;
                };
                for frame in frames {
                    self.bytes += frame.payload.len();
                    self.packets_lost += u64::from(frame.packets_lost);
                    seen.units += 1;
                    seen.first.get_or_insert(frame.media_time);
                    seen.last = frame.media_time;
                    if frame.random_access
                        && let Some(key) = seen.last_key.replace(frame.media_time)
                    {
                        let distance = frame.media_time.saturating_sub(key);
                        seen.group = seen.group.max(Some(distance));
                    }
                }
            }
            Item::Rtcp(packet) => {
                let now = CaptureTime::now().unix_seconds();
                for report in packet
                    .pkts()
                    .filter_map(|one| one.as_sender_report().ok().flatten())
                {
                    self.clock_offset =
                        Some(ntp_to_unix_nanos(report.ntp_timestamp().0) as f64 / 1e9 - now);
                }
            }
            Item::Fault { .. } => {}
        }
    }

    fn report(
        &self,
        session: &Session,
        authentication: String,
        round_trip: f64,
        elapsed: Duration,
    ) -> Report {
        let mut report = Report {
            video: None,
            profile: String::new(),
            size: (0, 0),
            rate: 0.0,
            group_seconds: None,
            bits_per_second: self.bytes as f64 * 8.0 / elapsed.as_secs_f64(),
            audio: None,
            authentication,
            clock_offset: self.clock_offset,
            round_trip,
            packets_lost: self.packets_lost,
        };
        for (index, assembler) in session.assemblers() {
            let Some(seen) = self.streams.get(index).filter(|seen| seen.units > 0) else {
                continue;
            };
            let clock_rate = f64::from(assembler.clock_rate().get());
            match assembler.codec().kind() {
                TrackKind::Video => {
                    report.video = Some(assembler.codec());
                    if let Some(track) = assembler.track() {
                        report.profile = track.rfc6381;
                        report.size = (track.width, track.height);
                    }
                    let span = seen.last.saturating_sub(seen.first.unwrap_or(seen.last)) as f64;
                    if span > 0.0 {
                        report.rate = (seen.units - 1) as f64 * clock_rate / span;
                    }
                    report.group_seconds = seen.group.map(|ticks| ticks as f64 / clock_rate);
                }
                TrackKind::Audio => {
                    report.audio = Some((assembler.codec(), assembler.clock_rate().get()));
                }
            }
        }
        report
    }
}

impl Report {
    /// The heading of [`row`](Self::row).
    pub const HEADING: [&'static str; 10] = [
        "camera", "video", "size", "rate/s", "key/s", "Mb/s", "audio", "sign-in", "clock/s",
        "trip/ms",
    ];

    /// A row of a table: key/s is the longest distance of key frames, clock/s the camera's clock
    /// minus ours.
    #[must_use]
    pub fn row(&self, camera: &CameraName) -> Vec<String> {
        let none = || "-".to_owned();
        vec![
            camera.to_string(),
            match self.video {
                Some(codec) if self.profile.is_empty() => codec.as_str().to_owned(),
                Some(codec) => format!("{} {}", codec.as_str(), self.profile),
                None => none(),
            },
            self.video
                .map_or_else(none, |_| format!("{}x{}", self.size.0, self.size.1)),
            format!("{:.1}", self.rate),
            self.group_seconds
                .map_or_else(none, |seconds| format!("{seconds:.1}")),
            format!("{:.2}", self.bits_per_second / 1e6),
            self.audio.map_or_else(none, |(codec, rate)| {
                format!("{} {rate} Hz", codec.as_str())
            }),
            self.authentication.clone(),
            self.clock_offset
                .map_or_else(none, |offset| format!("{offset:+.1}")),
            format!("{:.0}", self.round_trip * 1e3),
        ]
    }

    /// What the operator should look at.
    #[must_use]
    pub fn remarks(&self, camera: &CameraName) -> Vec<String> {
        let mut remarks = Vec::new();
        match self.group_seconds {
            Some(seconds) if seconds > GROUP_SECONDS_REMARK => remarks.push(format!(
                "{camera}: key frames lie {seconds:.1} s apart: after each loss up to as much \
                 footage is unusable; set the camera to one every 1 to 2 s"
            )),
            None if self.video.is_some_and(|codec| codec != Codec::Jpeg) => remarks.push(format!(
                "{camera}: fewer than two key frames seen; look longer with --probe-seconds"
            )),
            _ => {}
        }
        if let Some(offset) = self.clock_offset
            && offset.abs() > CLOCK_OFFSET_REMARK
        {
            remarks.push(format!(
                "{camera}: its clock is wrong by {offset:+.1} s; set it by NTP (the relay does not \
                 rely on it)"
            ));
        }
        if self.authentication == "none" {
            remarks.push(format!(
                "{camera}: asks for no password; whoever reaches it can watch"
            ));
        }
        if self.packets_lost > 0 {
            remarks.push(format!(
                "{camera}: {} RTP packets were lost",
                self.packets_lost
            ));
        }
        remarks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_challenge_names_the_scheme() {
        assert_eq!(scheme("RTSP/1.0 200 OK\r\nCSeq: 2\r\n\r\n"), "none");
        let both = "RTSP/1.0 401 Unauthorized\r\nWWW-Authenticate: Basic realm=\"a\"\r\n\
            www-authenticate: Digest realm=\"a\", nonce=\"b\"\r\n\r\n";
        assert_eq!(scheme(both), "digest");
    }
}
