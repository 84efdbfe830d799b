//! Analyzers that misbehave in a running relay, beside the recorder: pictures come of a second
//! stream of each camera.

use std::fs;
use std::sync::LazyLock;
use std::time::Duration;

use super::guests::guest;
use super::session::Session;

/// One of each on each camera.
const WATCHERS: [(&str, &str, &str); 4] = [
    ("burns", "watch_loops", "how = \"burns\"\nseconds = 0.9"),
    ("ends", "watch_ends", "how = \"panic\""),
    ("floods", "watch_floods", "how = \"findings\""),
    ("lies", "watch_lies", ""),
];

/// Of the one that burns, on both cameras.
const BUSY_SECONDS: f64 = 2.0;

static WATCHED: LazyLock<Session> = LazyLock::new(|| {
    let toml: String = WATCHERS
        .iter()
        .map(|(name, plugin, settings)| {
            format!(
                "\n[[sink]]\nname = {name:?}\nplugin = {:?}\n[sink.settings]\n{settings}\n",
                guest(plugin)
            )
        })
        .collect();
    Session::watch("watchers", &toml, Duration::from_secs(20), |page| {
        let of = |sink: &str, name| page.sum(name, &[("sink", sink)]).unwrap_or_default();
        let seen = |sink: &str| of(sink, "forebay_sink_pictures_total") > 0.0;
        WATCHERS.iter().all(|(sink, ..)| seen(sink))
            && of("burns", "forebay_plugin_busy_seconds_total") > BUSY_SECONDS
    })
});

fn sum(name: &str, labels: &[(&str, &str)]) -> f64 {
    WATCHED.page.sum(name, labels).unwrap_or_default()
}

#[test]
fn the_recorder_beside_watchers_loses_no_picture() {
    assert_eq!(
        sum("forebay_sink_lost_units_total", &[("sink", "footage")]),
        0.0
    );
    WATCHED.footage().check(2.0);
}

#[test]
fn an_instance_finds_what_the_one_before_it_left() {
    let ends = [("sink", "ends")];
    let starts = sum("forebay_plugin_starts_total", &ends);
    assert!(starts > 3.0, "it panics at each second picture");
    let lives = [("sink", "ends"), ("name", "lives")];
    assert_eq!(sum("forebay_plugin_level", &lives), starts);
}

#[test]
fn a_slow_analyzer_misses_pictures_which_are_counted() {
    let burns = [("sink", "burns")];
    assert_eq!(sum("forebay_plugin_ends_total", &burns), 0.0);
    assert!(sum("forebay_plugin_busy_seconds_total", &burns) > BUSY_SECONDS);
    assert!(sum("forebay_sink_lost_pictures_total", &burns) > 0.0);
    // One that keeps up misses none for the other's sake.
    assert!(
        sum("forebay_sink_pictures_total", &[("sink", "lies")])
            > sum("forebay_sink_pictures_total", &burns)
    );
}

#[test]
fn each_misdeed_is_counted_where_it_belongs() {
    assert!(
        sum(
            "forebay_plugin_limit_hits_total",
            &[("sink", "floods"), ("limit", "findings_per_minute")]
        ) > 0.0
    );
    assert!(sum("forebay_sink_flawed_findings_total", &[("sink", "lies")]) > 0.0);
    assert!(
        sum(
            "forebay_plugin_ends_total",
            &[("sink", "ends"), ("reason", "trap")]
        ) > 0.0
    );
    assert_eq!(sum("forebay_task_failures_total", &[]), 0.0);
}

/// A state that a broken instance has begun is over in the archive, and not open for good.
#[test]
fn states_of_an_instance_that_ends_are_ended() {
    let lines: Vec<serde_json::Value> = WATCHED
        .files()
        .iter()
        .filter(|file| file.extension().is_some_and(|kind| kind == "jsonl"))
        .filter(|file| file.to_string_lossy().contains("/findings/"))
        .flat_map(|file| {
            let text = fs::read_to_string(file).unwrap();
            text.lines()
                .map(|line| serde_json::from_str(line).unwrap())
                .collect::<Vec<_>>()
        })
        .collect();
    let count = |phase: &str| {
        let of_kind = lines.iter().filter(|line| line["kind"] == "adrift");
        of_kind.filter(|line| line["phase"] == phase).count()
    };
    assert!(count("begin") > 0, "{} lines", lines.len());
    assert_eq!(count("begin"), count("end"));
}

#[test]
fn sigterm_ends_a_relay_with_watchers_in_time() {
    let took = WATCHED.stopped.took;
    assert!(
        WATCHED.stopped.status.success(),
        "{}",
        WATCHED.stopped.status
    );
    assert!(took.as_secs_f64() < 5.0, "{took:?}");
}
