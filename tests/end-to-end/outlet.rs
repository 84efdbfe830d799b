//! What others may look at over HTTP, read by programs that share no code with the relay: live and
//! recorded, over outages, by many, by slow ones, and by those who mean no good.

mod abuse;
mod events;
mod footage;
mod live;
mod page;
mod players;
mod schema;
mod viewers;

use std::fs::{self, File};
use std::path::Path;
use std::process::{Command, Stdio};

use forebay_tests::{Camera, Configuration, Relay, Running, SiteServer};

/// A camera `slipway` of the simulated site, in 25 pictures a second with a key frame each second.
fn site(options: &[&str]) -> SiteServer {
    let program = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let usual = ["--streams", "1", "--bitrate", "1000000", "--gop", "25"];
    SiteServer::start(program, &[&usual[..], options].concat())
}

fn configuration(folder: &Path, site: &SiteServer) -> Configuration {
    Configuration::new(folder).camera(Camera {
        name: "slipway".into(),
        url: site.urls[0].clone(),
        ..Camera::default()
    })
}

/// Waits until a camera has sent so many pictures.
fn wait_for_pictures(relay: &Relay, camera: &str, number: f64) {
    let labels = [("camera", camera), ("kind", "video")];
    let there = forebay_tests::wait_for(std::time::Duration::from_secs(120), || {
        let units = relay.metrics().sum("forebay_camera_units_total", &labels);
        (units.unwrap_or(0.0) >= number).then_some(())
    });
    assert!(there.is_some(), "no pictures of {camera}:\n{}", relay.log());
}

/// How often the site's camera was connected to.
fn connections(site: &mut SiteServer) -> u64 {
    let told = site.order(&serde_json::json!({"do": "tell"})).unwrap();
    told["cameras"][0]["connections"].as_u64().unwrap()
}

/// GStreamer that decodes what is at an address, and writes what it says into a file. What is live has no
/// end: it goes on until it is dropped.
fn gstreamer(url: &str, demux: &str, log: &Path) -> Running {
    const DECODE: &str =
        "! h264parse ! avdec_h264 ! identity silent=false name=count ! fakesink -v";
    let said = File::create(log).unwrap();
    Running::start(
        Command::new("gst-launch-1.0")
            .args(["souphttpsrc", &format!("location={url}")])
            .args(demux.split(' '))
            .args(DECODE.split(' '))
            .stderr(Stdio::from(said.try_clone().unwrap()))
            .stdout(Stdio::from(said)),
    )
}

/// What it has said, and how many pictures it has decoded.
fn decoded(log: &Path) -> (String, usize) {
    let said = fs::read_to_string(log).unwrap_or_default();
    let pictures = said.matches("last-message = chain").count();
    (said, pictures)
}
