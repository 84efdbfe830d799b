//! A look at a camera before relying on it: what it sends, how it signs in, what its clock says,
//! and what it stands of what the relay does after an outage.

mod analysis;
mod report;
mod seen;

use std::sync::Arc;
use std::time::{Duration, Instant};

use retina::client::SessionGroup;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::cause::{EndCause, SessionError};
use super::door::Door;
use super::session::{Session, farewell};
use super::wire::Sent;
use crate::config::Camera;

pub use report::{OwnClock, ReceiverReport, Report, SecondSession};

use seen::Seen;

/// How often a session is polled at least: a request from the camera stalls the library until then.
const POLL: Duration = Duration::from_millis(500);
/// A session that goes on for so long after a receiver report stands it.
const REPORT_ANSWER: Duration = Duration::from_secs(2);
/// How long the first session is watched after the second one has begun to play.
const BESIDE: Duration = Duration::from_secs(1);
/// How long a moment is waited for in which a report can be sent.
const REPORT_MOMENT: Duration = Duration::from_secs(2);

/// A probe of one camera.
#[derive(Debug)]
pub struct Probe<'a> {
    camera: &'a Camera,
    time: Duration,
    door: Arc<Door>,
}

impl<'a> Probe<'a> {
    /// Looks at the stream for `time`.
    #[must_use]
    pub fn new(camera: &'a Camera, time: Duration) -> Self {
        Self {
            camera,
            time,
            door: Arc::default(),
        }
    }

    /// Takes turns with another probe of the same camera where connections are made: so that both
    /// streams can be looked at as the relay pulls them, at a time.
    #[must_use]
    pub fn beside(mut self, door: &Arc<Door>) -> Self {
        self.door = Arc::clone(door);
        self
    }

    /// A session, set up while no other is.
    async fn open(&self, group: &Arc<SessionGroup>) -> Result<Session, SessionError> {
        self.door
            .first(Box::pin(Session::open(self.camera, group)))
            .await
    }

    /// Talks to the camera.
    ///
    /// # Errors
    /// When no session can be had, when it breaks off or when nothing comes.
    pub async fn run(self) -> Result<Report, SessionError> {
        let limit = self.camera.step;
        let asked = self
            .door
            .first(tokio::time::timeout(limit, ask(self.camera)));
        let (authentication, round_trip) = asked
            .await
            .map_err(|_| SessionError::timed_out("OPTIONS and DESCRIBE", limit))?
            .map_err(|error| SessionError::new(EndCause::Connect, format!("connect: {error}")))?;
        let group = Arc::new(SessionGroup::default());
        let mut session = match self.open(&group).await {
            Ok(session) => session,
            Err(error) => {
                farewell(&group).await;
                return Err(error);
            }
        };
        let mut seen = Seen::new(&session);
        if let Err(error) = self.look(&mut session, &mut seen, self.time).await {
            session.close(&group).await;
            return Err(error);
        }
        let mut report = seen.report(&session, authentication, round_trip);
        if report.video.is_none() && report.audio.is_none() {
            session.close(&group).await;
            let text = format!("no unit within {} s", self.time.as_secs_f64());
            return Err(SessionError::new(EndCause::Silent, text));
        }
        // Last: they may cost the session.
        report.second_session = self.try_second(&mut session, &mut seen).await;
        if report.second_session != SecondSession::EndsFirst {
            report.receiver_report = self.try_report(&mut session, &mut seen).await;
        }
        session.close(&group).await;
        Ok(report)
    }

    /// Takes what comes for a time. An error when the session ends, or nothing comes for long.
    async fn look(
        &self,
        session: &mut Session,
        seen: &mut Seen,
        time: Duration,
    ) -> Result<(), SessionError> {
        let end = Instant::now() + time;
        let mut heard = Instant::now();
        while let Some(left) = end.checked_duration_since(Instant::now()) {
            match tokio::time::timeout(left.min(POLL), session.next()).await {
                Ok(item) => {
                    seen.take(&item?);
                    heard = Instant::now();
                }
                Err(_) if heard.elapsed() > self.camera.first_unit => {
                    let text = format!("nothing came for {} s", heard.elapsed().as_secs());
                    return Err(SessionError::new(EndCause::Silent, text));
                }
                Err(_) => {}
            }
            session.pulse()?;
        }
        Ok(())
    }

    /// Sets up and plays a second session while the first one plays.
    async fn try_second(&self, session: &mut Session, seen: &mut Seen) -> SecondSession {
        let group = Arc::new(SessionGroup::default());
        // The longest that a set-up can take, step by step.
        let most = self.camera.step * 6;
        let second = tokio::select! {
            opened = self.open(&group) => opened,
            ended = self.look(session, seen, most) => match ended {
                Err(_) => return SecondSession::EndsFirst,
                Ok(()) => Err(SessionError::timed_out("a second session", most)),
            },
        };
        let outcome = match second {
            Ok(second) => {
                let first = self.look(session, seen, BESIDE).await;
                second.close(&group).await;
                match first {
                    Ok(()) => SecondSession::Yes,
                    Err(_) => SecondSession::EndsFirst,
                }
            }
            Err(error) if error.cause.is_refusal() => SecondSession::Refused(error.message),
            Err(error) => SecondSession::Failed(error.message),
        };
        farewell(&group).await;
        outcome
    }

    /// Sends a receiver report and sees whether the session goes on.
    async fn try_report(&self, session: &mut Session, seen: &mut Seen) -> ReceiverReport {
        let begin = Instant::now();
        while session.kick() != Sent::Whole {
            if begin.elapsed() > REPORT_MOMENT {
                return ReceiverReport::NotTried;
            }
            if self.look(session, seen, POLL).await.is_err() {
                return ReceiverReport::NotTried;
            }
        }
        let units = seen.units();
        match self.look(session, seen, REPORT_ANSWER).await {
            Ok(()) if seen.units() > units => ReceiverReport::Accepted,
            Ok(()) | Err(_) => ReceiverReport::EndsSession,
        }
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

#[cfg(test)]
mod tests;
