//! From the camera's glass to the pixels of somebody who looks on: ffmpeg decodes what the outlet
//! sends, and the times that the camera has drawn into its pictures tell how late they are.

use std::io::Read as _;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use forebay::pictures::Source;
use forebay::units::CaptureTime;
use forebay_site::{StripStamp, read_strip};

use super::Yard;

const WIDTH: usize = 640;
const HEIGHT: usize = 360;
/// Of each way.
const PICTURES: usize = 60;

/// A picture that was decoded: what stands in it, and when it was there.
type Shown = (StripStamp, i64);

/// Decodes pictures of an address.
fn decode(url: &str, options: &[&str]) -> Vec<Shown> {
    let mut ffmpeg = Command::new("timeout")
        .args(["120", "ffmpeg", "-nostdin", "-v", "error", "-threads", "1"])
        .args(options)
        .args([
            "-i",
            url,
            "-f",
            "rawvideo",
            "-pix_fmt",
            "gray",
            "-fps_mode",
            "passthrough",
            "-",
        ])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = ffmpeg.stdout.take().unwrap();
    let mut picture = vec![0; WIDTH * HEIGHT];
    let mut shown = Vec::new();
    while shown.len() < PICTURES && out.read_exact(&mut picture).is_ok() {
        let now = CaptureTime::now().unix_nanos() / 1_000_000;
        let stamp = read_strip(&picture, WIDTH, HEIGHT).expect("the picture has its strip");
        shown.push((stamp, now));
    }
    ffmpeg.kill().ok();
    ffmpeg.wait().unwrap();
    shown
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn how_late_pictures_are_for_those_who_look_on() {
    if Command::new("ffmpeg").arg("-version").output().is_err() {
        return;
    }
    let yard = Yard::start().await;
    let hold = &yard.running.cameras[0].hold;
    while hold.key_frames().len() < 5 {
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let base = format!("http://{}/v1/cameras/slipway", yard.running.address);
    let fast = [
        "-fflags",
        "nobuffer",
        "-flags",
        "low_delay",
        "-probesize",
        "100000",
        "-analyzeduration",
        "0",
    ];
    for (leaf, options) in [
        ("live.mp4", &fast[..]),
        // Three segments from the end, played at their pace (RFC 8216 §6.3.3).
        ("live.m3u8", &["-live_start_index", "-3", "-re"]),
    ] {
        let url = format!("{base}/{leaf}");
        let options: Vec<String> = options.iter().map(|option| (*option).to_owned()).collect();
        let begin = Instant::now();
        let shown = tokio::task::spawn_blocking(move || {
            let options: Vec<&str> = options.iter().map(String::as_str).collect();
            decode(&url, &options)
        })
        .await
        .unwrap();
        assert_eq!(shown.len(), PICTURES, "{leaf}");
        let sent = yard.camera(Source::Main).sent();
        for (stamp, _) in &shown {
            let frame = sent
                .iter()
                .find(|frame| frame.number == u64::from(stamp.frame));
            let frame = frame.expect("the camera has sent it");
            assert_eq!(frame.capture_ns / 1_000_000, stamp.capture_ms);
        }
        assert!(
            shown
                .windows(2)
                .all(|pair| pair[0].0.frame < pair[1].0.frame),
            "{shown:?}"
        );
        // What was there before somebody looked is late for that; behind it are those that came.
        let mut late: Vec<_> = shown[30..]
            .iter()
            .map(|(stamp, now)| now - stamp.capture_ms)
            .collect();
        late.sort_unstable();
        println!(
            "{leaf}: from glass to pixel {} ms (median), {} to {} ms; the first picture after {:.1} s",
            late[late.len() / 2],
            late[0],
            late[late.len() - 1],
            begin.elapsed().as_secs_f64()
        );
        assert!(late[0] >= 0);
    }
    yard.stop().await;
}
