//! Where the frames of one session become units: stamped and gated.

use std::time::Instant;

use retina::rtcp::ReceivedCompoundPacket;

use super::assemble::Frame;
use super::clock::{Clock, SessionId};
use super::gate::{Arrival, Gate, Passage};
use super::session::Session;
use super::splice::Passed;
use crate::hold::TrackKind;
use crate::telemetry::CameraEvents;

/// Where the frames of one session become units.
#[derive(Debug)]
pub(super) struct Desk {
    /// The session, for the camera's clock.
    pub(super) id: SessionId,
    has_video: bool,
    gate: Gate,
    /// Streams whose parameters are still to be told.
    untold: Vec<usize>,
    /// All streams have begun, and their beginnings are noted.
    began_together: bool,
    /// Since when no picture passes the gate.
    shut_since: Option<Instant>,
}

impl Desk {
    pub(super) fn new(session: &Session, clock: &mut Clock) -> Self {
        let streams = || session.assemblers();
        let rates = streams().map(|(index, assembler)| (index, assembler.clock_rate()));
        Self {
            id: clock.begin(rates),
            has_video: streams().any(|(_, one)| one.codec().kind() == TrackKind::Video),
            gate: Gate::new(),
            untold: streams().map(|(index, _)| index).collect(),
            began_together: false,
            shut_since: None,
        }
    }

    pub(super) fn has_video(&self) -> bool {
        self.has_video
    }

    /// Whether units of this stream tell that the camera sends: pictures do, and sound only where
    /// there are none.
    pub(super) fn counts(&self, session: &Session, stream: usize) -> bool {
        let video = session
            .assembler(stream)
            .is_some_and(|one| one.codec().kind() == TrackKind::Video);
        video || !self.has_video
    }

    /// Something of a stream was lost before it became a unit.
    pub(super) fn lost(&mut self, stream: usize) {
        self.gate.lost(stream);
    }

    /// Since when no picture has passed although some arrive.
    pub(super) fn shut_since(&self) -> Option<Instant> {
        self.shut_since
    }

    /// Learns from the first packets whether the answer to PLAY told how the streams belong
    /// together. Where it did not, the library counts each from its own first packet, and that
    /// says nothing.
    fn note_beginning(&mut self, session: &Session, clock: &mut Clock) {
        let firsts: Option<Vec<_>> = session
            .assemblers()
            .map(|(index, assembler)| Some((index, assembler.first_packet()?)))
            .collect();
        let Some(firsts) = firsts else {
            return;
        };
        self.began_together = true;
        if firsts.iter().any(|(_, first)| first.elapsed() != 0) {
            for (index, first) in firsts {
                let beginning = first.timestamp().saturating_sub(first.elapsed());
                clock.announced(self.id, index, beginning);
            }
        }
    }

    pub(super) fn sender_reports(
        &self,
        packet: &ReceivedCompoundPacket,
        clock: &mut Clock,
        arrival: i64,
    ) {
        // The library has put the report's RTP time on the stream's media time; without that it
        // is of no use.
        let Some(ticks) = packet.rtp_timestamp() else {
            return;
        };
        for report in packet
            .pkts()
            .filter_map(|one| one.as_sender_report().ok().flatten())
        {
            let (stream, ntp) = (packet.stream_id(), report.ntp_timestamp().0);
            clock.sender_report(self.id, stream, ticks.timestamp(), ntp, arrival);
        }
    }

    /// Makes a unit of a frame that arrived at `arrival`, unless it can't be used.
    pub(super) fn take(
        &mut self,
        session: &Session,
        index: usize,
        frame: Frame,
        (clock, arrival): (&mut Clock, i64),
        events: &CameraEvents,
    ) -> Option<Passed> {
        let assembler = session.assembler(index)?;
        let kind = assembler.codec().kind();
        if !self.began_together {
            self.note_beginning(session, clock);
        }
        events.packets_lost(kind, frame.packets_lost);
        let Some(stamp) = clock.stamp(self.id, index, frame.media_time, arrival) else {
            // The clock has forgotten the session: a defect, and not to be silent.
            self.gated(kind, events);
            return None;
        };
        if stamp.restarted {
            events.media_time_jumped();
        }
        let untold = self.untold.contains(&index);
        let parameters = (frame.new_parameters || untold)
            .then(|| assembler.track())
            .flatten();
        // A unit whose own beginning is missing, or whose track isn't known, can't be decoded,
        // whatever comes before it.
        if frame.headless || untold && parameters.is_none() {
            self.gate.lost(index);
            self.gated(kind, events);
            return None;
        }
        let passage = self.gate.judge(Arrival {
            stream: index,
            video: kind == TrackKind::Video,
            random_access: frame.random_access,
            loss: frame.packets_lost > 0 || stamp.restarted,
        });
        let Passage::Pass { discontinuity } = passage else {
            self.gated(kind, events);
            // What was told with it would be lost with it.
            if parameters.is_some() && !untold {
                self.untold.push(index);
            }
            return None;
        };
        if kind == TrackKind::Video {
            self.shut_since = None;
        }
        self.untold.retain(|stream| *stream != index);
        Some(Passed {
            stream: index,
            kind,
            media_time: frame.media_time,
            clock_rate: assembler.clock_rate().get(),
            duration: frame.duration,
            captured: stamp.captured,
            uncertainty_nanos: stamp.uncertainty_nanos,
            random_access: frame.random_access,
            discontinuity,
            restarted: stamp.restarted,
            packets_lost: frame.packets_lost,
            delayed: arrival.saturating_sub(stamp.captured),
            parameters,
            payload: frame.payload,
        })
    }

    fn gated(&mut self, kind: TrackKind, events: &CameraEvents) {
        events.unit_gated(kind);
        if kind == TrackKind::Video {
            self.shut_since.get_or_insert_with(Instant::now);
        }
    }
}
