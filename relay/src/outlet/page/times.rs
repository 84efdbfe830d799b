//! Days and times of a site, for pages.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _, Zoned};

use crate::archive::ledger::Span;
use crate::units::CaptureTime;

pub(super) fn zoned(time: CaptureTime, zone: &TimeZone) -> Zoned {
    // The calendar holds any i64 of nanoseconds.
    let stamp = Timestamp::from_nanosecond(time.unix_nanos().into()).unwrap_or_default();
    stamp.to_zoned(zone.clone())
}

fn capture(zoned: &Zoned) -> Option<CaptureTime> {
    let nanos = zoned.timestamp().as_nanosecond();
    Some(CaptureTime::from_unix_nanos(i64::try_from(nanos).ok()?))
}

/// From one midnight to the next: 23 to 25 hours.
pub(super) fn day_span(date: Date, zone: &TimeZone) -> Option<Span> {
    let midnight = |date: Date| capture(&date.to_zoned(zone.clone()).ok()?);
    Some(Span {
        begin: midnight(date)?,
        end: midnight(date.tomorrow().ok()?)?,
    })
}

/// From so many midnights ago until now.
pub(super) fn last_days(now: CaptureTime, zone: &TimeZone, days: i64) -> Option<Span> {
    let first = zoned(now, zone)
        .date()
        .checked_sub((days - 1).days())
        .ok()?;
    let begin = day_span(first, zone)?.begin;
    (begin < now).then_some(Span { begin, end: now })
}

/// A time of day as a form gives it. Where clocks repeat it, its first; where they skip it, the one
/// after.
pub(super) fn wanted_time(text: &str, date: Date, zone: &TimeZone) -> Option<CaptureTime> {
    let time: Time = text.parse().ok()?;
    capture(&date.to_datetime(time).to_zoned(zone.clone()).ok()?)
}

/// Where in a span a time lies, from 0 to 1 within it.
pub(super) fn share(whole: Span, at: CaptureTime) -> f64 {
    let length = whole
        .end
        .unix_nanos()
        .saturating_sub(whole.begin.unix_nanos());
    let since = at.unix_nanos().saturating_sub(whole.begin.unix_nanos());
    since as f64 / (length as f64).max(1.0)
}

/// `13:02:44`
pub(super) fn clock(time: CaptureTime, zone: &TimeZone) -> String {
    zoned(time, zone).strftime("%T").to_string()
}

/// The clock today, otherwise with its day: `13:02`, `Mon 4 May 13:02`.
pub(super) fn since(time: CaptureTime, now: CaptureTime, zone: &TimeZone) -> String {
    let (then, today) = (zoned(time, zone), zoned(now, zone));
    let format = match then.date() == today.date() {
        true => "%H:%M",
        false => "%a %-d %b %H:%M",
    };
    then.strftime(format).to_string()
}

/// A length in one or two words: `12 s`, `7 min`, `3 h 05 min`, `2 days`.
pub(super) fn roughly(from: CaptureTime, to: CaptureTime) -> String {
    let seconds = to.unix_nanos().saturating_sub(from.unix_nanos()).max(0) / 1_000_000_000;
    match seconds {
        ..60 => format!("{seconds} s"),
        60..3600 => format!("{} min", seconds / 60),
        3600..172_800 => format!("{} h {:02} min", seconds / 3600, seconds / 60 % 60),
        _ => format!("{} days", seconds / 86_400),
    }
}
