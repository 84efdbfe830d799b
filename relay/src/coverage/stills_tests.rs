//! From the plugin that takes stills to the account of them.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::*;
use crate::config::{Limits, Plugin, Sink, Site, WhenBehind};
use crate::sinks::{Engine, Instance, Surroundings, Tell, Told};
use crate::telemetry::{SinkEvents, Telemetry};
use crate::units::{CaptureTime, Name};

/// 2026-05-04T07:31:00.120Z, seconds by GNU date.
const BEGIN: i64 = 1_777_879_860_120_000_000;
const HOUR: i64 = 3600 * 1_000_000_000;

fn at(nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(BEGIN + nanos)
}

/// What `builtin:stills`, with one still each minute, finds without a picture: at its begin, when the
/// clock has leapt, and when it is stopped.
async fn found(leap: i64) -> Vec<Finding> {
    let name = |text| Name::new(text).unwrap();
    let sink = Sink {
        name: name("every-minute"),
        plugin: Plugin::Builtin("stills"),
        cameras: vec![name("slipway")],
        when_behind: WhenBehind::default(),
        gather: Duration::from_millis(200),
        settings: "every_minutes = 1".parse().unwrap(),
        limits: Limits::default(),
    };
    let site = Site {
        name: name("boatyard"),
        time_zone: TimeZone::UTC,
        time_zone_name: "UTC".to_owned(),
        position: None,
        uplink: crate::config::Uplink::default(),
    };
    let engine = Engine::new(None).unwrap();
    let plugin = engine.load(&sink.plugin).await.unwrap();
    let telemetry = Arc::new(Telemetry::new());
    let events = SinkEvents::new(&telemetry, &name("slipway"), &sink.name, &sink.limits);
    let told = Arc::new(Mutex::new(Vec::new()));
    let hear = Arc::clone(&told);
    let surroundings = Surroundings::new(
        name("slipway"),
        Arc::new(site),
        Arc::new(sink),
        None,
        Some(events),
    )
    .with_findings(Tell::to(move |_, said| match said {
        Told::Finding(finding) => hear.lock().unwrap().push(finding),
        other => panic!("{other:?}"),
    }));
    let started = Instance::start(&engine, &plugin, &surroundings).await;
    let Instance::Analyzer(mut stills) = started.unwrap() else {
        panic!("a sink");
    };
    stills.tick(at(0)).await.unwrap();
    stills.tick(at(leap)).await.unwrap();
    stills.stop(at(leap)).await.unwrap();
    drop(stills);
    // Nothing was dropped as the plugin's mistake, or as too much.
    let metrics = telemetry.render().unwrap();
    let wrong = |line: &&str| {
        let own = [
            "forebay_sink_flawed_findings_total{",
            "forebay_plugin_limit_hits_total{",
        ];
        own.iter().any(|own| line.starts_with(own)) && !line.ends_with(" 0")
    };
    assert_eq!(metrics.lines().find(wrong), None);
    std::mem::take(&mut *told.lock().unwrap())
}

#[tokio::test]
async fn every_missed_instant_counts() {
    let findings = found(20 * HOUR).await;
    assert!(findings.len() < 50, "{}", findings.len());
    let mut stills = StillDays::default();
    for finding in &findings {
        stills.note(finding, &TimeZone::UTC);
    }
    // 07:32 to 23:59, and 00:00 to 03:31.
    let days: Vec<_> = stills
        .days()
        .map(|(date, stills)| (date.to_string(), stills.missed))
        .collect();
    let told = [("2026-05-04", 988), ("2026-05-05", 212)];
    assert_eq!(days, told.map(|(date, missed)| (date.to_owned(), missed)));
    assert_eq!(stills.totals().wanted(), 1200);
}

#[tokio::test]
async fn of_days_over_which_the_clock_leapt_nothing_counts() {
    let findings = found(200 * HOUR).await;
    let kinds: Vec<_> = findings
        .iter()
        .map(|finding| finding.kind.as_str())
        .collect();
    assert_eq!(kinds, ["clock-leap"]);
    let mut stills = StillDays::default();
    stills.note(&findings[0], &TimeZone::UTC);
    assert!(stills.is_empty());
}

#[test]
fn a_number_is_read_where_there_is_one() {
    for (text, number) in [
        ("938 instants: no stills from here to there", 938),
        ("no still of 2026-05-04T08:10:00+02:00", 1),
        (
            "no still of 2026-05-04T08:10:00+02:00: 3 instants: and so on",
            1,
        ),
        ("-1 instants: none", 1),
        ("", 1),
    ] {
        assert_eq!(instants(text), number, "{text}");
    }
    let mut stills = StillDays::default();
    let finding = Finding {
        sink: Name::new("other").unwrap(),
        kind: "still-missed".to_owned(),
        score: 1.0,
        at: at(0),
        phase: Phase::Mark,
        source: crate::pictures::Source::Main,
        region: None,
        text: format!("{} instants: all of them", u64::MAX),
    };
    stills.note(&finding, &TimeZone::UTC);
    stills.note(&finding, &TimeZone::UTC);
    assert_eq!(stills.totals().missed, u64::MAX);
}
