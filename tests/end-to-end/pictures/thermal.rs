//! A thermal camera: pictures in luma alone, which the built-in decoder does not do. With the ffmpeg
//! that the operator names they come all the same; without it that is said, once, and everything is
//! recorded in either case.

use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use forebay_tests::{
    Camera, Configuration, Metrics, Peer, Relay, Stopped, fresh_folder, mp4_files, run, silent,
    wait_for,
};

use crate::{SCRATCH, beside};

const CAMERA: &str = "mast-crane";
/// For two pictures that are decoded, ten seconds apart, on a busy machine.
const PICTURES_MAX: Duration = Duration::from_secs(120);
/// Of the camera, which has ten a second: more than from one picture that is decoded to the next.
const LATER_UNITS: f64 = 120.0;
const MOTION: &str = "\n[[sink]]\nname = \"motion\"\nplugin = \"builtin:motion\"\n";

/// Four seconds of High profile with `chroma_format_idc` 0, a key frame each second.
fn film(folder: &Path) -> PathBuf {
    let film = folder.join("thermal.h264");
    silent(
        Command::new("ffmpeg")
            .args(["-v", "error", "-f", "lavfi", "-i"])
            .args(["testsrc2=size=320x240:rate=10", "-t", "4", "-pix_fmt"])
            .args(["gray", "-c:v", "libx264", "-x264-params"])
            .args(["keyint=10:scenecut=0:threads=1", "-f", "h264"])
            .arg(&film),
    );
    let headers = run(Command::new("ffmpeg")
        .args(["-v", "verbose", "-i"])
        .arg(&film)
        .args(["-c", "copy", "-bsf:v", "trace_headers", "-f", "null", "-"]));
    let said = String::from_utf8_lossy(&headers.stderr);
    let mut lines = said.lines();
    let format = lines.find(|line| line.contains("chroma_format_idc"));
    assert!(
        format.is_some_and(|line| line.trim_end().ends_with("= 0")),
        "{format:?}"
    );
    film
}

/// The path of ffmpeg.
fn ffmpeg() -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut places = std::env::split_paths(&path).map(|folder| folder.join("ffmpeg"));
    let found = places.find(|place| place.is_file());
    found.unwrap_or_else(|| panic!("no ffmpeg in PATH, {path:?}"))
}

/// Runs a relay on the camera until its metrics are as they should be, and footage is published.
fn watch(name: &str, pictures: &str, is_there: impl Fn(&Metrics) -> bool) -> (Stopped, Metrics) {
    let folder = fresh_folder(SCRATCH, name);
    let film = film(&folder);
    let options = ["--fps", "10", "--file", film.to_str().unwrap()];
    let peer = Peer::start(&folder, CAMERA, "h264", &options);
    let configuration = Configuration::new(&folder)
        .camera(Camera {
            name: CAMERA.into(),
            url: peer.url.clone(),
            ..Camera::default()
        })
        .extra(MOTION)
        .extra(pictures);
    let relay = Relay::start(&configuration);
    let footage = configuration.archive().join(CAMERA).join("footage");
    let seen = wait_for(PICTURES_MAX, || {
        let page = relay.metrics();
        (is_there(&page) && !mp4_files(&footage).is_empty()).then_some(page)
    });
    let page = seen.unwrap_or_else(|| panic!("see\n{}\n{}", relay.metrics().text(), relay.log()));
    let stopped = relay.stop();
    // One that was published meanwhile, and the one that was open.
    let files = mp4_files(&footage);
    assert!(files.len() >= 2, "{files:?}");
    (stopped, page)
}

fn sum(page: &Metrics, name: &str) -> f64 {
    let labels = [("camera", CAMERA), ("stream", "main")];
    page.sum(name, &labels).unwrap_or_default()
}

#[test]
fn with_ffmpeg_a_thermal_camera_has_pictures() {
    let _beside = beside();
    let pictures = format!("\n[pictures]\nffmpeg = {:?}\n", ffmpeg());
    let shown = |page: &Metrics| {
        let shown = page.sum("forebay_sink_pictures_total", &[("sink", "motion")]);
        sum(page, "forebay_pictures_decoded_total") >= 2.0 && shown >= Some(2.0)
    };
    let (stopped, page) = watch("thermal", &pictures, shown);
    assert_eq!(sum(&page, "forebay_picture_undecodable"), 0.0);
    assert!(stopped.status.success(), "{}", stopped.log);
}

#[test]
fn without_it_what_is_missing_is_said_once() {
    let _beside = beside();
    // Once it is said, more key frames come: whatever is said of them is said by the end.
    let units_when_told = Cell::new(None);
    let told = |page: &Metrics| {
        let units = page.sum("forebay_camera_units_total", &[("camera", CAMERA)]);
        let (Some(units), 1.0) = (units, sum(page, "forebay_picture_undecodable")) else {
            return false;
        };
        let first = units_when_told.get().unwrap_or(units);
        units_when_told.set(Some(first));
        units - first >= LATER_UNITS
    };
    let (stopped, page) = watch("thermal-plain", "", told);
    assert_eq!(sum(&page, "forebay_pictures_decoded_total"), 0.0);
    let kind = [("camera", CAMERA), ("kind", "undecodable")];
    assert_eq!(page.sum("forebay_findings_total", &kind), Some(1.0));
    let lines = stopped.log.lines();
    let says: Vec<_> = lines.filter(|line| line.contains("monochrome")).collect();
    assert_eq!(says.len(), 1, "{says:?}");
    assert!(says[0].contains("[pictures] ffmpeg"), "{}", says[0]);
}
