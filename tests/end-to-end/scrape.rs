//! `/metrics` as Prometheus meets it.

use std::fs;
use std::io::Write;
use std::net::{Ipv4Addr, TcpListener};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::LazyLock;
use std::thread::sleep;
use std::time::Duration;

use forebay_tests::{
    Camera, Configuration, Metrics, Peer, Relay, Running, fresh_folder, http_get, wait_for,
};
use serde_json::Value;

use crate::{SCRATCH, beside};

/// A page, and what Prometheus answered, after some seconds of recording.
struct Scraped {
    page: Metrics,
    up: Option<f64>,
    units: Option<f64>,
    /// Units that the camera had sent when the page was taken, about.
    sent: usize,
    health: (u16, u16),
}

static SCRAPED: LazyLock<Scraped> = LazyLock::new(|| {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "scrape");
    let peer = Peer::start(
        &folder,
        "slipway",
        "h264",
        &["--size", "320x180", "--audio", "pcma"],
    );
    let configuration = Configuration::new(&folder).camera(Camera {
        name: "slipway".into(),
        url: peer.url.clone(),
        ..Camera::default()
    });
    let relay = Relay::start(&configuration);
    let (prometheus, server) = prometheus(&folder, relay.address());
    let ask = |query: &str| wait_for(Duration::from_secs(15), || value(server, query));
    let up = ask("up == 1");
    sleep(Duration::from_secs(3));
    let units = ask("sum(forebay_camera_units_total) > 0");
    let page = relay.metrics();
    let sent = peer.journal();
    let status = |path| http_get(relay.address(), path).map_or(0, |(status, _)| status);
    let health = (status("/healthz"), status("/readyz"));
    drop(prometheus);
    assert!(relay.stop().status.success());
    Scraped {
        page,
        up,
        units,
        sent: sent.video.len(),
        health,
    }
});

/// Starts Prometheus; it scrapes the relay each second.
fn prometheus(folder: &Path, relay: std::net::SocketAddr) -> (Running, std::net::SocketAddr) {
    let listen = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .unwrap()
        .local_addr()
        .unwrap();
    let file = folder.join("prometheus.yml");
    let text = format!(
        "global: {{scrape_interval: 1s}}\nscrape_configs:\n\
         - job_name: forebay\n  static_configs: [{{targets: ['{relay}']}}]\n"
    );
    fs::write(&file, text).unwrap();
    let log = fs::File::create(folder.join("prometheus.log")).unwrap();
    let process = Running::start(
        Command::new("prometheus")
            .arg(format!("--config.file={}", file.display()))
            .arg(format!(
                "--storage.tsdb.path={}",
                folder.join("tsdb").display()
            ))
            .arg(format!("--web.listen-address={listen}"))
            .stdout(Stdio::null())
            .stderr(log),
    );
    (process, listen)
}

/// The single value of an instant query, or nothing yet.
fn value(server: std::net::SocketAddr, query: &str) -> Option<f64> {
    let escaped: String = query.bytes().map(|byte| format!("%{byte:02X}")).collect();
    let (status, body) = http_get(server, &format!("/api/v1/query?query={escaped}"))?;
    let answer: Value = (status == 200).then(|| serde_json::from_str(&body).ok())??;
    answer["data"]["result"][0]["value"][1]
        .as_str()?
        .parse()
        .ok()
}

#[test]
fn prometheus_scrapes_the_page() {
    assert_eq!(SCRAPED.up, Some(1.0));
    assert!(
        SCRAPED.units.is_some_and(|units| units > 25.0),
        "{:?}",
        SCRAPED.units
    );
}

#[test]
fn promtool_finds_nothing_to_say() {
    let mut tool = Running::start(
        Command::new("promtool")
            .args(["check", "metrics"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped()),
    );
    // It reads the older text format only.
    let page = SCRAPED.page.classic();
    tool.child()
        .stdin
        .take()
        .unwrap()
        .write_all(page.as_bytes())
        .unwrap();
    let status = tool.wait(Duration::from_secs(20)).expect("it ends");
    let mut said = String::new();
    std::io::Read::read_to_string(&mut tool.child().stderr.take().unwrap(), &mut said).unwrap();
    assert!(status.success() && said.is_empty(), "{said}\n{page}");
}

#[test]
fn the_page_is_open_metrics() {
    let mut parser = Running::start(
        Command::new("/usr/bin/python3")
            .args(["-c", PARSE])
            .stdin(Stdio::piped())
            .stderr(Stdio::piped()),
    );
    parser
        .child()
        .stdin
        .take()
        .unwrap()
        .write_all(SCRAPED.page.text().as_bytes())
        .unwrap();
    let status = parser.wait(Duration::from_secs(20)).expect("it ends");
    let mut said = String::new();
    std::io::Read::read_to_string(&mut parser.child().stderr.take().unwrap(), &mut said).unwrap();
    assert!(status.success(), "{said}\n{}", SCRAPED.page.text());
}

/// The reference parser of the OpenMetrics format, Debian's python3-prometheus-client.
const PARSE: &str = "
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as families
assert sum(1 for _ in families(sys.stdin.read())) > 10
";

#[test]
fn counters_count_what_was_sent() {
    let video = SCRAPED.page.sum(
        "forebay_camera_units_total",
        &[("camera", "slipway"), ("kind", "video")],
    );
    let video = video.expect("video units of the camera");
    let sent = SCRAPED.sent as f64;
    assert!(
        video <= sent && video > sent - 25.0,
        "{video} counted, {sent} sent"
    );
}

#[test]
fn health_and_readiness_say_yes() {
    assert_eq!(SCRAPED.health, (200, 200));
}
