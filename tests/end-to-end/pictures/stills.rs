//! Stills of a camera whose pictures say when they were taken: on time, late after an outage, and
//! told in findings and metrics.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::sleep;
use std::time::Duration;

use forebay_site::{CameraSpec, StripStamp, read_strip};
use forebay_tests::recording::unix_of_rfc3339;
use forebay_tests::{
    Camera, Configuration, Metrics, Relay, fresh_folder, silent, unix_now, wait_for,
};
use serde_json::Value;

use crate::bad_cameras::site::Running;
use crate::{SCRATCH, beside};

const SIZE: (usize, usize) = (320, 180);
/// From key frame to key frame.
const GROUP_SECONDS: f64 = 2.0;
/// Between what the picture says and the file: the clock's error on a machine that is busy.
const CLOCK_SECONDS: f64 = 0.5;
/// Of the schedule below.
const EVERY_SECONDS: f64 = 120.0;
/// The plugin's own bound, beyond which a still is late. So far before the next instant a picture
/// is that one's, so that with a still each minute none is ever late.
const NEAR_SECONDS: f64 = 30.0;

const SINK: &str = "
[[sink]]
name = \"daily\"
plugin = \"builtin:stills\"
cameras = [\"*\"]
[sink.settings]
every_minutes = 2
quality = 95
";

/// Files with that ending below a folder, by path.
fn files(folder: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        let Ok(entries) = std::fs::read_dir(&folder) else {
            continue;
        };
        for path in entries.map(|entry| entry.unwrap().path()) {
            if path.is_dir() {
                open.push(path);
            } else if path
                .extension()
                .is_some_and(|extension| extension == ending)
            {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// What a still's pixels say, decoded by ffmpeg.
fn painted(still: &Path) -> StripStamp {
    let input = still.to_str().unwrap();
    let as_gray = [
        "-v", "error", "-i", input, "-pix_fmt", "gray", "-f", "rawvideo", "-",
    ];
    let luma = silent(Command::new("ffmpeg").args(as_gray)).stdout;
    let (width, height) = SIZE;
    assert_eq!(luma.len(), width * height, "{input}");
    read_strip(&luma, width, height).unwrap_or_else(|| panic!("{input}: no strip"))
}

/// Sleeps until the clock is so many seconds after an instant of the schedule.
fn sleep_to(second: f64) {
    let rest = (second - unix_now()).rem_euclid(EVERY_SECONDS);
    sleep(Duration::from_secs_f64(rest));
}

fn texts<'a>(findings: &'a [Value], kind: &str) -> Vec<&'a str> {
    let of_kind = findings.iter().filter(|finding| finding["kind"] == kind);
    of_kind
        .map(|finding| finding["text"].as_str().unwrap())
        .collect()
}

#[test]
fn stills_show_the_instant_that_they_are_named_by() {
    // Minutes of waiting for the clock: others may use the machine meanwhile.
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "stills");
    let (width, height) = SIZE;
    let spec = CameraSpec {
        width,
        height,
        ..CameraSpec::new("slipway")
    };
    let site = Running::start(vec![spec]);
    let [camera] = site.cameras.as_slice() else {
        panic!("one camera");
    };
    let configuration = Configuration::new(&folder)
        .camera(Camera {
            name: "slipway".into(),
            url: camera.url(),
            ..Camera::default()
        })
        .extra(SINK);
    let relay = Relay::start(&configuration);
    let stills = configuration.archive().join("slipway").join("stills");
    let wait_for_more = |than: usize| {
        let found = wait_for(Duration::from_secs(150), || {
            let found = files(&stills, "jpg");
            (found.len() > than).then_some(found.len())
        });
        found.unwrap_or_else(|| panic!("no still after {than} of them:\n{}", relay.log()))
    };

    // Without power when a still is wanted, and so long before that no key frame is near.
    sleep_to(EVERY_SECONDS - NEAR_SECONDS - 15.0);
    let before = files(&stills, "jpg").len();
    camera.power(false);
    sleep_to(40.0);
    camera.power(true);
    let late = wait_for_more(before);
    wait_for_more(late);
    let own = |page: &Metrics, name| {
        let labels = [("sink", "daily"), ("camera", "slipway"), ("name", name)];
        page.sum("forebay_plugin_events_total", &labels)
    };
    // The plugin counts a still behind its publishing.
    let counted = wait_for(Duration::from_secs(30), || {
        let page = relay.metrics();
        (own(&page, "stills") == Some(files(&stills, "jpg").len() as f64)).then_some(page)
    });
    let page = counted.unwrap_or_else(|| relay.metrics());
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);

    let found = files(&stills, "jpg");
    let mut late = 0;
    for still in &found {
        let name = still.file_stem().unwrap().to_str().unwrap();
        let named = unix_of_rfc3339(name).unwrap_or_else(|| panic!("{name} is no time"));
        let stamp = painted(still);
        let shown = stamp.capture_ms as f64 / 1e3;
        println!("{name}: number {}, {:.3} s off", stamp.frame, shown - named);
        assert!(
            (shown - named).abs() < CLOCK_SECONDS,
            "{name} shows {shown}"
        );
        let off = (named + NEAR_SECONDS).rem_euclid(EVERY_SECONDS) - NEAR_SECONDS;
        if off.abs() > GROUP_SECONDS / 2.0 + CLOCK_SECONDS {
            late += 1;
        }
    }
    assert_eq!(late, 1, "{found:?}");

    let lines = files(
        &configuration.archive().join("slipway").join("findings"),
        "jsonl",
    );
    let text: String = lines
        .iter()
        .map(|path| std::fs::read_to_string(path).unwrap())
        .collect();
    let findings: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    for kind in ["still", "sharpness", "brightness"] {
        assert_eq!(
            texts(&findings, kind).len(),
            found.len(),
            "{kind}: {findings:#?}"
        );
    }
    let said = texts(&findings, "still-late");
    assert_eq!(said.len(), 1, "{findings:#?}");
    let seconds: f64 = said[0].split(' ').next().unwrap().parse().unwrap();
    assert!((40.0 - CLOCK_SECONDS..60.0).contains(&seconds), "{said:?}");
    assert_eq!(texts(&findings, "still-missed"), [""; 0]);

    assert_eq!(own(&page, "stills"), Some(found.len() as f64));
    assert_eq!(
        (own(&page, "stills_late"), own(&page, "stills_missed")),
        (Some(1.0), Some(0.0))
    );
    assert_eq!(page.sum("forebay_plugin_ends_total", &[]), Some(0.0));
}
