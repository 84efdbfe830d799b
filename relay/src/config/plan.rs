//! When a camera is wanted. Pure: the instant is an argument.

use std::sync::{Arc, PoisonError, RwLock};

use jiff::civil::{Date, DateTime, Time, Weekday};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{SignedDuration, Timestamp};

use crate::units::CaptureTime;

const DAY: SignedDuration = SignedDuration::from_hours(24);
const WEEK: SignedDuration = SignedDuration::from_hours(7 * 24);

/// The times at which a camera is wanted: always, but for its pauses.
///
/// Pauses are written in the civil time of the camera's site. Where clocks are put forward, a time
/// that they skip means the instant at which they skip it: a pause that would begin in the gap
/// begins when the gap ends, and one that lies in it doesn't happen. Where they are put back, a
/// pause lasts from the first pass of its begin to the last pass of its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    zone: TimeZone,
    /// Civil time since Monday's midnight, each within one week; sorted, with wanted time between.
    weekly: Vec<(SignedDuration, SignedDuration)>,
    /// Sorted, with wanted time between.
    dated: Vec<(CaptureTime, CaptureTime)>,
}

/// A plan that may be replaced while others follow it. Clones share it.
#[derive(Debug, Clone)]
pub struct LivePlan(Arc<RwLock<Arc<Plan>>>);

impl LivePlan {
    /// The plan as it is now. Another one is another `Arc`.
    #[must_use]
    pub fn now(&self) -> Arc<Plan> {
        Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// From now on this one is followed.
    pub fn replace(&self, plan: Plan) {
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(plan);
    }
}

impl From<Plan> for LivePlan {
    fn from(plan: Plan) -> Self {
        Self(Arc::new(RwLock::new(Arc::new(plan))))
    }
}

/// Time at which a camera is not wanted. Begins are within it, ends are not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Pause {
    /// Every week, in the civil time of the site.
    Weekly {
        /// The days on which it begins.
        days: Vec<Weekday>,
        /// When it begins.
        from: Time,
        /// When it ends: on the same day if that is after `from`, else on the next one. Equal to
        /// `from`, it is a whole day.
        until: Time,
    },
    /// Once.
    Dated {
        /// When it begins.
        from: CaptureTime,
        /// When it ends; a pause that ends before it begins doesn't happen.
        until: CaptureTime,
    },
}

impl Plan {
    /// No pause at all.
    #[must_use]
    pub fn always() -> Self {
        Self::new(TimeZone::UTC, [])
    }

    /// A plan with these pauses; they may overlap. `zone` is that of the camera's site.
    #[must_use]
    pub fn new(zone: TimeZone, pauses: impl IntoIterator<Item = Pause>) -> Self {
        let (mut weekly, mut dated) = (Vec::new(), Vec::new());
        for pause in pauses {
            match pause {
                Pause::Weekly { days, from, until } => {
                    for day in days {
                        let midnight = DAY * i32::from(day.to_monday_zero_offset());
                        let begin = midnight + since_midnight(from);
                        let next = if until > from {
                            SignedDuration::ZERO
                        } else {
                            DAY
                        };
                        let end = midnight + since_midnight(until) + next;
                        weekly.push((begin, end.min(WEEK)));
                        weekly.push((SignedDuration::ZERO, end - WEEK));
                    }
                }
                Pause::Dated { from, until } => dated.push((from, until)),
            }
        }
        Self {
            zone,
            weekly: union(weekly),
            dated: union(dated),
        }
    }

    /// Whether the camera is wanted at that instant. Takes microseconds: who asks for each picture
    /// had better keep the answer up to [`next_change`](Self::next_change).
    #[must_use]
    pub fn is_wanted(&self, at: CaptureTime) -> bool {
        self.paused_to(at).is_none()
    }

    /// The next instant, after `at`, at which [`is_wanted`](Self::is_wanted) changes; nothing if
    /// it never does.
    #[must_use]
    pub fn next_change(&self, at: CaptureTime) -> Option<CaptureTime> {
        let Some(mut end) = self.paused_to(at) else {
            return self.next_pause(at);
        };
        if self.weekly == [(SignedDuration::ZERO, WEEK)] {
            return None;
        }
        while let Some(later) = self.paused_to(end) {
            end = later;
        }
        Some(end)
    }

    /// The latest end of the pauses that hold `at`.
    fn paused_to(&self, at: CaptureTime) -> Option<CaptureTime> {
        let pauses = self.weekly_near(at).chain(self.dated.iter().copied());
        let now = pauses.filter(|(begin, end)| (*begin..*end).contains(&at));
        now.map(|(_, end)| end).max()
    }

    /// The earliest begin of a pause after `at`.
    fn next_pause(&self, at: CaptureTime) -> Option<CaptureTime> {
        let pauses = self.weekly_near(at).chain(self.dated.iter().copied());
        let later = pauses.filter(|(begin, end)| at < *begin && begin < end);
        later.map(|(begin, _)| begin).min()
    }

    /// The weekly pauses from the week before `at` to two weeks after it. The week before counts
    /// where the clocks are put back at midnight, and the last one where they skip the only pause
    /// of the next.
    fn weekly_near(&self, at: CaptureTime) -> impl Iterator<Item = (CaptureTime, CaptureTime)> {
        let timestamp =
            Timestamp::from_nanosecond(at.unix_nanos().into()).unwrap_or(Timestamp::UNIX_EPOCH);
        let today = self.zone.to_datetime(timestamp).date();
        let midnight = Date::to_datetime(today, Time::midnight());
        let since_monday = DAY * i32::from(today.weekday().to_monday_zero_offset());
        (-1..=2).flat_map(move |week| {
            let monday = WEEK * week - since_monday;
            self.weekly.iter().filter_map(move |(begin, end)| {
                let begin = midnight.checked_add(monday + *begin).ok()?;
                let end = midnight.checked_add(monday + *end).ok()?;
                Some((first_pass(&self.zone, begin)?, last_pass(&self.zone, end)?))
            })
        })
    }
}

/// The first instant at which clocks in the zone show that time, or skip it. Nothing beyond the
/// years that [`CaptureTime`] holds.
pub(super) fn first_pass(zone: &TimeZone, civil: DateTime) -> Option<CaptureTime> {
    let ambiguous = zone.to_ambiguous_timestamp(civil);
    capture_time(match ambiguous.offset() {
        AmbiguousOffset::Gap { after, .. } => {
            // Read with the offset that follows, a skipped time lies before the change.
            let before = ambiguous.earlier().ok()?;
            let mut changes = zone.following(before);
            changes
                .find(|change| change.offset() == after)
                .map(|change| change.timestamp())?
        }
        _ => ambiguous.earlier().ok()?,
    })
}

/// The last instant at which clocks in the zone show that time, or skip it.
pub(super) fn last_pass(zone: &TimeZone, civil: DateTime) -> Option<CaptureTime> {
    let ambiguous = zone.to_ambiguous_timestamp(civil);
    match ambiguous.offset() {
        AmbiguousOffset::Gap { .. } => first_pass(zone, civil),
        _ => capture_time(ambiguous.later().ok()?),
    }
}

pub(super) fn capture_time(timestamp: Timestamp) -> Option<CaptureTime> {
    let nanos = i64::try_from(timestamp.as_nanosecond()).ok()?;
    Some(CaptureTime::from_unix_nanos(nanos))
}

fn since_midnight(time: Time) -> SignedDuration {
    time.duration_since(Time::midnight())
}

/// The same time in intervals that neither overlap nor touch, sorted; empty ones are left out.
fn union<T: Ord + Copy>(mut intervals: Vec<(T, T)>) -> Vec<(T, T)> {
    intervals.retain(|(begin, end)| begin < end);
    intervals.sort_unstable();
    let mut apart: Vec<(T, T)> = Vec::new();
    for (begin, end) in intervals {
        match apart.last_mut() {
            Some(last) if begin <= last.1 => last.1 = last.1.max(end),
            _ => apart.push((begin, end)),
        }
    }
    apart
}
