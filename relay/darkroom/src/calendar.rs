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
    /// In the order of the film. Those of a group of days follow each other as the sun comes round, and any
    /// day of theirs may come first.
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
            let count = days.len() as i128 * i128::from(DAY) / i128::from(nanos);
            let count = usize::try_from(count).unwrap_or(0).max(1);
            let slots = directions(wish, &days, count);
            return by_directions(days, slots);
        }
        Pace::Every(nanos) => usize::try_from(all / nanos.max(SECOND)).unwrap_or(0).max(1),
    };
    if !(1..=FRAMES_MAX).contains(&frames) {
        return Err(CalendarFault::Frames(frames));
    }
    if by_sun && frames < instants {
        // No direction is left out: it would be another one in winter than in summer. Days are put together
        // instead, as few as it takes; all of them, where there are fewer frames than directions.
        let most = days.len() * frames / instants;
        let fits = |slots: &Vec<Slot>| slots.len() <= frames;
        let mut fewer = (1..=most).rev().map(|count| directions(wish, &days, count));
        let slots = fewer.find(fits);
        let slots = slots.unwrap_or_else(|| directions(wish, &days, 1));
        return by_directions(days, slots);
    }
    if frames < days.len() {
        // A slot has several days: it wants the one in the middle, at the same time as ever.
        let slots = groups(&days, frames).map(|(group, middle)| {
            let noon = |(day, _): &Hours| day.begin + (day.end - day.begin) / 2;
            let wanted = nearest_first(group, middle).map(noon);
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
    let closest = closest(wish, &days, most_a_day);
    let mut slots: Vec<Slot> = Vec::new();
    let mut slots_a_day = a_day;
    for (day, instants) in &days {
        if by_sun {
            slots.extend(standing_slots(wish, instants));
            continue;
        }
        // By the sun a short day has fewer places than a long one.
        let a_day = match (closest, wish.pace) {
            (0, _) => a_day,
            (closest, Pace::Every(_)) => ((day.end - day.begin) / closest).max(1) as usize,
            (closest, Pace::Frames(_)) => {
                let room = ((day.end - day.begin) / closest).max(1);
                a_day.min(room as usize)
            }
        };
        slots_a_day = slots_a_day.max(a_day);
        slots.extend(day_slots(wish, day, (a_day, asked), most_a_day));
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
        slots_a_day,
        days: days.into_iter().map(|(day, _)| day).collect(),
    })
}

/// How near to each other two places of a day may be where the sun says how long it is: as near as was asked
/// for, and no nearer than frames of the material are on its better days. 0 where nothing is known, or the
/// clock says how long a day is.
fn closest(wish: &Wish, days: &[Hours], most_a_day: Option<usize>) -> i64 {
    if !matches!(wish.window, Window::SunAbove(_)) {
        return 0;
    }
    let mut lengths: Vec<i64> = days.iter().map(|(day, _)| day.end - day.begin).collect();
    lengths.sort_unstable();
    let long = lengths.get(lengths.len() * 9 / 10).copied().unwrap_or(0);
    let own = most_a_day.map_or(0, |most| long / most.max(1) as i64);
    match wish.pace {
        Pace::Every(nanos) => own.max(nanos).max(SECOND),
        Pace::Frames(_) => own,
    }
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

/// One day stands for others, in each of its directions: slots of so many groups of days, those of a group
/// in the order in which the sun comes round.
fn directions(wish: &Wish, days: &[Hours], count: usize) -> Vec<Slot> {
    let mut slots: Vec<Slot> = Vec::new();
    for (group, middle) in groups(days, count) {
        let mut directions: Vec<(usize, Vec<Instant>)> = Vec::new();
        for (_, found) in nearest_first(group, middle) {
            // Not each day has all directions: a new one comes behind the one before it on that day.
            let mut next = 0;
            for (direction, instant) in found {
                let mut known = directions.iter_mut().zip(1..);
                match known.find(|((own, _), _)| own == direction) {
                    Some(((_, wanted), behind)) => {
                        wanted.push(*instant);
                        next = behind;
                    }
                    None => {
                        directions.insert(next, (*direction, vec![*instant]));
                        next += 1;
                    }
                }
            }
        }
        let own = directions.into_iter();
        slots.extend(own.map(|(_, wanted)| grouped(wish, group, wanted)));
    }
    slots
}

fn by_directions(days: Vec<Hours>, slots: Vec<Slot>) -> Result<Calendar, CalendarFault> {
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
#[path = "calendar_tests.rs"]
mod tests;
