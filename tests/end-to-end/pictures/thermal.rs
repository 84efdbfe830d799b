//! A thermal camera: pictures in luma alone, which the built-in decoder does not do. With the ffmpeg
//! that the operator names they come all the same; without it that is said, once, and everything is
//! recorded in either case.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::sleep;
use std::time::Duration;

use forebay_tests::{
    Camera, Configuration, Metrics, Peer, Relay, Stopped, fresh_folder, mp4_files, run, silent,
    wait_for,
};

use crate::{SCRATCH, alone};

const CAMERA: &str = "mast-crane";
/// For the first picture that is decoded, on a busy machine.
const PICTURE_MAX: Duration = Duration::from_secs(60);
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

/// Runs a relay on the camera until its metrics are as they should be.
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
    let seen = wait_for(PICTURE_MAX, || is_there(&relay.metrics()).then_some(()));
    assert!(
        seen.is_some(),
        "{}\n{}",
        relay.metrics().text(),
        relay.log()
    );
    // More key frames come meanwhile: whatever is said of them is said by then.
    sleep(Duration::from_secs(12));
    let page = relay.metrics();
    let stopped = relay.stop();
    let files = mp4_files(&configuration.archive().join(CAMERA).join("footage"));
    assert!(files.len() >= 2, "{files:?}");
    (stopped, page)
}

fn sum(page: &Metrics, name: &str) -> f64 {
    let labels = [("camera", CAMERA), ("stream", "main")];
    page.sum(name, &labels).unwrap_or_default()
}

#[test]
fn with_ffmpeg_a_thermal_camera_has_pictures() {
    let _alone = alone();
    let pictures = "\n[pictures]\nffmpeg = \"/usr/bin/ffmpeg\"\n";
    let decoded = |page: &Metrics| sum(page, "forebay_pictures_decoded_total") >= 1.0;
    let (stopped, page) = watch("thermal", pictures, decoded);
    assert_eq!(sum(&page, "forebay_picture_undecodable"), 0.0);
    assert!(sum(&page, "forebay_pictures_decoded_total") >= 2.0);
    let shown = page.sum("forebay_sink_pictures_total", &[("sink", "motion")]);
    assert!(shown >= Some(2.0), "{shown:?}");
    assert!(stopped.status.success(), "{}", stopped.log);
}

#[test]
fn without_it_what_is_missing_is_said_once() {
    let _alone = alone();
    let told = |page: &Metrics| sum(page, "forebay_picture_undecodable") == 1.0;
    let (stopped, page) = watch("thermal-plain", "", told);
    assert_eq!(sum(&page, "forebay_pictures_decoded_total"), 0.0);
    let kind = [("camera", CAMERA), ("kind", "undecodable")];
    assert_eq!(page.sum("forebay_findings_total", &kind), Some(1.0));
    let lines = stopped.log.lines();
    let says: Vec<_> = lines.filter(|line| line.contains("monochrome")).collect();
    assert_eq!(says.len(), 1, "{says:?}");
    assert!(says[0].contains("[pictures] ffmpeg"), "{}", says[0]);
}
