//! The pages, in a real browser.

use std::process::Command;
use std::time::Duration;

use forebay_tests::http::get;
use forebay_tests::{Relay, fresh_folder, mp4_files, run, script, unix_now, wait_for};
use serde_json::{Value, json};

use super::{configuration, site, wait_for_pictures};
use crate::{SCRATCH, beside};

const WAIT_MAX: Duration = Duration::from_secs(150);

/// The day and the clock of the site.
fn civil(unix: f64) -> (String, String) {
    let told = run(Command::new("date").env("TZ", "Europe/Oslo").args([
        "+%F %T",
        "-d",
        &format!("@{unix:.0}"),
    ]));
    let told = String::from_utf8(told.stdout).unwrap();
    let (day, time) = told.trim().split_once(' ').unwrap();
    (day.to_owned(), time.to_owned())
}

#[test]
fn pages_answer_and_show_in_a_browser() {
    let Some(python) = std::env::var_os("FOREBAY_PYTHON") else {
        println!("skipped: FOREBAY_PYTHON is not set");
        return;
    };
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "outlet-page");
    let mut site = site(&["--queue", "20000"]);
    let stills = "[[sink]]\nname = \"stills\"\nplugin = \"builtin:stills\"\n\
                  [sink.settings]\nevery_minutes = 1\n";
    let configuration = configuration(&folder, &site).extra(stills);
    let relay = Relay::start(&configuration);
    let address = relay.address();
    wait_for_pictures(&relay, "slipway", 150.0);
    let begun = unix_now();
    site.order(&json!({"do": "reboot", "camera": "camera-0", "seconds": 6}))
        .unwrap();
    // While it is away, the page says so, in words.
    let told = wait_for(Duration::from_secs(60), || {
        let page = String::from_utf8(get(address, "/").body).ok()?;
        page.contains("<strong>Yes.</strong>").then_some(page)
    });
    let told = told.expect("the page says that something is wrong");
    assert!(told.contains("slipway</a>: <strong>"), "{told}");
    let before = relay
        .metrics()
        .sum("forebay_camera_units_total", &[("kind", "video")])
        .unwrap();
    wait_for_pictures(&relay, "slipway", before + 250.0);
    let archive = configuration.archive();
    let still = || {
        let folders = std::fs::read_dir(archive.join("slipway/stills")).ok()?;
        let mut days = folders.flatten();
        days.find(|day| std::fs::read_dir(day.path()).is_ok_and(|mut day| day.next().is_some()))
    };
    let there = wait_for(WAIT_MAX, || {
        (mp4_files(&archive.join("slipway/footage")).len() > 4)
            .then(still)
            .flatten()
    });
    assert!(there.is_some(), "{}", relay.log());
    let (day, at) = civil(begun - 4.0);
    let output = run(Command::new("timeout")
        .arg("300")
        .arg(python)
        .arg(script("look_at_pages.py"))
        .arg("--out")
        .arg(&folder)
        .args(["--camera", "slipway", "--day", &day, "--at", &at])
        .arg(format!("http://{address}")));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    println!("{}\n{told}", folder.display());
    let number = |name: &str| told[name].as_f64().unwrap_or(f64::NAN);
    let is_empty = |name: &str| told[name].as_array().is_none_or(Vec::is_empty);
    for faults in [
        "errors",
        "elsewhere",
        "axe_front",
        "axe_day",
        "axe_dark",
        "axe_phone",
    ] {
        assert!(is_empty(faults), "{faults}: {}", told[faults]);
    }
    assert_eq!(told["answer"], "No. The camera is as it should be.");
    assert_eq!(told["plain"]["answer"], told["answer"]);
    assert!(number("still_age") < 10.0 && number("still_width") > 0.0);
    for running in ["live", "footage"] {
        assert!(
            told[running]["frames"].as_f64().unwrap() > 20.0,
            "{running}"
        );
    }
    assert!(told["tabs_to_live"].is_number() && told["tabs_to_form"].is_number());
    assert_eq!(told["stopped"], true);
    assert!(
        told["wider"].as_array().unwrap().iter().all(|by| by == 0),
        "{}",
        told["wider"]
    );
    assert_eq!(told["plain"]["live"], "/v1/cameras/slipway/live.mp4");
    assert!(told["plain"]["strips"].as_u64().unwrap() >= 1);
    // What is played says when it was: by the footage's own capture time.
    let shown = seconds(told["true_time"].as_str().unwrap());
    let expected = seconds(&at) + number("footage_time");
    assert!((shown - expected).abs() < 3.0, "{shown} for {expected}");
}

fn seconds(clock: &str) -> f64 {
    let parts = clock.split(':').map(|part| part.parse::<f64>().unwrap());
    parts.fold(0.0, |sum, part| sum * 60.0 + part)
}
