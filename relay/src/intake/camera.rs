//! The task of one camera: drives the line's policy, stamps and gates what arrives, and pushes it
//! into the hold. It waits for nothing but the camera.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::{Duration, Instant};

use retina::client::SessionGroup;
use retina::rtcp::ReceivedCompoundPacket;

use super::assemble::{Frame, Tracks};
use super::cause::{EndCause, SessionError};
use super::clock::Clock;
use super::gate::{Arrival, Gate, Passage};
use super::line::{Event, Line, LineTimes, Step};
use super::session::{Item, Session, farewell};
use crate::config::Camera;
use crate::hold::{Hold, TrackKind, Unit};
use crate::supervise::Shutdown;
use crate::telemetry::CameraEvents;
use crate::units::CaptureTime;

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

/// What lasts longer than a session.
#[derive(Debug, Default)]
struct Stream {
    tracks: Tracks,
    timeline: u32,
}

impl CameraTask {
    /// Runs until shutdown.
    pub async fn run(self, mut shutdown: Shutdown) {
        let times = LineTimes {
            first_unit: self.camera.first_unit,
            silence: self.camera.silence,
        };
        let mut line = Line::new(times, Instant::now(), fastrand::u64(..));
        let mut stream = Stream::default();
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
                            self.play(session, &group, &mut line, &mut stream, &mut shutdown)
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

    /// Plays a session to its end, the camera's or ours.
    async fn play(
        &self,
        mut session: Session,
        group: &SessionGroup,
        line: &mut Line,
        stream: &mut Stream,
        shutdown: &mut Shutdown,
    ) {
        line.on(Event::Playing, Instant::now());
        self.set(Phase::Waiting);
        self.events.session_began(&session_summary(&session));
        let mut desk = Desk::new(self, stream, &session);
        let mut pulse = tokio::time::interval(PULSE);
        pulse.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let ended = loop {
            tokio::select! {
                // A camera that floods can't starve the others: the sockets below yield by
                // themselves after a share of work.
                biased;
                item = session.next() => match item {
                    Ok(Item::Frames { stream, frames }) => {
                        line.on(Event::Unit, Instant::now());
                        self.set(Phase::Flowing);
                        for frame in frames {
                            desk.take(&session, stream, frame);
                        }
                    }
                    Ok(Item::Rtcp(packet)) => desk.sender_reports(&packet),
                    Ok(Item::Fault { stream, oversize, message }) => {
                        if let Some(stream) = stream {
                            desk.gate.lost(stream);
                        }
                        self.events.stream_fault(oversize, &message);
                    }
                    Err(error) => break Some(error),
                },
                _ = pulse.tick() => {
                    if let Err(error) = session.pulse() {
                        break Some(error);
                    }
                    if line.step(Instant::now()) == Step::GiveUp {
                        let flowed = self.status.phase() == Phase::Flowing;
                        let (what, limit) = if flowed {
                            ("no unit arrived for", self.camera.silence)
                        } else {
                            ("no unit arrived within", self.camera.first_unit)
                        };
                        let text = format!("{what} {} s", limit.as_secs_f64());
                        break Some(SessionError::new(EndCause::Silent, text));
                    }
                }
                () = shutdown.requested() => break None,
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

/// Where the frames of one session become units.
struct Desk<'a> {
    task: &'a CameraTask,
    stream: &'a mut Stream,
    gate: Gate,
    clock: Clock,
    /// The home clock when the session began: within a session time is counted by the monotonic
    /// clock from here, so that a step of the home clock can't tear a recording.
    began: (CaptureTime, Instant),
}

impl<'a> Desk<'a> {
    fn new(task: &'a CameraTask, stream: &'a mut Stream, session: &Session) -> Self {
        stream.timeline = stream.timeline.wrapping_add(1);
        stream.tracks.keep_first(session.streams());
        for (index, assembler) in session.assemblers() {
            // Most cameras tell their parameters before the first unit: then all tracks are
            // known at once, and a recorder need not begin twice.
            if let Some(track) = assembler.track() {
                stream.tracks.update(index, track);
            }
        }
        let rates = session
            .assemblers()
            .map(|(index, assembler)| (index, assembler.clock_rate()));
        let clock = Clock::new(rates);
        let began = (CaptureTime::now(), Instant::now());
        Self {
            task,
            stream,
            gate: Gate::new(),
            clock,
            began,
        }
    }

    fn arrival(&self) -> CaptureTime {
        let since = i64::try_from(self.began.1.elapsed().as_nanos()).unwrap_or(i64::MAX);
        CaptureTime::from_unix_nanos(self.began.0.unix_nanos().saturating_add(since))
    }

    fn sender_reports(&mut self, packet: &ReceivedCompoundPacket) {
        // The library has put the report's RTP time on the stream's media time; without that it
        // is of no use.
        let Some(ticks) = packet.rtp_timestamp() else {
            return;
        };
        for report in packet
            .pkts()
            .filter_map(|one| one.as_sender_report().ok().flatten())
        {
            let ntp = report.ntp_timestamp().0;
            self.clock
                .sender_report(packet.stream_id(), ticks.timestamp(), ntp);
        }
    }

    fn take(&mut self, session: &Session, index: usize, frame: Frame) {
        let Some(assembler) = session.assembler(index) else {
            return;
        };
        let arrival = self.arrival();
        let kind = assembler.codec().kind();
        if frame.new_parameters || self.stream.tracks.of(index).is_none() {
            if let Some(track) = assembler.track() {
                self.stream.tracks.update(index, track);
            }
        }
        let events = &self.task.events;
        events.packets_lost(kind, frame.packets_lost);
        let Some(stamp) = self.clock.stamp(index, frame.media_time, arrival) else {
            return;
        };
        if stamp.restarted {
            self.stream.timeline = self.stream.timeline.wrapping_add(1);
            events.media_time_jumped();
        }
        if frame.headless {
            self.gate.lost(index);
            events.unit_gated(kind);
            return;
        }
        // A unit whose track isn't known can't be decoded, whatever comes before it.
        let Some(track) = self.stream.tracks.of(index) else {
            self.gate.lost(index);
            events.unit_gated(kind);
            return;
        };
        let passage = self.gate.judge(Arrival {
            stream: index,
            video: kind == TrackKind::Video,
            random_access: frame.random_access,
            loss: frame.packets_lost > 0 || stamp.restarted,
        });
        let Passage::Pass { discontinuity } = passage else {
            events.unit_gated(kind);
            return;
        };
        events.unit(kind, frame.payload.len(), stamp.captured);
        let held = self.task.hold.push(Unit {
            sequence: 0,
            track: Arc::clone(track),
            tracks: Arc::clone(self.stream.tracks.set()),
            media_time: frame.media_time,
            duration: frame.duration,
            timeline: self.stream.timeline,
            captured: stamp.captured,
            uncertainty_nanos: stamp.uncertainty_nanos,
            random_access: frame.random_access,
            discontinuity,
            payload: frame.payload,
        });
        events.hold_bytes(held);
    }
}
