#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::collections::BTreeMap;
use std::path::Path;

use clap::Parser as _;

use super::*;
use crate::archive::RealDisk;
use crate::archive::ladder::{Form, pins};
use crate::archive::ledger::Span;
use crate::units::Name;

const DAY: i64 = 24 * 3600 * 1_000_000_000;
/// 2026-05-20T12:00:00Z, by GNU date.
const NOW: i64 = 1_779_278_400 * 1_000_000_000;

fn at(nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(nanos)
}

fn config(archive: &Path) -> Config {
    let text = format!(
        r#"
        [relay]
        archive = "{}"
        [ladder]
        footage_days = 7
        most_days = 400
        [[site]]
        name = "boatyard"
        time_zone = "Europe/Oslo"
        [[camera]]
        name = "slipway"
        site = "boatyard"
        url = "rtsp://10.40.0.11/main"
        [[camera]]
        name = "gate"
        site = "boatyard"
        url = "rtsp://10.40.0.12/main"
        [camera.ladder]
        footage_days = 3
        quota = "1 MiB"
        "#,
        archive.display()
    );
    crate::config::parse(&text, Path::new("forebay.toml")).unwrap()
}

/// Two cameras, 20 days, 4 files a day, and a still each day.
fn fill(archive: &Path) {
    let put = |name: String, bytes: usize| {
        let path = archive.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, vec![0; bytes]).unwrap();
    };
    for camera in ["slipway", "gate"] {
        for day in 0..20 {
            for hour in [1, 7, 13, 19] {
                let begin = at(NOW - day * DAY - 12 * 3600 * 1_000_000_000 + hour * DAY / 24);
                let (folder, stem) = (begin.day(), begin.file_stem());
                if begin < at(NOW) {
                    put(format!("{camera}/footage/{folder}/{stem}.mp4"), 10_000);
                }
            }
            let noon = at(NOW - day * DAY);
            put(
                format!("{camera}/stills/{}/{}.jpg", noon.day(), noon.file_stem()),
                1000,
            );
        }
    }
}

fn outlook(archive: &Path, days: u32) -> Outlook {
    let config = config(archive);
    let options = LadderOptions::new(&config);
    let mut survey = survey(&RealDisk, &options, at(NOW), &mut |_, _| {}).unwrap();
    // Of the machine's disk nothing is to be seen.
    survey.start.room.free_bytes = 1_000_000;
    Outlook {
        made: at(NOW),
        rules: rules(&config),
        floor_bytes: 0,
        points: forecast(survey.start.clone(), days),
        survey,
    }
}

#[test]
fn what_is_due_is_told_before_it_goes() {
    let dir = tempfile::tempdir().unwrap();
    fill(dir.path());
    let slipway = Name::new("slipway").unwrap();
    // From 07:00 to 08:00: in one file.
    let seven = NOW - 15 * DAY - 5 * DAY / 24;
    let pinned = Span::new(at(seven), at(seven + DAY / 24)).unwrap();
    pins::add(&RealDisk, dir.path(), &slipway, pinned, "launch", None).unwrap();
    let before = outlook(dir.path(), 730);
    let told = text::write(&before);
    for line in [
        "[ladder]: footage 7 d, stills for good, findings for good, nothing longer than 400 d",
        "gate: footage 3 d, stills for good, findings for good, nothing longer than 400 d, quota 1.05 MB",
    ] {
        assert!(told.contains(line), "{told}");
    }
    let due: BTreeMap<_, _> = before
        .survey
        .due
        .iter()
        .map(|(k, t)| (k.0.as_str(), t))
        .collect();
    // Of 4 files a day: those that are older than 7 and 3 days, by their ends.
    assert_eq!(
        before
            .survey
            .pinned
            .values()
            .map(|t| t.objects)
            .sum::<u64>(),
        1
    );
    assert_eq!(due["slipway"].bytes, due["slipway"].objects * 10_000);
    assert!((47..=50).contains(&due["slipway"].objects), "{told}");
    assert!((63..=66).contains(&due["gate"].objects), "{told}");
    // Nothing has gone.
    let again = outlook(dir.path(), 730);
    assert_eq!(again.survey.due, before.survey.due);
    // 400 days of stills at most, as their begin counts, but for the day that has just begun.
    let last = before.points.last().unwrap();
    assert_eq!(last.of(Form::Stills), 2 * 399 * 1000);
    // The file that is pinned, and those of 7 and 3 days.
    let footage = last.of(Form::Footage);
    assert!(
        (10_000 + 40_000 * 9..=10_000 + 40_000 * 11).contains(&footage),
        "{footage}"
    );
    assert!(!told.contains("full"), "{told}");
    assert!(
        told.lines().all(|line| line.chars().count() < 160),
        "{told}"
    );
}

#[test]
fn scripts_get_each_day() {
    let dir = tempfile::tempdir().unwrap();
    fill(dir.path());
    let before = outlook(dir.path(), 30);
    let told: serde_json::Value = serde_json::from_str(&json::write(&before).unwrap()).unwrap();
    assert_eq!(told["format"], "forebay-ladder");
    let days = told["days"].as_array().unwrap();
    assert_eq!(days.len(), 31);
    assert_eq!(days[0]["date"], "2026-05-20");
    assert_eq!(days[30]["date"], "2026-06-19");
    for (day, point) in days.iter().zip(&before.points) {
        assert_eq!(day["total_bytes"], point.total());
        let cameras = day["cameras"].as_array().unwrap();
        assert_eq!(cameras.len(), 2);
        let of = |c: &serde_json::Value| {
            let fields = ["footage", "key_frames", "stills", "findings", "other"];
            let bytes = fields.map(|f| c[format!("{f}_bytes")].as_u64().unwrap());
            bytes.iter().sum::<u64>()
        };
        assert_eq!(cameras.iter().map(of).sum::<u64>(), point.total());
    }
    // A hundred kilobytes of footage more or less: that of seven days and of three.
    let footage = |index: usize| {
        days[30]["cameras"][index]["footage_bytes"]
            .as_u64()
            .unwrap()
    };
    assert_eq!((footage(0) / 40_000, footage(1) / 40_000), (3, 7));
}

#[test]
fn the_picture_is_drawn_to_scale() {
    let dir = tempfile::tempdir().unwrap();
    fill(dir.path());
    let before = outlook(dir.path(), 730);
    let told = svg::write(&before);
    let document = roxmltree::Document::parse(&told).unwrap();
    let paths: Vec<_> = document
        .descendants()
        .filter(|n| n.has_tag_name("path"))
        .collect();
    assert_eq!(paths.len(), 2);
    let path = paths[1].attribute("d").unwrap();
    let points: Vec<(f64, f64)> = path
        .trim_end_matches('Z')
        .split(['M', 'L'])
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (x, y) = part.split_once(' ').unwrap();
            (x.parse().unwrap(), y.parse().unwrap())
        })
        .collect();
    assert_eq!(points.len(), 2 * 731);
    // Heights above the ground are as the bytes; the ground is where nothing would be.
    let lines = document.descendants().filter(|n| n.has_tag_name("line"));
    let grounds = lines.filter_map(|n| n.attribute("y1")?.parse::<f64>().ok());
    let ground = grounds.fold(0.0, f64::max);
    let height = |index: usize| ground - points[index].1;
    let bytes = |index: usize| before.points[index].total() as f64;
    for index in [100, 300, 730] {
        let (drawn, told) = (height(index) / height(730), bytes(index) / bytes(730));
        assert!((drawn - told).abs() < 0.005, "{index}: {drawn} {told}");
    }
    assert!(
        points
            .windows(2)
            .take(730)
            .all(|pair| pair[0].0 < pair[1].0)
    );
}

#[test]
fn sizes_are_short() {
    for (bytes, told) in [
        (0, "0 B"),
        (999, "999 B"),
        (1000, "1.00 kB"),
        (999_949, "1.00 MB"),
        (43_200_000_000, "43.2 GB"),
        (2_419_200_000_000, "2.42 TB"),
        (123_456_789_000, "123 GB"),
        (u64::MAX, "18447 PB"),
    ] {
        assert_eq!(size(bytes), told);
    }
}

#[test]
fn it_only_looks() {
    let parse = |line: &str| crate::commands::Arguments::try_parse_from(line.split(' '));
    assert!(parse("forebay ladder").is_err());
    assert!(parse("forebay ladder --dry-run").is_ok());
}
