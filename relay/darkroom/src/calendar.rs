//! Which instants a film wants: days, the hours of each, and slots spread over them (pure).

use forebay_sun::Place;
use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;

/// Nanoseconds since 1970-01-01T00:00:00 UTC.
pub type Instant = i64;

const SECOND: i64 = 1_000_000_000;
const MINUTE: i64 = 60 * SECOND;
/// Days that are planned for at the most: a bound for what a wrong date may make of a plan.
pub const DAYS_MAX: usize = 366 * 30;
/// Frames of a film at the most: over five hours at 25 a second.
pub const FRAMES_MAX: usize = 500_000;
/// How far a frame may be from a wanted azimuth, or from the wanted time where a slot has several days.
const REACH_NANOS: i64 = 45 * MINUTE;

/// Which hours of a day are wanted.
#[derive(Debug, Clone, PartialEq)]
pub enum Window {
    /// From and until, by the site's clock; may go over midnight.
    Clock(Time, Time),
    /// While the middle of the sun's disc is at least so many degrees above the horizon.
    SunAbove(f64),
    /// When the sun stands in these directions, degrees from north over east: shadows keep theirs.
    Azimuth(Vec<f64>),
}

/// How many frames are wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// So many in all.
    Frames(usize),
    /// One each so many nanoseconds of the wanted hours.
    Every(i64),
}

/// What is wanted of the calendar.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// First day.
    pub first: Date,
    /// Last day, included.
    pub last: Date,
    /// Days of the week.
    pub days: Vec<Weekday>,
    /// Hours.
    pub window: Window,
    /// How many.
    pub pace: Pace,
    /// How far from the wanted instant a frame may be; half the distance of two where there is none.
    pub reach_nanos: Option<i64>,
}

/// A day with the hours that are wanted of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Day {
    /// Of the site's calendar.
    pub date: Date,
    /// When the wanted hours begin.
    pub begin: Instant,
    /// When they end, included.
    pub end: Instant,
}

/// A place in the film, and which instants would do for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slot {
    /// The first is the day that is wanted most; the others stand for it.
    pub wanted: Vec<Instant>,
    /// How far from one of these a frame may be.
    pub reach_nanos: i64,
}

/// Days and slots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calendar {
    /// Those that have wanted hours.
    pub days: Vec<Day>,
    /// In order.
    pub slots: Vec<Slot>,
    /// Slots of each day before what is too many was left out evenly; 0 where a slot has several days.
    pub slots_a_day: usize,
    /// Mean distance of two slots within the wanted hours.
    pub interval_nanos: i64,
}

/// Why there is no calendar.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalendarFault {
    /// The sun is asked for and the site has no position.
    #[error(
        "where the sun stands can only be told with a position: --latitude and --longitude, or those of \
         the site in the configuration"
    )]
    NoPlace,
    /// No day is left.
    #[error("of the days from {0} to {1} none has the wanted hours")]
    NoDays(Date, Date),
    /// Too long.
    #[error("from {0} to {1} there are more than {DAYS_MAX} days")]
    TooManyDays(Date, Date),
    /// Too many.
    #[error("{0} frames are wanted, and a film has 1 to {FRAMES_MAX}")]
    Frames(usize),
}

/// Makes days and slots. `most_a_day`: how many frames the material has on a day, where that is known:
/// more slots would only repeat.
///
/// # Errors
/// [`CalendarFault`].
pub fn calendar(
    wish: &Wish,
    zone: &TimeZone,
    place: Option<&Place>,
    most_a_day: Option<usize>,
) -> Result<Calendar, CalendarFault> {
    let days = days(wish, zone, place)?;
    let hours: Vec<i64> = days.iter().map(|(day, _)| day.end - day.begin).collect();
    let all: i64 = hours.iter().sum();
    let frames = match wish.pace {
        Pace::Frames(frames) => frames,
        Pace::Every(nanos) => usize::try_from(all / nanos.max(SECOND)).unwrap_or(0).max(1),
    };
    if !(1..=FRAMES_MAX).contains(&frames) {
        return Err(CalendarFault::Frames(frames));
    }
    let spread = |index: usize, of: usize, over: usize| index * over / of;
    if frames < days.len() {
        // A slot has several days: it wants the one in the middle, at the same time as ever.
        let slots = (0..frames).map(|index| {
            let (from, to) = (
                spread(index, frames, days.len()),
                spread(index + 1, frames, days.len()),
            );
            let middle = from + (to - from) / 2;
            let group = days.get(from..to).unwrap_or_default();
            let mut order: Vec<usize> = (from..to).collect();
            order.sort_by_key(|at| at.abs_diff(middle));
            let wanted = order.iter().filter_map(|at| group.get(at - from));
            let wanted = wanted.map(|(day, instants)| {
                let noon = day.begin + (day.end - day.begin) / 2;
                instants.get(instants.len() / 2).copied().unwrap_or(noon)
            });
            let shortest = group.iter().map(|(day, _)| day.end - day.begin).min();
            let reach = match wish.window {
                Window::Azimuth(_) => REACH_NANOS,
                _ => REACH_NANOS.min(shortest.unwrap_or(0) / 2),
            };
            Slot {
                wanted: wanted.collect(),
                reach_nanos: wish.reach_nanos.unwrap_or(reach),
            }
        });
        return Ok(Calendar {
            slots: slots.collect(),
            slots_a_day: 0,
            interval_nanos: all / frames as i64,
            days: days.into_iter().map(|(day, _)| day).collect(),
        });
    }
    let azimuths = days
        .iter()
        .map(|(_, instants)| instants.len())
        .max()
        .unwrap_or(0);
    let mut a_day = frames.div_ceil(days.len());
    let mut frames = frames;
    let most = if azimuths > 0 {
        Some(azimuths)
    } else {
        most_a_day
    };
    if let Some(most) = most.filter(|most| *most < a_day || azimuths > 0) {
        a_day = most.max(1);
    }
    let mut all_slots: Vec<Slot> = Vec::new();
    for (day, instants) in &days {
        if azimuths > 0 {
            let reach = wish.reach_nanos.unwrap_or(REACH_NANOS);
            all_slots.extend(instants.iter().map(|instant| Slot {
                wanted: vec![*instant],
                reach_nanos: reach,
            }));
            continue;
        }
        let length = day.end - day.begin;
        let step = length / a_day as i64;
        all_slots.extend((0..a_day as i64).map(|index| {
            Slot {
                wanted: vec![day.begin + index * step + step / 2],
                reach_nanos: wish
                    .reach_nanos
                    .unwrap_or(step / 2)
                    .min((step / 2).max(SECOND)),
            }
        }));
    }
    // The same times each day; what is more than wanted is left out evenly.
    let has = all_slots.len();
    frames = frames.min(has);
    let mut index = 0;
    all_slots.retain(|_| {
        let kept = spread(index + 1, has, frames) > spread(index, has, frames);
        index += 1;
        kept
    });
    Ok(Calendar {
        interval_nanos: all / frames.max(1) as i64,
        slots: all_slots,
        slots_a_day: a_day,
        days: days.into_iter().map(|(day, _)| day).collect(),
    })
}

/// A day and, by azimuth, its wanted instants.
type Hours = (Day, Vec<Instant>);

fn days(wish: &Wish, zone: &TimeZone, place: Option<&Place>) -> Result<Vec<Hours>, CalendarFault> {
    let (first, last) = (wish.first, wish.last);
    if first.until(last).map_or(0, |span| span.get_days()) as usize >= DAYS_MAX {
        return Err(CalendarFault::TooManyDays(first, last));
    }
    let mut days = Vec::new();
    let mut date = first;
    while date <= last {
        if wish.days.contains(&date.weekday())
            && let Some(day) = hours(date, wish, zone, place)?
        {
            days.push(day);
        }
        match date.tomorrow() {
            Ok(next) => date = next,
            Err(_) => break,
        }
    }
    match days.is_empty() {
        true => Err(CalendarFault::NoDays(first, last)),
        false => Ok(days),
    }
}

fn instant(date: Date, time: Time, zone: &TimeZone) -> Option<Instant> {
    // A clock time that is skipped is taken at the jump, one that comes twice the first time.
    let zoned = zone
        .to_ambiguous_zoned(date.to_datetime(time))
        .compatible()
        .ok()?;
    i64::try_from(zoned.timestamp().as_nanosecond()).ok()
}

fn hours(
    date: Date,
    wish: &Wish,
    zone: &TimeZone,
    place: Option<&Place>,
) -> Result<Option<Hours>, CalendarFault> {
    let tomorrow = date.tomorrow().unwrap_or(date);
    let midnight = |date| instant(date, Time::midnight(), zone);
    let (Some(begin), Some(end)) = (midnight(date), midnight(tomorrow)) else {
        return Ok(None);
    };
    let day = |begin, end| Day { date, begin, end };
    match &wish.window {
        Window::Clock(from, until) => {
            let last = if until > from { date } else { tomorrow };
            let both = instant(date, *from, zone).zip(instant(last, *until, zone));
            Ok(both
                .filter(|(from, until)| from < until)
                .map(|(f, u)| (day(f, u), Vec::new())))
        }
        Window::SunAbove(degrees) => {
            let place = place.ok_or(CalendarFault::NoPlace)?;
            let above = |at| forebay_sun::position(at, place).elevation_degrees - degrees;
            Ok(daylight(begin, end, &above).map(|(begin, end)| (day(begin, end), Vec::new())))
        }
        Window::Azimuth(azimuths) => {
            let place = place.ok_or(CalendarFault::NoPlace)?;
            let mut found: Vec<Instant> = azimuths
                .iter()
                .filter_map(|azimuth| standing(begin, end, *azimuth, place))
                .collect();
            found.sort_unstable();
            found.dedup();
            let both = found.first().copied().zip(found.last().copied());
            Ok(both.map(|(first, last)| (day(first, last), found)))
        }
    }
}

/// The stretch around the highest of a day's values in which they are not negative.
fn daylight(
    begin: Instant,
    end: Instant,
    above: &dyn Fn(Instant) -> f64,
) -> Option<(Instant, Instant)> {
    const STEP: i64 = 10 * MINUTE;
    let steps = (end - begin) / STEP;
    let lit = |index: &i64| above(begin + index * STEP) >= 0.0;
    let first = (0..=steps).find(lit)?;
    let last = (0..=steps).rev().find(lit)?;
    let edge = |dark: Instant, light: Instant| {
        let (mut dark, mut light) = (dark, light);
        while (light - dark).abs() > SECOND {
            let middle = dark + (light - dark) / 2;
            if above(middle) >= 0.0 {
                light = middle
            } else {
                dark = middle
            }
        }
        light
    };
    let at = |index: i64| begin + index * STEP;
    let rise = if first == 0 {
        begin
    } else {
        edge(at(first - 1), at(first))
    };
    let set = if last == steps {
        end
    } else {
        edge(at(last + 1), at(last))
    };
    Some((rise, set))
}

/// When, of a day, the sun stands in a direction, above the horizon.
fn standing(begin: Instant, end: Instant, azimuth: f64, place: &Place) -> Option<Instant> {
    const STEP: i64 = 10 * MINUTE;
    // How far the sun is past the direction, -180 to 180.
    let past = |at: Instant| {
        let turned = forebay_sun::position(at, place).azimuth_degrees - azimuth;
        (turned + 180.0).rem_euclid(360.0) - 180.0
    };
    let up = |at: Instant| forebay_sun::position(at, place).elevation_degrees > -0.833;
    let mut at = begin;
    let mut before = past(begin);
    while at < end {
        let next = (at + STEP).min(end);
        let after = past(next);
        // Where it jumps from 180 to -180 the sun stands in the opposite direction.
        if before.signum() != after.signum() && (before - after).abs() < 180.0 {
            let (mut low, mut high) = (at, next);
            while high - low > SECOND {
                let middle = low + (high - low) / 2;
                if past(middle).signum() == before.signum() {
                    low = middle
                } else {
                    high = middle
                }
            }
            if up(high) {
                return Some(high);
            }
        }
        (at, before) = (next, after);
    }
    None
}

#[cfg(test)]
mod tests {
    use jiff::civil::{date, time};

    use super::*;

    const ALL: [Weekday; 7] = [
        Weekday::Monday,
        Weekday::Tuesday,
        Weekday::Wednesday,
        Weekday::Thursday,
        Weekday::Friday,
        Weekday::Saturday,
        Weekday::Sunday,
    ];

    fn wish(window: Window, pace: Pace) -> Wish {
        Wish {
            first: date(2026, 1, 1),
            last: date(2026, 12, 31),
            days: ALL.to_vec(),
            window,
            pace,
            reach_nanos: None,
        }
    }

    fn oslo() -> TimeZone {
        TimeZone::get("Europe/Oslo").unwrap()
    }

    #[test]
    fn a_film_has_as_many_frames_as_were_asked_for_at_the_same_times_each_day() {
        for frames in [1, 7, 365, 366, 1000, 4500] {
            let clock = Window::Clock(time(8, 0, 0, 0), time(17, 0, 0, 0));
            let wish = wish(clock, Pace::Frames(frames));
            let calendar = calendar(&wish, &oslo(), None, None).unwrap();
            assert_eq!(calendar.slots.len(), frames);
            assert_eq!(calendar.days.len(), 365);
            let mut times: Vec<_> = calendar
                .slots
                .iter()
                .map(|slot| {
                    let at = jiff::Timestamp::from_nanosecond(slot.wanted[0].into()).unwrap();
                    at.to_zoned(oslo()).time()
                })
                .collect();
            times.sort_unstable();
            times.dedup();
            assert!(times.len() <= frames.div_ceil(365), "{frames}: {times:?}");
            assert!(calendar.slots.is_sorted_by_key(|slot| slot.wanted[0]));
        }
    }

    /// N = days · hours · 3600 / interval, the formula of the guide.
    #[test]
    fn an_interval_tells_the_length() {
        let clock = Window::Clock(time(7, 0, 0, 0), time(17, 0, 0, 0));
        let mut wish = wish(clock, Pace::Every(10 * MINUTE));
        wish.last = date(2027, 12, 31);
        let calendar = calendar(&wish, &oslo(), None, None).unwrap();
        assert_eq!(calendar.slots.len(), 730 * 10 * 6);
    }

    /// The sun is in the south when it is highest, within the minutes of the equation of time.
    #[test]
    fn an_azimuth_of_180_is_noon_by_the_sun() {
        let place = Place::new(59.91, 10.75);
        let wish = wish(Window::Azimuth(vec![180.0]), Pace::Frames(10_000));
        let calendar = calendar(&wish, &oslo(), Some(&place), None).unwrap();
        assert_eq!(calendar.slots.len(), 365);
        for slot in &calendar.slots {
            let at = slot.wanted[0];
            let height = |at| forebay_sun::position(at, &place).elevation_degrees;
            assert!(height(at) + 0.01 > height(at - 20 * MINUTE).max(height(at + 20 * MINUTE)));
            assert!((forebay_sun::position(at, &place).azimuth_degrees - 180.0).abs() < 0.02);
        }
    }

    #[test]
    fn days_without_the_sun_that_is_wanted_have_no_slot() {
        let place = Place::new(59.91, 10.75);
        let wish = wish(Window::SunAbove(10.0), Pace::Frames(4500));
        let calendar = calendar(&wish, &oslo(), Some(&place), None).unwrap();
        // At the winter solstice the sun reaches 90 − 59.91 − 23.44 = 6.65°.
        assert!(
            calendar
                .days
                .iter()
                .all(|day| day.date != date(2026, 12, 21))
        );
        assert!(
            calendar
                .days
                .iter()
                .any(|day| day.date == date(2026, 6, 21))
        );
        for slot in &calendar.slots {
            let position = forebay_sun::position(slot.wanted[0], &place);
            assert!(position.elevation_degrees >= 9.99);
        }
        assert!(matches!(
            super::calendar(&wish, &oslo(), None, None),
            Err(CalendarFault::NoPlace)
        ));
    }

    #[test]
    fn more_than_the_material_has_is_not_wanted() {
        let clock = Window::Clock(time(8, 0, 0, 0), time(17, 0, 0, 0));
        let wish = wish(clock, Pace::Frames(4500));
        let calendar = calendar(&wish, &oslo(), None, Some(3)).unwrap();
        assert_eq!(calendar.slots.len(), 3 * 365);
    }
}
