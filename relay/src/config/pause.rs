//! `[[camera.pause]]`.

use jiff::civil::{Date, DateTime, Time, Weekday};
use jiff::tz::{Offset, TimeZone};
use toml::de::DeValue;
use toml::value;

use crate::units::CaptureTime;

use super::fields::Fields;
use super::plan::{Pause, Plan, capture_time, first_pass, last_pass};
use super::wording::{nearest, quoted};

const DAYS: [(&str, &str, Weekday); 7] = [
    ("mon", "monday", Weekday::Monday),
    ("tue", "tuesday", Weekday::Tuesday),
    ("wed", "wednesday", Weekday::Wednesday),
    ("thu", "thursday", Weekday::Thursday),
    ("fri", "friday", Weekday::Friday),
    ("sat", "saturday", Weekday::Saturday),
    ("sun", "sunday", Weekday::Sunday),
];
/// What a date may be: [`CaptureTime`] holds all of these years, and nobody plans further ahead.
const YEARS: std::ops::RangeInclusive<u16> = 1970..=2200;

/// A value of `from` or `until`.
#[derive(Clone, Copy)]
enum Limit {
    Clock(Time),
    Date(CaptureTime),
}

/// Which of the two it is: how it is called, written, and found on ambiguous clocks.
struct Side {
    key: &'static str,
    clock: &'static str,
    date: &'static str,
    pass: fn(&TimeZone, DateTime) -> Option<CaptureTime>,
}

const FROM: Side = Side {
    key: "from",
    clock: "\"18:00\"",
    date: "2026-12-20T16:00:00",
    pass: first_pass,
};
const UNTIL: Side = Side {
    key: "until",
    clock: "\"06:00\"",
    date: "2027-01-07T07:00:00",
    pass: last_pass,
};

/// The plan of a camera at a site in `zone`.
pub(super) fn read_plan(fields: &mut Fields<'_, '_>, zone: TimeZone) -> Plan {
    let tables = fields.tables("pause", "[[camera.pause]]");
    if tables.is_empty() {
        return Plan::always();
    }
    let pauses: Vec<_> = tables
        .into_iter()
        .filter_map(|fields| read_pause(fields, &zone))
        .collect();
    Plan::new(zone, pauses)
}

fn read_pause(mut fields: Fields<'_, '_>, zone: &TimeZone) -> Option<Pause> {
    let from = read_limit(&mut fields, &FROM, zone);
    let until = read_limit(&mut fields, &UNTIL, zone);
    for (side, other) in [(&FROM, until), (&UNTIL, from)] {
        let is_dated = matches!(other, Some(Limit::Date(_)));
        fields.require(side.key, if is_dated { side.date } else { side.clock });
    }
    let days = read_days(&mut fields);
    fields.finish(&[
        ("begin", "Did you mean from?"),
        ("start", "Did you mean from?"),
        ("end", "Did you mean until?"),
        ("to", "Did you mean until?"),
    ]);
    match (from?, until?) {
        (Limit::Clock(from), Limit::Clock(until)) => Some(Pause::Weekly { days, from, until }),
        (Limit::Date(from), Limit::Date(until)) => {
            if fields.has("days") {
                fields.wrong(
                    "days",
                    "days is given for a pause from one date until another",
                    "Remove days; or, for a weekly pause, give times of day: from = \"18:00\"",
                );
            }
            if until <= from {
                fields.wrong(
                    "until",
                    "until isn't after from",
                    "Give a later one. A date without a time is its beginning, so that a pause of \
                     one\nday is until the next date.",
                );
            }
            Some(Pause::Dated { from, until })
        }
        (from, _) => {
            let (a, b) = match from {
                Limit::Clock(_) => ("a time of day", "a date"),
                Limit::Date(_) => ("a date", "a time of day"),
            };
            fields.wrong(
                "until",
                format!("from is {a}, but until {b}"),
                format!(
                    "For a weekly pause give two times of day:\nfrom = {}\nuntil = {}\n\
                     For a single one give two dates:\nfrom = {}\nuntil = {}",
                    FROM.clock, UNTIL.clock, FROM.date, UNTIL.date
                ),
            );
            None
        }
    }
}

fn read_limit(fields: &mut Fields<'_, '_>, side: &Side, zone: &TimeZone) -> Option<Limit> {
    let value = fields.take(side.key)?.get_ref();
    match value {
        DeValue::String(text) => read_clock(fields, side, text).map(Limit::Clock),
        DeValue::Datetime(written) => read_datetime(fields, side, written, zone),
        _ => {
            let wanted = "a time of day in quotes or a date";
            fields.wrong_kind(side.key, value, wanted, side.clock);
            None
        }
    }
}

fn read_clock(fields: &Fields<'_, '_>, side: &Side, text: &str) -> Option<Time> {
    let key = side.key;
    if text == "24:00" && key == UNTIL.key {
        // The midnight that follows, as `until` reads it.
        return Some(Time::midnight());
    }
    let number = |digits: &str| {
        let fits = digits.len() == 2 && digits.bytes().all(|digit| digit.is_ascii_digit());
        fits.then(|| digits.parse().ok()).flatten()
    };
    let time = text
        .split_once(':')
        .and_then(|(hour, minute)| Time::new(number(hour)?, number(minute)?, 0, 0).ok());
    if time.is_none() {
        let dated = text.parse::<value::Datetime>();
        let advice = match dated.map(|dated| dated.date) {
            Ok(Some(_)) => format!("A date stands without quotes: {key} = {}", side.date),
            _ => format!(
                "Allowed: a time of day, \"00:00\" to \"23:59\" (until also \"24:00\"),\n\
                 or a date without quotes, as {}.",
                side.date
            ),
        };
        fields.wrong(key, format!("{key} can't be {}", quoted(text)), advice);
    }
    time
}

fn read_datetime(
    fields: &Fields<'_, '_>,
    side: &Side,
    written: &value::Datetime,
    zone: &TimeZone,
) -> Option<Limit> {
    let time = match written.time {
        None => Some(Time::midnight()),
        Some(time) => {
            let parts = [time.hour, time.minute, time.second].map(|part| i8::try_from(part).ok());
            let nanos = i32::try_from(time.nanosecond).ok();
            match (parts, nanos) {
                ([Some(hour), Some(minute), Some(second)], Some(nanos)) => {
                    Time::new(hour, minute, second, nanos).ok()
                }
                _ => None,
            }
        }
    };
    let limit = match (written.date, time) {
        (None, Some(time)) => Some(Limit::Clock(time)),
        (Some(date), Some(time)) if YEARS.contains(&date.year) => {
            civil_date(date).and_then(|date| {
                let civil = date.to_datetime(time);
                let instant = match written.offset {
                    None => (side.pass)(zone, civil),
                    Some(value::Offset::Z) => at_offset(civil, 0),
                    Some(value::Offset::Custom { minutes }) => at_offset(civil, minutes),
                };
                instant.map(Limit::Date)
            })
        }
        _ => None,
    };
    if limit.is_none() {
        fields.wrong(
            side.key,
            format!("{} can't be {written}", side.key),
            format!(
                "Allowed: dates of the years {} to {}, without leap seconds, as {}.",
                YEARS.start(),
                YEARS.end(),
                side.date
            ),
        );
    }
    limit
}

fn civil_date(date: value::Date) -> Option<Date> {
    let year = i16::try_from(date.year).ok()?;
    let (month, day) = (i8::try_from(date.month).ok()?, i8::try_from(date.day).ok()?);
    Date::new(year, month, day).ok()
}

fn at_offset(civil: DateTime, minutes: i16) -> Option<CaptureTime> {
    let offset = Offset::from_seconds(i32::from(minutes) * 60).ok()?;
    capture_time(offset.to_timestamp(civil).ok()?)
}

/// The days named; all of them where none is wanted in particular.
fn read_days(fields: &mut Fields<'_, '_>) -> Vec<Weekday> {
    let key = "days";
    let Some(names) = fields.texts(key, "[\"sat\", \"sun\"]") else {
        return DAYS.map(|(.., day)| day).to_vec();
    };
    if names.is_empty() {
        let advice = "Name at least one day, or leave the line out to pause every day.";
        fields.wrong(key, "the pause has no day", advice);
    }
    let mut days = Vec::new();
    for name in names {
        let (span, name) = (name.span(), name.into_inner());
        if let Some((.., day)) = DAYS.iter().find(|(short, ..)| *short == name) {
            days.push(*day);
            continue;
        }
        let near = nearest(
            name,
            DAYS.iter().flat_map(|(short, long, _)| [*short, *long]),
        );
        let near = DAYS
            .iter()
            .find(|(short, long, _)| near == Some(short) || near == Some(long));
        let hint = near
            .map(|(short, ..)| format!("Did you mean {short:?}? "))
            .unwrap_or_default();
        let allowed: Vec<_> = DAYS
            .iter()
            .map(|(short, ..)| format!("{short:?}"))
            .collect();
        fields.report.at(
            span,
            format!("{}: there is no day {}", fields.what(), quoted(name)),
            format!("{hint}Allowed: {}.", allowed.join(", ")),
        );
    }
    days
}
