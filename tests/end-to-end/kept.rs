//! Plugins that were compiled against an earlier version of the interface stay loadable for good:
//! `tests/guests/kept` has them as files, which are never built anew. Each uses all that its world
//! had; its source then was that of `tests/guests/examples/kept_*.rs`.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use forebay_tests::{Camera, Configuration, Relay, fresh_folder, wait_for};

use crate::bad_guests::session::site;
use crate::{SCRATCH, beside};

/// Largest file: what is committed is there for good.
const BYTES_MAX: u64 = 150_000;
/// With the compiling of the components, on a busy machine.
const WORK_MAX: Duration = Duration::from_secs(120);

/// The folders below `tests/guests/kept`, each a version.
fn versions() -> Vec<String> {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("guests/kept");
    let folders = fs::read_dir(&kept).unwrap().map(|entry| entry.unwrap());
    let folders = folders.filter(|entry| entry.file_type().unwrap().is_dir());
    let mut names: Vec<String> = folders
        .map(|entry| entry.file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn file(version: &str, world: &str) -> PathBuf {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("guests/kept");
    kept.join(version).join(format!("{world}.wasm"))
}

/// All files of a purpose, with what is in them.
fn objects(archive: &Path, extension: &str) -> Vec<Vec<u8>> {
    let days = fs::read_dir(archive.join("gate/kept")).unwrap();
    let files = days.flat_map(|day| fs::read_dir(day.unwrap().path()).unwrap());
    let files = files.map(|entry| entry.unwrap().path());
    files
        .filter(|path| path.extension().is_some_and(|is| is == extension))
        .map(|path| fs::read(path).unwrap())
        .collect()
}

#[test]
fn plugins_of_every_version_still_work() {
    let versions = versions();
    assert_eq!(versions.first().map(String::as_str), Some("0.1.0"));
    for version in versions {
        work(&version);
    }
}

fn work(version: &str) {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, &format!("kept-{version}"));
    let mut sinks = String::new();
    for world in ["sink", "analyzer"] {
        let plugin = file(version, world);
        let size = fs::metadata(&plugin).unwrap().len();
        assert!(size < BYTES_MAX, "{} has {size} bytes", plugin.display());
        sinks += &format!(
            "\n[[sink]]\nname = \"kept-{world}\"\nplugin = {plugin:?}\n\
             [sink.settings]\nversion = {version:?}\n"
        );
    }
    let site = site();
    // The second camera stands for the first one's small stream.
    let [url, analysis_url] = [0, 1].map(|index| site.urls[index].clone());
    let configuration = Configuration::new(&folder)
        .camera(Camera {
            name: "gate".into(),
            extra: format!("analysis_url = {analysis_url:?}\n"),
            url,
            ..Camera::default()
        })
        .extra(&sinks);
    let relay = Relay::start(&configuration);
    // Counters of the plugins' own: how often each must have counted, and what that shows.
    let wanted = [
        ("kept-sink", "units", 100.0),
        ("kept-sink", "tracks", 1.0),
        ("kept-sink", "ticks", 5.0),
        ("kept-analyzer", "pictures", 5.0),
        ("kept-analyzer", "answers", 1.0),
        ("kept-analyzer", "ticks", 5.0),
        ("kept-analyzer", "wanted", 5.0),
    ];
    let lacking = || {
        let page = relay.metrics();
        wanted.into_iter().find(|(sink, name, least)| {
            let labels = [("sink", *sink), ("name", *name)];
            let count = page.sum("forebay_plugin_events_total", &labels);
            count.unwrap_or_default() < *least
        })
    };
    let worked = wait_for(WORK_MAX, || lacking().is_none().then_some(()));
    let page = relay.metrics();
    let stopped = relay.stop();
    drop(site);
    let log = &stopped.log;
    assert!(worked.is_some(), "{version}: see\n{}\n{log}", page.text());

    assert!(!log.contains("amiss: "), "{version}: {log}");
    for sink in ["kept-sink", "kept-analyzer"] {
        let labels = [("sink", sink)];
        let sum = |name: &str| page.sum(name, &labels).unwrap_or_default();
        for none in [
            "forebay_plugin_ends_total",
            "forebay_plugin_errors_total",
            "forebay_plugin_limit_hits_total",
        ] {
            assert_eq!(sum(none), 0.0, "{version}: {none} of {sink}: {log}");
        }
        let told = format!("kept: gate {sink} {{\\\"version\\\":\\\"{version}\\\"}}");
        assert!(log.contains(&told), "{version}: no {told:?} in {log}");
        assert!(
            sum("forebay_plugin_level") > 0.0,
            "{version}: gauge of {sink}"
        );
        let observed = sum("forebay_plugin_observed_count");
        assert!(observed > 0.0, "{version}: histogram of {sink}");
    }
    assert_eq!(log.matches("kept: stopped").count(), 2, "{version}: {log}");

    // What the sink wrote: a line, and a payload twice.
    let files = objects(&configuration.archive(), "bin");
    assert!(!files.is_empty(), "{version}: the sink made no file");
    for file in files {
        let twice = file
            .strip_prefix(b"kept at 0.1.0\n")
            .expect("its patched line");
        let (written, read) = twice.split_at(twice.len() / 2);
        assert!(!written.is_empty() && written == read, "{version}");
    }
    // The analyzer's picture: 64 × 36, and as large as it says.
    let files = objects(&configuration.archive(), "pgm");
    let [picture] = files.as_slice() else {
        panic!("{version}: {} pictures", files.len());
    };
    let samples = picture.strip_prefix(b"P5 64 36 255\n").expect("its head");
    assert_eq!(samples.len(), 64 * 36, "{version}");
    // A scene, not a plane of one level.
    let least_and_most = (samples.iter().min(), samples.iter().max());
    assert!(least_and_most.0 < least_and_most.1, "{version}");

    let of = |name: &str, kind: &str| {
        let labels = [("sink", "kept-analyzer"), ("kind", kind)];
        page.sum(name, &labels).unwrap_or_default()
    };
    assert!(of("forebay_findings_total", "kept") >= 5.0, "{version}");
    assert_eq!(of("forebay_findings_total", "kept-state"), 1.0, "{version}");
    let score = of("forebay_finding_score", "kept");
    assert!(score > 0.05 && score < 0.95, "{version}: {score}");
    let lines = findings(&configuration.archive());
    let states = lines.lines().filter(|line| line.contains("\"kept-state\""));
    let phases: Vec<bool> = states.map(|line| line.contains("\"end\"")).collect();
    assert_eq!(phases, [false, true], "{version}: {lines}");
}

/// What stands in the camera's files of findings.
fn findings(archive: &Path) -> String {
    let days = fs::read_dir(archive.join("gate/findings")).unwrap();
    let mut files: Vec<PathBuf> = days
        .flat_map(|day| fs::read_dir(day.unwrap().path()).unwrap())
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    let texts = files.iter().map(|file| fs::read_to_string(file).unwrap());
    texts.collect()
}
