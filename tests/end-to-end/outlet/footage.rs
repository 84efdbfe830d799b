//! What is recorded: over an outage, as a list and as one file, by ranges.

use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use forebay_tests::http::{curl, get};
use forebay_tests::recording::{rfc3339_of, unix_of_rfc3339};
use forebay_tests::{Relay, fresh_folder, mp4_files, run, script, unix_now, wait_for};
use serde_json::{Value, json};

use super::events::{Listener, is_gap_of};
use super::{configuration, site, wait_for_pictures};
use crate::{SCRATCH, beside};

/// With the publishing of files of four seconds, on a busy machine.
const WAIT_MAX: Duration = Duration::from_secs(120);

fn playlists(url: &str, breaks: u64) -> Option<Value> {
    let python = std::env::var_os("FOREBAY_PYTHON")?;
    let output = run(Command::new("timeout")
        .arg("90")
        .arg(python)
        .arg(script("playlists.py"))
        .args(["--breaks", &breaks.to_string()])
        .arg(url));
    serde_json::from_slice(&output.stdout).ok()
}

/// Times at which pictures are shown.
fn times(input: &str) -> Vec<f64> {
    let output = run(Command::new("timeout")
        .args([
            "60",
            "ffprobe",
            "-v",
            "error",
            "-select_streams",
            "v:0",
            "-of",
            "csv=p=0",
        ])
        .args(["-show_entries", "packet=pts_time", input]));
    let said = String::from_utf8(output.stdout).unwrap();
    let mut times: Vec<f64> = said
        .lines()
        .filter_map(|line| line.trim_end_matches(',').parse().ok())
        .collect();
    times.sort_by(f64::total_cmp);
    times
}

fn longest_step(times: &[f64]) -> f64 {
    times
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .fold(0.0, f64::max)
}

#[test]
fn what_is_recorded_plays_at_true_time_over_an_outage() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "outlet-footage");
    let mut site = site(&["--queue", "20000"]);
    let configuration = configuration(&folder, &site);
    let relay = Relay::start(&configuration);
    let begin = unix_now() - 1.0;
    wait_for_pictures(&relay, "slipway", 90.0);
    let listener = Listener::start(relay.address(), &folder.join("events"), None);
    // Off for six seconds; a camera that restarts holds nothing back.
    let order = json!({"do": "reboot", "camera": "camera-0", "seconds": 6});
    site.order(&order).unwrap();
    let gone = unix_now();
    std::thread::sleep(Duration::from_secs(7));
    let before = relay
        .metrics()
        .sum("forebay_camera_units_total", &[("kind", "video")])
        .unwrap();
    wait_for_pictures(&relay, "slipway", before + 90.0);
    let end = unix_now();
    let archive = configuration.archive();
    let whole = wait_for(WAIT_MAX, || {
        let files = mp4_files(&archive.join("slipway"));
        let last = files.last()?.file_name()?.to_str()?.to_owned();
        // Named by its begin, which is on the other side of the gap by far.
        (last > name(gone + 11.0)).then_some(())
    });
    assert!(whole.is_some(), "{:?}", mp4_files(&archive.join("slipway")));
    let address = relay.address();
    let window = format!("from={}&to={}", rfc3339_of(begin), rfc3339_of(end));
    let base = format!("http://{address}/v1/cameras/slipway");

    // The list, by others.
    let list = format!("{base}/footage.m3u8?{window}");
    if let Some(told) = playlists(&list, 1) {
        println!("{told}");
        let spanned = told["end"].as_f64().unwrap() - told["begin"].as_f64().unwrap();
        let recorded = told["seconds"].as_f64().unwrap();
        assert!((5.0..20.0).contains(&(spanned - recorded)), "{told}");
    }
    // ffmpeg takes no note of times of day, but reads every picture of the list.
    let of_list = times(&list);
    // The film runs like the clock.
    let film = folder.join("film.mp4");
    let url = format!("{base}/footage.mp4?{window}");
    let head = curl(&url, &film, &[]);
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    let of_film = times(film.to_str().unwrap());
    assert_eq!(of_list.len(), of_film.len());
    let pause = longest_step(&of_film);
    assert!((5.0..20.0).contains(&pause), "{pause} s without a picture");
    run(Command::new("ffmpeg")
        .args(["-v", "error", "-xerror", "-i"])
        .arg(&film)
        .args(["-f", "null", "-"]));

    ranges(&url, &film, &head);
    accounts(address, &window, gone);
    told_of(&listener, address, gone);
    // None, with a word why.
    let none = get(
        address,
        "/v1/cameras/slipway/footage.mp4?from=2026-01-01T00:00&to=2026-01-01T01:00",
    );
    assert_eq!(none.status, 404);
    assert!(none.json()["advice"].as_str().unwrap().contains("coverage"));
    assert!(relay.stop().status.success());
}

/// The name that a file which begins then would have.
fn name(unix: f64) -> String {
    rfc3339_of(unix).replace(':', "")
}

/// Parts of the film are parts of the whole (RFC 9110 §14), by curl.
fn ranges(url: &str, film: &Path, head: &str) {
    let whole = fs::read(film).unwrap();
    let part = film.with_extension("part");
    let tag = head
        .lines()
        .find_map(|line| line.strip_prefix("etag: "))
        .unwrap()
        .trim();
    let length = whole.len();
    for (range, from, to) in [
        ("0-99".to_owned(), 0, 100),
        ("1000-".to_owned(), 1000, length),
        ("-500".to_owned(), length - 500, length),
        (
            format!("{}-{}", length / 3, length / 2),
            length / 3,
            length / 2 + 1,
        ),
        (
            format!("{}-{}", length - 10, length + 10),
            length - 10,
            length,
        ),
    ] {
        let head = curl(url, &part, &["--range", &range]);
        assert!(head.starts_with("HTTP/1.1 206"), "{range}: {head}");
        let told = format!("content-range: bytes {from}-{}/{length}", to - 1);
        assert!(
            head.contains(&told) && head.contains(tag),
            "{range}: {head}"
        );
        assert!(
            fs::read(&part).unwrap() == whole[from..to],
            "{range} is another part"
        );
    }
    for (fields, status) in [
        (vec!["--range".to_owned(), format!("{length}-")], "416"),
        (
            vec!["--header".to_owned(), format!("If-None-Match: {tag}")],
            "304",
        ),
        (
            vec![
                "--range".to_owned(),
                "0-9".to_owned(),
                "--header".to_owned(),
                "If-Range: \"other\"".to_owned(),
            ],
            "200",
        ),
    ] {
        let fields: Vec<&str> = fields.iter().map(String::as_str).collect();
        let head = curl(url, &part, &fields);
        assert!(
            head.starts_with(&format!("HTTP/1.1 {status}")),
            "{fields:?}: {head}"
        );
    }
}

/// Events have told that the camera is well, that it is not, that it is again, and of the gap; one who
/// comes back hears what was missed.
fn told_of(listener: &Listener, address: SocketAddr, gone: f64) {
    let whole = wait_for(WAIT_MAX, || {
        let events = listener.events();
        let gap = events.iter().position(|event| is_gap_of(event, gone))?;
        let states = events.iter().filter(|event| event.kind == "state");
        let states: Vec<_> = states
            .map(|event| event.data["state"].as_str().unwrap().to_owned())
            .collect();
        (states.last()? == "fine").then_some((events, states, gap))
    });
    let Some((events, states, gap)) = whole else {
        panic!("{:#?}", listener.events());
    };
    println!("{states:?}");
    assert_eq!(states.first().map(String::as_str), Some("fine"));
    assert!(states.iter().any(|state| state == "silent"), "{states:?}");
    let ids: Vec<_> = events.iter().map(|event| event.id.clone()).collect();
    let mut unlike = ids.clone();
    unlike.dedup();
    assert_eq!(unlike, ids);
    let before = gap.checked_sub(1).map(|before| ids[before].as_str());
    let again = fresh_folder(SCRATCH, "outlet-events").join("again");
    let again = Listener::start(address, &again, before);
    let missed = wait_for(WAIT_MAX, || again.events().first().cloned());
    let missed = missed.expect("what was missed is told");
    assert_eq!(
        (missed.id, missed.data),
        (ids[gap].clone(), events[gap].data.clone())
    );
}

/// The account has the gap.
fn accounts(address: SocketAddr, window: &str, gone: f64) {
    let told = wait_for(WAIT_MAX, || {
        let told = get(address, &format!("/v1/cameras/slipway/coverage?{window}")).json();
        let gaps = told["sites"][0]["cameras"][0]["gaps"].as_array()?.clone();
        let near = |gap: &&Value| {
            let begin = gap["begin"].as_str().unwrap();
            // The relay's start may be as near, and leaves a moment out.
            let is_long = gap["seconds"].as_f64().is_some_and(|seconds| seconds > 3.0);
            is_long && (unix_of_rfc3339(begin).unwrap() - gone).abs() < 5.0
        };
        gaps.iter().find(near).cloned()
    });
    let gap = told.expect("the account has the gap");
    assert_eq!(gap["cause"], "camera", "{gap}");
    let findings = get(address, &format!("/v1/cameras/slipway/findings?{window}"));
    assert_eq!(findings.status, 200);
    assert_eq!(findings.json()["truncated"], false);
}
