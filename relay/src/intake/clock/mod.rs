//! When a unit was captured, found from when it arrived: the clock of one camera, over all its
//! sessions. Pure: instants are arguments, and all of them are monotonic nanoseconds from any
//! fixed origin, so that a home clock that is set can't tear anything.
//!
//! A unit arrives at its capture time plus a delay that is never negative: arrival − media time
//! has a floor, and the units that touch it crossed the link without waiting. `envelope` finds
//! that floor as a line; a unit that waited out a drop-out lies far above it and still gets its
//! true time. The line falls at once where a unit lies below it: no unit is captured after it
//! arrived.
//!
//! Each stream of each session has a media time of its own, and begins on an axis, with a line, of
//! its own. Axes become one where it is known how they belong together:
//! - two sessions carry the same unit ([`Clock::same`]): exact;
//! - sender reports (RFC 3550 §6.4.1) put them on the camera's own clock, within a session and from
//!   one to the next. That clock may be decades off: only its differences are used, and only while
//!   they agree with the floors;
//! - the answer to PLAY tells where the streams of a session begin (`rtptime` of RTP-Info, RFC 2326
//!   §12.33).
//!
//! So what was learnt serves the next session from its first unit. Where nothing ties it, the skew
//! still does: that is the crystal's.
//!
//! Media time may jump within a session. A jump back beyond the order of B-frames, or one ahead
//! beyond what arrivals allow, is seen on its first unit. A jump back that an outage hides shows as
//! delays that stay higher by the same amount, where a queue would drain (`track`).
//!
//! What cannot be seen from home is the least delay of the link itself: it stays in the result
//! and is the uncertainty's lower end.

mod envelope;
mod news;
mod relate;
mod reports;
mod track;

use std::num::NonZeroU32;

pub(super) use news::ClockNews;
pub use reports::ntp_to_unix_nanos;

use envelope::{Envelope, Skew};
use relate::distance;
use reports::{Reports, STEP_NANOS};
use track::{Tie, Track};

/// The same unit in two sessions has one capture time. In the newer session it may have waited.
const SAME_BELOW_NANOS: i64 = 1_000_000_000;
const SAME_ABOVE_NANOS: i64 = 60_000_000_000;
/// A report whose media time is not about now says nothing.
const REPORT_AHEAD_NANOS: i64 = 2_000_000_000;
const REPORT_BEHIND_NANOS: i64 = 600_000_000_000;
/// Sessions kept: two that overlap, and two that ended but may still be compared with.
const SESSIONS_MAX: usize = 4;
/// Reports over less than this, a millisecond uneven, don't tell the drift to within some ppm.
const DRIFT_SPAN_NANOS: i64 = 600_000_000_000;
/// Least uncertainty given: the delay of the link, which can't be measured one way.
const UNCERTAINTY_NANOS_MIN: u64 = 50_000_000;
/// Media time over which the first units' waiting is over, most probably.
const LEARNING_NANOS: u64 = 60_000_000_000;
/// Media time with which only arrivals are known.
const ARRIVAL_NANOS: i64 = 2_000_000_000;

/// Which session of a camera's clock; later ones are greater.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SessionId(u64);

/// A capture time with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamp {
    /// When the light or sound reached the camera, in monotonic nanoseconds; never after the
    /// arrival.
    pub captured: i64,
    /// Half-width in nanoseconds of the interval that holds the truth: 50 ms for the delay of the
    /// link, which can't be seen; up to 2 s more in the first minute; and how far the newest units
    /// keep from the line.
    pub uncertainty_nanos: u64,
    /// What it rests on.
    pub source: StampSource,
    /// Media time jumped before this unit: it can't be compared with that of earlier ones.
    pub restarted: bool,
}

/// What a capture time rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StampSource {
    /// Arrival: these are the first units.
    Arrival,
    /// The floor of the delays.
    Envelope,
    /// The floor of the delays, on an axis that the camera's sender reports tie to other streams
    /// or to an earlier session.
    Reports,
}

impl StampSource {
    /// The value of a label.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Arrival => "arrival",
            Self::Envelope => "envelope",
            Self::Reports => "reports",
        }
    }
}

/// How the media times of a stream in two sessions belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AxisOffset {
    /// To be added to ticks of the one session for those of the other.
    pub ticks: i64,
    /// How that is known.
    pub source: OffsetSource,
}

/// How the distance of two sessions is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OffsetSource {
    /// Exactly: the same unit was in both.
    Identity,
    /// As well as sender reports tell, milliseconds.
    Reports,
}

/// How the camera's own clock stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraClock {
    /// The camera's time minus the true one, in nanoseconds; positive where it is ahead.
    pub offset_nanos: i64,
    /// How fast that grows, in parts per million; `None` until a session
    /// has told it for ten minutes.
    pub drift_ppm: Option<f64>,
    /// At least two reports agree with each other and with the arrivals to within 100 ms.
    pub plausible: bool,
    /// How often it was set, as far as seen.
    pub steps: u64,
}

#[derive(Debug)]
struct Session {
    id: SessionId,
    ended: bool,
    tracks: Vec<Track>,
}

#[derive(Debug)]
struct Axis {
    id: u64,
    /// The stream whose media time it follows.
    stream: usize,
    envelope: Envelope,
}

/// The clock of one camera.
#[derive(Debug, Default)]
pub struct Clock {
    /// By their beginning.
    sessions: Vec<Session>,
    axes: Vec<Axis>,
    /// What was learnt of each stream's skew.
    skews: Vec<(usize, Skew)>,
    sessions_begun: u64,
    axes_begun: u64,
    /// Changes with each step of the camera's clock.
    epoch: u64,
    steps: u64,
}

/// A track by its session's place and its own.
type Place = (usize, usize);

impl Clock {
    /// A clock that knows nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Begins a session with its streams and their clock rates. Two may overlap; beyond four, the
    /// oldest is forgotten, an ended one first.
    pub fn begin(&mut self, streams: impl IntoIterator<Item = (usize, NonZeroU32)>) -> SessionId {
        let id = SessionId(self.sessions_begun);
        self.sessions_begun += 1;
        let mut tracks = Vec::new();
        for (stream, clock_rate) in streams {
            tracks.push(Track {
                stream,
                clock_rate,
                axis: self.fresh_axis(stream),
                shift: 0,
                tie: Tie::Own,
                floor: None,
                announced: None,
                reports: None,
                same: None,
                jumped: false,
            });
        }
        self.sessions.push(Session {
            id,
            ended: false,
            tracks,
        });
        while self.sessions.len() > SESSIONS_MAX {
            let ended = self.sessions.iter().position(|session| session.ended);
            self.sessions.remove(ended.unwrap_or(0));
        }
        self.drop_axes();
        id
    }

    /// Ends a session. What it taught stays, and for a while its relation to later ones.
    pub fn end(&mut self, session: SessionId) {
        if let Some(session) = self.sessions.iter_mut().find(|one| one.id == session) {
            session.ended = true;
        }
    }

    /// The capture time of a unit with media time `ticks` that arrived at `arrival`; `None` for a
    /// stream or a session that the clock does not know.
    pub fn stamp(
        &mut self,
        session: SessionId,
        stream: usize,
        ticks: i64,
        arrival: i64,
    ) -> Option<Stamp> {
        let place = self.place(session, stream)?;
        let track = self.track_mut(place)?;
        let media = track.nanos(ticks);
        let first = track.floor.is_none();
        let restarted = track.take(media, arrival);
        if restarted {
            self.forget(place);
        }
        let track = self.track(place)?;
        let (axis, shift) = (track.axis, track.shift);
        let time = media.saturating_add(shift);
        let opened = self
            .axis_mut(axis)?
            .envelope
            .take(time, arrival.saturating_sub(time));
        if opened || first {
            self.keep_skew(axis);
            self.relate(place.0);
        }
        let track = self.track(place)?;
        let time = media.saturating_add(track.shift);
        let envelope = &self.axis(track.axis)?.envelope;
        let span = envelope.span();
        let delay = envelope.at(time)?;
        let source = match track.tie {
            _ if span < ARRIVAL_NANOS => StampSource::Arrival,
            Tie::Reports => StampSource::Reports,
            Tie::Own | Tie::Announced => StampSource::Envelope,
        };
        let unlearnt = LEARNING_NANOS.saturating_sub(u64::try_from(span).unwrap_or(0));
        Some(Stamp {
            captured: time.saturating_add(delay).min(arrival),
            // From 2 s (a group of pictures sent at once) down to the least as learning goes on.
            uncertainty_nanos: (UNCERTAINTY_NANOS_MIN + unlearnt / 30)
                .saturating_add(envelope.residual().unsigned_abs()),
            source,
            restarted,
        })
    }

    /// Takes what the answer to PLAY says: media time `ticks` is the stream's beginning.
    pub fn announced(&mut self, session: SessionId, stream: usize, ticks: i64) {
        if let Some(place) = self.place(session, stream)
            && let Some(track) = self.track_mut(place)
        {
            track.announced = Some(track.nanos(ticks));
        }
    }

    /// Takes a sender report that came at `arrival`: media time `ticks` is `ntp` (a 64-bit NTP
    /// timestamp) on the camera's clock.
    pub fn sender_report(
        &mut self,
        session: SessionId,
        stream: usize,
        ticks: i64,
        ntp: u64,
        arrival: i64,
    ) {
        // 0 is said where the camera has no clock (RFC 3550 §6.4.1).
        if ntp == 0 {
            return;
        }
        let Some(place) = self.place(session, stream) else {
            return;
        };
        let Some(track) = self.track(place) else {
            return;
        };
        let media = track.nanos(ticks);
        if let Some((_, delay)) = track.floor_at(0) {
            let late = arrival.saturating_sub(media).saturating_sub(delay);
            if !(-REPORT_AHEAD_NANOS..REPORT_BEHIND_NANOS).contains(&late) {
                return;
            }
        }
        let ahead = ntp_to_unix_nanos(ntp).saturating_sub(media);
        let jumped = track.jumped;
        let agrees = track.reports.as_ref().map(|reports| {
            let expected = reports.ahead(media);
            expected.saturating_sub(ahead).saturating_abs() <= STEP_NANOS
        });
        match agrees {
            Some(true) => {
                if let Some(track) = self.track_mut(place)
                    && let Some(reports) = &mut track.reports
                {
                    reports.take(media, ahead, arrival);
                }
            }
            Some(false) => {
                let epoch = self.epoch_of_step(place, ahead);
                self.set_reports(place, Reports::new(media, ahead, arrival, Some(epoch)));
            }
            None => {
                // After a jump of media time there is nothing to compare with.
                let epoch = jumped.then_some(self.epoch);
                self.set_reports(place, Reports::new(media, ahead, arrival, epoch));
            }
        }
        self.relate(place.0);
    }

    /// The same unit was seen in two sessions, by its payload: their media times are tied exactly.
    /// A claim that contradicts an earlier one, or the arrivals, ties nothing and undoes the
    /// earlier one.
    pub fn same(&mut self, stream: usize, old: (SessionId, i64), new: (SessionId, i64)) {
        let (old, new) = if old.0 < new.0 {
            (old, new)
        } else {
            (new, old)
        };
        let (Some(old_place), Some(new_place)) =
            (self.place(old.0, stream), self.place(new.0, stream))
        else {
            return;
        };
        let (Some(from), Some(to)) = (self.track(new_place), self.track(old_place)) else {
            return;
        };
        if from.clock_rate != to.clock_rate || old.0 == new.0 {
            return;
        }
        let ticks = old.1.saturating_sub(new.1);
        match from.same {
            Some(known) if known == (old.0, ticks) => return,
            Some((known, _)) if known == old.0 => {
                self.part(new_place);
                return;
            }
            _ => {}
        }
        let shift = to.shift.saturating_add(to.nanos(ticks));
        let line = self.axis(to.axis).map(|axis| &axis.envelope);
        if let (Some((time, delay)), Some(line)) = (from.floor_at(shift), line)
            && let Some(floor) = line.at(time)
            && !(-SAME_BELOW_NANOS..SAME_ABOVE_NANOS).contains(&delay.saturating_sub(floor))
        {
            return;
        }
        let axis = to.axis;
        self.put(new_place, axis, shift, Tie::Own);
        if let Some(track) = self.track_mut(new_place) {
            track.same = Some((old.0, ticks));
        }
    }

    /// What is to be added to ticks of a stream in session `from` for those in session `to`.
    /// `None` where that is not known.
    #[must_use]
    pub fn offset(&self, stream: usize, from: SessionId, to: SessionId) -> Option<AxisOffset> {
        let older = self.identity(stream, from.max(to), from.min(to));
        if let Some(ticks) = older {
            return Some(AxisOffset {
                ticks: if from > to {
                    ticks
                } else {
                    ticks.saturating_neg()
                },
                source: OffsetSource::Identity,
            });
        }
        let newer = self.track(self.place(from.max(to), stream)?)?;
        if newer.jumped {
            return None;
        }
        let from = self.track(self.place(from, stream)?)?;
        let to = self.track(self.place(to, stream)?)?;
        let (one, other) = (from.reports.as_ref()?, to.reports.as_ref()?);
        if one.epoch? != other.epoch? || from.clock_rate != to.clock_rate {
            return None;
        }
        let nanos = distance(one, other);
        Some(AxisOffset {
            ticks: from.ticks(nanos),
            source: OffsetSource::Reports,
        })
    }

    /// How the camera's clock stands by the newest sender report; `wall_offset` is Unix time minus
    /// monotonic time, in nanoseconds.
    #[must_use]
    pub fn camera_clock(&self, wall_offset: i64) -> Option<CameraClock> {
        let tracks = self.sessions.iter().flat_map(|session| &session.tracks);
        let (track, reports) = tracks
            .filter(|track| track.floor.is_some())
            .filter_map(|track| Some((track, track.reports.as_ref()?)))
            .max_by_key(|(track, reports)| (reports.arrival, track.clock_rate))?;
        let envelope = &self.axis(track.axis)?.envelope;
        let offset = self.camera_ahead(track)?;
        let drift = reports.slope().zip(envelope.skew());
        let drift = drift.filter(|_| reports.span() >= DRIFT_SPAN_NANOS);
        Some(CameraClock {
            offset_nanos: offset.saturating_sub(wall_offset),
            drift_ppm: drift.map(|(slope, skew)| (slope - skew.slope) * 1e6),
            plausible: reports.count() > 1 && reports.epoch == Some(self.epoch),
            steps: self.steps,
        })
    }
}

// Finding things.
impl Clock {
    fn place(&self, session: SessionId, stream: usize) -> Option<Place> {
        let place = self.sessions.iter().position(|one| one.id == session)?;
        let tracks = &self.sessions.get(place)?.tracks;
        let track = tracks.iter().position(|track| track.stream == stream)?;
        Some((place, track))
    }

    fn track(&self, place: Place) -> Option<&Track> {
        self.sessions.get(place.0)?.tracks.get(place.1)
    }

    fn track_mut(&mut self, place: Place) -> Option<&mut Track> {
        self.sessions.get_mut(place.0)?.tracks.get_mut(place.1)
    }

    fn axis(&self, id: u64) -> Option<&Axis> {
        self.axes.iter().find(|axis| axis.id == id)
    }

    fn axis_mut(&mut self, id: u64) -> Option<&mut Axis> {
        self.axes.iter_mut().find(|axis| axis.id == id)
    }

    fn tracks_mut(&mut self) -> impl Iterator<Item = &mut Track> {
        self.sessions.iter_mut().flat_map(|one| &mut one.tracks)
    }

    fn places(&self, session: usize) -> impl Iterator<Item = Place> + use<> {
        let count = self.sessions.get(session).map_or(0, |one| one.tracks.len());
        (0..count).map(move |track| (session, track))
    }

    /// The camera's clock minus monotonic time, by a track's newest report.
    fn camera_ahead(&self, track: &Track) -> Option<i64> {
        let reports = track.reports.as_ref()?;
        let media = reports.newest();
        let time = media.saturating_add(track.shift);
        let captured = time.saturating_add(self.axis(track.axis)?.envelope.at(time)?);
        let camera = media.saturating_add(reports.ahead(media));
        Some(camera.saturating_sub(captured))
    }

    /// Ticks from a session to an older one, over those between.
    fn identity(&self, stream: usize, newer: SessionId, older: SessionId) -> Option<i64> {
        let (mut at, mut sum) = (newer, 0_i64);
        while at > older {
            let (before, ticks) = self.track(self.place(at, stream)?)?.same?;
            sum = sum.saturating_add(ticks);
            at = before;
        }
        (at == older).then_some(sum)
    }
}

#[cfg(test)]
mod simulation;
#[cfg(test)]
mod tests;
