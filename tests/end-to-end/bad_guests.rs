//! Plugins that misbehave (`tests/guests`), each as a sink beside the recorder on the same
//! cameras: only that sink's instance suffers, for the reason that is counted and logged, and the
//! recorder loses no picture.

mod burners;
mod forged;
pub(crate) mod guests;
pub(crate) mod session;
mod sinks;
mod watchers;

use std::collections::BTreeSet;
use std::fs;
use std::process::{Command, Stdio};
use std::time::Duration;

use forebay_tests::Running;
use serde_json::Value;

use session::SESSION;
use sinks::{Fate, LOG_LINES, METRIC_NAMES, OBJECT_BYTES, SINKS};

/// All that `EndReason` of the relay knows.
const REASONS: [&str; 9] = [
    "load", "refused", "time", "memory", "held", "handles", "trap", "clock", "internal",
];
/// With some thirty instances of at most 8 MiB, two holds of some seconds, and the compiler.
const MEMORY_BYTES_MAX: f64 = 400e6;

#[test]
fn instances_end_for_their_own_reason_alone() {
    for sink in &SINKS {
        let labels = [("sink", sink.name), ("camera", sink.camera())];
        for reason in REASONS {
            let labels = [labels[0], labels[1], ("reason", reason)];
            let ends = SESSION.page.sum("forebay_plugin_ends_total", &labels);
            let (low, high) = match sink.fate {
                Fate::Ends(ends, of, _) if of == reason => (f64::from(ends), 8.0),
                Fate::Curbed if reason == "time" => (0.0, 8.0),
                _ => (0.0, 0.0),
            };
            let ends = ends.unwrap_or_else(|| panic!("{labels:?} is not there"));
            assert!(
                (low..=high).contains(&ends),
                "{labels:?}: {ends} ends, not {low} to {high}"
            );
        }
    }
    let failures = SESSION.page.sum("forebay_task_failures_total", &[]);
    assert_eq!(failures, Some(0.0), "the relay's own tasks failed");
}

#[test]
fn the_log_names_each_end() {
    for sink in &SINKS {
        let (reason, words) = match sink.fate {
            Fate::Ends(_, reason, words) => (reason, words),
            Fate::EndsInStop(reason) => (reason, "call"),
            Fate::Limited(_) | Fate::Curbed => continue,
        };
        let ends = SESSION.ends(sink.name);
        let said = ends
            .iter()
            .any(|line| line.contains(&format!("\"reason\":\"{reason}\"")) && line.contains(words));
        assert!(
            said,
            "{}: no line with {reason:?} and {words:?} in {ends:#?}",
            sink.name
        );
    }
}

#[test]
fn the_pause_before_a_new_instance_doubles() {
    for sink in &SINKS {
        if !matches!(sink.fate, Fate::Ends(2.., ..)) {
            continue;
        }
        let pause = |line: &&str| {
            let line: Value = serde_json::from_str(line).unwrap();
            line["again_in_seconds"].as_f64().unwrap()
        };
        let pauses: Vec<f64> = SESSION.ends(sink.name).iter().map(pause).collect();
        // The last may be of the shutdown, after which there is none.
        let pauses: Vec<f64> = pauses.into_iter().filter(|pause| *pause > 0.0).collect();
        let doubled: Vec<f64> = (0..pauses.len()).map(|n| f64::from(1 << n)).collect();
        assert_eq!(pauses, doubled, "{}", sink.name);
    }
}

#[test]
fn limits_are_counted_by_name() {
    for sink in &SINKS {
        let of_sink = format!("sink=\"{}\"", sink.name);
        let hits = SESSION.page.text().lines().filter(|line| {
            line.starts_with("forebay_plugin_limit_hits_total{") && line.contains(&of_sink)
        });
        let hit: BTreeSet<&str> = hits
            .filter_map(|line| line.split("limit=\"").nth(1)?.split('"').next())
            .collect();
        match sink.fate {
            Fate::Limited(limits) if !limits.is_empty() => {
                let missed = limits.iter().find(|limit| !hit.contains(**limit));
                assert_eq!(missed, None, "{}: {hit:?}", sink.name);
            }
            Fate::Curbed => {}
            _ => assert!(hit.is_empty(), "{}: {hit:?}", sink.name),
        }
    }
}

#[test]
fn the_recorder_beside_them_loses_no_picture() {
    let page = &SESSION.page;
    let footage = [("sink", "footage")];
    let lost = page.sum("forebay_sink_lost_units_total", &footage);
    assert_eq!(lost, Some(0.0));
    let ends = page.sum("forebay_plugin_ends_total", &footage);
    assert_eq!(ends, Some(0.0));
    SESSION.footage().check(2.0);
}

#[test]
fn a_loss_is_told_only_where_something_is_lost() {
    let nothing = SESSION
        .log
        .lines()
        .find(|line| line.contains("the plugin lost units") && line.contains("\"units\":0,"));
    assert_eq!(nothing, None);
}

#[test]
fn memory_stays_bounded() {
    let peak = SESSION.peak_bytes;
    println!("resident memory at the most: {} MB", peak / 1e6);
    assert!(peak < MEMORY_BYTES_MAX, "{} MB", peak / 1e6);
}

#[test]
fn the_page_is_answered_all_the_time() {
    SESSION.check_answers(Duration::from_secs(2));
}

#[test]
fn the_page_is_still_open_metrics() {
    // The reference parser of the format, Debian's python3-prometheus-client.
    const PARSE: &str = "
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as families
assert sum(1 for _ in families(sys.stdin.read())) > 10
";
    let page = SESSION.folder.join("metrics.txt");
    fs::write(&page, SESSION.page.text()).unwrap();
    let mut parser = Running::start(
        Command::new("/usr/bin/python3")
            .args(["-c", PARSE])
            .stdin(Stdio::from(fs::File::open(&page).unwrap())),
    );
    let status = parser.wait(Duration::from_secs(20));
    assert!(
        status.is_some_and(|status| status.success()),
        "see above, and {}",
        page.display()
    );
    let size = SESSION.page.text().len();
    assert!(size < 1 << 20, "{size} bytes");
}

#[test]
fn a_flood_is_cut_off() {
    let names: BTreeSet<&str> = SESSION
        .page
        .text()
        .lines()
        .filter(|line| line.contains("sink=\"floods\",name=\""))
        .filter_map(|line| line.split("name=\"").nth(1)?.split('"').next())
        .collect();
    assert_eq!(names.len(), METRIC_NAMES, "{names:?}");
    // Full at the beginning, refilled evenly.
    let lines_max = LOG_LINES as f64 * (1.0 + SESSION.seconds / 60.0) + 1.0;
    let of_floods = |line: &&str| line.contains("\"sink\":\"floods\"");
    let forged = |line: &&str| line.contains("forged");
    let lines = SESSION.log.lines().filter(of_floods);
    let own = lines.clone().filter(forged).count();
    assert!(own as f64 <= lines_max, "{own} lines of its own");
    // The relay's complaints about it, one of each limit a minute, its start, its errors.
    let about = lines.count() - own;
    assert!(about < 20, "{about} lines about it");
    assert!(
        SESSION.log.len() < 500_000,
        "{} bytes of log",
        SESSION.log.len()
    );
}

#[test]
fn what_guests_say_cannot_forge_the_log() {
    for line in SESSION.log.lines() {
        assert!(line.len() < 8192, "{} bytes: {line:.300}", line.len());
        let fields: Value = serde_json::from_str(line)
            .unwrap_or_else(|error| panic!("no JSON: {error}: {line:.300}"));
        for (key, value) in fields.as_object().expect("an object a line") {
            let text = value.as_str().unwrap_or_default();
            assert!(
                !text.contains(char::is_control),
                "{key} holds control characters: {text:.300?}"
            );
        }
        // RFC 8259 §4: names within an object should be unique, or readers differ.
        for key in fields.as_object().unwrap().keys() {
            let times = line.matches(&format!("\"{key}\":")).count();
            assert_eq!(times, 1, "{key:?} comes {times} times: {line:.300}");
        }
    }
}

#[test]
fn bad_calls_are_answered_as_promised() {
    let amiss = SESSION.log.lines().find(|line| line.contains("amiss: "));
    assert_eq!(amiss, None);
    let count = |name| {
        let labels = [("sink", "badcalls"), ("name", name)];
        SESSION.page.sum("forebay_plugin_events_total", &labels)
    };
    assert_eq!(count("amiss"), None);
    let answered = count("answered").unwrap_or_default();
    assert!(answered > 70.0, "only {answered} calls were made");
    // What `ranges` of the guest wrote: two patches of a byte, one appended.
    let file = SESSION
        .archive
        .join("slipway/calls/1970-01-01/1970-01-01T000008.000Z.bin");
    let written = fs::read(&file).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    let mut expected = vec![0; 101];
    (expected[99], expected[100]) = (1, 7);
    assert_eq!(written, expected);
}

#[test]
fn objects_of_a_hoarder_are_few() {
    let files: Vec<_> = SESSION
        .files()
        .into_iter()
        .filter(|file| {
            let path = file.to_str().unwrap();
            path.contains("/hoard/") || path.contains("_hoard_")
        })
        .collect();
    let bytes: u64 = files
        .iter()
        .map(|file| fs::metadata(file).unwrap().len())
        .sum();
    // Four sinks, and what they earned since.
    let bytes_max = 4.0 * OBJECT_BYTES as f64 * (1.0 + SESSION.seconds / 3600.0);
    assert!(bytes as f64 <= bytes_max, "{bytes} bytes");
    // In less than a minute. A recorder with segments of a second makes 60 files a minute.
    assert!(files.len() < 1000, "{} files", files.len());
}

#[test]
fn sigterm_still_ends_the_relay_in_time() {
    let stopped = &SESSION.stopped;
    println!("ended after {:?}", stopped.took);
    assert!(stopped.status.success(), "{}", stopped.status);
    assert!(stopped.took.as_secs_f64() < 5.0, "{:?}", stopped.took);
}

#[test]
fn nothing_is_written_outside_the_archive() {
    assert_eq!(SESSION.surroundings_before, SESSION.surroundings_after);
    let allowed = ["footage", "hoard", "calls", "parts", "ledger", "manifest"];
    for file in SESSION.files() {
        let inside = file.strip_prefix(&SESSION.archive).unwrap();
        let parts: Vec<&str> = inside.iter().map(|part| part.to_str().unwrap()).collect();
        let fits = match parts[..] {
            [".spool", ..] => true,
            [camera, purpose, _day, _file] => {
                sinks::CAMERAS.contains(&camera) && allowed.contains(&purpose)
            }
            _ => false,
        };
        assert!(fits, "{}", inside.display());
    }
}
