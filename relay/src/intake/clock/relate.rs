//! How axes belong together, and which track is on which.

use super::envelope::Envelope;
use super::reports::{Reports, STEP_NANOS};
use super::track::{Tie, Track};
use super::{Axis, Clock, Place};

/// Sound and picture wait differently, but not by so much; reports that say so come from before
/// and after the camera's clock was set.
const REPORTED_APART_NANOS: i64 = 2_000_000_000;
/// What PLAY announces is trusted less: it is wrong in many cameras (common practice, no source).
const ANNOUNCED_APART_NANOS: i64 = 500_000_000;
/// Minima that were put together by a relation that is wrong by more than this are of no use.
const MISPLACED_NANOS: i64 = 20_000_000;
/// By reports a session follows the one before if its own floor then lies no more than this below
/// the known line, and one part in so many of the time between them: their clocks wander, ...
const FOLLOWS_BELOW_NANOS: i64 = 60_000_000;
const FOLLOWS_GAP_PARTS: i64 = 50_000;
/// ... and, once its first units' waiting is over, no more than this above
/// what the one before waited.
const FOLLOWS_ABOVE_NANOS: i64 = 100_000_000;
/// Media time that the waiting may take; then it is the camera's clock that was set.
const FOLLOWS_SPAN_NANOS: i64 = 30_000_000_000;
/// No first unit of a session waits so long: that is the camera's clock, which was set.
const FOLLOWS_WAIT_NANOS: i64 = 20_000_000_000;
/// Streams whose skew is remembered.
const SKEWS_MAX: usize = 16;

// Putting tracks on axes.
impl Clock {
    pub(super) fn fresh_axis(&mut self, stream: usize) -> u64 {
        let id = self.axes_begun;
        self.axes_begun += 1;
        let skew = self
            .skews
            .iter()
            .find(|(one, _)| *one == stream)
            .map(|(_, skew)| *skew);
        self.axes.push(Axis {
            id,
            stream,
            envelope: Envelope::new(skew),
        });
        id
    }

    pub(super) fn drop_axes(&mut self) {
        let sessions = &self.sessions;
        self.axes.retain(|axis| {
            let mut tracks = sessions.iter().flat_map(|session| &session.tracks);
            tracks.any(|track| track.axis == axis.id)
        });
    }

    pub(super) fn keep_skew(&mut self, axis: u64) {
        let Some(axis) = self.axis(axis) else {
            return;
        };
        let (stream, Some(skew)) = (axis.stream, axis.envelope.skew()) else {
            return;
        };
        if let Some((_, known)) = self.skews.iter_mut().find(|(one, _)| *one == stream) {
            *known = skew;
        } else if self.skews.len() < SKEWS_MAX {
            self.skews.push((stream, skew));
        }
    }

    /// A jump of media time: the track begins anew.
    pub(super) fn forget(&mut self, place: Place) {
        let Some(stream) = self.track(place).map(|track| track.stream) else {
            return;
        };
        let axis = self.fresh_axis(stream);
        if let Some(track) = self.track_mut(place) {
            (track.axis, track.shift, track.tie) = (axis, 0, Tie::Own);
            (track.announced, track.reports, track.same) = (None, None, None);
            track.jumped = true;
        }
        self.drop_axes();
    }

    /// Takes a track off the axis that it shares; it goes on from its own floor.
    pub(super) fn part(&mut self, place: Place) {
        let Some(track) = self.track(place) else {
            return;
        };
        let (stream, floor) = (track.stream, track.floor_at(0));
        let id = self.fresh_axis(stream);
        if let (Some((time, delay)), Some(axis)) = (floor, self.axis_mut(id)) {
            axis.envelope.take(time, delay);
        }
        if let Some(track) = self.track_mut(place) {
            (track.axis, track.shift, track.tie) = (id, 0, Tie::Own);
            track.same = None;
        }
        self.drop_axes();
    }

    /// Puts a track, and all that share its axis, on another axis, where its media time lies
    /// `shift` further on. What both axes learnt is put together.
    pub(super) fn put(&mut self, place: Place, axis: u64, shift: i64, tie: Tie) {
        let Some(track) = self.track(place) else {
            return;
        };
        let (mut from, mut moved) = (track.axis, shift.saturating_sub(track.shift));
        if from == axis && moved.saturating_abs() > MISPLACED_NANOS {
            self.part(place);
            let Some(track) = self.track(place) else {
                return;
            };
            (from, moved) = (track.axis, shift.saturating_sub(track.shift));
        }
        if from == axis {
            if let Some(track) = self.track_mut(place) {
                (track.shift, track.tie) = (shift, tie);
            }
            return;
        }
        let learnt = self.axis(from).map(|axis| axis.envelope.clone());
        if let (Some(learnt), Some(axis)) = (learnt, self.axis_mut(axis)) {
            axis.envelope.absorb(&learnt, moved);
        }
        for track in self.tracks_mut().filter(|track| track.axis == from) {
            track.axis = axis;
            track.shift = track.shift.saturating_add(moved);
        }
        if let Some(track) = self.track_mut(place) {
            track.tie = tie;
        }
        self.drop_axes();
    }
}

// How axes belong together.
impl Clock {
    pub(super) fn set_reports(&mut self, place: Place, reports: Reports) {
        if let Some(track) = self.track_mut(place) {
            track.reports = Some(reports);
        }
    }

    /// The epoch after a track's report contradicted those before: the step that another track has
    /// reported already, or a new one.
    pub(super) fn epoch_of_step(&mut self, place: Place, ahead: i64) -> u64 {
        let reported = self.track(place).and_then(|own| {
            let sessions = self.sessions.iter().filter(|session| !session.ended);
            let others = sessions.flat_map(|session| &session.tracks);
            others
                .filter(|other| !std::ptr::eq(*other, own))
                .find_map(|other| self.agreed(own, ahead, other))
        });
        match reported {
            Some(epoch) => self.epoch = epoch,
            None => self.step(),
        }
        self.epoch
    }

    fn step(&mut self) {
        self.steps += 1;
        self.epoch = self.steps;
    }

    /// The epoch of the other track's reports, if a report of this one is of it.
    fn agreed(&self, own: &Track, ahead: i64, other: &Track) -> Option<u64> {
        let reports = other.reports.as_ref()?;
        let epoch = reports.epoch?;
        let theirs = reports.ahead(reports.newest());
        if other.axis == own.axis {
            let ours = ahead.saturating_sub(own.shift);
            let apart = theirs.saturating_sub(other.shift).saturating_sub(ours);
            return (apart.saturating_abs() <= STEP_NANOS).then_some(epoch);
        }
        // By the floors alone only a step since this track's last report is told.
        if epoch != self.epoch || own.reports.as_ref()?.epoch == Some(epoch) {
            return None;
        }
        let (_, delay) = own.floor_at(0)?;
        let (_, their_delay) = other.floor_at(0)?;
        let ours = ahead.saturating_sub(delay);
        let apart = theirs.saturating_sub(their_delay).saturating_sub(ours);
        (apart.saturating_abs() < REPORTED_APART_NANOS).then_some(epoch)
    }

    /// Puts the tracks of a session together as well as is known now.
    pub(super) fn relate(&mut self, session: usize) {
        for place in self.places(session) {
            self.follow(place);
        }
        // Picture counts at 90 kHz (RFC 6184 §8.2.1, RFC 7798 §7.1), sound mostly slower: the
        // picture's times shall not move with the sound's reports.
        let reference = self
            .places(session)
            .filter(|place| {
                self.track(*place)
                    .is_some_and(|track| track.floor.is_some())
            })
            .max_by_key(|place| {
                let rate = self.track(*place).map(|track| track.clock_rate);
                (rate, std::cmp::Reverse(place.1))
            });
        let Some(reference) = reference else {
            return;
        };
        for place in self.places(session).filter(|place| *place != reference) {
            self.join(place, reference);
        }
    }

    /// Puts a track on the axis of another of its session.
    fn join(&mut self, place: Place, reference: Place) -> Option<()> {
        let (own, other) = (self.track(place)?, self.track(reference)?);
        let (axis, joined) = (other.axis, own.axis == other.axis);
        let by_reports = match (&own.reports, &other.reports) {
            (Some(one), Some(two)) if one.epoch.is_some() && one.epoch == two.epoch => {
                Some(distance(one, two).saturating_add(other.shift))
            }
            _ => None,
        };
        let by_announcement = own
            .announced
            .zip(other.announced)
            .map(|(own, other_begin)| other_begin.saturating_sub(own).saturating_add(other.shift));
        let apart = |shift: i64| {
            let (_, own) = own.floor_at(shift)?;
            let (_, other) = other.floor_at(other.shift)?;
            Some(own.saturating_sub(other).saturating_abs())
        };
        if let Some(shift) = by_reports
            && apart(shift)? < REPORTED_APART_NANOS
        {
            let moved = shift.saturating_sub(own.shift).saturating_abs();
            if !joined {
                self.put(place, axis, shift, Tie::Reports);
            } else if own.tie == Tie::Announced && moved > MISPLACED_NANOS {
                // The answer to PLAY was wrong, and so is what was learnt with it.
                self.part(place);
                self.part(reference);
                return self.join(place, reference);
            } else {
                let own = self.track_mut(place)?;
                (own.shift, own.tie) = (shift, Tie::Reports);
            }
            return Some(());
        }
        let shift = by_announcement?;
        if joined {
            // PLAY is answered once: where the media clocks run apart, or the answer was wrong, the
            // tracks' own floors are nearer to the truth after a while.
            if own.tie == Tie::Announced && apart(shift)? > ANNOUNCED_APART_NANOS {
                self.part(place);
                self.part(reference);
                self.track_mut(place)?.announced = None;
            }
        } else if apart(shift)? < ANNOUNCED_APART_NANOS {
            self.put(place, axis, shift, Tie::Announced);
        }
        Some(())
    }

    /// Lets a track follow the session before by the reports of both.
    fn follow(&mut self, place: Place) -> Option<()> {
        let own = self.track(place)?;
        let reports = own.reports.as_ref()?;
        if reports.epoch.is_some() {
            return None;
        }
        let before = self.before(place);
        let Some(before) = before.and_then(|place| self.track(place)) else {
            return self.confirm(place);
        };
        let earlier = before.reports.as_ref()?;
        let shift = distance(reports, earlier).saturating_add(before.shift);
        let (time, delay) = own.floor_at(shift)?;
        let (last, usual) = before.floor_at(before.shift)?;
        let gap = time.saturating_sub(last).max(0);
        let below_max = FOLLOWS_BELOW_NANOS.saturating_add(gap / FOLLOWS_GAP_PARTS);
        let (axis, span) = (before.axis, own.floor?.span());
        let (following, same) = (own.axis == axis, own.same.is_some());
        let line = &self.axis(axis)?.envelope;
        let above = delay.saturating_sub(line.at(time)?);
        // On an axis with pictures sound may always wait.
        let above_max = usual
            .saturating_sub(line.at(last)?)
            .max(0)
            .saturating_add(FOLLOWS_ABOVE_NANOS);
        let waits = above > above_max;
        let too_long = above > FOLLOWS_WAIT_NANOS || span > FOLLOWS_SPAN_NANOS;
        if above < -below_max || waits && too_long {
            self.step();
            if following && !same {
                self.part(place);
            }
            return self.confirm(place);
        }
        // The same unit in both is better than reports.
        if !following && !same {
            self.put(place, axis, shift, Tie::Reports);
        }
        if !waits {
            return self.confirm(place);
        }
        None
    }

    fn confirm(&mut self, place: Place) -> Option<()> {
        let epoch = self.epoch;
        self.track_mut(place)?.reports.as_mut()?.epoch = Some(epoch);
        Some(())
    }

    /// The track of the newest earlier session whose reports are of the present epoch.
    fn before(&self, place: Place) -> Option<Place> {
        let own = self.track(place)?;
        (0..place.0).rev().find_map(|session| {
            self.places(session).find(|other| {
                self.track(*other).is_some_and(|track| {
                    track.stream == own.stream
                        && track.clock_rate == own.clock_rate
                        && track.floor.is_some()
                        && track
                            .reports
                            .as_ref()
                            .is_some_and(|reports| reports.epoch == Some(self.epoch))
                })
            })
        })
    }
}

/// What is to be added to media times under the one for those under the other.
pub(super) fn distance(from: &Reports, to: &Reports) -> i64 {
    let media = from.newest();
    let camera = media.saturating_add(from.ahead(media));
    to.media_at(camera).saturating_sub(media)
}
