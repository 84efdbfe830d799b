//! Days against an independent calendar, sums, and what the three formats say.

use std::collections::BTreeSet;

use jiff::tz::TimeZone;
use proptest::prelude::*;
use serde_json::Value;

use super::days::{civil_days, length_nanos};
use super::sample::*;
use super::*;
use crate::archive::ledger::{GapCause, Span};
use crate::units::{CaptureTime, Name};

const GOLDEN: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/coverage/golden");

/// Midnights by Python's zoneinfo (tzdata 2026), those of Oslo by GNU date too.
#[test]
fn days_are_those_of_the_zone() {
    for (zone, date, begin, end) in [
        // Clocks go forward: 23 hours.
        (
            "Europe/Oslo",
            "2026-03-29",
            "2026-03-28T23:00:00Z",
            "2026-03-29T22:00:00Z",
        ),
        // And back: 25 hours.
        (
            "Europe/Oslo",
            "2026-10-25",
            "2026-10-24T22:00:00Z",
            "2026-10-25T23:00:00Z",
        ),
        (
            "Europe/Oslo",
            "2026-06-01",
            "2026-05-31T22:00:00Z",
            "2026-06-01T22:00:00Z",
        ),
        // Midnight itself is skipped.
        (
            "Africa/Cairo",
            "2026-04-24",
            "2026-04-23T22:00:00Z",
            "2026-04-24T21:00:00Z",
        ),
        // The hour before midnight comes twice.
        (
            "Africa/Cairo",
            "2026-10-29",
            "2026-10-28T21:00:00Z",
            "2026-10-29T22:00:00Z",
        ),
        // By half an hour.
        (
            "Australia/Lord_Howe",
            "2026-04-05",
            "2026-04-04T13:00:00Z",
            "2026-04-05T13:30:00Z",
        ),
        (
            "Asia/Kathmandu",
            "2026-01-01",
            "2025-12-31T18:15:00Z",
            "2026-01-01T18:15:00Z",
        ),
    ] {
        let zone = TimeZone::get(zone).unwrap();
        let whole = span(begin, end);
        let days: Vec<_> = civil_days(whole, &zone).collect();
        assert_eq!(days, [(date.parse().unwrap(), whole)], "{date}");
    }
    // 30 December 2011 never came in Apia.
    let apia = TimeZone::get("Pacific/Apia").unwrap();
    let days: Vec<_> = civil_days(span("2011-12-29T10:00:00Z", "2011-12-31T10:00:00Z"), &apia)
        .map(|(date, span)| (date.to_string(), span))
        .collect();
    let split = "2011-12-30T10:00:00Z";
    assert_eq!(
        days,
        [
            ("2011-12-29".to_owned(), span("2011-12-29T10:00:00Z", split)),
            ("2011-12-31".to_owned(), span(split, "2011-12-31T10:00:00Z")),
        ]
    );
}

#[test]
fn a_gap_over_midnight_counts_on_both_days_and_once_in_all() {
    let window = span("2026-10-23T22:00:00Z", "2026-10-25T23:00:00Z");
    let mut over = gap(
        at("2026-10-24T21:59:50Z"),
        25 * SECOND,
        GapCause::Uplink,
        "silent",
    );
    over.lasts = true;
    let sheet = sheet(window, vec![account("gate", window, vec![over.clone()])]);
    let camera = &sheet.sites[0].cameras[0];
    let of = |figures: &Figures| (figures.gaps, figures.longest_nanos / SECOND as u64);
    let days: Vec<_> = camera.days.iter().map(|day| of(&day.figures)).collect();
    assert_eq!(days, [(1, 10), (1, 15)]);
    assert_eq!(of(&camera.totals), (1, 25));
    assert_eq!(camera.gaps, [over]);
    // Only the part that reaches the account's end has not ended.
    let lasts: Vec<_> = camera.days.iter().map(|day| day.gaps[0].lasts).collect();
    assert_eq!(lasts, [false, true]);
    let wanted: Vec<_> = camera
        .days
        .iter()
        .map(|day| day.figures.wanted_nanos)
        .collect();
    assert_eq!(wanted, [24, 25].map(|hours| hours * HOUR as u64));
}

#[test]
fn before_the_account_begins_there_are_no_days() {
    let window = span("2026-10-18T22:00:00Z", "2026-10-25T23:00:00Z");
    let mut late = account("gate", window, Vec::new());
    let begin = at("2026-10-25T12:00:00Z");
    late.wanted = vec![Span { begin, ..window }];
    late.recorded = late.wanted.clone();
    let mut never = account("slipway", window, Vec::new());
    never.wanted.clear();
    never.recorded.clear();
    let mut off = account("mast-crane", window, Vec::new());
    off.wanted.clear();
    off.recorded.clear();
    off.gaps = vec![gap(window.begin, 24 * HOUR, GapCause::Planned, "")];
    let mut unsettled = never.clone();
    unsettled.window.end = after(window.begin, -HOUR);
    let sheet = sheet(window, vec![late, never, off, unsettled]);
    let [late, never, off, unsettled] = &*sheet.sites[0].cameras else {
        panic!()
    };
    assert_eq!(late.account_begin, Some(begin));
    assert_eq!(late.days.len(), 1);
    assert_eq!(late.totals.percent(), Some(100.0));
    assert_eq!((never.account_begin, never.days.len()), (None, 0));
    // A day without anything wanted has no percentage, and a planned pause is no gap.
    let first = &off.days[0].figures;
    assert_eq!(
        (first.percent(), first.gaps, first.missing_nanos()),
        (None, 0, 0)
    );
    assert_eq!(
        first.causes().collect::<Vec<_>>(),
        [(GapCause::Planned, 24 * HOUR as u64)]
    );
    assert_eq!(unsettled.settled_until, window.begin);
    let text = text::write(&sheet, 100);
    assert!(text.contains("nothing of this window is settled"), "{text}");
    assert!(text.contains("no account in this window"), "{text}");
    let page = html::write(&sheet).unwrap();
    assert!(
        page.contains("account begins Sun 2026-10-25 13:00:00 CET"),
        "{page}"
    );
}

proptest! {
    #[test]
    fn days_add_up_to_totals(
        zone in prop::sample::select(vec!["Europe/Oslo", "Africa/Cairo", "Pacific/Apia", "America/St_Johns"]),
        begin in 1_000_000_000..1_900_000_000_i64,
        hours in 1..2000_i64,
        gaps in prop::collection::vec((0.0..1.0, 1..40 * HOUR, 0..7_usize), 0..60),
    ) {
        let begin = CaptureTime::from_unix_nanos(begin * SECOND + 1);
        let window = Span { begin, end: after(begin, hours * HOUR) };
        let gaps = gaps.into_iter().map(|(place, nanos, cause)| {
            let offset = (place * (hours * HOUR) as f64) as i64;
            gap(after(begin, offset), nanos, GapCause::ALL[cause], "")
        });
        let account = account("gate", window, gaps.collect());
        let sheet = Sheet::new(window.end, vec![SiteAccounts {
            site: account.site.clone(),
            time_zone: TimeZone::get(zone).unwrap(),
            time_zone_name: zone.to_owned(),
            asked: window,
            accounts: vec![account.clone(), account],
        }]);
        let camera = &sheet.sites[0].cameras[0];
        let mut sums = Figures::default();
        let mut end = window.begin;
        for day in &camera.days {
            prop_assert_eq!(day.covered.begin, end);
            end = day.covered.end;
            let figures = &day.figures;
            prop_assert_eq!(figures.wanted_nanos, figures.recorded_nanos + figures.missing_nanos());
            let planned = figures.by_cause_nanos[6];
            prop_assert_eq!(length_nanos(day.covered), figures.wanted_nanos + planned);
            sums.wanted_nanos += figures.wanted_nanos;
            sums.recorded_nanos += figures.recorded_nanos;
            sums.gaps += figures.gaps;
            for (sum, nanos) in sums.by_cause_nanos.iter_mut().zip(figures.by_cause_nanos) {
                *sum += nanos;
            }
        }
        prop_assert_eq!(end, window.end);
        let totals = &camera.totals;
        prop_assert_eq!(totals.wanted_nanos, sums.wanted_nanos);
        prop_assert_eq!(totals.recorded_nanos, sums.recorded_nanos);
        prop_assert_eq!(totals.by_cause_nanos, sums.by_cause_nanos);
        prop_assert!(totals.gaps <= sums.gaps);
        prop_assert_eq!(sheet.totals.wanted_nanos, 2 * totals.wanted_nanos);
        prop_assert_eq!(sheet.totals.longest_nanos, totals.longest_nanos);
    }
}

/// `FOREBAY_BLESS=1 cargo test` writes the texts anew; read what changed.
#[test]
fn formats_read_as_agreed() {
    let sheet = weekend();
    let bless = std::env::var_os("FOREBAY_BLESS").is_some();
    let mut different = Vec::new();
    for (name, told) in [
        ("80.txt", text::write(&sheet, 80)),
        ("120.txt", text::write(&sheet, 120)),
        ("sheet.json", json::write(&sheet).unwrap()),
    ] {
        let path = format!("{GOLDEN}/{name}");
        if bless {
            std::fs::write(path, told).unwrap();
        } else if std::fs::read_to_string(&path).unwrap_or_default() != told {
            different.push(format!("--- {path}\n{told}"));
        }
    }
    assert!(different.is_empty(), "\n{}", different.join("\n"));
}

#[test]
fn text_keeps_to_its_width() {
    let sheet = week();
    for width in [0, 80, 97, 110, 120, 200] {
        let text = text::write(&sheet, width);
        let longest = text.lines().map(|line| line.chars().count()).max();
        assert!(
            longest <= Some(width.max(text::WIDTH_MIN)),
            "{width}: {longest:?}\n{text}"
        );
    }
}

/// Scripts rely on these names: a change of one changes the version.
#[test]
fn names_in_json_stay() {
    let told: Value = serde_json::from_str(&json::write(&week()).unwrap()).unwrap();
    let names = |value: &Value| -> BTreeSet<String> {
        value.as_object().unwrap().keys().cloned().collect()
    };
    let list = |names: &str| names.split(' ').map(str::to_owned).collect::<BTreeSet<_>>();
    let totals = "wanted_seconds recorded_seconds recorded_percent missing_seconds gap_count \
                  longest_gap_seconds missing_seconds_by_cause planned_seconds thinned_seconds \
                  expired_seconds";
    let camera = &told["sites"][0]["cameras"][0];
    assert_eq!(json::VERSION, 1);
    assert_eq!(told["version"], 1);
    assert_eq!(told["format"], "forebay-coverage");
    assert_eq!(names(&told), list("format version made totals sites"));
    assert_eq!(
        names(&told["sites"][0]),
        list("site time_zone begin end totals cameras")
    );
    assert_eq!(
        names(camera),
        list("camera account_begin settled_until lasting_gap totals days stills gaps")
    );
    assert_eq!(names(&camera["totals"]), list(totals));
    assert_eq!(
        names(&camera["days"][0]),
        list(&format!("date begin end day_seconds {totals}"))
    );
    assert_eq!(
        names(&camera["gaps"][0]),
        list("begin end seconds cause detail lasts")
    );
    assert!(camera["stills"].is_null());
    let counts = "wanted taken late missed";
    let stills = &told["sites"][0]["cameras"][1]["stills"];
    assert_eq!(names(stills), list("totals days"));
    assert_eq!(names(&stills["totals"]), list(counts));
    assert_eq!(names(&stills["days"][0]), list(&format!("date {counts}")));
    let of_day = |day: usize| {
        let day = &stills["days"][day];
        ["wanted", "taken", "late", "missed"].map(|name| day[name].as_u64().unwrap())
    };
    assert_eq!((of_day(0), of_day(1)), ([24, 23, 1, 1], [25, 24, 0, 1]));
    let lines = "
  stills               wanted        taken      late  missed
  Sat 2026-10-24           24           23         1       1
  Sun 2026-10-25           25           24         0       1
  total                    49           47         1       2
";
    assert!(text::write(&week(), 120).contains(lines));
    let causes = GapCause::ALL.map(GapCause::as_str);
    let missing: BTreeSet<_> = causes[..6].iter().map(|&cause| cause.to_owned()).collect();
    assert_eq!(names(&told["totals"]["missing_seconds_by_cause"]), missing);

    // Times are RFC 3339 in UTC, and the whole gaps make up the seconds.
    let gaps = camera["gaps"].as_array().unwrap();
    let time = |value: &Value| value.as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
    let seconds = gaps.iter().map(|gap| {
        let seconds = (time(&gap["end"]) - time(&gap["begin"]))
            .total(jiff::Unit::Second)
            .unwrap();
        assert_eq!(gap["seconds"].as_f64(), Some(seconds));
        seconds
    });
    let missing = camera["totals"]["missing_seconds"].as_f64().unwrap();
    assert!((seconds.sum::<f64>() - missing).abs() < 1e-6);
    assert_eq!(camera["lasting_gap"], true);
}

#[test]
fn what_has_expired_is_told_and_not_missing() {
    let window = span("2026-05-04T00:00:00Z", "2026-05-06T00:00:00Z");
    let mut account = account("slipway", window, Vec::new());
    account.expired = vec![span("2026-05-04T01:00:00Z", "2026-05-04T03:00:00Z")];
    account.thinned = vec![span("2026-05-04T23:00:00Z", "2026-05-05T02:00:00Z")];
    let sheet = Sheet::new(
        window.end,
        vec![SiteAccounts {
            site: Name::new("boatyard").unwrap(),
            time_zone: jiff::tz::TimeZone::UTC,
            time_zone_name: "UTC".to_owned(),
            asked: window,
            accounts: vec![account],
        }],
    );
    let told: Value = serde_json::from_str(&json::write(&sheet).unwrap()).unwrap();
    let camera = &told["sites"][0]["cameras"][0];
    let figures = |of: &Value| {
        let fields = ["thinned", "expired", "missing"];
        fields.map(|field| of[format!("{field}_seconds")].as_f64().unwrap())
    };
    assert_eq!(figures(&camera["totals"]), [10_800.0, 7200.0, 0.0]);
    assert_eq!(figures(&camera["days"][0]), [3600.0, 7200.0, 0.0]);
    assert_eq!(figures(&camera["days"][1]), [7200.0, 0.0, 0.0]);
    assert_eq!(camera["totals"]["recorded_percent"], 100.0);
    let words = "of the recorded, 3 h 00 min 00 s has only its key frames left, and 2 h 00 min 00 s has \
                 expired";
    assert!(text::write(&sheet, 120).contains(words));
    assert!(html::write(&sheet).unwrap().contains(words));
}
