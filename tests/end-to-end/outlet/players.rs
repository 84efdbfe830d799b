//! Players of others go on over outages: ffmpeg, GStreamer and a parser of playlists read what is live,
//! each for as long as `FOREBAY_PLAYERS_SECONDS` says (default 24), and then what was recorded.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::{scope, sleep};
use std::time::{Duration, Instant};

use forebay_tests::recording::rfc3339_of;
use forebay_tests::{Relay, fresh_folder, run, script, unix_now, wait_for};
use serde_json::{Value, json};

use super::{configuration, decoded, gstreamer, site, wait_for_pictures};
use crate::{SCRATCH, alone};

/// Seconds for which the uplink is gone, again and again: within what the camera holds, and beyond.
const OUTAGES: [f64; 6] = [1.5, 4.0, 0.6, 12.0, 2.5, 25.0];
/// Between them.
const UP: f64 = 6.0;
/// For the last segment, and on a busy machine.
const MARGIN: u64 = 90;

fn seconds() -> u64 {
    let seconds = std::env::var("FOREBAY_PLAYERS_SECONDS");
    seconds.map_or(24, |text| text.parse().expect("FOREBAY_PLAYERS_SECONDS"))
}

/// Plays for so long, and gives what was said of any error. A film closes its gaps, so it is shorter
/// than that.
fn by_ffmpeg(url: &str, seconds: u64) -> String {
    let output = Command::new("timeout")
        .args(["--signal", "INT", &seconds.to_string()])
        .args(["ffmpeg", "-nostdin", "-v", "error", "-xerror", "-i", url])
        .args(["-progress", "pipe:1", "-f", "null", "-"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    let told = String::from_utf8_lossy(&output.stdout);
    let mut told = told.lines().rev();
    let frames = told.find_map(|line| line.strip_prefix("frame="));
    let frames: u64 = frames.map_or(0, |frames| frames.trim().parse().unwrap());
    println!("ffmpeg, {url}: {frames} pictures");
    // What timeout(1) says of a program that it has ended.
    let in_time = output.status.code() == Some(124);
    match in_time && said.is_empty() && frames >= 25 * seconds / 3 {
        true => String::new(),
        false => format!(
            "ffmpeg, {url}: {}, {frames} pictures: {said}",
            output.status
        ),
    }
}

/// Takes the film as it comes, and looks at its boxes (ISO/IEC 14496-12 §4.2).
fn by_curl(url: &str, to: &Path, seconds: u64) -> String {
    Command::new("curl")
        .args(["--silent", "--max-time", &seconds.to_string(), "--output"])
        .arg(to)
        .arg(url)
        .status()
        .unwrap();
    let film = fs::read(to).unwrap();
    let mut kinds = BTreeMap::<String, usize>::new();
    let mut at = 0;
    // It is cut off somewhere.
    while let Some([a, b, c, d, kind @ ..]) = film.get(at..at + 8) {
        let size = u32::from_be_bytes([*a, *b, *c, *d]) as usize;
        *kinds
            .entry(String::from_utf8_lossy(kind).into_owned())
            .or_default() += 1;
        at += size.max(8);
    }
    println!("curl, {url}: {kinds:?}");
    let count = |kind: &str| kinds.get(kind).copied().unwrap_or(0);
    let known = ["ftyp", "moov", "prft", "moof", "mdat", "free"];
    let is_right = kinds.keys().all(|kind| known.contains(&kind.as_str()))
        && (count("ftyp"), count("moov")) == (1, 1)
        && count("free") > 0;
    match is_right {
        true => String::new(),
        false => format!("curl, {url}: {kinds:?}"),
    }
}

/// Plays for so long; what is live has no end.
fn by_gstreamer(url: &str, demux: &str, log: &Path, seconds: u64) -> String {
    let running = gstreamer(url, demux, log);
    sleep(Duration::from_secs(seconds));
    drop(running);
    let (said, decoded) = decoded(log);
    println!("GStreamer, {url}: {decoded} pictures");
    let wrong = said
        .lines()
        .find(|line| line.starts_with("ERROR") || line.starts_with("WARNING"));
    match wrong {
        Some(line) => format!("GStreamer, {url}: {line}"),
        None if decoded as u64 <= 25 * seconds / 3 => {
            format!("GStreamer, {url}: only {decoded} pictures")
        }
        None => String::new(),
    }
}

/// Reads the list by PyPI's m3u8.
fn by_parser(url: &str, seconds: u64) -> String {
    let Some(python) = std::env::var_os("FOREBAY_PYTHON") else {
        return String::new();
    };
    let output = Command::new("timeout")
        .arg((seconds + MARGIN).to_string())
        .arg(python)
        .arg(script("playlists.py"))
        .args(["--seconds", &seconds.to_string(), url])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    println!("m3u8: {}", told.trim());
    match output.status.success() {
        true => String::new(),
        false => format!("m3u8, {url}: {}", String::from_utf8_lossy(&output.stderr)),
    }
}

fn units(relay: &Relay) -> f64 {
    let page = relay.metrics();
    let labels = [("kind", "video")];
    page.sum("forebay_camera_units_total", &labels)
        .unwrap_or(0.0)
}

#[test]
fn players_go_on_over_outages() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "outlet-players");
    // Some five seconds of its stream are held back in an outage.
    let mut site = site(&["--queue", "600000"]);
    let configuration = configuration(&folder, &site);
    let relay = Relay::start(&configuration);
    let begin = unix_now();
    wait_for_pictures(&relay, "slipway", 150.0);
    let seconds = seconds();
    let base = format!("http://{}/v1/cameras/slipway", relay.address());
    let [film, list] = ["live.mp4", "live.m3u8"].map(|leaf| format!("{base}/{leaf}"));
    let [of_film, of_list] = &["film.log", "list.log"].map(|name| folder.join(name));
    let said: Vec<String> = scope(|scope| {
        let players = [
            scope.spawn(|| by_ffmpeg(&film, seconds)),
            scope.spawn(|| by_ffmpeg(&list, seconds)),
            scope.spawn(|| by_gstreamer(&film, "! qtdemux", of_film, seconds)),
            scope.spawn(|| by_gstreamer(&list, "! hlsdemux ! qtdemux", of_list, seconds)),
            scope.spawn(|| by_parser(&list, seconds)),
            scope.spawn(|| by_curl(&film, &folder.join("film.mp4"), seconds)),
        ];
        let begun = Instant::now();
        for outage in OUTAGES.into_iter().cycle() {
            let left = seconds as f64 - begun.elapsed().as_secs_f64();
            if left < outage + UP {
                break;
            }
            sleep(Duration::from_secs_f64(UP));
            site.order(&json!({"do": "uplink", "up": false})).unwrap();
            sleep(Duration::from_secs_f64(outage));
            site.order(&json!({"do": "uplink", "up": true})).unwrap();
            let before = units(&relay);
            let back = wait_for(Duration::from_secs(60), || {
                (units(&relay) > before + 25.0).then_some(())
            });
            assert!(back.is_some(), "{}", relay.log());
        }
        players.map(|player| player.join().unwrap()).into()
    });
    let wrong: Vec<String> = said.into_iter().filter(|said| !said.is_empty()).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    recorded(&relay, &base, begin);
    assert_eq!(
        relay.metrics().sum("forebay_task_failures_total", &[]),
        Some(0.0)
    );
}

/// What was recorded meanwhile, as far as it is in the archive.
fn recorded(relay: &Relay, base: &str, begin: f64) {
    let window = format!("from={}&to={}", rfc3339_of(begin), rfc3339_of(unix_now()));
    for leaf in ["footage.m3u8", "footage.mp4"] {
        let url = format!("{base}/{leaf}?{window}");
        let played = run(Command::new("timeout")
            .args(["120", "ffprobe", "-v", "error", "-of", "json"])
            .args(["-count_packets", "-show_entries", "stream=nb_read_packets"])
            .arg(&url));
        let said: Value = serde_json::from_slice(&played.stdout).unwrap();
        println!("{leaf}: {said}");
        let packets = said["streams"][0]["nb_read_packets"].as_str().unwrap();
        assert!(packets.parse::<u64>().unwrap() > 100, "{said}");
        assert!(played.stderr.is_empty(), "{}", relay.log());
    }
}
