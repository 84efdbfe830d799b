//! At which instants a still is wanted.
//!
//! The readings of the site's clock that are wanted are midnight and each multiple of the interval
//! after it. Where the clocks are set, three rules keep every reading and a steady pace:
//!
//! - A reading that the clock skips is taken at the instant of the jump, once for all that it
//!   skips. With a short interval that instant is wanted anyhow.
//! - A reading that the clock shows twice is taken at the first of both; at the second too where the
//!   repeated time is at least one interval long. So a still each ten minutes goes on each ten
//!   minutes, and one a day stays one a day.
//! - No instant is wanted twice.
//!
//! Whether a reading is between the configured clock times, and on which day, is asked of the
//! reading, not of the instant: one that is skipped and taken at the jump stays wanted. A night's
//! hours after midnight are of the day on which that night began.

use forebay_plugin_sdk::Instant;
use forebay_sun::Place;
use jiff::civil::{Date, Weekday};
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{Timestamp, ToSpan};

use crate::settings::{Day, Settings};

const SECOND_NANOS: i64 = 1_000_000_000;
const DAY_NANOS: i64 = 86_400 * SECOND_NANOS;
/// Longest stretch that is looked at in one call: it bounds the work.
pub const STRETCH_NANOS_MAX: i64 = 3 * DAY_NANOS;

/// When stills are wanted.
#[derive(Debug, Clone)]
pub struct Schedule {
    zone: TimeZone,
    every_minutes: u32,
    /// First and last minute of the day.
    between: Option<(u32, u32)>,
    days: Option<Vec<Weekday>>,
    sun: Option<(Place, f64)>,
}

impl Schedule {
    /// `place` is where the site is: without it `sun_above` is not heeded, which
    /// [`Settings::checked`] refuses.
    #[must_use]
    pub fn new(settings: &Settings, zone: TimeZone, place: Option<Place>) -> Self {
        let days = settings.days.as_ref();
        Self {
            zone,
            every_minutes: settings.every_minutes.max(1),
            between: settings.between.map(|[a, b]| (a.minute(), b.minute())),
            days: days.map(|days| days.iter().copied().map(weekday).collect()),
            sun: place.zip(settings.sun_above),
        }
    }

    /// The site's.
    #[must_use]
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// The interval.
    #[must_use]
    pub fn every_nanos(&self) -> i64 {
        i64::from(self.every_minutes) * 60 * SECOND_NANOS
    }

    /// The instants that are wanted after `after` and up to `until`, in order. No more than
    /// [`STRETCH_NANOS_MAX`] after `after` are looked at.
    #[must_use]
    pub fn instants(&self, after: Instant, until: Instant) -> Vec<Instant> {
        let until = until.min(after.saturating_add(STRETCH_NANOS_MAX));
        if until <= after {
            return Vec::new();
        }
        // A clock that is set may show a reading up to a day before or after its own date's time.
        let date = |at: Instant| self.zone.to_datetime(timestamp(at)).date();
        let last = date(until.saturating_add(DAY_NANOS));
        let mut instants: Vec<Instant> = date(after.saturating_sub(DAY_NANOS))
            .series(1.day())
            .take_while(|date| *date <= last)
            .flat_map(|date| self.of_date(date))
            .filter(|at| after < *at && *at <= until && self.sun_is_up(*at))
            .collect();
        instants.sort_unstable();
        instants.dedup();
        instants
    }

    /// Whether a still may be taken at that instant because an earlier one was missed: at a reading
    /// of the clock and a height of the sun that are configured.
    #[must_use]
    pub fn is_open(&self, at: Instant) -> bool {
        let clock = self.zone.to_datetime(timestamp(at));
        let minute = clock.hour().unsigned_abs() as u32 * 60 + clock.minute().unsigned_abs() as u32;
        self.wants_reading(clock.date(), minute) && self.sun_is_up(at)
    }

    fn sun_is_up(&self, at: Instant) -> bool {
        self.sun.as_ref().is_none_or(|(place, above)| {
            forebay_sun::position(at, place).elevation_degrees >= *above
        })
    }

    fn wants_reading(&self, date: Date, minute: u32) -> bool {
        let date = match self.between {
            Some((from, to)) if from <= to => {
                if !(from..=to).contains(&minute) {
                    return false;
                }
                Some(date)
            }
            Some((from, _)) if minute >= from => Some(date),
            Some((_, to)) if minute <= to => date.yesterday().ok(),
            Some(_) => return false,
            None => Some(date),
        };
        let (Some(days), Some(date)) = (&self.days, date) else {
            return true;
        };
        days.contains(&date.weekday())
    }

    /// The instants of the readings of a date, in the order of the readings.
    fn of_date(&self, date: Date) -> impl Iterator<Item = Instant> {
        let minutes = (0..24 * 60).step_by(self.every_minutes as usize);
        let wanted = minutes.filter(move |minute| self.wants_reading(date, *minute));
        wanted.flat_map(move |minute| self.of_reading(date, minute))
    }

    fn of_reading(&self, date: Date, minute: u32) -> impl Iterator<Item = Instant> {
        let (hour, minute) = ((minute / 60) as i8, (minute % 60) as i8);
        let clock = date.at(hour, minute, 0, 0);
        let at = |offset: jiff::tz::Offset| offset.to_timestamp(clock).ok();
        let pair = match self.zone.to_ambiguous_timestamp(clock).offset() {
            AmbiguousOffset::Unambiguous { offset } => [at(offset), None],
            AmbiguousOffset::Fold { before, after } => {
                let repeated = before.seconds() - after.seconds();
                let again = i64::from(repeated) * SECOND_NANOS >= self.every_nanos();
                [at(before), at(after).filter(|_| again)]
            }
            // By the offset after the jump, a skipped reading is an instant before it.
            AmbiguousOffset::Gap { after, .. } => {
                let jump = at(after).and_then(|before| self.zone.following(before).next());
                [jump.map(|jump| jump.timestamp()), None]
            }
        };
        let nanos = |at: Timestamp| Instant::try_from(at.as_nanosecond()).ok();
        pair.into_iter().flatten().filter_map(nanos)
    }
}

/// Every instant has one: the range is wider than that of 64 bits of nanoseconds.
pub(crate) fn timestamp(at: Instant) -> Timestamp {
    Timestamp::from_nanosecond(i128::from(at)).unwrap_or_default()
}

fn weekday(day: Day) -> Weekday {
    match day {
        Day::Mon => Weekday::Monday,
        Day::Tue => Weekday::Tuesday,
        Day::Wed => Weekday::Wednesday,
        Day::Thu => Weekday::Thursday,
        Day::Fri => Weekday::Friday,
        Day::Sat => Weekday::Saturday,
        Day::Sun => Weekday::Sunday,
    }
}
