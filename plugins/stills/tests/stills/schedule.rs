//! Which instants are wanted.

use std::collections::BTreeSet;

use forebay_stills::schedule::Schedule;
use forebay_stills::still::local_text;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use proptest::prelude::*;

use crate::support::{ARCTIC, DAY, HOUR, MINUTE, at, schedule, zone};

/// Those of a civil day, as its clock shows them: hour, minute, offset.
fn day(schedule: &Schedule, date: &str) -> Vec<String> {
    let midnight: jiff::civil::Date = date.parse().unwrap();
    let first = |date: jiff::civil::Date| date.to_zoned(schedule.zone().clone()).unwrap();
    let (begin, end) = (first(midnight), first(midnight.tomorrow().unwrap()));
    let nanos = |time: &jiff::Zoned| i64::try_from(time.timestamp().as_nanosecond()).unwrap();
    let texts = schedule.instants(nanos(&begin) - 1, nanos(&end) - 1);
    let text = |at: i64| local_text(at, schedule.zone());
    texts
        .into_iter()
        .map(|at| text(at)[11..].replace(":00+", "+").replace(":00-", "-"))
        .collect()
}

fn every(minutes: u32, zone: &str) -> Schedule {
    schedule(&format!(r#"{{"every_minutes":{minutes}}}"#), zone, None)
}

// EU rule: clocks go from 2:00 to 3:00 on the last Sunday of March, from 3:00 to 2:00 on that of
// October, both at 1:00 UTC (Directive 2000/84/EC).
const OSLO_SPRING: &str = "2026-03-29";
const OSLO_AUTUMN: &str = "2026-10-25";

#[test]
fn a_day_has_all_its_instants_however_long_it_is() {
    for (date, hours) in [("2026-05-04", 24), (OSLO_SPRING, 23), (OSLO_AUTUMN, 25)] {
        for minutes in [1, 5, 10, 15, 20, 30, 60] {
            let schedule = every(minutes, "Europe/Oslo");
            let count = day(&schedule, date).len();
            assert_eq!(
                count as u32,
                hours * 60 / minutes,
                "{date} each {minutes} min"
            );
        }
        // Rarer ones: each reading once.
        for minutes in [120, 180, 720, 1440] {
            let count = day(&every(minutes, "Europe/Oslo"), date).len();
            assert_eq!(count as u32, 1440 / minutes, "{date} each {minutes} min");
        }
    }
}

#[test]
fn steps_go_on_where_the_clocks_are_set() {
    let spring = day(&every(30, "Europe/Oslo"), OSLO_SPRING);
    let expected = ["01:00+01:00", "01:30+01:00", "03:00+02:00", "03:30+02:00"];
    assert_eq!(spring[2..6], expected);
    let autumn = day(&every(30, "Europe/Oslo"), OSLO_AUTUMN);
    let expected = [
        "01:30+02:00",
        "02:00+02:00",
        "02:30+02:00",
        "02:00+01:00",
        "02:30+01:00",
        "03:00+01:00",
    ];
    assert_eq!(autumn[3..9], expected);

    // 2:00 is not on the clock: it is taken when it would have been.
    let spring = day(&every(120, "Europe/Oslo"), OSLO_SPRING);
    assert_eq!(spring[..3], ["00:00+01:00", "03:00+02:00", "04:00+02:00"]);
    // It is there twice: the first one is taken.
    let autumn = day(&every(120, "Europe/Oslo"), OSLO_AUTUMN);
    assert_eq!(autumn[..3], ["00:00+02:00", "02:00+02:00", "04:00+01:00"]);
}

// New South Wales' rule on Lord Howe Island, by half an hour: from 2:00 to 1:30 on the first Sunday
// of April, from 2:00 to 2:30 on that of October (tz database, file australasia).
#[test]
fn clocks_may_be_set_by_half_an_hour() {
    let zone = "Australia/Lord_Howe";
    let autumn = day(&every(20, zone), "2026-04-05");
    let expected = ["01:20+11:00", "01:40+11:00", "01:40+10:30", "02:00+10:30"];
    assert_eq!(autumn[4..8], expected);
    let hours = day(&every(60, zone), "2026-04-05");
    assert_eq!(hours[..3], ["00:00+11:00", "01:00+11:00", "02:00+10:30"]);
    assert_eq!(hours.len(), 24);

    let spring = day(&every(20, zone), "2026-10-04");
    let expected = ["01:40+10:30", "02:30+11:00", "02:40+11:00", "03:00+11:00"];
    assert_eq!(spring[5..9], expected);
    let hours = day(&every(60, zone), "2026-10-04");
    assert_eq!(hours[1..4], ["01:00+10:30", "02:30+11:00", "03:00+11:00"]);
    assert_eq!(hours.len(), 24);
}

#[test]
fn a_zone_may_skip_midnight_or_a_whole_day() {
    // Clocks in Egypt go from 0:00 to 1:00 on the last Friday of April (law 24 of 2023).
    let cairo = day(&every(1440, "Africa/Cairo"), "2026-04-24");
    assert_eq!(cairo, ["01:00+03:00"]);
    // Samoa had no 30 December 2011 (tz database): its readings are one instant.
    let schedule = every(360, "Pacific/Apia");
    let from = at("2011-12-29T18:00:00-10:00");
    let found = schedule.instants(from - 1, from + 12 * HOUR);
    let texts: Vec<String> = found
        .iter()
        .map(|at| local_text(*at, schedule.zone()))
        .collect();
    let expected = [
        "2011-12-29T18:00:00-10:00",
        "2011-12-31T00:00:00+14:00",
        "2011-12-31T06:00:00+14:00",
    ];
    assert_eq!(texts, expected);
}

#[test]
fn clock_times_hold_and_may_go_over_midnight() {
    let work = schedule(
        r#"{"every_minutes":60,"between":["07:00","18:00"],"days":["mon","tue","wed","thu","fri"]}"#,
        "Europe/Oslo",
        None,
    );
    // A Friday and the Saturday after it.
    let friday = day(&work, "2026-05-08");
    assert_eq!((friday.len(), friday[0].as_str()), (12, "07:00+02:00"));
    assert_eq!(friday[11], "18:00+02:00");
    assert_eq!(day(&work, "2026-05-09"), [""; 0]);
    assert!(work.is_open(at("2026-05-08T18:00:59+02:00")));
    assert!(!work.is_open(at("2026-05-08T18:01:00+02:00")));
    assert!(!work.is_open(at("2026-05-09T12:00:00+02:00")));

    let night = schedule(
        r#"{"every_minutes":60,"between":["22:30","01:00"],"days":["fri"]}"#,
        "Europe/Oslo",
        None,
    );
    assert_eq!(day(&night, "2026-05-08"), ["23:00+02:00"]);
    assert_eq!(day(&night, "2026-05-09"), ["00:00+02:00", "01:00+02:00"]);

    // Two readings that the clock skips that night stay wanted, and are one.
    let narrow = schedule(
        r#"{"every_minutes":10,"between":["02:10","02:20"]}"#,
        "Europe/Oslo",
        None,
    );
    assert_eq!(day(&narrow, OSLO_SPRING), ["03:00+02:00"]);
    assert_eq!(day(&narrow, OSLO_AUTUMN).len(), 4);
    let noon = schedule(
        r#"{"every_minutes":720,"between":["12:00","12:00"]}"#,
        "Europe/Oslo",
        None,
    );
    assert_eq!(day(&noon, OSLO_SPRING), ["12:00+02:00"]);
}

#[test]
fn the_sun_decides_through_polar_night_and_day() {
    let sun = schedule(
        r#"{"every_minutes":60,"sun_above":0}"#,
        "Arctic/Longyearbyen",
        Some(ARCTIC),
    );
    let count = |date: &str| day(&sun, date).len();
    // The sun is below the horizon from 26 October to 16 February, and does not set from 19 April
    // to 24 August (from memory; a week's distance is kept).
    for date in ["2026-11-03", "2026-12-21", "2027-02-08"] {
        assert_eq!(count(date), 0, "{date}");
        assert!(!sun.is_open(at(&format!("{date}T12:00:00+01:00"))));
    }
    for date in ["2026-04-27", "2026-06-21", "2026-08-16"] {
        assert_eq!(count(date), 24, "{date}");
    }
    // Either side of the equinox the day is about half of 24 hours, whatever the latitude.
    assert!((10..=14).contains(&count("2026-03-21")));

    // In Oslo the sun rises at 3:54 and sets at 22:44 on 21 June (from memory, 5 minutes allowed).
    let oslo = schedule(
        r#"{"every_minutes":1,"sun_above":-0.833}"#,
        "Europe/Oslo",
        Some((59.91, 10.75)),
    );
    let found = oslo.instants(
        at("2026-06-21T00:00:00+02:00"),
        at("2026-06-22T00:00:00+02:00"),
    );
    let near = |found: i64, text: &str| (found - at(text)).abs() <= 5 * MINUTE;
    assert!(near(found[0], "2026-06-21T03:54:00+02:00"), "{}", found[0]);
    assert!(near(found[found.len() - 1], "2026-06-21T22:44:00+02:00"));
}

/// What the rules say, by walking over all minutes of a stretch and reading the clock.
fn walked(zone: &TimeZone, every_minutes: i64, from: i64, until: i64) -> Vec<i64> {
    let clock = |at: i64| -> DateTime {
        zone.to_datetime(Timestamp::from_nanosecond(i128::from(at)).unwrap())
    };
    let reading = |clock: DateTime| i64::from(clock.hour()) * 60 + i64::from(clock.minute());
    let is_multiple = |clock: DateTime| reading(clock) % every_minutes == 0;
    // A fold's first pass may begin before the stretch.
    let mut at = from - from.rem_euclid(MINUTE) - 2 * DAY;
    let mut seen = BTreeSet::new();
    let mut wanted = Vec::new();
    let mut previous = clock(at - MINUTE);
    let mut repeated = 0_i64;
    while at <= until {
        let now = clock(at);
        let step = previous
            .until((jiff::Unit::Minute, now))
            .unwrap()
            .get_minutes();
        if step < 0 {
            repeated = 1 - step;
        }
        let mut hit = false;
        // All readings that were skipped, and this one.
        for skipped in 1..step {
            hit |= is_multiple(previous.checked_add(skipped.minutes()).unwrap());
        }
        if is_multiple(now) {
            hit |= seen.insert(now) || every_minutes <= repeated;
        }
        if hit && at > from {
            wanted.push(at);
        }
        (previous, at) = (now, at + MINUTE);
    }
    wanted
}

const DIVISORS: [i64; 14] = [1, 2, 5, 8, 10, 15, 20, 30, 45, 60, 90, 240, 720, 1440];
const ZONES: [&str; 9] = [
    "Europe/Oslo",
    "Australia/Lord_Howe",
    "America/New_York",
    "Africa/Cairo",
    "America/Havana",
    "Asia/Kathmandu",
    "Pacific/Chatham",
    "America/Santiago",
    "UTC",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Half of the stretches have a change of the clocks in them.
    #[test]
    fn instants_are_those_that_the_rules_say(
        zone_index in 0..ZONES.len(),
        every_index in 0..DIVISORS.len(),
        begin in 1_600_000_000_i64..2_000_000_000,
        near_jump in any::<bool>(),
        hours in 1_i64..50,
        cut in 0.0..1.0,
    ) {
        let (name, minutes) = (ZONES[zone_index], DIVISORS[every_index]);
        let tz = zone(name);
        let schedule = every(minutes as u32, name);
        let mut from = begin * 1_000_000_000 + 123;
        if near_jump && let Some(jump) = tz.following(
            Timestamp::from_nanosecond(i128::from(from)).unwrap()).next()
        {
            from = i64::try_from(jump.timestamp().as_nanosecond()).unwrap() - hours * HOUR / 2;
        }
        let until = from + hours * HOUR;
        let found = schedule.instants(from, until);
        prop_assert_eq!(&found, &walked(&tz, minutes, from, until));
        prop_assert!(found.is_sorted_by(|a, b| a < b));

        // However it is cut, nothing is lost or found twice.
        let middle = from + (cut * (until - from) as f64) as i64;
        let mut parts = schedule.instants(from, middle);
        parts.extend(schedule.instants(middle, until));
        prop_assert_eq!(found, parts);
    }
}
