//! Where the frames of one session become units: stamped, gated, and put into the hold.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Instant;

use retina::rtcp::ReceivedCompoundPacket;

use super::assemble::{Frame, Tracks};
use super::camera::CameraTask;
use super::clock::{Clock, SessionId};
use super::gate::{Arrival, Gate, Passage};
use super::session::Session;
use crate::hold::{TrackKind, Unit};
use crate::units::CaptureTime;

/// A home clock that is off by more than this from what it was at the session's begin was set.
const HOME_STEP_NANOS: i64 = 2_000_000_000;

/// A number that no timeline had before.
fn next_timeline() -> u32 {
    static NEXT: AtomicU32 = AtomicU32::new(1);
    NEXT.fetch_add(1, Ordering::Relaxed)
}

fn new_clock(session: &Session) -> (Clock, SessionId) {
    let mut clock = Clock::new();
    let streams = session.assemblers();
    let id = clock.begin(streams.map(|(index, assembler)| (index, assembler.clock_rate())));
    (clock, id)
}

/// Where the frames of one session become units.
pub(super) struct Desk<'a> {
    task: &'a CameraTask,
    tracks: &'a mut Tracks,
    timeline: u32,
    gate: Gate,
    clock: (Clock, SessionId),
    /// All streams have begun, and their beginnings are noted.
    began_together: bool,
    /// Since when no picture passes the gate.
    shut_since: Option<Instant>,
    /// The home clock when the session began: within a session time is counted by the monotonic
    /// clock from here, so that a step of the home clock can't tear a recording.
    began: (CaptureTime, Instant),
}

impl<'a> Desk<'a> {
    pub(super) fn new(task: &'a CameraTask, tracks: &'a mut Tracks, session: &Session) -> Self {
        tracks.keep(|index| Some(session.assembler(index)?.codec()));
        for (index, assembler) in session.assemblers() {
            // Most cameras tell their parameters before the first unit: then all tracks are
            // known at once, and a recorder need not begin twice.
            if let Some(track) = assembler.track() {
                tracks.update(index, track);
            }
        }
        Self {
            task,
            tracks,
            timeline: next_timeline(),
            gate: Gate::new(),
            clock: new_clock(session),
            began_together: false,
            shut_since: None,
            began: (CaptureTime::now(), Instant::now()),
        }
    }

    /// Whether units of this stream tell that the camera sends: pictures do, and sound only where
    /// there are none.
    pub(super) fn counts(&self, session: &Session, stream: usize) -> bool {
        let video = |index: usize| {
            session
                .assembler(index)
                .is_some_and(|one| one.codec().kind() == TrackKind::Video)
        };
        video(stream) || !session.assemblers().any(|(index, _)| video(index))
    }

    /// Something of a stream was lost before it became a unit.
    pub(super) fn lost(&mut self, stream: usize) {
        self.gate.lost(stream);
    }

    /// To be called now and then.
    pub(super) fn pulse(&mut self, session: &Session) {
        if self
            .shut_since
            .is_some_and(|since| since.elapsed() > 2 * self.task.camera.first_unit)
        {
            self.task.events.gate_stays_shut();
        }
        // The home clock was set: from here on there is another time.
        let apart = self.wall(self.arrival()).unix_nanos() - CaptureTime::now().unix_nanos();
        if apart.saturating_abs() > HOME_STEP_NANOS {
            self.task.events.home_clock_stepped(-apart as f64 / 1e9);
            self.began = (CaptureTime::now(), Instant::now());
            self.clock = new_clock(session);
            self.timeline = next_timeline();
        }
    }

    /// Monotonic nanoseconds since the session began.
    fn arrival(&self) -> i64 {
        i64::try_from(self.began.1.elapsed().as_nanos()).unwrap_or(i64::MAX)
    }

    fn wall(&self, monotonic: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(self.began.0.unix_nanos().saturating_add(monotonic))
    }

    /// Learns from the first packets whether the answer to PLAY told how the streams belong
    /// together. Where it did not, the library counts each from its own first packet, and that
    /// says nothing.
    fn note_beginning(&mut self, session: &Session) {
        let streams = session.assemblers();
        let firsts: Option<Vec<_>> = streams
            .map(|(index, assembler)| Some((index, assembler.first_packet()?)))
            .collect();
        let Some(firsts) = firsts else {
            return;
        };
        self.began_together = true;
        if firsts.iter().any(|(_, first)| first.elapsed() != 0) {
            for (index, first) in firsts {
                let beginning = first.timestamp().saturating_sub(first.elapsed());
                self.clock.0.announced(self.clock.1, index, beginning);
            }
        }
    }

    fn gated(&mut self, kind: TrackKind) {
        self.task.events.unit_gated(kind);
        if kind == TrackKind::Video {
            self.shut_since.get_or_insert_with(Instant::now);
        }
    }

    pub(super) fn sender_reports(&mut self, packet: &ReceivedCompoundPacket) {
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
            let arrival = self.arrival();
            let (clock, id) = (&mut self.clock.0, self.clock.1);
            clock.sender_report(id, packet.stream_id(), ticks.timestamp(), ntp, arrival);
        }
    }

    pub(super) fn take(&mut self, session: &Session, index: usize, frame: Frame) {
        let Some(assembler) = session.assembler(index) else {
            return;
        };
        let arrival = self.arrival();
        let kind = assembler.codec().kind();
        if (frame.new_parameters || self.tracks.of(index).is_none())
            && let Some(track) = assembler.track()
        {
            self.tracks.update(index, track);
        }
        if !self.began_together {
            self.note_beginning(session);
        }
        let events = &self.task.events;
        events.packets_lost(kind, frame.packets_lost);
        let (clock, id) = (&mut self.clock.0, self.clock.1);
        let Some(stamp) = clock.stamp(id, index, frame.media_time, arrival) else {
            return;
        };
        let captured = self.wall(stamp.captured);
        if stamp.restarted {
            self.timeline = next_timeline();
            events.media_time_jumped();
        }
        if frame.headless {
            self.gate.lost(index);
            self.gated(kind);
            return;
        }
        // A unit whose track isn't known can't be decoded, whatever comes before it.
        let Some(track) = self.tracks.of(index) else {
            self.gate.lost(index);
            self.gated(kind);
            return;
        };
        let passage = self.gate.judge(Arrival {
            stream: index,
            video: kind == TrackKind::Video,
            random_access: frame.random_access,
            loss: frame.packets_lost > 0 || stamp.restarted,
        });
        let Passage::Pass { discontinuity } = passage else {
            self.gated(kind);
            return;
        };
        if kind == TrackKind::Video {
            self.shut_since = None;
        }
        events.unit(kind, frame.payload.len(), captured);
        let held = self.task.hold.push(Unit {
            sequence: 0,
            track: Arc::clone(track),
            tracks: Arc::clone(self.tracks.set()),
            media_time: frame.media_time,
            duration: frame.duration,
            timeline: self.timeline,
            captured,
            uncertainty_nanos: stamp.uncertainty_nanos,
            random_access: frame.random_access,
            discontinuity,
            payload: frame.payload,
        });
        events.hold_bytes(held);
    }
}
