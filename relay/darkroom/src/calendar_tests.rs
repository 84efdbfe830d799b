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

/// Places of each day, by the day's length.
fn by_length(calendar: &Calendar) -> Vec<(i64, usize)> {
    let of = |day: &Day| {
        let wanted = calendar.slots.iter().map(|slot| slot.wanted[0]);
        let own = wanted.filter(|wanted| (day.begin..=day.end).contains(wanted));
        (day.end - day.begin, own.count())
    };
    calendar.days.iter().map(of).collect()
}

#[test]
fn a_short_day_by_the_sun_has_no_more_places_than_pictures() {
    let place = Place::new(59.91, 10.75);
    let wanted = wish(Window::SunAbove(10.0), Pace::Frames(4500));
    let free = calendar(&wanted, &oslo(), Some(&place), None).unwrap();
    // A picture each 10 minutes.
    let mut lengths: Vec<i64> = free.days.iter().map(|day| day.end - day.begin).collect();
    lengths.sort_unstable();
    let most = (lengths[lengths.len() * 9 / 10] / (10 * MINUTE)) as usize;
    let own = calendar(&wanted, &oslo(), Some(&place), Some(most)).unwrap();
    assert_eq!(own.slots_a_day, free.slots_a_day);
    let mut short = 0;
    for (length, places) in by_length(&own) {
        let room = (length / (10 * MINUTE)).max(1) as usize;
        assert!(places <= room, "{places} places in {} min", length / MINUTE);
        match room < own.slots_a_day {
            true => short += 1,
            // What is more than wanted is left out evenly: one of a day, now and then.
            false => assert!(
                places + 2 >= own.slots_a_day,
                "{places} of {}",
                own.slots_a_day
            ),
        }
    }
    assert!(short > 10, "{short} short days");

    // Each half hour: as many as a day has room for.
    let every = wish(Window::SunAbove(10.0), Pace::Every(30 * MINUTE));
    let own = calendar(&every, &oslo(), Some(&place), Some(most)).unwrap();
    let mut off = 0;
    for (length, places) in by_length(&own) {
        let room = (length / (30 * MINUTE)).max(1) as usize;
        assert!(places <= room && places + 1 >= room, "{places} of {room}");
        off += room - places;
    }
    assert!(off < 10, "{off}");
    assert!(own.slots_a_day > 25, "{}", own.slots_a_day);
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
    let clock = |from: i8, until: i8| Window::Clock(time(from, 0, 0, 0), time(until % 24, 0, 0, 0));
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
            let mut counts: Vec<usize> = first.days.iter().map(|day| within(&times, day)).collect();
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

/// The azimuth of each slot's sun, to a degree.
fn azimuths_of(calendar: &Calendar, place: &Place) -> Vec<i64> {
    let azimuth = |at| forebay_sun::position(at, place).azimuth_degrees.round() as i64;
    let slots = calendar.slots.iter();
    slots
        .map(|slot| {
            let own = azimuth(slot.wanted[0]);
            assert!(slot.wanted.iter().all(|at| azimuth(*at) == own));
            own
        })
        .collect()
}

#[test]
fn a_film_of_few_frames_has_all_directions_in_their_order() {
    let place = Place::new(59.91, 10.75);
    for azimuths in [vec![180.0, 270.0], vec![120.0, 180.0, 240.0]] {
        let of = |pace| {
            let wish = wish(Window::Azimuth(azimuths.clone()), pace);
            calendar(&wish, &oslo(), Some(&place), None).unwrap()
        };
        let each_day = of(Pace::Every(DAY)).slots.len();
        assert!((501..1000).contains(&each_day));
        for frames in [1, 100, 365, 500] {
            let calendar = of(Pace::Frames(frames));
            let has = calendar.slots.len();
            let count = azimuths.len();
            assert!(has <= frames.max(count), "{has} of {frames}");
            assert!(has + 2 * count > frames, "{has} of {frames}");
            // Each day stands for itself or is stood for, in each of its directions.
            let stood: usize = calendar.slots.iter().map(|slot| slot.wanted.len()).sum();
            assert_eq!(stood, each_day, "{frames}");
            // Each group has the south, and what else its days have, morning before evening.
            let own = azimuths_of(&calendar, &place);
            let groups: Vec<&[i64]> = own.chunk_by(|before, behind| before < behind).collect();
            assert!(groups.iter().all(|group| group.contains(&180)), "{frames}");
        }
    }
}

/// The sun stands in the west in summer alone: in the days between, the west comes after the south.
#[test]
fn a_direction_that_some_days_lack_keeps_its_turn() {
    let place = Place::new(59.91, 10.75);
    for days in [7, 60] {
        let azimuths = vec![100.0, 180.0, 270.0];
        let wish = wish(Window::Azimuth(azimuths), Pace::Every(days * DAY));
        let calendar = calendar(&wish, &oslo(), Some(&place), None).unwrap();
        let own = azimuths_of(&calendar, &place);
        let groups: Vec<&[i64]> = own.chunk_by(|before, behind| before < behind).collect();
        assert_eq!(groups.len() as i64, 365 / days, "{days}: {own:?}");
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
