//! Each alert of `deploy/prometheus`, fired by the fault that it is for: four relays, the simulated site
//! that misbehaves, and a real Prometheus with these rules. What they wait for is cut short, and that
//! is all. Then each query of the dashboard, which must find something.

mod faults;
mod machines;
mod server;

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::time::{Duration, Instant};

use forebay_tests::{fresh_folder, run, silent, wait_for};
use serde_json::Value;

use crate::{SCRATCH, alone};
use faults::Stage;
use server::Prometheus;

/// With the compiling of plugins, on a busy machine. A good one needs a minute and a half.
const WAIT_MAX: Duration = Duration::from_secs(300);

/// It has its turn when all others have been seen: a relay is killed.
const ABSENT: &str = "ForebayRelayAbsent";
/// A still is missed when another five minutes have passed: waited for where `FOREBAY_ALERTS_SLOW` is
/// set.
const SLOW: &str = "ForebayStillsMissing";
const SLOW_MAX: Duration = Duration::from_secs(600);

/// Which alert speaks of what, by labels that it must have.
const EXPECTED: [(&str, &[(&str, &str)]); 25] = [
    ("ForebayWatchdog", &[]),
    ("ForebayUplinkDown", &[("site", "jetty")]),
    (
        "ForebayCameraSilent",
        &[("camera", "gate"), ("site", "boatyard")],
    ),
    ("ForebayGapOpen", &[("camera", "gate")]),
    (SLOW, &[("camera", "gate")]),
    ("ForebayCoverageBelowGoal", &[("camera", "winch")]),
    ("ForebayKeyFramesFarApart", &[("camera", "slipway")]),
    ("ForebayClockWrong", &[("camera", "mast-crane")]),
    (
        "ForebayPluginRestarting",
        &[("camera", "slipway"), ("sink", "broken")],
    ),
    ("ForebayHeartbeatFailing", &[]),
    ("ForebayReloadRefused", &[]),
    ("ForebayPictureDark", &[("camera", "dark")]),
    ("ForebayPictureFrozen", &[("camera", "stuck")]),
    ("ForebayPictureMoved", &[("camera", "knocked")]),
    (
        "ForebayFindingOpen",
        &[("camera", "covered"), ("kind", "covered")],
    ),
    ("ForebayRecorderFailing", &[("camera", "ramp")]),
    ("ForebayArchiveAway", &[("reason", "absent")]),
    ("ForebaySpoolBacklog", &[]),
    ("ForebayFootageRefused", &[]),
    ("ForebayLeaseWithoutHolder", &[]),
    ("ForebaySpoolFilling", &[]),
    ("ForebayArchiveFloor", &[]),
    ("ForebayLadderLate", &[]),
    ("ForebayScrubFault", &[("fault", "damaged")]),
    (ABSENT, &[]),
];

fn deploy(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../deploy")
        .join(path)
}

/// Which of the expected ones fire now.
fn firing(server: &Prometheus) -> BTreeSet<&'static str> {
    let alerts = server.query("ALERTS{alertstate=\"firing\"}");
    let speaks = |name: &str, labels: &[(&str, &str)]| {
        alerts.iter().any(|alert| {
            let has = |(label, value): &(&str, &str)| alert["metric"][label] == *value;
            alert["metric"]["alertname"] == name && labels.iter().all(has)
        })
    };
    EXPECTED
        .into_iter()
        .filter(|(name, labels)| speaks(name, labels))
        .map(|(name, _)| name)
        .collect()
}

#[test]
fn each_alert_is_fired_by_its_fault() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "alerts");
    let server = Prometheus::start(&folder);
    let mut stage = Stage::set(&folder, &server);

    let begin = Instant::now();
    let mut seen = BTreeSet::new();
    let in_turn = |name: &str| name == ABSENT || name == SLOW;
    let but_two = wait_for(WAIT_MAX, || {
        stage.go_on();
        let now = firing(&server);
        for name in now.difference(&seen) {
            println!("{:5.1} s  {name}", begin.elapsed().as_secs_f64());
        }
        seen.extend(now);
        std::thread::sleep(Duration::from_millis(200));
        let all = |(name, _): &(&str, _)| in_turn(name) || seen.contains(name);
        EXPECTED.iter().all(all).then_some(())
    });
    let missing: Vec<_> = EXPECTED
        .iter()
        .filter(|(name, _)| !seen.contains(name))
        .collect();
    assert!(
        but_two.is_some(),
        "never fired: {missing:?}\n{}",
        stage.tell()
    );

    // Nothing lasts of a camera with which all is well: rules that wait for a second hear of each hiccup.
    let of_good =
        "ALERTS{alertstate=\"firing\",camera=\"mast\",alertname!=\"ForebayCoverageBelowGoal\"}";
    let quiet = wait_for(WAIT_MAX, || server.query(of_good).is_empty().then_some(()));
    assert!(
        quiet.is_some(),
        "{:?}\n{}",
        server.query(of_good),
        stage.tell()
    );
    empty_panels(&server, &stage);
    if std::env::var_os("FOREBAY_ALERTS_SLOW").is_some() {
        let slow = wait_for(SLOW_MAX, || firing(&server).contains(SLOW).then_some(()));
        assert!(slow.is_some(), "{SLOW}\n{}", stage.tell());
    }

    let gone = stage.kill_small();
    let absent = wait_for(WAIT_MAX, || {
        let alerts = server.query("ALERTS{alertstate=\"firing\",alertname=\"ForebayRelayAbsent\"}");
        alerts
            .iter()
            .any(|a| a["metric"]["instance"] == gone)
            .then_some(())
    });
    assert!(absent.is_some(), "the relay's absence goes unnoticed");
    each_alert_explains_itself(&server);
}

/// Text of every alert that fires, as Alertmanager would get it.
fn each_alert_explains_itself(server: &Prometheus) {
    let alerts = server.alerts();
    for alert in &alerts {
        let text = |key: &str| {
            alert["annotations"][key]
                .as_str()
                .unwrap_or_default()
                .to_owned()
        };
        let (summary, runbook) = (text("summary"), text("runbook"));
        assert!(!summary.is_empty() && runbook.len() > 80, "{alert}");
        for broken in ["<no value>", "error", "%!"] {
            assert!(!summary.contains(broken), "{summary}");
        }
    }
    assert!(alerts.len() >= EXPECTED.len() - 3, "{alerts:?}");
}

/// Each query of the dashboard has an answer: after all these faults none has a reason to be empty.
fn empty_panels(server: &Prometheus, stage: &Stage) {
    let text = fs::read_to_string(deploy("grafana/forebay.json")).unwrap();
    let dashboard: Value = serde_json::from_str(&text).unwrap();
    let mut queries = 0;
    let mut empty = Vec::new();
    for panel in dashboard["panels"].as_array().unwrap() {
        let targets = panel["targets"].as_array();
        for target in targets.into_iter().flatten() {
            let query = target["expr"].as_str().unwrap();
            // As Grafana fills them in.
            let query = query
                .replace("$instance", ".*")
                .replace("$camera", ".*")
                .replace("$__rate_interval", "60s")
                .replace("$__range", "5m");
            assert!(!query.contains('$'), "{query}");
            queries += 1;
            if server.query(&query).is_empty() {
                empty.push(format!("{}: {query}", panel["title"]));
            }
        }
    }
    assert!(queries > 40, "{queries} queries");
    assert!(empty.is_empty(), "{empty:#?}\n{}", stage.tell());
}

#[test]
fn every_alert_has_its_fault() {
    let text = fs::read_to_string(deploy("prometheus/forebay-alerts.yml")).unwrap();
    let named: BTreeSet<_> = text
        .lines()
        .filter_map(|line| line.trim().strip_prefix("- alert: "))
        .collect();
    let expected: BTreeSet<_> = EXPECTED.iter().map(|(name, _)| *name).collect();
    assert_eq!(named, expected);
}

#[test]
fn promtool_finds_the_rules_right() {
    let folder = deploy("prometheus");
    let mut promtool = Command::new("promtool");
    let checked = run(promtool.current_dir(&folder).args([
        "check",
        "config",
        "--lint-fatal",
        "prometheus.yml",
    ]));
    assert!(!String::from_utf8_lossy(&checked.stdout).contains("FAILED"));
    run(Command::new("promtool")
        .current_dir(&folder)
        .args(["test", "rules", "forebay-tests.yml"]));
}

/// The metrics that rules and dashboard ask for are some that the relay has.
#[test]
fn rules_and_dashboard_ask_for_metrics_that_there_are() {
    let reference = fs::read_to_string(deploy("prometheus/METRICS.md")).unwrap();
    let words = |text: &str| -> BTreeSet<String> {
        text.split(|c: char| !c.is_ascii_alphanumeric() && c != '_' && c != ':')
            .filter(|word| word.starts_with("forebay_"))
            .map(str::to_owned)
            .collect()
    };
    let known = words(&reference);
    for file in [
        "prometheus/forebay-rules.yml",
        "prometheus/forebay-alerts.yml",
        "grafana/forebay.json",
    ] {
        for word in words(&fs::read_to_string(deploy(file)).unwrap()) {
            let family = ["_bucket", "_sum", "_count"]
                .iter()
                .find_map(|suffix| word.strip_suffix(suffix))
                .unwrap_or(&word);
            assert!(
                known.contains(&word) || known.contains(family),
                "{file}: {word}"
            );
        }
    }
}

#[test]
fn the_example_for_alertmanager_is_one() {
    // It comes with a package of its own; Prometheus does without.
    if Command::new("amtool").arg("--version").output().is_err() {
        return;
    }
    silent(
        Command::new("amtool")
            .arg("check-config")
            .arg(deploy("prometheus/alertmanager.yml")),
    );
}
