//! The relay's clock is set an hour forward, and back again, while it records.
//!
//! libfaketime (Debian) stands between the relay and the system's clock; the clock that nobody sets
//! goes on as it is, as in a machine whose time is set.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::sleep;
use std::time::Duration;

use forebay_tests::recording::{Recording, marks};
use forebay_tests::truth::ledger;
use forebay_tests::{
    Camera, Configuration, Relay, SiteServer, footage, fresh_folder, listed, mp4_files, unix_now,
    wait_for,
};

use crate::{SCRATCH, beside};

const CAMERA: &str = "gate";
const FPS: f64 = 25.0;
const HOUR: f64 = 3600.0;
const WAIT_MAX: Duration = Duration::from_secs(60);
/// How far a capture time may be off, on a loopback link.
const OFF_MAX: f64 = 0.1;

/// Of libfaketime, where it is installed.
pub(crate) fn library() -> Option<PathBuf> {
    let known = Path::new("/usr/lib").read_dir().ok()?.flatten();
    known
        .map(|entry| entry.path().join("faketime/libfaketimeMT.so.1"))
        .find(|path| path.is_file())
}

/// Sets the clock so many seconds off, in one step.
pub(crate) fn set(file: &Path, seconds: i64) {
    let draft = file.with_extension("draft");
    fs::write(&draft, format!("{seconds:+}s\n")).unwrap();
    fs::rename(&draft, file).unwrap();
}

#[test]
fn a_clock_that_is_set_an_hour_off_spoils_nothing() {
    let Some(library) = library() else {
        assert!(
            std::env::var_os("CI").is_none(),
            "libfaketime is not installed"
        );
        println!("libfaketime is not installed: skipped");
        return;
    };
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "clock");
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let options = "--streams 1 --bitrate 400000 --size 320x180 --gop 25";
    let site = SiteServer::start(program, &options.split(' ').collect::<Vec<_>>());
    let offset = folder.join("offset");
    set(&offset, 0);
    let configuration = Configuration::new(&folder)
        .segment_seconds(2)
        .camera(Camera {
            name: CAMERA.into(),
            url: site.urls[0].clone(),
            ..Camera::default()
        })
        .extra("\n[ladder]\nfootage_days = 1\n")
        .variable("LD_PRELOAD", &library)
        .variable("FAKETIME_TIMESTAMP_FILE", &offset)
        .variable("FAKETIME_NO_CACHE", "1")
        .variable("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .variable("NO_FAKE_STAT", "1");
    // Half an hour too young to go, and old enough by a clock that is an hour ahead.
    let archive = configuration.archive();
    let old = footage::record(
        &archive,
        CAMERA,
        unix_now() - 24.0 * HOUR + HOUR / 2.0,
        2,
        1,
        "-c:v libx264 -g 10 -c:a aac",
    );
    let all = || mp4_files(&archive.join(CAMERA).join("footage"));
    let relay = Relay::start(&configuration);
    let mut steps = Vec::new();
    for seconds in [0, 3600, 0, -3600, 0] {
        set(&offset, seconds);
        steps.push((unix_now(), seconds as f64));
        let before = all().len();
        let more = wait_for(WAIT_MAX, || (all().len() >= before + 2).then_some(()));
        assert!(more.is_some(), "{seconds}: {}", relay.log());
        // Longer than a tick of all that looks at the clock.
        sleep(Duration::from_secs(2));
    }
    let metrics = relay.metrics();
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);

    // It was told of.
    let told = metrics.sum(
        "forebay_camera_home_clock_steps_total",
        &[("camera", CAMERA)],
    );
    assert!(told >= Some(4.0), "{told:?}");
    assert!(
        stopped
            .log
            .contains("the clock was set, or the computer slept")
    );
    // Nothing grew old by it.
    let gone = metrics.sum("forebay_ladder_objects_total", &[]);
    assert!(gone.unwrap_or(0.0) == 0.0, "{gone:?}");
    assert!(old.is_file());
    // Nothing was overwritten, and all is listed as it is.
    let listed = listed::read(&archive, &[]);
    assert_eq!(listed::wrong(&archive, &listed), Vec::<String>::new());
    let scrub = Command::new(Relay::program())
        .args(["scrub", "--config"])
        .arg(configuration.folder().join("forebay.toml"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&scrub.stdout);
    assert!(scrub.status.success(), "{said}");

    // Each picture is there, at its time by the clock as it was.
    let files: Vec<_> = all().into_iter().filter(|file| *file != old).collect();
    let mut numbers = BTreeMap::new();
    let mut wrong = Vec::new();
    let mut worst: f64 = 0.0;
    for recording in Recording::read_marks(&files) {
        let name = recording.file.file_name().unwrap().to_owned();
        for mark in marks(&[recording]) {
            let twice = numbers.insert(mark.number, mark.captured);
            assert!(twice.is_none(), "picture {} is there twice", mark.number);
            let Some(told) = mark.told else { continue };
            let ahead = told - mark.captured;
            let nearest = (ahead / HOUR).round() * HOUR;
            worst = worst.max((ahead - nearest).abs());
            let step = steps.iter().rev().find(|(at, _)| *at <= mark.captured);
            let right = step.map_or(0.0, |(_, seconds)| *seconds);
            // A step within the picture's own way to the disk may be noticed a moment later.
            let at_step = steps.iter().any(|(at, _)| (mark.captured - at).abs() < 2.0);
            if (ahead - right).abs() > OFF_MAX && !at_step || (ahead - nearest).abs() > OFF_MAX {
                wrong.push(format!("{name:?}, picture {}: {ahead:.3} s", mark.number));
            }
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
    let (first, last) = (
        numbers.keys().next().unwrap(),
        numbers.keys().last().unwrap(),
    );
    let missing = (last - first + 1) - numbers.len() as u64;
    println!(
        "{} steps of an hour: {missing} of {} pictures missing ({:.2} s), capture times within {:.0} ms of \
         the clock that was set",
        steps.len() - 1,
        last - first + 1,
        missing as f64 / FPS,
        worst * 1000.0
    );
    assert_eq!(missing, 0);
    // Made anew from the files, the catalog tells the same.
    let before = ledger::ask(&configuration);
    ledger::rebuild(&configuration);
    let anew = ledger::ask(&configuration);
    assert!(
        (before[0].recorded - anew[0].recorded).abs() < 0.1,
        "{before:?}\n{anew:?}"
    );
}
