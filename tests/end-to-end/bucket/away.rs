//! A bucket that is away for so long that it costs something, and what must not suffer from it.

use std::fs;
use std::thread::sleep;

use super::*;

/// An archive that can't be used (sysexits.h: `EX_UNAVAILABLE`).
const UNAVAILABLE: i32 = 69;
/// Some six seconds of both cameras.
const CARRY: &str = "[carry]\nwaiting_max = \"6 MB\"\n";
/// So slow that it goes on for minutes.
const SCRUB: &str = "[scrub]\nfirst_after_seconds = 1.0\nbytes_per_second = \"100 kB\"\n";

fn sum(relay: &Relay, family: &str, labels: &[(&str, &str)]) -> f64 {
    relay.metrics().sum(family, labels).unwrap_or(0.0)
}

fn footage_is_published(relay: &Relay) {
    until(relay, "footage of both cameras is in the bucket", || {
        CAMERAS.iter().all(|camera| {
            let labels = [("camera", *camera), ("sink", "footage")];
            sum(relay, "forebay_sink_objects_published_total", &labels) >= 2.0
        })
    });
}

/// Seconds that are missing of both cameras, by cause.
fn missing(file: &Path) -> Value {
    let text = told(file, &["coverage", "--days", "1", "--format", "json"]);
    let coverage: Value = serde_json::from_str(&text).unwrap();
    coverage["totals"]["missing_seconds_by_cause"].clone()
}

/// What the bound costs is in the ledger as the storage's, and all else is in the bucket.
fn judge(yard: &Yard, configuration: &Configuration, relay: Relay, lost: f64) {
    yard.way.mend();
    until(&relay, "all is carried", || {
        waiting(configuration).is_empty()
            || sum(&relay, "forebay_archive_away_timestamp_seconds", &[]) == 0.0
                && sum(&relay, "forebay_spool_waiting_bytes", &[]) < 3e6
    });
    until(&relay, "footage is taken", || {
        sum(&relay, "forebay_spool_full", &[]) == 0.0
    });
    sleep(Duration::from_secs(5));
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.log);
    let file = configuration.write("127.0.0.1:0");
    told(&file, &["catalog", "rebuild"]);
    let missing = missing(&file);
    let storage = missing["storage"].as_f64().unwrap();
    assert!(storage > lost, "{missing}");
    for cause in ["loss", "sink"] {
        let seconds = missing[cause].as_f64().unwrap();
        assert!(seconds < 1.0, "{cause}: {missing}");
    }
    told(&file, &["scrub"]);
}

/// New footage is refused at the bound; and a scrub that was in the midst waits for the store.
#[test]
fn at_the_bound_footage_stops_and_a_scrub_waits() {
    let _beside = beside();
    let yard = Yard::new("bucket-bound-stop");
    let site = site();
    let configuration = yard.relay("relay", &site, "");
    let relay = Relay::start(&configuration);
    footage_is_published(&relay);
    assert!(relay.stop().status.success());
    let configuration = yard.relay("relay", &site, &format!("{CARRY}{SCRUB}"));
    let relay = Relay::start(&configuration);
    footage_is_published(&relay);
    until(&relay, "the scrub has begun", || {
        sum(&relay, "forebay_scrub_objects_total", &[]) > 0.0
    });
    yard.way.always(Trouble::Refused);
    until(&relay, "the spool is full", || {
        sum(&relay, "forebay_spool_full", &[]) == 1.0
    });
    until(&relay, "the scrub waits", || {
        relay.log().contains("the scrub waits")
    });
    sleep(Duration::from_secs(6));
    let waits = sum(&relay, "forebay_spool_waiting_bytes", &[]);
    assert!(waits < 8.5e6, "{waits} bytes wait");
    assert_eq!(sum(&relay, "forebay_spool_lost_objects_total", &[]), 0.0);
    yard.way.mend();
    until(&relay, "the scrub goes on", || {
        relay.log().contains("the scrub goes on")
    });
    let log = relay.log();
    assert_eq!(log.matches("the scrub waits").count(), 1, "{log}");
    assert_eq!(sum(&relay, "forebay_scrub_faults_total", &[]), 0.0, "{log}");
    judge(&yard, &configuration, relay, 5.0);
}

/// What waits longest goes at the bound, and what comes is recorded.
#[test]
fn at_the_bound_the_oldest_goes() {
    let _beside = beside();
    let yard = Yard::new("bucket-bound-drop");
    let site = site();
    let settings = format!("{CARRY}when_full = \"drop-oldest\"\n");
    let configuration = yard.relay("relay", &site, &settings);
    let relay = Relay::start(&configuration);
    footage_is_published(&relay);
    yard.way.always(Trouble::Reset);
    until(&relay, "something is let go", || {
        let labels = [("reason", "let-go")];
        sum(&relay, "forebay_spool_lost_objects_total", &labels) >= 4.0
    });
    assert_eq!(sum(&relay, "forebay_spool_full", &[]), 0.0);
    let waits = sum(&relay, "forebay_spool_waiting_bytes", &[]);
    assert!(waits < 8.5e6, "{waits} bytes wait");
    judge(&yard, &configuration, relay, 4.0);
}

/// Keys that are taken no more, in the midst of it: whoever reads is told so, and never that something
/// is missing, or less than there is.
#[test]
fn nobody_takes_a_refusal_for_a_loss() {
    let _beside = beside();
    let yard = Yard::new("bucket-refused");
    let site = site();
    let configuration = yard.relay("relay", &site, "");
    let begun = unix_now();
    let relay = Relay::start(&configuration);
    footage_is_published(&relay);
    assert!(relay.stop().status.success());
    let ended = unix_now();
    drop(site);
    let relay = Relay::start(&configuration);
    until(&relay, "the spool is empty", || {
        waiting(&configuration).is_empty()
    });
    relay.kill();
    let file = configuration.write("127.0.0.1:0");
    let (from, to) = (rfc3339_of(begun - 5.0), rfc3339_of(ended + 5.0));
    let copy = yard.folder.join("copy");
    yard.store.get(&copy);
    let of = |files: &[PathBuf]| -> usize { files.iter().map(|file| pictures(file)).sum() };
    let all = of(&mp4_files(&copy.join("cameras/gate/footage")));

    let mut refused = 0;
    for spared in 1.. {
        fs::remove_dir_all(configuration.folder().join("spool/store")).ok();
        yard.way.after(spared, Trouble::Refused);
        let clip = fresh_folder(SCRATCH, "bucket-refused-clip").join("clip");
        let out = clip.to_str().unwrap();
        let arguments = ["clip", "gate", "--from", &from, "--to", &to, "--out", out];
        let output = forebay(&file, &arguments);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        if output.status.success() {
            assert_eq!(of(&mp4_files(&clip)), all, "{spared} requests: {said}");
            break;
        }
        assert!(said.contains("refuses the access key"), "{spared}: {said}");
        assert!(!clip.exists(), "{spared} requests: {said}");
        refused += 1;
    }
    assert!(refused > 3, "{refused}");

    let mut refused = 0;
    for spared in (1..).step_by(4) {
        yard.way.after(spared, Trouble::Refused);
        let output = forebay(&file, &["scrub"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        let report = String::from_utf8_lossy(&output.stdout).into_owned();
        if output.status.success() {
            break;
        }
        let context = format!("{spared} requests: {report}{said}");
        assert_eq!(output.status.code(), Some(UNAVAILABLE), "{context}");
        assert!(said.contains("refuses the access key"), "{context}");
        assert!(report.is_empty(), "{context}");
        refused += 1;
    }
    assert!(refused > 5, "{refused}");
}
