//! Films of what a relay has recorded, read by ffmpeg.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use forebay_tests::recording::{packets, pictures, rfc3339_of};
use forebay_tests::{Relay, fresh_folder, mp4_files, run};

use crate::clips::{named, near};
use crate::player::play;
use crate::{SCRATCH, beside};

/// Exit code of sysexits.h (BSD).
const USAGE: i32 = 64;

fn lapse(config: &Path, camera: &str, more: &[&str]) -> Output {
    let mut command = Command::new(Relay::program());
    command.args(["lapse", camera, "--config"]).arg(config);
    command.args(more).stdin(Stdio::null()).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Makes a film of a camera's key frames and holds `intra.mp4` against the footage,
/// which is that of `archive`, or a copy of it.
pub(crate) fn check_key_frames(config: &Path, camera: &str, archive: &Path, out: &Path) {
    let footage = mp4_files(&archive.join(camera).join("footage"));
    let times: Vec<f64> = footage.iter().map(|file| named(file)).collect();
    let clock = |unix: f64| rfc3339_of(unix)[11..19].to_owned();
    let first = times.iter().copied().fold(f64::MAX, f64::min);
    let last = times.iter().copied().fold(0.0, f64::max);
    let window = format!("{}-{}", clock(first), clock(last + 10.0));
    let taste = out.with_extension("toml");
    fs::write(&taste, "least = 0\n").unwrap();
    let options = [
        "--source",
        "key-frames",
        "--zone",
        "UTC",
        "--every",
        "1s",
        "--align",
        "none",
        "--date",
        "%Y-%m-%d",
        "--jobs",
        "1",
        "--window",
        &window,
        "--taste",
        taste.to_str().unwrap(),
    ];
    let planned = lapse(config, camera, &[&options[..], &["--plan"]].concat());
    let plan = said(&planned);
    assert!(planned.status.success(), "{plan}");
    assert!(
        plan.contains("places in the film") && plan.contains("It will take about"),
        "{plan}"
    );
    assert!(!out.exists());
    let made = lapse(
        config,
        camera,
        &[&options[..], &["--out", out.to_str().unwrap()]].concat(),
    );
    assert!(made.status.success(), "{}", said(&made));

    let table = fs::read_to_string(out.join("frames/frames.csv")).unwrap();
    let rows: Vec<Vec<&str>> = table
        .lines()
        .skip(1)
        .map(|line| line.split(',').collect())
        .collect();
    assert!(rows.len() >= 2, "{table}");
    assert_eq!(pictures(&out.join("film.mp4")), rows.len());
    let mut recorded = BTreeMap::new();
    for file in footage {
        let hashes: Vec<String> = packets(&file)
            .into_iter()
            .map(|packet| packet.sha256)
            .collect();
        recorded.insert(
            file.file_name().unwrap().to_str().unwrap().to_owned(),
            hashes,
        );
    }
    // A row for each frame of the film: its fifth field is where it was recorded.
    let taken: Vec<&str> = rows
        .iter()
        .filter(|row| row[1] == "frame")
        .map(|row| row[4])
        .collect();
    let intra = packets(&out.join("intra.mp4"));
    assert_eq!(intra.len(), taken.len(), "{table}");
    for (packet, source) in intra.iter().zip(&taken) {
        let file = source
            .rsplit('/')
            .next()
            .unwrap()
            .split('#')
            .next()
            .unwrap();
        assert!(
            recorded[file].contains(&packet.sha256),
            "{source}: {packet:?}"
        );
    }
    let flags = run(Command::new("ffprobe")
        .args([
            "-v",
            "error",
            "-show_entries",
            "packet=flags",
            "-of",
            "csv=p=0",
        ])
        .arg(out.join("intra.mp4")));
    let flags = String::from_utf8(flags.stdout).unwrap();
    assert!(flags.lines().all(|flag| flag.starts_with('K')), "{flags}");
    assert_eq!(pictures(&out.join("intra.mp4")), taken.len());

    // All of it is done, and the same command has nothing left to do.
    let film = fs::read(out.join("film.mp4")).unwrap();
    let again = lapse(
        config,
        camera,
        &[&options[..], &["--out", out.to_str().unwrap()]].concat(),
    );
    assert!(again.status.success(), "{}", said(&again));
    assert!(fs::read(out.join("film.mp4")).unwrap() == film);
}

#[test]
fn key_frames_of_the_demo_become_a_film() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "lapse");
    let mut demo = Command::new(Relay::program());
    run(demo
        .args(["demo", "--for", "12s", "--dir"])
        .arg(&folder)
        .stdin(Stdio::null()));
    let config = folder.join("forebay.toml");
    let archive = folder.join("archive");
    check_key_frames(&config, "slipway", &archive, &folder.join("film"));
    // A camera that was taken away still has its footage.
    let other = folder.join("other.toml");
    let text = fs::read_to_string(&config).unwrap();
    fs::write(
        &other,
        text.replace("name = \"slipway\"", "name = \"quay\""),
    )
    .unwrap();
    let options = [
        "--source",
        "key-frames",
        "--every",
        "1s",
        "--window",
        "00:00-23:59",
        "--plan",
    ];
    let planned = lapse(&other, "slipway", &options);
    assert!(planned.status.success(), "{}", said(&planned));

    let output = lapse(&config, "mooring", &["--length", "3s", "--plan"]);
    assert_eq!(output.status.code(), Some(USAGE));
    assert!(
        said(&output).contains("no such camera"),
        "{}",
        said(&output)
    );
}

/// Whoever codes it: a browser knows how long it is, shows pictures all the way, and finds any of them.
#[test]
fn films_play_in_a_browser() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "lapse-browser");
    let stills = folder.join("stills");
    fs::create_dir_all(&stills).unwrap();
    run(Command::new("ffmpeg")
        .args(
            "-v error -nostdin -f lavfi -i testsrc2=size=320x180:rate=1 -frames:v 60 -q:v 2"
                .split(' '),
        )
        .arg(stills.join("%d.jpg")));
    for nth in 0..60 {
        let (hour, minute) = (8 + nth / 6, nth % 6);
        let name = format!("gate-7_20260504_{hour:02}{minute}000.jpg");
        fs::rename(stills.join(format!("{}.jpg", nth + 1)), stills.join(name)).unwrap();
    }
    let taste = folder.join("taste.toml");
    fs::write(&taste, "least = 0\n").unwrap();
    for encoder in ["built-in", "ffmpeg"] {
        let out = folder.join(encoder);
        run(Command::new(Relay::program())
            .args("lapse --every 10m --window 08:00-18:00 --align none --encoder".split(' '))
            .arg(encoder)
            .arg("--frames")
            .arg(&stills)
            .arg("--taste")
            .arg(&taste)
            .arg("--out")
            .arg(&out)
            .stdin(Stdio::null()));
        assert_eq!(pictures(&out.join("film.mp4")), 60);
        let told = play(&out, "film.mp4", "1.2,0.4,2.3");
        assert_eq!((&told.error, told.size), (&None, [320, 180]), "{told:#?}");
        assert!(near(told.duration, 60.0 / 25.0, 0.01), "{told:#?}");
        assert!(near(told.ended, told.duration, 0.05), "{told:#?}");
        assert_eq!(told.sought, [1.2, 0.4, 2.3], "{told:#?}");
        // A busy machine leaves pictures out.
        assert!(told.pictures.len() >= 5, "{told:#?}");
    }
}
