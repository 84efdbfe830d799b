//! What came while a camera was looked at.

use std::time::Instant;

use super::super::clock::Clock;
use super::super::desk::Desk;
use super::super::session::{Item, Session};
use super::report::{OwnClock, ReceiverReport, Report, SecondSession};
use crate::hold::TrackKind;
use crate::units::CaptureTime;

#[derive(Debug)]
pub(super) struct Seen {
    began: Instant,
    bytes: usize,
    packets_lost: u64,
    units: u64,
    streams: Vec<SeenStream>,
    clock: Clock,
    desk: Desk,
    /// Of the newest capture time.
    uncertainty_nanos: u64,
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
    pub(super) fn new(session: &Session) -> Self {
        let mut clock = Clock::new();
        Self {
            began: Instant::now(),
            bytes: 0,
            packets_lost: 0,
            units: 0,
            streams: Vec::new(),
            desk: Desk::new(session, &mut clock),
            clock,
            uncertainty_nanos: 0,
        }
    }

    /// Units so far, of all streams.
    pub(super) fn units(&self) -> u64 {
        self.units
    }

    fn now(&self) -> i64 {
        i64::try_from(self.began.elapsed().as_nanos()).unwrap_or(i64::MAX)
    }

    pub(super) fn take(&mut self, item: &Item) {
        let arrival = self.now();
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
                    self.units += 1;
                    seen.units += 1;
                    seen.first.get_or_insert(frame.media_time);
                    seen.last = frame.media_time;
                    if frame.random_access
                        && let Some(key) = seen.last_key.replace(frame.media_time)
                    {
                        let distance = frame.media_time.saturating_sub(key);
                        seen.group = seen.group.max(Some(distance));
                    }
                    let session = self.desk.id;
                    let stamp = self
                        .clock
                        .stamp(session, *stream, frame.media_time, arrival);
                    if let Some(stamp) = stamp {
                        self.uncertainty_nanos = stamp.uncertainty_nanos;
                    }
                }
            }
            Item::Rtcp(packet) => self.desk.sender_reports(packet, &mut self.clock, arrival),
            Item::Fault { .. } => {}
        }
    }

    fn own_clock(&self, round_trip: f64) -> Option<OwnClock> {
        let wall_offset = CaptureTime::now().unix_nanos().saturating_sub(self.now());
        let clock = self.clock.camera_clock(wall_offset)?;
        Some(OwnClock {
            offset: clock.offset_nanos as f64 / 1e9,
            // Which part of the way to and fro is the way to us can't be known.
            uncertainty: (self.uncertainty_nanos as f64 / 1e9).max(round_trip),
            drift_ppm: clock.drift_ppm,
            plausible: clock.plausible,
            steps: clock.steps,
        })
    }

    pub(super) fn report(
        &self,
        session: &Session,
        authentication: String,
        round_trip: f64,
    ) -> Report {
        let mut report = Report {
            video: None,
            profile: String::new(),
            size: (0, 0),
            rate: 0.0,
            group_seconds: None,
            bits_per_second: self.bytes as f64 * 8.0 / self.began.elapsed().as_secs_f64(),
            audio: None,
            authentication,
            clock: self.own_clock(round_trip),
            round_trip,
            packets_lost: self.packets_lost,
            second_session: SecondSession::NotTried,
            receiver_report: ReceiverReport::NotTried,
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
