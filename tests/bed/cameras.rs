//! Cameras at the far end of a link, with ffmpeg as the viewer.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use forebay_tests::bed::{self, Link, LinkSpec};
use forebay_tests::{Peer, SiteServer, fresh_folder, run};
use serde_json::json;

use crate::alone;

const SERVER: &str = env!("CARGO_BIN_EXE_site_server");

/// Whether the program is there; in CI it must be.
fn has(program: &str, arguments: &[&str]) -> bool {
    let runs = Command::new(program)
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    let found = runs.is_ok_and(|status| status.success());
    let in_ci = std::env::var_os("CI").is_some_and(|ci| ci == "true");
    assert!(found || !in_ci, "CI lacks {program} {arguments:?}");
    if !found {
        println!("skipped: no {program} {arguments:?}");
    }
    found
}

/// ffmpeg at home, which takes this many pictures and ends.
fn watch(link: &Link, url: &str, pictures: u32) -> Command {
    let mut command = link.home().command("ffmpeg");
    command.args([
        "-v",
        "error",
        "-nostdin",
        "-rtsp_transport",
        "tcp",
        "-i",
        url,
    ]);
    command.args([
        "-map",
        "0:v",
        "-c",
        "copy",
        "-frames:v",
        &pictures.to_string(),
    ]);
    command.args(["-f", "null", "-"]);
    command
}

/// Three cameras share one uplink, each on a port of its own; a short outage delays and loses
/// nothing.
#[test]
fn simulated_cameras_behind_one_uplink() {
    if !bed::or_skip() || !has("ffmpeg", &["-version"]) {
        return;
    }
    let _alone = alone();
    let link = Link::new(LinkSpec::default()).unwrap();
    let options = "--streams 3 --bitrate 2000000 --gop 25 --size 320x180 --queue 4000000";
    let options: Vec<&str> = options.split(' ').collect();
    let mut site = SiteServer::start_at(link.site(), Path::new(SERVER), &options);
    assert!(
        site.urls
            .iter()
            .all(|url| url.starts_with("rtsp://192.0.2.2:"))
    );
    let begin = Instant::now();
    let mut viewers: Vec<_> = site
        .urls
        .iter()
        .map(|url| watch(&link, url, 100).spawn().unwrap())
        .collect();
    std::thread::sleep(Duration::from_millis(2500));
    link.outage(Duration::from_millis(500));
    for viewer in &mut viewers {
        assert!(viewer.wait().unwrap().success());
    }
    let took = begin.elapsed();
    // 100 pictures are 4 s.
    assert!((4000..9000).contains(&took.as_millis()), "{took:?}");
    assert!(link.from_site().dropped_outage > 0);
    let told = site.order(&json!({"do": "tell"})).unwrap();
    for camera in told["cameras"].as_array().unwrap() {
        assert_eq!(camera["plays"], 1, "{camera}");
        // ffmpeg leaves while the camera has more for it.
        let dropped = camera["dropped"].as_array().unwrap();
        let sent = camera["sent"].as_u64().unwrap();
        assert!(
            sent >= 100 && dropped.iter().all(|number| number.as_u64() > Some(100)),
            "{camera}"
        );
    }
}

#[test]
fn the_site_takes_orders() {
    let mut site = SiteServer::start(
        Path::new(SERVER),
        &[
            "--streams",
            "1",
            "--size",
            "160x128",
            "--when-full",
            "close",
        ],
    );
    let order = json!({"do": "power", "camera": "camera-0", "on": false});
    site.order(&order).unwrap();
    let address = site.urls[0].strip_prefix("rtsp://").unwrap();
    let address = address.split('/').next().unwrap().parse().unwrap();
    let connect = || std::net::TcpStream::connect_timeout(&address, Duration::from_millis(300));
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(connect().unwrap_err().kind(), std::io::ErrorKind::TimedOut);
    site.order(&json!({"do": "power", "camera": "camera-0", "on": true}))
        .unwrap();
    std::thread::sleep(Duration::from_millis(200));
    assert!(connect().is_ok());
    site.order(&json!({"do": "reboot", "camera": "camera-0", "seconds": 60}))
        .unwrap();
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(
        connect().unwrap_err().kind(),
        std::io::ErrorKind::ConnectionRefused
    );
    for (wrong, word) in [
        (
            json!({"do": "power", "camera": "jetty", "on": true}),
            "jetty",
        ),
        (json!({"do": "dance"}), "dance"),
    ] {
        let said = site.order(&wrong).unwrap_err();
        assert!(said.contains(word), "{said}");
    }
}

/// GStreamer's server in the site's namespace, with a send buffer of its own: what the kernel says
/// of the connection while the link is down.
#[test]
fn a_camera_of_another_maker() {
    let import = "import gi; gi.require_version('GstRtspServer', '1.0'); \
                  from gi.repository import GstRtspServer";
    if !bed::or_skip() || !has("ffmpeg", &["-version"]) || !has("/usr/bin/python3", &["-c", import])
    {
        return;
    }
    let _alone = alone();
    let folder = fresh_folder(env!("CARGO_TARGET_TMPDIR"), "bed-peer");
    let link = Link::new(LinkSpec::default()).unwrap();
    let options = ["--send-buffer", "65536", "--bitrate", "4000"];
    let peer = Peer::start_at(link.site(), &folder, "gate", "h264", &options);
    assert!(peer.url.starts_with("rtsp://192.0.2.2:"), "{}", peer.url);
    let mut viewer = watch(&link, &peer.url, 150).spawn().unwrap();
    std::thread::sleep(Duration::from_secs(3));
    link.outage(Duration::from_secs(1));
    std::thread::sleep(Duration::from_millis(900));
    let said = run(link
        .site()
        .command("ss")
        .args(["-tmn", "state", "established"]));
    let text = String::from_utf8(said.stdout).unwrap();
    // ss(8): tb is the send buffer's bound; the kernel makes twice what is asked (socket(7)).
    assert!(text.contains(",tb131072,"), "{text}");
    assert!(viewer.wait().unwrap().success());
    assert!(peer.journal().video.len() >= 150);
}
