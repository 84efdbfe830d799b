//! Words and numbers that text and page share.

use jiff::tz::TimeZone;

use super::days::{Figures, zoned};
use crate::archive::ledger::GapCause;
use crate::units::CaptureTime;

const SECOND: u64 = 1_000_000_000;

/// What a cause means, for a legend.
pub(super) fn meaning(cause: GapCause) -> &'static str {
    match cause {
        GapCause::Uplink => "the site’s link was down or too slow",
        GapCause::Camera => "the camera alone was away or sent nothing usable",
        GapCause::Loss => "packets were lost on the way",
        GapCause::Relay => "the relay did not run, or was cut off before it had flushed",
        GapCause::Sink => "a plugin did not record what was there",
        GapCause::Storage => "the disk refused",
        GapCause::Planned => "not wanted at this time, so not missing",
    }
}

/// A length for people: `0.43 s`, `12.3 s`, `4 min 12 s`, `1 h 05 min 09 s`, `123 h 04 min`.
#[must_use]
pub fn length(nanos: u64) -> String {
    let hundredths = nanos.saturating_add(SECOND / 200) / (SECOND / 100);
    let tenths = nanos.saturating_add(SECOND / 20) / (SECOND / 10);
    let seconds = nanos.saturating_add(SECOND / 2) / SECOND;
    let (hours, minutes) = (seconds / 3600, seconds / 60 % 60);
    if nanos == 0 {
        "0 s".to_owned()
    } else if hundredths < 100 {
        // Never "0.00 s" for what is there.
        format!("0.{:02} s", hundredths.max(1))
    } else if tenths < 600 {
        format!("{}.{} s", tenths / 10, tenths % 10)
    } else if hours == 0 {
        format!("{minutes} min {:02} s", seconds % 60)
    } else if hours < 100 {
        format!("{hours} h {minutes:02} min {:02} s", seconds % 60)
    } else {
        format!("{hours} h {minutes:02} min")
    }
}

/// What of the recorded is not whole any more, where anything isn't.
pub(super) fn kept(figures: &Figures) -> Option<String> {
    let thinned = (figures.thinned_nanos > 0).then(|| {
        format!(
            "{} has only its key frames left",
            length(figures.thinned_nanos)
        )
    });
    let expired = (figures.expired_nanos > 0)
        .then(|| format!("{} has expired", length(figures.expired_nanos)));
    let parts: Vec<_> = thinned.into_iter().chain(expired).collect();
    (!parts.is_empty()).then(|| format!("of the recorded, {}", parts.join(", and ")))
}

/// Hours, minutes and whole seconds, rounded down: `23:58:11`.
pub(super) fn clock_length(nanos: u64) -> String {
    let seconds = nanos / SECOND;
    let (hours, minutes) = (seconds / 3600, seconds / 60 % 60);
    format!("{hours}:{minutes:02}:{:02}", seconds % 60)
}

/// Recorded in percent of wanted with two decimals, rounded down: 100.00 % means that nothing is
/// missing. 86 s of a day show as 99.90 %.
pub(crate) fn percent(figures: &Figures) -> Option<String> {
    let wanted = u128::from(figures.wanted_nanos);
    let hundredths = (u128::from(figures.recorded_nanos) * 10_000).checked_div(wanted)?;
    Some(format!("{}.{:02}", hundredths / 100, hundredths % 100))
}

/// Date, time to a tenth of a second and offset in the zone: `2026-11-19 09:12:44.3 +01:00`.
#[must_use]
pub fn local(time: CaptureTime, zone: &TimeZone) -> String {
    zoned(time, zone).strftime("%F %T.%1f %:z").to_string()
}

/// Date and time to the second in the zone, with the weekday and the zone's abbreviation:
/// `Thu 2026-11-19 09:12:44 CET`.
#[must_use]
pub fn local_long(time: CaptureTime, zone: &TimeZone) -> String {
    zoned(time, zone).strftime("%a %F %T %Z").to_string()
}

/// UTC to a tenth of a second: `2026-11-19T08:12:44.3Z`.
pub(super) fn utc(time: CaptureTime) -> String {
    zoned(time, &TimeZone::UTC)
        .strftime("%FT%T.%1fZ")
        .to_string()
}

/// A detail as one line without what could steer a terminal or turn the direction of writing.
/// Characters that XML forbids (XML 1.0 §2.2) fall under this.
#[must_use]
pub fn plain(detail: &str) -> String {
    let harmful = |c: char| {
        c.is_control()
            || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{fffe}' | '\u{ffff}')
    };
    let replace = |c| if harmful(c) { ' ' } else { c };
    let line: String = detail.chars().map(replace).collect();
    line.trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_for_people() {
        let of = |seconds: f64| length((seconds * 1e9) as u64);
        for (seconds, text) in [
            (0.0, "0 s"),
            (0.000_001, "0.01 s"),
            (0.43, "0.43 s"),
            (0.066, "0.07 s"),
            (0.999, "1.0 s"),
            (12.34, "12.3 s"),
            (59.94, "59.9 s"),
            (59.96, "1 min 00 s"),
            (252.0, "4 min 12 s"),
            (3599.6, "1 h 00 min 00 s"),
            (3909.0, "1 h 05 min 09 s"),
            (360_000.0, "100 h 00 min"),
        ] {
            assert_eq!(of(seconds), text, "{seconds}");
        }
        assert_eq!(clock_length(86_399_999_999_999), "23:59:59");
        assert_eq!(length(u64::MAX), "5124095 h 34 min");
    }

    #[test]
    fn percent_is_never_better_than_the_truth() {
        let of = |wanted_nanos, recorded_nanos| {
            percent(&Figures {
                wanted_nanos,
                recorded_nanos,
                ..Figures::default()
            })
        };
        assert_eq!(of(0, 0), None);
        let day = 86_400 * SECOND;
        // 86 s missing: 86314 / 86400 = 0.999004…
        assert_eq!(of(day, day - 86 * SECOND).as_deref(), Some("99.90"));
        assert_eq!(of(day, day - 1).as_deref(), Some("99.99"));
        assert_eq!(of(day, day).as_deref(), Some("100.00"));
        assert_eq!(of(day, 0).as_deref(), Some("0.00"));
        assert_eq!(of(u64::MAX, u64::MAX).as_deref(), Some("100.00"));
    }

    #[test]
    fn details_are_defused() {
        assert_eq!(plain(" a\x1b[2J\nb\u{202e}c\u{7} "), "a [2J b c");
        assert_eq!(plain("mast-crane: brønn 4 <b>"), "mast-crane: brønn 4 <b>");
    }
}
