//! The task of one camera: drives the line's policy, stamps and gates what arrives, and pushes it
//! into the hold. It waits for nothing but the camera.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::{Duration, Instant};

use retina::client::SessionGroup;

use super::assemble::Tracks;
use super::cause::{EndCause, SessionError};
use super::desk::Desk;
use super::line::{Event, Line, LineTimes, Step};
use super::session::{Item, Session, farewell};
use crate::config::Camera;
use crate::hold::Hold;
use crate::supervise::Shutdown;
use crate::telemetry::CameraEvents;

/// How often silence is looked at, and the session polled anew: a request that a camera sends to
/// us stalls the RTSP library until something polls it.
const PULSE: Duration = Duration::from_millis(500);

/// What a camera's line is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Phase {
    /// Between sessions.
    Resting,
    /// A session is being set up.
    Connecting,
    /// The session plays; no unit has come.
    Waiting,
    /// Units arrive.
    Flowing,
}

impl Phase {
    /// Every phase, for metrics.
    pub const ALL: [Self; 4] = [
        Self::Resting,
        Self::Connecting,
        Self::Waiting,
        Self::Flowing,
    ];

    /// As metric label and log field.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Resting => "resting",
            Self::Connecting => "connecting",
            Self::Waiting => "waiting",
            Self::Flowing => "flowing",
        }
    }
}

/// What others may know of a camera's task while it runs.
#[derive(Debug, Default)]
pub struct CameraStatus(AtomicU8);

impl CameraStatus {
    /// What the line is doing now.
    #[must_use]
    pub fn phase(&self) -> Phase {
        match self.0.load(Ordering::Relaxed) {
            1 => Phase::Connecting,
            2 => Phase::Waiting,
            3 => Phase::Flowing,
            _ => Phase::Resting,
        }
    }

    fn set(&self, phase: Phase) {
        self.0.store(phase as u8, Ordering::Relaxed);
    }
}

/// Pulls one camera into its hold.
#[derive(Debug, Clone)]
pub struct CameraTask {
    /// What the operator configured.
    pub camera: Arc<Camera>,
    /// Where units go.
    pub hold: Arc<Hold>,
    /// What the line is doing, for others to read.
    pub status: Arc<CameraStatus>,
    /// Logs and metrics of this camera.
    pub events: CameraEvents,
}

impl CameraTask {
    /// Runs until shutdown.
    pub async fn run(self, mut shutdown: Shutdown) {
        let times = LineTimes {
            first_unit: self.camera.first_unit,
            silence: self.camera.silence,
        };
        let mut line = Line::new(times, Instant::now(), fastrand::u64(..));
        let mut tracks = Tracks::default();
        let group = Arc::new(SessionGroup::default().named(self.camera.name.to_string()));
        while !shutdown.is_requested() {
            match line.step(Instant::now()) {
                Step::WaitUntil(until) => {
                    self.set(Phase::Resting);
                    tokio::select! {
                        () = tokio::time::sleep_until(until.into()) => {}
                        () = shutdown.requested() => {}
                    }
                }
                Step::Connect => {
                    self.set(Phase::Connecting);
                    let opened = tokio::select! {
                        opened = Session::open(&self.camera, &group) => opened,
                        () = shutdown.requested() => break,
                    };
                    match opened {
                        Ok(session) => {
                            self.play(session, &group, &mut line, &mut tracks, &mut shutdown)
                                .await;
                        }
                        Err(error) => {
                            self.ended(&error, &mut line);
                            // Half a session may stand at the camera.
                            if error.cause.leaves_link() {
                                farewell(&group).await;
                            }
                        }
                    }
                }
                // Without a session there is nothing to give up: begin anew.
                Step::GiveUp => line.on(Event::Ended(EndCause::Silent), Instant::now()),
            }
        }
        self.set(Phase::Resting);
    }

    fn set(&self, phase: Phase) {
        if self.status.phase() != phase {
            self.status.set(phase);
            self.events.phase(phase);
        }
    }

    fn ended(&self, error: &SessionError, line: &mut Line) {
        self.set(Phase::Resting);
        self.events.session_ended(error);
        line.on(Event::Ended(error.cause), Instant::now());
    }

    fn silent(&self) -> SessionError {
        let (what, limit) = if self.status.phase() == Phase::Flowing {
            ("no unit arrived for", self.camera.silence)
        } else {
            ("no unit arrived within", self.camera.first_unit)
        };
        let text = format!("{what} {} s", limit.as_secs_f64());
        SessionError::new(EndCause::Silent, text)
    }

    /// Plays a session to its end, the camera's or ours.
    async fn play(
        &self,
        mut session: Session,
        group: &SessionGroup,
        line: &mut Line,
        tracks: &mut Tracks,
        shutdown: &mut Shutdown,
    ) {
        line.on(Event::Playing, Instant::now());
        self.set(Phase::Waiting);
        self.events.session_began(&session_summary(&session));
        let mut desk = Desk::new(self, tracks, &session);
        let mut pulse = Instant::now() + PULSE;
        let ended = loop {
            tokio::select! {
                biased;
                item = session.next() => match item {
                    Ok(Item::Frames { stream, frames }) => {
                        // Sound that goes on must not hide that the pictures have ceased.
                        if desk.counts(&session, stream) {
                            line.on(Event::Unit, Instant::now());
                            self.set(Phase::Flowing);
                        }
                        for frame in frames {
                            desk.take(&session, stream, frame);
                        }
                    }
                    Ok(Item::Rtcp(packet)) => desk.sender_reports(&packet),
                    Ok(Item::Fault { stream, oversize, message }) => {
                        if let Some(stream) = stream {
                            desk.lost(stream);
                        }
                        self.events.stream_fault(oversize, &message);
                    }
                    Err(error) => break Some(error),
                },
                () = tokio::time::sleep_until(pulse.into()) => {}
                () = shutdown.requested() => break None,
            }
            // Not in a branch of its own: a camera that always has something ready would keep the
            // branches beside it from their turns.
            let now = Instant::now();
            if now >= pulse {
                pulse = now + PULSE;
                if shutdown.is_requested() {
                    break None;
                }
                if let Err(error) = session.pulse() {
                    break Some(error);
                }
                if line.step(now) == Step::GiveUp {
                    break Some(self.silent());
                }
                desk.pulse(&session);
            }
        };
        if let Some(error) = &ended {
            self.ended(error, line);
        }
        // Over a link that is gone nobody hears a good-bye, and the next session can't wait.
        if ended.is_none_or(|error| error.cause.leaves_link()) {
            session.close(group).await;
        }
    }
}

fn session_summary(session: &Session) -> String {
    let codecs: Vec<_> = session
        .assemblers()
        .map(|(_, assembler)| assembler.codec().as_str())
        .collect();
    codecs.join("+")
}
