#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::super::tests::{MS, Relay, folders, pause, slipway};
use super::*;
use crate::archive::{ArchiveEvent, ObjectKey};
use crate::units::{CaptureTime, Name};

/// As if footage of a millisecond had been let go; its name can't be removed.
fn let_go(relay: &Relay, dir: &Path, begin: CaptureTime, number: u64) {
    let spool = folders(dir).1;
    let key = ObjectKey {
        camera: slipway(),
        sink: Name::new("recorder").unwrap(),
        purpose: "footage".into(),
        extension: "mp4".into(),
        begin,
    };
    let name = SpoolName {
        key: key.clone(),
        epoch: 7,
        number,
        end: None,
    };
    relay.archive.store.tell(ArchiveEvent::LetGo {
        key,
        end: later(begin, MS),
        bytes: None,
        spooled: spool.join("finished").join(name.encode()),
        // The lock is no folder.
        tombstone: spool.join("lock").join(name.encode()),
    });
}

fn lost(relay: &Relay) -> f64 {
    let line = "forebay_gap_seconds_total{camera=\"slipway\",cause=\"storage\"}";
    relay.metric(line).unwrap()
}

/// A camera of which some time has been counted.
fn counted(dir: &Path) -> (Relay, CaptureTime) {
    let relay = Relay::start(dir);
    let begin = CaptureTime::now();
    // What comes after the footage is settled much later.
    relay.record(begin, 0, 60_000);
    let line = "forebay_ledger_settled_timestamp_seconds{camera=\"slipway\"}";
    let settled = || relay.metric(line).unwrap_or(0.0);
    let waited = Instant::now();
    // The account is settled half a minute behind the clock.
    while settled() <= begin.unix_nanos() as f64 / 1e9 + 0.5 {
        assert!(waited.elapsed() < Duration::from_secs(90), "{}", settled());
        pause(100);
    }
    (relay, begin)
}

#[test]
fn a_loss_is_counted_once_however_often_it_is_told() {
    let dir = TempDir::new().unwrap();
    let (relay, begin) = counted(dir.path());
    let before = lost(&relay);
    let tell = |numbers: std::ops::Range<u64>| {
        for number in numbers {
            let_go(&relay, dir.path(), begin, number);
        }
    };
    // As many as are remembered; they are written down, but their names can't be removed then.
    let most = TOMBSTONES_MAX as u64;
    let all = most as f64 / 1000.0;
    let is_all = || (lost(&relay) - before - all).abs() < 1e-6;
    tell(0..most);
    let waited = Instant::now();
    while !is_all() {
        assert!(
            waited.elapsed() < Duration::from_secs(90),
            "{}",
            lost(&relay)
        );
        pause(100);
    }
    // Nor does one count that is beyond the bound: not before it is told again, and there is room.
    for _ in 0..3 {
        tell(0..10);
        tell(most..most + 10);
        pause(1500);
    }
    assert!(is_all(), "{} s of {all} s", lost(&relay) - before);
    relay.close();
}
