//! What has grown for a long time: an archive that a generator of its own has written
//! (`tests/bench/growing.py`), and what the commands say of it beside what is true.
//!
//! `FOREBAY_GROWTH_DAYS` (10): of 8 cameras, a file each minute. Two years, and what they cost, are
//! `tests/bench/archive`.

use std::fs;
use std::path::Path;
use std::process::Command;

use forebay_tests::recording::unix_of_rfc3339;
use forebay_tests::{Relay, fresh_folder, run};
use serde_json::Value;

use crate::{SCRATCH, beside};

fn json(arguments: &[&str], config: &Path) -> Value {
    let mut command = Command::new(Relay::program());
    command
        .args(arguments)
        .args(["--format", "json", "--config"])
        .arg(config);
    serde_json::from_slice(&run(&mut command).stdout).unwrap()
}

fn seconds(value: &Value) -> f64 {
    unix_of_rfc3339(value.as_str().unwrap()).unwrap()
}

#[test]
fn a_grown_archive_is_told_as_it_is() {
    if Command::new("ffmpeg").arg("-version").output().is_err() {
        let ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!ci, "ffmpeg is missing");
        println!("skipped: ffmpeg is missing");
        return;
    }
    let days = std::env::var("FOREBAY_GROWTH_DAYS").unwrap_or_else(|_| "10".into());
    let _beside = beside();
    let parent = fresh_folder(SCRATCH, "growth");
    let folder = parent.join("yard");
    let generator = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench/archive");
    run(Command::new("python3")
        .arg(generator)
        .arg("make")
        .arg(&folder)
        .args(["--days", &days, "--end", "2026-05-04"])
        .env("FOREBAY_BIN", Relay::program()));
    let truth: Value =
        serde_json::from_slice(&fs::read(folder.join("truth.json")).unwrap()).unwrap();
    let config = folder.join("forebay.toml");
    let archive = folder.join("archive");

    // A day, by the ledger: each outage with its cause and nothing else, to a picture.
    let day = [
        "--from",
        "2026-05-03T00:00:00Z",
        "--to",
        "2026-05-04T00:00:00Z",
    ];
    let sheet = json(&[&["coverage"], &day[..]].concat(), &config);
    for account in sheet["sites"][0]["cameras"].as_array().unwrap() {
        let camera = account["camera"].as_str().unwrap();
        let expected = truth["cameras"][camera]["gaps"].as_array().unwrap();
        let from = unix_of_rfc3339("2026-05-03T00:00:00Z").unwrap();
        let expected: Vec<_> = expected
            .iter()
            .filter(|gap| seconds(&gap[0]) >= from)
            .collect();
        // The last half second of the last run has no run that follows.
        let last = unix_of_rfc3339("2026-05-03T23:59:59.5Z").unwrap();
        let gaps = account["gaps"].as_array().unwrap();
        assert_eq!(gaps.len(), expected.len(), "{camera}: {gaps:?}");
        for (gap, expected) in gaps.iter().zip(&expected) {
            assert_eq!(gap["cause"], expected[2], "{camera}: {gap}");
            for (edge, at) in [("begin", 0), ("end", 1)] {
                let off = seconds(&gap[edge]) - seconds(&expected[at]).min(last);
                assert!(off.abs() < 0.15, "{camera}: {gap} {expected}");
            }
        }
    }

    // Of all days: what the catalog says lies there is what was published.
    let ahead = json(&["ladder", "--dry-run", "--days", "1"], &config);
    let stills = 600_000 * 66 * 8 * days.parse::<u64>().unwrap();
    let cameras = ahead["days"][0]["cameras"].as_array().unwrap();
    let sum = |form: &str| -> u64 {
        let held = cameras.iter().map(|camera| camera[form].as_u64().unwrap());
        held.sum()
    };
    assert_eq!(sum("footage_bytes"), truth["bytes"].as_u64().unwrap());
    assert_eq!(sum("stills_bytes"), stills);

    // What really is there is whole; what is not is missing, and nothing else is wrong.
    let real = [
        "--from",
        "2026-05-03T23:30:00Z",
        "--to",
        "2026-05-04T00:00:00Z",
    ];
    let mut command = Command::new(Relay::program());
    command
        .args(["scrub", "gate", "--format", "json"])
        .args(real)
        .arg("--config")
        .arg(&config);
    let told: Value = serde_json::from_slice(&command.output().unwrap().stdout).unwrap();
    let faults = told["faults"].as_array().unwrap();
    let whole = told["objects"].as_u64().unwrap();
    assert!(whole > 20, "{told}");
    for fault in faults {
        assert_eq!(fault["fault"], "missing", "{fault}");
        let path = fault["path"].as_str().unwrap();
        assert!(!archive.join(path).exists(), "{fault}");
    }
    assert!((faults.len() as u64) < whole / 2, "{told}");

    // A clip of footage with two years before it, from the manifests' and journals' files.
    let out = parent.join("clip");
    let mut command = Command::new(Relay::program());
    command
        .args(["clip", "gate"])
        .args(real)
        .arg("--out")
        .arg(&out)
        .arg("--config")
        .arg(&config);
    run(&mut command);
    let clip: Value =
        serde_json::from_slice(&fs::read(out.join("manifest.json")).unwrap()).unwrap();
    for source in clip["sources"].as_array().unwrap() {
        assert_eq!(source["verified"], true, "{source}");
    }
    // A day a folder: no folder has more than its minutes.
    for camera in truth["cameras"].as_object().unwrap().keys() {
        let newest = archive.join(camera).join("footage/2026-05-03");
        let files = fs::read_dir(newest).unwrap().count();
        assert!((1..=1440).contains(&files), "{files}");
    }
}
