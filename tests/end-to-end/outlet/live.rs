//! What is live: ffmpeg and GStreamer read it, from cameras of GStreamer's in H.264, H.265 and MJPEG.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use forebay_tests::http::{curl, get};
use forebay_tests::{Camera, Configuration, Peer, Relay, fresh_folder, run, script, wait_for};
use serde_json::Value;

use super::{decoded, gstreamer, wait_for_pictures};
use crate::{SCRATCH, alone};

/// For a program that reads some seconds of what is live.
const READ_MAX: &str = "60";

/// Sixty pictures, on a busy machine.
const GST_MAX: Duration = Duration::from_secs(120);

/// One relay, and a camera of each codec.
struct Yard {
    folder: PathBuf,
    relay: Relay,
    _peers: Vec<Peer>,
}

fn yard() -> Yard {
    let folder = fresh_folder(SCRATCH, "outlet-live");
    let mut configuration = Configuration::new(&folder);
    let mut peers = Vec::new();
    for (name, codec, audio, bframes) in [
        ("slipway", "h264", "aac", "0"),
        ("gate", "h265", "none", "0"),
        ("quay", "h264", "pcmu", "2"),
        ("mast-crane", "mjpeg", "none", "0"),
    ] {
        let options = [
            "--audio",
            audio,
            "--bframes",
            bframes,
            "--size",
            "320x180",
            "--gop",
            "25",
        ];
        let peer = Peer::start(&folder, name, codec, &options);
        configuration = configuration.camera(Camera {
            name: name.into(),
            url: peer.url.clone(),
            ..Camera::default()
        });
        peers.push(peer);
    }
    let relay = Relay::start(&configuration);
    for name in ["slipway", "gate", "quay", "mast-crane"] {
        wait_for_pictures(&relay, name, 90.0);
    }
    Yard {
        folder,
        relay,
        _peers: peers,
    }
}

impl Yard {
    fn url(&self, path: &str) -> String {
        format!("http://{}/v1/cameras/{path}", self.relay.address())
    }

    /// Copies some seconds of a stream, and says what is in them.
    fn copied(&self, path: &str, seconds: &str) -> Value {
        let to = self.folder.join(path.replace(['/', '.'], "-") + ".mkv");
        run(Command::new("timeout")
            .args([
                READ_MAX, "ffmpeg", "-nostdin", "-v", "error", "-xerror", "-y", "-i",
            ])
            .arg(self.url(path))
            .args(["-t", seconds, "-c", "copy", "-map", "0"])
            .arg(&to));
        probe(&to)
    }
}

fn probe(file: &Path) -> Value {
    let output = run(Command::new("ffprobe")
        .args([
            "-v",
            "error",
            "-of",
            "json",
            "-show_streams",
            "-count_packets",
            "-show_packets",
        ])
        .args([
            "-show_entries",
            "packet=stream_index,pts_time,dts_time,flags",
        ])
        .arg(file));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Codecs of the streams, and the times of the pictures.
fn seen(probed: &Value) -> (Vec<&str>, Vec<f64>) {
    let streams = probed["streams"].as_array().unwrap();
    let codecs = streams
        .iter()
        .map(|stream| stream["codec_name"].as_str().unwrap());
    let packets = probed["packets"].as_array().unwrap();
    let pictures = packets.iter().filter(|packet| packet["stream_index"] == 0);
    let times = pictures.map(|packet| packet["pts_time"].as_str().unwrap().parse().unwrap());
    let mut times: Vec<f64> = times.collect();
    times.sort_by(f64::total_cmp);
    (codecs.collect(), times)
}

/// Pictures are a twenty-fifth of a second apart, with no hole.
fn even(times: &[f64], path: &str) {
    assert!(times.len() > 60, "{path}: {times:?}");
    let holes: Vec<_> = times
        .windows(2)
        .filter(|pair| pair[1] - pair[0] > 0.3)
        .collect();
    assert!(holes.is_empty(), "{path}: {holes:?}");
}

/// Decodes some pictures by GStreamer.
fn by_gstreamer(yard: &Yard, demux: &str, path: &str) {
    let log = yard.folder.join("gst.log");
    let running = gstreamer(&yard.url(path), demux, &log);
    let enough = wait_for(GST_MAX, || (decoded(&log).1 >= 60).then_some(()));
    drop(running);
    assert!(enough.is_some(), "{path}: {}", decoded(&log).0);
}

#[test]
fn programs_of_others_read_what_is_live() {
    let _alone = alone();
    let yard = yard();
    let ways = [
        ("slipway/live.mp4", &["h264", "aac"][..]),
        ("slipway/live.m3u8", &["h264", "aac"]),
        ("gate/live.mp4", &["hevc"]),
        ("gate/live.m3u8", &["hevc"]),
        // With B pictures; sound that no browser plays in MP4 is left out.
        ("quay/live.mp4", &["h264"]),
        ("quay/live.m3u8", &["h264"]),
    ];
    let yard = &yard;
    std::thread::scope(|scope| {
        for (path, codecs) in ways {
            scope.spawn(move || {
                let probed = yard.copied(path, "5");
                let (found, times) = seen(&probed);
                assert_eq!(found, codecs, "{path}");
                even(&times, path);
            });
        }
        scope.spawn(|| playlists(yard));
    });
    by_gstreamer(yard, "! qtdemux", "slipway/live.mp4");
    by_gstreamer(yard, "! hlsdemux ! qtdemux", "slipway/live.m3u8");

    // What has no film says so, and has stills.
    let address = yard.relay.address();
    for leaf in ["live.mp4", "live.m3u8"] {
        let none = get(address, &format!("/v1/cameras/mast-crane/{leaf}"));
        assert_eq!(none.status, 404);
        let told = none.json();
        assert!(told["detail"].as_str().unwrap().contains("jpeg"), "{told}");
        assert!(
            told["advice"].as_str().unwrap().contains("still.jpg"),
            "{told}"
        );
    }
    for (name, format) in [
        ("slipway", "320,180"),
        ("gate", "320,180"),
        // RFC 2435 §3.1.5: in blocks of eight pixels.
        ("mast-crane", "320,184"),
    ] {
        let file = yard.folder.join("still.jpg");
        let head = curl(&yard.url(&format!("{name}/still.jpg")), &file, &[]);
        assert!(head.starts_with("HTTP/1.1 200"), "{name}: {head}");
        let shown = run(Command::new("ffprobe")
            .args([
                "-v",
                "error",
                "-of",
                "csv=p=0",
                "-show_entries",
                "stream=width,height",
            ])
            .arg(&file));
        assert_eq!(String::from_utf8_lossy(&shown.stdout).trim(), format);
        let tag = head
            .lines()
            .find_map(|line| line.strip_prefix("etag: "))
            .unwrap()
            .trim();
        assert!(head.contains("forebay-captured: 20"), "{head}");
        // A camera that has sent no other key frame since has the same picture.
        let again = curl(
            &yard.url(&format!("{name}/still.jpg")),
            &file,
            &["--header", &format!("If-None-Match: {tag}")],
        );
        let same = again.starts_with("HTTP/1.1 304");
        assert!(
            same || again.starts_with("HTTP/1.1 200") && !again.contains(tag),
            "{again}"
        );
    }
    let small = curl(
        &yard.url("slipway/still.jpg?side=160"),
        &yard.folder.join("small.jpg"),
        &[],
    );
    assert!(small.starts_with("HTTP/1.1 200"), "{small}");

    let cameras = get(address, "/v1/cameras").json();
    for camera in cameras["cameras"].as_array().unwrap() {
        assert!(
            matches!(camera["state"].as_str(), Some("fine")),
            "{camera:#}"
        );
        assert_eq!(camera["live"]["film"], camera["camera"] != "mast-crane");
    }
    assert_eq!(
        yard.relay.metrics().sum("forebay_task_failures_total", &[]),
        Some(0.0)
    );
}

/// The lists, by a parser of others (PyPI's m3u8).
fn playlists(yard: &Yard) {
    let Some(python) = std::env::var_os("FOREBAY_PYTHON") else {
        return;
    };
    for (name, codecs) in [("slipway", "avc1.42,mp4a.40.2"), ("gate", "hvc1.")] {
        let output = run(Command::new("timeout")
            .arg("90")
            .arg(&python)
            .arg(script("playlists.py"))
            .args(["--seconds", "8", "--codecs", codecs])
            .arg(yard.url(&format!("{name}/live.m3u8"))));
        println!("{name}: {}", String::from_utf8_lossy(&output.stdout).trim());
    }
}
