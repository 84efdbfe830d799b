//! The ladder at work beside a recorder: what goes for a quota is not missing, what is pinned stays,
//! and what is told before is what happens.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use forebay_tests::recording::{rfc3339_of, unix_of_rfc3339};
use forebay_tests::{
    Camera, Configuration, Relay, fresh_folder, mp4_files, run, unix_now, wait_for,
};
use serde_json::Value;

use crate::bad_guests::session::site;
use crate::{SCRATCH, beside};

/// The ladder looks at quotas once it knows what there is, and then each ten minutes.
const WORK_MAX: Duration = Duration::from_secs(60);

fn forebay(arguments: &[&str], file: &Path) -> String {
    let mut command = Command::new(Relay::program());
    let output = run(command.args(arguments).arg("--config").arg(file));
    String::from_utf8(output.stdout).unwrap()
}

fn json(arguments: &[&str], file: &Path) -> Value {
    let arguments = [arguments, &["--format", "json"]].concat();
    serde_json::from_str(&forebay(&arguments, file)).unwrap()
}

fn seconds(coverage: &Value, what: &str) -> f64 {
    coverage["totals"][format!("{what}_seconds")]
        .as_f64()
        .unwrap()
}

fn footage(configuration: &Configuration) -> Vec<PathBuf> {
    let mut files = mp4_files(&configuration.archive().join("gate/footage"));
    files.sort();
    files
}

#[test]
fn what_goes_for_a_quota_is_not_missing() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "ladder");
    let site = site();
    let configuration = Configuration::new(&folder)
        .segment_seconds(2)
        .camera(Camera {
            name: "gate".into(),
            url: site.urls[0].clone(),
            ..Camera::default()
        });
    let begun = unix_now();
    let relay = Relay::start(&configuration);
    let recorded = wait_for(WORK_MAX, || {
        (footage(&configuration).len() >= 8).then_some(())
    });
    recorded.unwrap_or_else(|| panic!("{}", relay.log()));
    assert!(relay.stop().status.success());
    let before = footage(&configuration);
    let second = std::fs::read(&before[1]).unwrap();
    let file = configuration.write("127.0.0.1:0");
    let whole = json(&["coverage", "--days", "1"], &file);
    assert!(seconds(&whole, "recorded") >= 12.0, "{whole}");
    assert_eq!(seconds(&whole, "expired"), 0.0);

    // The second file is pinned; of the others, most are too much.
    let at = |path: &Path| -> f64 {
        let named = path.file_stem().unwrap().to_str().unwrap();
        let (date, time) = named.split_once('T').unwrap();
        let text = format!("{date}T{}:{}:{}", &time[..2], &time[2..4], &time[4..]);
        unix_of_rfc3339(&text).unwrap()
    };
    let pinned = rfc3339_of(at(&before[1]) + 0.5);
    let pin = [
        "pin",
        "gate",
        &pinned,
        &rfc3339_of(at(&before[1]) + 1.0),
        "--reason",
        "hull struck",
    ];
    let told = forebay(&pin, &file);
    let id = told
        .lines()
        .next()
        .unwrap()
        .rsplit(' ')
        .next()
        .unwrap()
        .to_owned();
    let listed = json(&["pins"], &file);
    assert_eq!(listed["pins"][0]["id"], id.as_str());
    assert_eq!(listed["pins"][0]["reason"], "hull struck");

    let held: u64 = before
        .iter()
        .map(|path| path.metadata().unwrap().len())
        .sum();
    let quota = (held / 2).max(1 << 20);
    let limited = configuration
        .clone()
        .extra(&format!("\n[ladder]\nquota = {quota}\n"));
    let file = limited.write("127.0.0.1:0");
    let svg = folder.join("curve.svg");
    let dry = ["ladder", "--dry-run", "--svg", svg.to_str().unwrap()];
    let ahead = json(&dry, &file);
    let freed = ahead["days"][0]["freed"][0].clone();
    assert!(held > quota, "{held}");
    assert_eq!(freed["reason"], "quota", "{ahead}");
    assert!(std::fs::read_to_string(&svg).unwrap().starts_with("<svg "));
    assert_eq!(footage(&configuration), before);

    let relay = Relay::start(&limited);
    let labels = [("camera", "gate"), ("reason", "quota"), ("fate", "expired")];
    let gone = wait_for(WORK_MAX, || {
        let gone = relay.metrics().sum("forebay_ladder_objects_total", &labels);
        gone.filter(|gone| *gone > 0.0)
    });
    let gone = gone.unwrap_or_else(|| panic!("{}\n{}", relay.metrics().text(), relay.log()));
    assert!(
        relay.log().contains("expired by the rules"),
        "{}",
        relay.log()
    );
    assert!(relay.stop().status.success());
    let after = footage(&limited);
    assert!(
        !after.contains(&before[0]) && after.contains(&before[1]),
        "{gone} {after:?}"
    );
    assert!(after.contains(before.last().unwrap()));
    // What is left is as it was.
    assert_eq!(std::fs::read(&before[1]).unwrap(), second);

    // Recorded it was, and it has not become missing.
    let later = json(&["coverage", "--from", &rfc3339_of(begun - 60.0)], &file);
    let expired = seconds(&later, "expired");
    assert!(
        expired >= 1.5 * gone && expired < 3.0 * gone,
        "{gone} {later}"
    );
    // A sample's length at the end of a run is missing only once another run follows.
    let (was, is) = (seconds(&whole, "recorded"), seconds(&later, "recorded"));
    assert!(is >= was - 0.1, "{was} {is}");
    let cause = |of: &Value, cause: &str| {
        of["totals"]["missing_seconds_by_cause"][cause]
            .as_f64()
            .unwrap()
    };
    assert!(
        cause(&later, "sink") <= cause(&whole, "sink") + 0.01,
        "{later}"
    );
    // The manifests tell that it went, and a pin is nobody's object: a scrub finds nothing.
    forebay(&["scrub"], &file);
    // Nor where the catalog is made anew.
    forebay(&["catalog", "rebuild"], &file);
    let anew = json(&["coverage", "--from", &rfc3339_of(begun - 60.0)], &file);
    assert!(
        (seconds(&anew, "expired") - expired).abs() < 0.001,
        "{anew}"
    );

    forebay(&["scrub"], &file);

    let told = forebay(&["unpin", "gate", &id], &file);
    assert!(told.contains("hull struck"), "{told}");
    assert_eq!(json(&["pins"], &file)["pins"].as_array().unwrap().len(), 0);
}
