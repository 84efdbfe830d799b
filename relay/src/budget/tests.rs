//! Worked examples, with the sums beside them.

use std::path::Path;

use super::*;
use crate::config::parse;

const NOW: CaptureTime = CaptureTime::from_unix_nanos(1_780_000_000_000_000_000);

/// Four cameras of 4 Mb/s, as published sums of storage have them.
fn four(site: &str) -> Config {
    let mut text = format!(
        "[relay]\narchive = '/srv/forebay'\n[[site]]\nname = 'boatyard'\n\
         time_zone = 'Europe/Oslo'\n{site}\n"
    );
    for camera in ["slipway", "gate", "mast-crane", "shed"] {
        text += &format!(
            "[[camera]]\nname = '{camera}'\nsite = 'boatyard'\nurl = 'rtsp://10.40.0.11/{camera}'\n\
             expected_megabits_per_second = 4\n"
        );
    }
    text += "[[sink]]\nname = 'footage'\nplugin = 'builtin:recorder'\n";
    parse(&text, Path::new("forebay.toml")).unwrap()
}

fn near(a: f64, b: f64, share: f64) {
    assert!((a - b).abs() <= share * b.abs(), "{a} is not {b}");
}

#[test]
fn four_cameras_for_two_weeks_are_two_terabytes_and_a_half() {
    // TB = Mb/s · 0.0108 · days · cameras: 2.42.
    let streams = streams(&four(""), NOW, |_| None);
    let spool = Spool::new(&streams, 100_000_000_000, false);
    near(spool.bytes_per_second * 14.0 * 86_400.0, 2.42e12, 0.001);
    // 100 GB at 2 MB/s.
    near(spool.lasts_seconds().unwrap(), 50_000.0, 1e-9);
    assert_eq!(length(spool.lasts_seconds().unwrap()), "13 h 53 min");
}

#[test]
fn what_only_looks_at_pictures_fills_no_archive() {
    let mut config = four("");
    for sink in &mut config.sinks {
        sink.plugin = Plugin::Builtin("motion");
    }
    let streams = streams(&config, NOW, |_| None);
    assert!(streams.iter().all(|stream| stream.wire.is_some()));
    assert_eq!(Spool::new(&streams, 1, false).bytes_per_second, 0.0);
}

#[test]
fn the_uplink_carries_headers_too() {
    let config = four("uplink_megabits_per_second = 20\nuplink_bytes_per_month = '6 TB'");
    let streams = streams(&config, NOW, |_| None);
    let site = &sites(&config, &streams)[0];
    // 16 Mb/s of media, times 1500/1368 · 1416/1400 (`uplink`), are 17.74 of 20.
    near(site.wire.megabits(), 17.744, 0.001);
    near(site.share.unwrap(), 0.887, 0.001);
    // Times 30 · 86 400 / 8: 5.75 TB.
    near(site.month_bytes, 5.749e12, 0.001);
    near(site.month_share.unwrap(), 0.958, 0.001);
    // 17.744 · 60 / (20 − 17.744) = 472 s.
    let caught = site.catch_up.unwrap()[1].unwrap();
    near(caught.as_secs_f64(), 472.0, 0.01);
    let spool = Spool::new(&streams, 1 << 40, false);
    let told = warnings(&streams, std::slice::from_ref(site), &spool, &[]);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].contains("89 % of the uplink"), "{told:?}");
}

#[test]
fn what_does_not_fit_is_said() {
    let config = four("uplink_megabits_per_second = 16\nuplink_bytes_per_month = '600 GB'");
    let streams = streams(&config, NOW, |_| None);
    let sites = sites(&config, &streams);
    assert_eq!(sites[0].catch_up.unwrap(), [None; 3]);
    // 10 GB at 2 MB/s are 5000 s.
    let spool = Spool::new(&streams, 10_000_000_000, false);
    let told = warnings(&streams, &sites, &spool, &[]).join("\n");
    for words in [
        "send 17.7 Mb/s, and the uplink carries 16.0",
        "5749 GB of a volume of 600 GB, which is used up after 3 days",
        "full after 1 h 23 min without the archive",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    let away = Spool::new(&streams, 10_000_000_000, true);
    let told = warnings(&streams, &[], &away, &[]).join("\n");
    assert!(told.contains("the archive's own file system"), "{told}");
}

#[test]
fn what_has_been_recorded_counts_before_what_is_expected() {
    let config = four("");
    let rate = |bytes: u64, seconds: f64| {
        let measured = Measured { bytes, seconds };
        let streams = streams(&config, NOW, |_| Some(measured));
        let (rate, known) = streams[0].media.unwrap();
        (rate.megabits(), known)
    };
    // 3600 s of 2.5 Mb/s.
    let (measured, known) = rate(1_125_000_000, 3600.0);
    near(measured, 2.5, 1e-9);
    assert_eq!(known, Known::Footage { seconds: 3600 });
    // A minute says nothing yet.
    assert_eq!(rate(18_750_000, 60.0), (4.0, Known::Expected));
}

#[test]
fn a_stream_of_unknown_rate_is_told_and_not_guessed() {
    let text = "[relay]\narchive = '/srv/forebay'\n[[site]]\nname = 'boatyard'\ntime_zone = 'UTC'\n\
        [[camera]]\nname = 'gate'\nsite = 'boatyard'\nurl = 'rtsp://10.40.0.12/main'\n\
        analysis_url = 'rtsp://10.40.0.12/sub'\n[[sink]]\nname = 'footage'\nplugin = 'builtin:recorder'";
    let config = parse(text, Path::new("forebay.toml")).unwrap();
    let streams = streams(&config, NOW, |_| None);
    let sites = sites(&config, &streams);
    assert_eq!((sites[0].unknown, sites[0].share), (2, None));
    let spool = Spool::new(&streams, 1, false);
    assert_eq!((spool.unknown, spool.lasts_seconds()), (1, None));
    let told = warnings(&streams, &sites, &spool, &[]).join("\n");
    assert!(told.contains("camera gate: how much"), "{told}");
    assert!(told.contains("expected_analysis_megabits"), "{told}");
}

#[test]
fn lengths_have_two_units() {
    for (seconds, told) in [
        (0.42, "0.4 s"),
        (59.96, "1 min"),
        (61.0, "1 min 1 s"),
        (3599.6, "1 h"),
        (90_000.0, "1 d 1 h"),
        (86_399.0, "23 h 59 min"),
    ] {
        assert_eq!(length(seconds), told, "{seconds}");
    }
}
