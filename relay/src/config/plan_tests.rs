//! Plans on the days on which clocks change, and what holds for every plan.

use std::ops::Range;

use jiff::Timestamp;
use jiff::civil::{Time, Weekday};
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::{Pause, Plan};
use crate::units::CaptureTime;

const MINUTE: i64 = 60_000_000_000;
const WEEK_MINUTES: i64 = 7 * 24 * 60;

fn at(text: &str) -> CaptureTime {
    let timestamp: Timestamp = text.parse().unwrap();
    CaptureTime::from_unix_nanos(timestamp.as_nanosecond().try_into().unwrap())
}

fn later(time: CaptureTime, nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(time.unix_nanos() + nanos)
}

fn clock(text: &str) -> Time {
    text.parse().unwrap()
}

fn weekly(days: &[Weekday], from: &str, until: &str) -> Pause {
    Pause::Weekly {
        days: days.to_vec(),
        from: clock(from),
        until: clock(until),
    }
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap()
}

/// The pauses between two instants, told by `next_change` alone.
fn pauses(plan: &Plan, within: Range<CaptureTime>) -> Vec<(CaptureTime, CaptureTime)> {
    let (mut found, mut time) = (Vec::new(), within.start);
    assert!(plan.is_wanted(time));
    while let Some(begin) = plan.next_change(time).filter(|begin| *begin < within.end) {
        assert!(!plan.is_wanted(begin));
        time = plan.next_change(begin).unwrap();
        assert!(plan.is_wanted(time));
        found.push((begin, time));
    }
    found
}

#[test]
fn without_pauses_a_camera_is_always_wanted() {
    let now = at("2026-05-04T07:31:00Z");
    assert!(Plan::always().is_wanted(now));
    assert_eq!(Plan::always().next_change(now), None);
}

#[test]
fn a_pause_of_the_whole_week_never_ends() {
    let days = [
        Weekday::Monday,
        Weekday::Tuesday,
        Weekday::Wednesday,
        Weekday::Thursday,
        Weekday::Friday,
        Weekday::Saturday,
        Weekday::Sunday,
    ];
    let plan = Plan::new(zone("Europe/Oslo"), [weekly(&days, "18:00", "18:00")]);
    for now in ["2026-03-29T01:00:00Z", "2026-10-25T00:59:59.999Z"] {
        assert!(!plan.is_wanted(at(now)));
        assert_eq!(plan.next_change(at(now)), None);
    }
}

#[test]
fn pauses_cross_midnight_and_the_week() {
    // 2026-05-04 is a Monday; Oslo is two hours ahead of UTC (cal, zdump).
    let nights = [
        weekly(&[Weekday::Sunday], "18:00", "06:00"),
        weekly(&[Weekday::Monday], "06:00", "07:00"),
    ];
    let plan = Plan::new(zone("Europe/Oslo"), nights);
    let week = at("2026-05-03T00:00:00Z")..at("2026-05-10T00:00:00Z");
    let night = (at("2026-05-03T16:00:00Z"), at("2026-05-04T05:00:00Z"));
    assert_eq!(pauses(&plan, week), [night]);
}

/// Clocks in Oslo went forward at 2026-03-29T01:00Z (02:00 to 03:00) and go back at
/// 2026-10-25T01:00Z (03:00 to 02:00), those in Havana forward at 2026-03-08T05:00Z (00:00 to
/// 01:00) and back at 2026-11-01T05:00Z (01:00 to 00:00), by zdump. Expected instants by Python's
/// zoneinfo, `fold` 0 for begins and 1 for ends; in a gap, the instant of the change.
#[test]
fn pauses_on_days_on_which_clocks_change() {
    use Weekday::{Saturday, Sunday};
    let cases = [
        // Begins in the gap; ends in it; lies in it; spans it: 23 hours.
        (
            "Europe/Oslo",
            "2026-03-28",
            [
                (
                    Sunday,
                    "02:30",
                    "06:00",
                    "2026-03-29T01:00Z",
                    "2026-03-29T04:00Z",
                ),
                (
                    Saturday,
                    "18:00",
                    "02:30",
                    "2026-03-28T17:00Z",
                    "2026-03-29T01:00Z",
                ),
                (
                    Sunday,
                    "02:15",
                    "02:45",
                    "2026-04-05T00:15Z",
                    "2026-04-05T00:45Z",
                ),
                (
                    Sunday,
                    "00:00",
                    "00:00",
                    "2026-03-28T23:00Z",
                    "2026-03-29T22:00Z",
                ),
            ],
        ),
        // Begins in the fold; ends in it; lies in it; spans it: 25 hours.
        (
            "Europe/Oslo",
            "2026-10-24",
            [
                (
                    Sunday,
                    "02:30",
                    "06:00",
                    "2026-10-25T00:30Z",
                    "2026-10-25T05:00Z",
                ),
                (
                    Saturday,
                    "18:00",
                    "02:30",
                    "2026-10-24T16:00Z",
                    "2026-10-25T01:30Z",
                ),
                (
                    Sunday,
                    "02:15",
                    "02:45",
                    "2026-10-25T00:15Z",
                    "2026-10-25T01:45Z",
                ),
                (
                    Sunday,
                    "00:00",
                    "00:00",
                    "2026-10-24T22:00Z",
                    "2026-10-25T23:00Z",
                ),
            ],
        ),
        // The same where midnight itself is skipped, and comes twice.
        (
            "America/Havana",
            "2026-03-07",
            [
                (
                    Sunday,
                    "00:00",
                    "02:00",
                    "2026-03-08T05:00Z",
                    "2026-03-08T06:00Z",
                ),
                (
                    Saturday,
                    "23:00",
                    "00:00",
                    "2026-03-08T04:00Z",
                    "2026-03-08T05:00Z",
                ),
                (
                    Sunday,
                    "00:15",
                    "00:45",
                    "2026-03-15T04:15Z",
                    "2026-03-15T04:45Z",
                ),
                (
                    Saturday,
                    "00:00",
                    "00:00",
                    "2026-03-07T05:00Z",
                    "2026-03-08T05:00Z",
                ),
            ],
        ),
        (
            "America/Havana",
            "2026-10-31",
            [
                (
                    Sunday,
                    "00:30",
                    "02:00",
                    "2026-11-01T04:30Z",
                    "2026-11-01T07:00Z",
                ),
                (
                    Saturday,
                    "23:00",
                    "00:00",
                    "2026-11-01T03:00Z",
                    "2026-11-01T05:00Z",
                ),
                (
                    Sunday,
                    "00:00",
                    "00:30",
                    "2026-11-01T04:00Z",
                    "2026-11-01T05:30Z",
                ),
                (
                    Saturday,
                    "12:00",
                    "00:30",
                    "2026-10-31T16:00Z",
                    "2026-11-01T05:30Z",
                ),
            ],
        ),
    ];
    for (name, day, cases) in cases {
        for (weekday, from, until, begin, end) in cases {
            let plan = Plan::new(zone(name), [weekly(&[weekday], from, until)]);
            let (begin, end) = (at(begin), at(end));
            let before = at(&format!("{day}T02:00Z"));
            assert_eq!(
                pauses(&plan, before..later(end, 1))[..],
                [(begin, end)],
                "{name} {day} {from} {until}"
            );
        }
    }
}

/// Clocks in Jerusalem went back on Monday 2001-09-24, 01:00 to 00:00 at 2001-09-23T22:00Z (zdump):
/// a pause of the week before goes on into the new one, and ends at its second midnight.
#[test]
fn a_week_may_begin_twice() {
    let evening = weekly(&[Weekday::Sunday], "18:00", "00:00");
    let plan = Plan::new(zone("Asia/Jerusalem"), [evening]);
    let pause = (at("2001-09-23T15:00Z"), at("2001-09-23T22:00Z"));
    let around = at("2001-09-23T00:00Z")..at("2001-09-25T00:00Z");
    assert_eq!(pauses(&plan, around), [pause]);
    assert!(!plan.is_wanted(at("2001-09-23T21:30Z")));
}

/// The pause of 2026-03-22 in Oslo is over, that of 2026-03-29 is skipped by the clocks.
#[test]
fn a_skipped_pause_is_followed_by_the_next() {
    let plan = Plan::new(
        zone("Europe/Oslo"),
        [weekly(&[Weekday::Sunday], "02:15", "02:45")],
    );
    let next = plan.next_change(at("2026-03-22T12:00Z"));
    assert_eq!(next, Some(at("2026-04-05T00:15Z")));
}

#[test]
fn dated_and_weekly_pauses_join() {
    let (from, until) = (at("2026-05-05T10:00Z"), at("2027-09-01T18:00Z"));
    let pauses = [
        Pause::Dated { from, until },
        // Wednesday 2027-09-01 19:00 to 20:30 in Oslo, two hours ahead of UTC (cal, zdump).
        weekly(&[Weekday::Wednesday], "19:00", "20:30"),
        Pause::Dated {
            from: until,
            until: from,
        },
    ];
    let plan = Plan::new(zone("Europe/Oslo"), pauses);
    assert_eq!(plan.next_change(at("2026-05-05T00:00Z")), Some(from));
    assert_eq!(plan.next_change(from), Some(at("2027-09-01T18:30Z")));
    let plan = Plan::new(TimeZone::UTC, [Pause::Dated { from, until }]);
    assert_eq!(plan.next_change(from), Some(until));
    assert_eq!(plan.next_change(until), None);
}

#[test]
fn the_ends_of_time_are_answered() {
    let night = [weekly(&[Weekday::Monday], "18:00", "06:00")];
    let plan = Plan::new(zone("Europe/Oslo"), night);
    for nanos in [i64::MIN, i64::MAX] {
        let end = CaptureTime::from_unix_nanos(nanos);
        assert!(plan.next_change(end).is_none_or(|change| change > end));
    }
}

/// Days as bits from Monday on, begin and end in minutes of the day.
type Shape = (u8, i64, i64);

fn shapes() -> impl Strategy<Value = Vec<Shape>> {
    // Many times near those that clocks skip and repeat.
    let minute = || prop_oneof![0..1440_i64, 0..200_i64, Just(0_i64)];
    prop::collection::vec((0..128_u8, minute(), minute()), 0..5)
}

fn of_shape((days, from, until): Shape) -> Pause {
    let time = |minute: i64| Time::new((minute / 60) as i8, (minute % 60) as i8, 0, 0).unwrap();
    let day = |day: i8| Weekday::from_monday_zero_offset(day).unwrap();
    Pause::Weekly {
        days: (0..7).filter(|n| days & (1 << n) != 0).map(day).collect(),
        from: time(from),
        until: time(until),
    }
}

/// Near changes of clocks: by an hour, by half an hour, by two hours, at midnight, by a day.
fn places() -> impl Strategy<Value = (&'static str, CaptureTime)> {
    let changes = [
        ("Europe/Oslo", "2026-03-29T01:00Z"),
        ("Europe/Oslo", "2026-10-25T01:00Z"),
        ("Australia/Lord_Howe", "2026-04-04T15:00Z"),
        ("Antarctica/Troll", "2026-03-29T01:00Z"),
        ("America/Havana", "2026-11-01T05:00Z"),
        ("Asia/Jerusalem", "2001-09-23T22:00Z"),
        ("Pacific/Apia", "2011-12-30T10:00Z"),
        ("UTC", "2026-05-04T00:00Z"),
    ];
    let minutes = -WEEK_MINUTES..WEEK_MINUTES;
    (prop::sample::select(changes.to_vec()), minutes)
        .prop_map(|((zone, change), minutes)| (zone, later(at(change), minutes * MINUTE)))
}

proptest! {
    /// Whether a camera is wanted changes where `next_change` says so, and nowhere before.
    #[test]
    fn the_next_change_is_the_next(
        (name, now) in places(),
        shapes in shapes(),
        dated in prop::option::of((-3000..3000_i64, 0..3000_i64)),
    ) {
        let dated = dated.map(|(from, length)| Pause::Dated {
            from: later(now, from * MINUTE),
            until: later(now, (from + length) * MINUTE),
        });
        let plan = Plan::new(zone(name), shapes.into_iter().map(of_shape).chain(dated));
        let wanted = plan.is_wanted(now);
        let change = plan.next_change(now);
        let end = change.unwrap_or(later(now, 2 * WEEK_MINUTES * MINUTE));
        prop_assert!(now < end);
        if let Some(change) = change {
            prop_assert_eq!(plan.is_wanted(change), !wanted);
            prop_assert_eq!(plan.is_wanted(later(change, -1)), wanted);
        }
        let mut between = now;
        while between < end {
            prop_assert_eq!(plan.is_wanted(between), wanted, "{}", between);
            between = later(between, 7 * MINUTE);
        }
    }

    /// A camera is wanted when no pause holds, however they overlap.
    #[test]
    fn pauses_are_a_union((name, now) in places(), shapes in shapes()) {
        let plan = Plan::new(zone(name), shapes.iter().copied().map(of_shape));
        let single = |shape| Plan::new(zone(name), [of_shape(shape)]).is_wanted(now);
        prop_assert_eq!(plan.is_wanted(now), shapes.into_iter().all(single));
    }

    /// While clocks don't change, against arithmetic with minutes of the week: Oslo is two hours
    /// ahead of UTC from 2026-03-29 to 2026-10-25 (zdump), and 2026-05-04 is a Monday (cal).
    #[test]
    fn weekly_pauses_are_those_of_the_week(minute in 0..20 * WEEK_MINUTES, shapes in shapes()) {
        let now = later(at("2026-05-03T22:00Z"), minute * MINUTE);
        let holds = |(days, from, until): Shape| {
            let length = if until > from { until - from } else { until + 1440 - from };
            (0..7).filter(|day| days & (1 << day) != 0).any(|day| {
                (minute - day * 1440 - from).rem_euclid(WEEK_MINUTES) < length
            })
        };
        let plan = Plan::new(zone("Europe/Oslo"), shapes.iter().copied().map(of_shape));
        prop_assert_eq!(plan.is_wanted(now), !shapes.into_iter().any(holds));
    }
}
