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
/// How far outside of the wanted hours a frame may be: pictures of round times are taken a little before or
/// after these.
const MARGIN_NANOS: i64 = MINUTE;
const DAY: i64 = 24 * 60 * MINUTE;

/// Which hours of a day are wanted.
#[derive(Debug, Clone, PartialEq)]
pub enum Window {
    /// From and until, by the site's clock; may go over midnight.
    Clock(Time, Time),
    /// While the middle of the sun's disc is at least so many degrees above the horizon.
    SunAbove(f64),
    /// When the sun stands in these directions, degrees from north over east: shadows keep theirs. A day
    /// has instants then, and no hours.
    Azimuth(Vec<f64>),
}

/// How many frames are wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// So many in all.
    Frames(usize),
    /// One each so many nanoseconds of the wanted hours. Of [`Window::Azimuth`]: each instant where that is
    /// a day or less; else the days are put together by so many, and one stands for the others.
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
    /// No frame before the first or behind the second of these: a place at the edge of the wanted hours
    /// doesn't reach out of them.
    pub hours: (Instant, Instant),
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
    /// There is no such time.
    #[error("the last day, {1}, is before the first, {0}")]
    Reversed(Date, Date),
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
    let all: i64 = days.iter().map(|(day, _)| day.end - day.begin).sum();
    let by_sun = matches!(wish.window, Window::Azimuth(_));
    let instants: usize = days.iter().map(|(_, instants)| instants.len()).sum();
    let frames = match wish.pace {
        Pace::Frames(frames) => frames,
        // A day is as long as it is: the sun comes round in a little more or less.
        Pace::Every(nanos) if by_sun && nanos <= DAY => instants,
        Pace::Every(nanos) if by_sun => {
            return by_days(wish, days, nanos);
        }
        Pace::Every(nanos) => usize::try_from(all / nanos.max(SECOND)).unwrap_or(0).max(1),
    };
    if !(1..=FRAMES_MAX).contains(&frames) {
        return Err(CalendarFault::Frames(frames));
    }
    if frames < days.len() {
        // A slot has several days: it wants the one in the middle, at the same time as ever.
        let slots = groups(&days, frames).map(|(group, middle)| {
            let wanted = nearest_first(group, middle).map(|(day, instants)| {
                let noon = day.begin + (day.end - day.begin) / 2;
                let middle = instants.get(instants.len() / 2);
                middle.map_or(noon, |(_, instant)| *instant)
            });
            grouped(wish, group, wanted.collect())
        });
        return Ok(Calendar {
            slots: slots.collect(),
            slots_a_day: 0,
            interval_nanos: all / frames as i64,
            days: days.into_iter().map(|(day, _)| day).collect(),
        });
    }
    let asked = frames.div_ceil(days.len());
    let a_day = match most_a_day {
        _ if by_sun => {
            let counts = days.iter().map(|(_, instants)| instants.len());
            counts.max().unwrap_or(0).max(1)
        }
        Some(most) => asked.min(most.max(1)),
        None => asked,
    };
    let mut slots: Vec<Slot> = Vec::new();
    for (day, instants) in &days {
        match by_sun {
            true => slots.extend(standing_slots(wish, instants)),
            false => slots.extend(day_slots(wish, day, (a_day, asked), most_a_day)),
        }
    }
    // The same times each day; what is more than wanted is left out evenly.
    let has = slots.len();
    let frames = frames.min(has);
    let mut index = 0;
    slots.retain(|_| {
        let kept = spread(index + 1, has, frames) > spread(index, has, frames);
        index += 1;
        kept
    });
    Ok(Calendar {
        interval_nanos: all / frames.max(1) as i64,
        slots,
        slots_a_day: a_day,
        days: days.into_iter().map(|(day, _)| day).collect(),
    })
}

fn spread(index: usize, of: usize, over: usize) -> usize {
    index * over / of.max(1)
}

/// Days in so many groups, each with the number of its day in the middle.
fn groups(days: &[Hours], count: usize) -> impl Iterator<Item = (&[Hours], usize)> {
    (0..count).map(move |index| {
        let from = spread(index, count, days.len());
        let to = spread(index + 1, count, days.len());
        (days.get(from..to).unwrap_or_default(), (to - from) / 2)
    })
}

fn nearest_first(group: &[Hours], middle: usize) -> impl Iterator<Item = &Hours> {
    let mut order: Vec<usize> = (0..group.len()).collect();
    order.sort_by_key(|at| at.abs_diff(middle));
    order.into_iter().filter_map(|at| group.get(at))
}

/// A slot that has several days.
fn grouped(wish: &Wish, group: &[Hours], wanted: Vec<Instant>) -> Slot {
    let shortest = group.iter().map(|(day, _)| day.end - day.begin).min();
    let reach = match wish.window {
        Window::Azimuth(_) => REACH_NANOS,
        _ => REACH_NANOS.min(shortest.unwrap_or(0) / 2),
    };
    let reach = wish.reach_nanos.unwrap_or(reach);
    let ends = wanted.iter().min().zip(wanted.iter().max());
    Slot {
        reach_nanos: reach,
        hours: ends.map_or((0, 0), |(first, last)| (first - reach, last + reach)),
        wanted,
    }
}

/// One day stands for others, in each of its directions.
fn by_days(wish: &Wish, days: Vec<Hours>, nanos: i64) -> Result<Calendar, CalendarFault> {
    let count = (days.len() as i128 * i128::from(DAY) / i128::from(nanos.max(DAY))).max(1);
    let count = usize::try_from(count).unwrap_or(1);
    let mut slots: Vec<Slot> = Vec::new();
    for (group, middle) in groups(&days, count) {
        let mut directions: Vec<(usize, Vec<Instant>)> = Vec::new();
        for (direction, instant) in nearest_first(group, middle).flat_map(|(_, found)| found) {
            match directions.iter_mut().find(|(own, _)| own == direction) {
                Some((_, wanted)) => wanted.push(*instant),
                None => directions.push((*direction, vec![*instant])),
            }
        }
        let own = directions.into_iter();
        slots.extend(own.map(|(_, wanted)| grouped(wish, group, wanted)));
    }
    slots.sort_by_key(|slot| slot.wanted.first().copied());
    if !(1..=FRAMES_MAX).contains(&slots.len()) {
        return Err(CalendarFault::Frames(slots.len()));
    }
    Ok(Calendar {
        slots,
        slots_a_day: 0,
        interval_nanos: 0,
        days: days.into_iter().map(|(day, _)| day).collect(),
    })
}

/// Those of a day on which the sun stands in some directions.
fn standing_slots(wish: &Wish, instants: &[(usize, Instant)]) -> impl Iterator<Item = Slot> {
    let at = |index: Option<usize>| instants.get(index?).map(|(_, instant)| *instant);
    instants
        .iter()
        .enumerate()
        .map(move |(index, (_, wanted))| {
            let before = at(index.checked_sub(1)).map(|before| wanted - before);
            let behind = at(index.checked_add(1)).map(|behind| behind - wanted);
            let nearest = before.into_iter().chain(behind).min();
            let reach = wish.reach_nanos.unwrap_or(REACH_NANOS);
            let reach = nearest.map_or(reach, |nearest| reach.min((nearest / 2).max(SECOND)));
            Slot {
                wanted: vec![*wanted],
                reach_nanos: reach,
                hours: (wanted - reach, wanted + reach),
            }
        })
}

/// `a_day` slots of a day's hours, where `asked` were wanted and the material has `most`.
///
/// Pictures are mostly taken at round times. A place in the film must not end just there: by a second
/// more or less it would have two of them, or none.
fn day_slots(
    wish: &Wish,
    day: &Day,
    (a_day, asked): (usize, usize),
    most: Option<usize>,
) -> Vec<Slot> {
    let length = day.end - day.begin;
    let count = a_day as i64;
    let by_clock = matches!(wish.window, Window::Clock(..));
    let (step, offset, count) = match wish.pace {
        // A single one is in the middle.
        _ if a_day <= 1 => (length, length / 2, 1),
        // By the sun no time is round; and the begin is the darkest of it.
        _ if !by_clock => (length / count, length / count / 2, count),
        // From the first picture to the last: that is how many were counted.
        _ if a_day < asked => (length / (count - 1), 0, count),
        Pace::Every(nanos) => {
            let step = nanos.max(SECOND);
            (step, 0, length / step + i64::from(length % step > 0))
        }
        // There are several pictures for each place: it is in the middle of its part of the day.
        Pace::Frames(_) if most.is_some_and(|most| most / 2 >= a_day) => {
            (length / count, length / count / 2, count)
        }
        Pace::Frames(_) => (length / count, 0, count),
    };
    let half = step / 2;
    let reach = wish.reach_nanos.unwrap_or(half).min(half.max(SECOND));
    let slots = (0..count).map(|index| Slot {
        wanted: vec![day.begin + index * step + offset],
        reach_nanos: reach,
        hours: (day.begin - MARGIN_NANOS, day.end + MARGIN_NANOS),
    });
    slots.collect()
}

/// A day and, by azimuth, its wanted instants, each with the number of its direction.
type Hours = (Day, Vec<(usize, Instant)>);

fn days(wish: &Wish, zone: &TimeZone, place: Option<&Place>) -> Result<Vec<Hours>, CalendarFault> {
    let (first, last) = (wish.first, wish.last);
    if last < first {
        return Err(CalendarFault::Reversed(first, last));
    }
    let span = first.until(last).map_or(0, |span| span.get_days());
    if usize::try_from(span).unwrap_or(0) >= DAYS_MAX {
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
            let Some(noon) = solar_noon(date, wish.first, zone, place) else {
                return Ok(None);
            };
            Ok(daylight(noon, &above).map(|(begin, end)| (day(begin, end), Vec::new())))
        }
        Window::Azimuth(azimuths) => {
            let place = place.ok_or(CalendarFault::NoPlace)?;
            let mut found: Vec<(usize, Instant)> = azimuths
                .iter()
                .zip(0..)
                .filter_map(|(azimuth, number)| {
                    Some((number, standing(begin, end, *azimuth, place)?))
                })
                .collect();
            found.sort_by_key(|(_, instant)| *instant);
            found.dedup_by_key(|(_, instant)| *instant);
            let both = found.first().copied().zip(found.last().copied());
            Ok(both.map(|((_, first), (_, last))| (day(first, last), found)))
        }
    }
}

/// The mean sun's noon that belongs to a date. A zone may have its midnight in broad daylight, as UTC has
/// in Australia and America; so the noons are counted, and each date has one.
fn solar_noon(date: Date, first: Date, zone: &TimeZone, place: &Place) -> Option<Instant> {
    let by_utc = |date| instant(date, Time::midnight(), &TimeZone::UTC);
    let east = (place.longitude_degrees / 360.0 * DAY as f64) as i64;
    // The nearest to twelve o'clock by the site's clock, on the first day; the others are whole days off.
    let late = by_utc(first)? - east - instant(first, Time::midnight(), zone)?;
    let whole_days = (late + DAY / 2).div_euclid(DAY);
    Some(by_utc(date)? + DAY / 2 - east - whole_days * DAY)
}

/// The stretch around the highest value of half a day before and behind an instant in which they are not
/// negative.
fn daylight(noon: Instant, above: &dyn Fn(Instant) -> f64) -> Option<(Instant, Instant)> {
    const STEP: i64 = 10 * MINUTE;
    const SIDE: i64 = DAY / 2 / STEP;
    let at = |index: i64| noon + index * STEP;
    let values: Vec<(i64, f64)> = (-SIDE..=SIDE).map(|i| (i, above(at(i)))).collect();
    let (highest, _) = *values
        .iter()
        .filter(|(_, value)| *value >= 0.0)
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let dark = |(index, value): &(i64, f64)| (*value < 0.0).then_some(*index);
    let before = values.iter().filter(|(index, _)| *index < highest);
    let behind = values.iter().filter(|(index, _)| *index > highest);
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
    let rise = before.rev().find_map(dark);
    let rise = rise.map_or(at(-SIDE), |index| edge(at(index), at(index + 1)));
    let set = behind.into_iter().find_map(dark);
    let set = set.map_or(at(SIDE), |index| edge(at(index), at(index - 1)));
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

    /// The table of the guide, and a window over the nights on which clocks are set.
    #[test]
    fn an_interval_has_round_times() {
        let clock =
            |from: i8, until: i8| Window::Clock(time(from, 0, 0, 0), time(until % 24, 0, 0, 0));
        for (days, (from, until), every, frames) in [
            (730, (7, 17), 10, 43_800),
            (300, (9, 17), 60, 2_400),
            (30, (8, 17), 5, 3_240),
            (365, (0, 24), 10, 365 * 144),
            (365, (8, 17), 7, 365 * 540 / 7),
        ] {
            let mut wish = wish(clock(from, until), Pace::Every(every * MINUTE));
            wish.last = wish.first + jiff::Span::new().days(days - 1);
            let calendar = calendar(&wish, &oslo(), None, None).unwrap();
            assert_eq!(calendar.slots.len(), frames as usize);
            for slot in &calendar.slots {
                let day = calendar
                    .days
                    .partition_point(|day| day.begin <= slot.wanted[0]);
                let day = calendar.days[day - 1];
                assert!(slot.wanted[0] < day.end);
                assert_eq!((slot.wanted[0] - day.begin) % (every * MINUTE), 0);
            }
        }
    }

    /// Times of pictures, each so many minutes, up to a second too early or too late, the same each run.
    fn jittered(calendar: &Calendar, every: i64, early: i64, late: i64) -> Vec<Instant> {
        let mut times = Vec::new();
        let mut seed = 1u64;
        for day in &calendar.days {
            for nth in 0..=(day.end - day.begin) / every {
                seed = seed
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(99);
                let off = early + (seed >> 33) as i64 % (late - early + 1);
                times.push(day.begin + nth * every + off);
            }
        }
        times.sort_unstable();
        times
    }

    fn within(times: &[Instant], day: &Day) -> usize {
        times
            .iter()
            .filter(|at| (day.begin..=day.end).contains(at))
            .count()
    }

    fn check_shares(calendar: &Calendar, times: &[Instant]) -> usize {
        let shared = crate::choose::shared_out(times, &calendar.slots);
        let mut all: Vec<usize> = shared.iter().flatten().copied().collect();
        let has = all.len();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), has, "a picture is in two places");
        shared.iter().filter(|own| own.is_empty()).count()
    }

    #[test]
    fn pictures_that_come_a_little_early_or_late_leave_no_place_empty() {
        let clock = Window::Clock(time(8, 0, 0, 0), time(18, 0, 0, 0));
        for (early, late) in [
            (-SECOND, SECOND),
            (0, 2 * SECOND),
            (-2 * SECOND, -1),
            (0, 0),
        ] {
            for (pace, every) in [
                (Pace::Every(10 * MINUTE), 10),
                (Pace::Frames(90 * 60), 10),
                (Pace::Frames(5_000), 10),
                (Pace::Frames(1100), 10),
                // More than there are.
                (Pace::Every(5 * MINUTE), 10),
                (Pace::Every(10 * MINUTE), 60),
                (Pace::Frames(25_000), 10),
            ] {
                let mut wish = wish(clock.clone(), pace);
                wish.last = date(2026, 3, 31);
                let calendar = |most| super::calendar(&wish, &oslo(), None, most).unwrap();
                let first = calendar(None);
                let times = jittered(&first, every * MINUTE, early, late);
                let mut counts: Vec<usize> =
                    first.days.iter().map(|day| within(&times, day)).collect();
                counts.sort_unstable();
                let second = calendar(Some(counts[counts.len() * 9 / 10]));
                let empty = check_shares(&second, &times);
                assert_eq!(empty, 0, "{pace:?} {every} {early} {late}");
                if pace == Pace::Every(every * MINUTE) {
                    let shared = crate::choose::shared_out(&times, &second.slots);
                    for (slot, own) in second.slots.iter().zip(shared) {
                        let far = |index: &usize| (times[*index] - slot.wanted[0]).abs();
                        assert!(own.iter().any(|index| far(index) <= 2 * SECOND));
                    }
                }
            }
        }
    }

    /// A place at eight o'clock doesn't take what was before.
    #[test]
    fn places_keep_within_the_hours() {
        let clock = Window::Clock(time(8, 0, 0, 0), time(17, 0, 0, 0));
        let wish = wish(clock, Pace::Every(60 * MINUTE));
        let calendar = calendar(&wish, &oslo(), None, None).unwrap();
        let day = calendar.days[0];
        let times: Vec<Instant> = (-6..60)
            .map(|tens| day.begin + tens * 10 * MINUTE)
            .collect();
        let shared = crate::choose::shared_out(&times, &calendar.slots);
        // 8:00, 8:10, 8:20, and 8:30, which is as near to nine.
        assert_eq!(shared[0], [6, 7, 8, 9]);
        assert_eq!(shared[1], [10, 11, 12, 13, 14, 15]);
    }

    #[test]
    fn directions_near_each_other_share_no_picture() {
        let place = Place::new(59.91, 10.75);
        let azimuths = vec![170.0, 175.0, 180.0, 270.0];
        let wish = wish(Window::Azimuth(azimuths), Pace::Every(DAY));
        let calendar = calendar(&wish, &oslo(), Some(&place), None).unwrap();
        for two in calendar.slots.windows(2) {
            let apart = two[1].wanted[0] - two[0].wanted[0];
            assert!(two[0].reach_nanos + two[1].reach_nanos <= apart);
        }
        let begin = calendar.days[0].begin - 120 * MINUTE;
        let times: Vec<Instant> = (0..365 * 720).map(|nth| begin + nth * 2 * MINUTE).collect();
        assert_eq!(check_shares(&calendar, &times), 0);
    }

    #[test]
    fn directions_are_wanted_each_day_or_one_of_some_days() {
        let place = Place::new(59.91, 10.75);
        for (azimuths, nanos, frames) in [
            (vec![180.0], DAY, 365),
            (vec![180.0], 10 * MINUTE, 365),
            (vec![150.0, 180.0, 200.0], DAY, 3 * 365),
            (vec![180.0], 7 * DAY, 52),
            (vec![150.0, 180.0, 200.0], 7 * DAY, 3 * 52),
            (vec![180.0], 1000 * DAY, 1),
        ] {
            let wish = wish(Window::Azimuth(azimuths), Pace::Every(nanos));
            let calendar = calendar(&wish, &oslo(), Some(&place), None).unwrap();
            assert_eq!(calendar.slots.len(), frames, "{nanos}");
            assert!(calendar.slots.is_sorted_by_key(|slot| slot.wanted[0]));
            let stood: usize = calendar.slots.iter().map(|slot| slot.wanted.len()).sum();
            assert_eq!(stood % 365, 0);
            // All of a slot are the same direction.
            for slot in &calendar.slots {
                let turned = |at| forebay_sun::position(at, &place).azimuth_degrees;
                let own = turned(slot.wanted[0]);
                assert!(slot.wanted.iter().all(|at| (turned(*at) - own).abs() < 0.1));
            }
        }
    }

    #[test]
    fn a_last_day_before_the_first_is_said() {
        let clock = Window::Clock(time(8, 0, 0, 0), time(17, 0, 0, 0));
        let mut wish = wish(clock, Pace::Frames(10));
        wish.last = date(2025, 12, 31);
        let fault = calendar(&wish, &oslo(), None, None).unwrap_err();
        assert_eq!(fault, CalendarFault::Reversed(wish.first, wish.last));
        assert_eq!(
            fault.to_string(),
            "the last day, 2025-12-31, is before the first, 2026-01-01"
        );
        wish.last = date(2099, 12, 31);
        assert!(matches!(
            calendar(&wish, &oslo(), None, None),
            Err(CalendarFault::TooManyDays(..))
        ));
    }

    /// The day is where the site is, whatever clock is told to be its.
    #[test]
    fn daylight_does_not_end_at_the_midnight_of_another_place() {
        for (latitude, longitude, own) in [
            (-33.9, 151.2, "Australia/Sydney"),
            (40.7, -74.0, "America/New_York"),
            (34.05, -118.24, "America/Los_Angeles"),
            (1.87, -157.4, "Pacific/Kiritimati"),
            (-17.8, 178.0, "Pacific/Fiji"),
        ] {
            let place = Place::new(latitude, longitude);
            let wish = wish(Window::SunAbove(10.0), Pace::Frames(5000));
            let of = |zone: &TimeZone| {
                let calendar = calendar(&wish, zone, Some(&place), None).unwrap();
                assert_eq!(calendar.days.len(), 365, "{own}");
                for slot in &calendar.slots {
                    let up = forebay_sun::position(slot.wanted[0], &place).elevation_degrees;
                    assert!(up > 9.99, "{own} {up}");
                }
                for two in calendar.days.windows(2) {
                    let apart = (two[1].begin - two[0].begin - DAY).abs();
                    assert!(apart < 10 * MINUTE, "{own}");
                }
                calendar
                    .days
                    .iter()
                    .map(|day| day.end - day.begin)
                    .sum::<i64>() as f64
            };
            let (utc, own) = (of(&TimeZone::UTC), of(&TimeZone::get(own).unwrap()));
            assert!((utc / own - 1.0).abs() < 0.001, "{utc} {own}");
        }
    }

    #[test]
    fn a_polar_day_is_whole_and_a_polar_night_is_none() {
        let place = Place::new(69.65, 18.96);
        let wish = wish(Window::SunAbove(0.0), Pace::Frames(5000));
        for zone in [
            oslo(),
            TimeZone::UTC,
            TimeZone::get("America/New_York").unwrap(),
        ] {
            let calendar = calendar(&wish, &zone, Some(&place), None).unwrap();
            let of = |wanted| calendar.days.iter().find(|day| day.date == wanted);
            assert!(of(date(2026, 12, 21)).is_none());
            assert!(of(date(2026, 6, 21)).is_some_and(|day| day.end - day.begin == DAY));
            assert!(
                calendar
                    .days
                    .windows(2)
                    .all(|two| two[0].end <= two[1].begin)
            );
        }
    }
}
