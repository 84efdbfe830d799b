#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use clap::Parser as _;

use super::*;
use crate::budget::optics::Class;

#[derive(Debug, clap::Parser)]
struct Line {
    #[command(flatten)]
    budget: BudgetArguments,
}

fn arguments(line: &str) -> Result<BudgetArguments, clap::Error> {
    Line::try_parse_from(format!("budget {line}").split_whitespace()).map(|line| line.budget)
}

/// An archive of which nothing is there yet, on some disk of this machine.
fn config(archive: &Path) -> Config {
    let text = format!(
        "[relay]\narchive = {archive:?}\n[ladder]\nfootage_days = 14\nkey_frame_days = 400\n\
         [[site]]\nname = 'boatyard'\ntime_zone = 'Europe/Oslo'\nuplink_megabits_per_second = 12\n\
         [[camera]]\nname = 'slipway'\nsite = 'boatyard'\nurl = 'rtsp://10.40.0.11/main'\n\
         expected_megabits_per_second = 4\n\
         [camera.view]\nwidth_pixels = 2560\ndistance_metres = 25\nangle_degrees = 100\n\
         [[sink]]\nname = 'footage'\nplugin = 'builtin:recorder'\n\
         [[sink]]\nname = 'stills'\nplugin = 'builtin:stills'\n\
         settings = {{ every_minutes = 10, between = ['07:00', '17:00'] }}"
    );
    crate::config::parse(&text, Path::new("/etc/forebay/forebay.toml")).unwrap()
}

#[test]
fn a_camera_that_is_only_planned_fills_the_archive_as_sums_say() {
    let dir = tempfile::tempdir().unwrap();
    let config = config(&dir.path().join("archive"));
    let now = CaptureTime::now();
    let (mut start, guessed) =
        start((&config, &RealDisk), &streams(&config, now, |_| None), now).unwrap();
    assert_eq!(guessed.len(), 1);
    // More than this machine's disk may have.
    start.room.free_bytes = 1 << 50;
    let points = forecast(start, 730);
    let after = |day: usize| &points[day];
    // 4 Mb/s are 43.2 GB a day: whole for 14 days, a day late at the most.
    let day = 43.2e9;
    let whole = after(100).of(Form::Footage) as f64 / day;
    assert!((14.0..=15.01).contains(&whole), "{whole}");
    // Then 14 % of it up to 400 days.
    let thin = after(700).of(Form::KeyFrames) as f64 / (0.14 * day);
    assert!((385.0..=387.0).contains(&thin), "{thin}");
    assert_eq!(after(30).reach_days.values().copied().max(), Some(14));
}

#[test]
fn the_schedule_of_a_sink_comes_first() {
    let dir = tempfile::tempdir().unwrap();
    let films = films(&config(dir.path()), 730.0, 25.0);
    assert_eq!(films[0].sink.as_ref().unwrap().as_str(), "stills");
    assert_eq!((films[0].minutes, films[0].hours), (10.0, 10.0));
    // The published sum: 43 800 stills, 29 minutes.
    assert_eq!(films[0].film.stills.round() as u64, 43_800);
    assert_eq!(films.len(), 1 + INTERVALS.len());
    let between = |from: &str, to: &str| hours_between(&toml::Value::from(vec![from, to]));
    assert_eq!(between("22:00", "02:30"), Some(4.5));
    assert_eq!(between("dawn", "dusk"), None);
}

#[test]
fn both_forms_tell_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let told = look(
        &arguments("").unwrap(),
        &config(&dir.path().join("archive")),
    )
    .unwrap();
    let (text, json) = (text::write(&told), json::write(&told));
    assert!(text.contains("slipway"), "{text}");
    // 2560 pixels on 2 · 25 · tan 50° = 59.6 m.
    assert!(text.contains("43.0 px"), "{text}");
    let view = &json["views"][0];
    assert_eq!(view["class"], Class::Detect.as_str());
    assert_eq!(json["sites"][0]["uplink_bits_per_second"], 12e6);
    assert_eq!(json["streams"][0]["known_by"], "expected");
    // An archive and a spool in one folder are away together.
    assert_eq!(json["spool"]["is_the_archives"], true);
    for list in ["warnings", "assumed"] {
        for told in json[list].as_array().unwrap() {
            assert!(text.contains(told.as_str().unwrap()), "{text}");
        }
    }
    // Nothing has been recorded: how much of it key frames are is a guess, and said to be one.
    assert!(
        text.contains("key frames: 14 % of footage, as none of slipway"),
        "{text}"
    );
}

#[test]
fn a_lens_is_told_without_a_configuration() {
    let given = arguments("--config /nowhere --pixels 1920 --distance 10 --angle 90").unwrap();
    let view = given.lens.view().unwrap().unwrap();
    assert_eq!(sight(&view).class, Class::Observe);
    budget(&given).unwrap();
    let focal = arguments("--pixels 1920 --distance 10 --focal 18 --sensor 36").unwrap();
    let focal = focal.lens.view().unwrap().unwrap();
    assert!((sight(&focal).angle_degrees - 90.0).abs() < 1e-9);
    let half = arguments("--pixels 1920 --distance 10").unwrap();
    assert_eq!(half.lens.view().unwrap_err().code, exit::USAGE);
    for wrong in [
        "--pixels 1920",
        "--focal 3",
        "--angle 180",
        "--distance -1 --pixels 99",
    ] {
        assert!(arguments(wrong).is_err(), "{wrong}");
    }
}
