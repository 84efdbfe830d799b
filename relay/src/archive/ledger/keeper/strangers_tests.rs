#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::collections::BTreeMap;
use std::path::Path;

use tempfile::TempDir;

use super::super::later;
use super::super::tests::{MS, Relay, folders, slipway, until};
use crate::archive::ledger::rebuild;
use crate::archive::manifest::{Page, pages, read};
use crate::archive::scrub::{Pace, Scrub, ScrubEvent, Scrubbed};
use crate::archive::{ObjectKey, Published, RealDisk};
use crate::units::{CaptureTime, Name};

/// A second relay: its own spool, the first one's archive.
fn beside(first: &Path) -> TempDir {
    let dir = TempDir::new().unwrap();
    std::os::unix::fs::symlink(folders(first).0, folders(dir.path()).0).unwrap();
    dir
}

fn still(relay: &Relay, at: CaptureTime, text: &'static str) -> String {
    let key = ObjectKey {
        camera: slipway(),
        sink: Name::new("stills").unwrap(),
        purpose: "stills".into(),
        extension: "jpg".into(),
        begin: at,
    };
    let mut object = relay.archive.create(&key).unwrap();
    object.append(&[text.into()]).unwrap();
    match object.finish(at).unwrap() {
        Published::Now { path, .. } => path.file_name().unwrap().to_str().unwrap().to_owned(),
        other => panic!("{other:?}"),
    }
}

fn faults(dir: &Path) -> Vec<String> {
    let (archive, spool) = folders(dir);
    let (pace, mut faults) = (Pace::new(0), Vec::new());
    let mut tell = |event| {
        if let ScrubEvent::Fault(fault) = event {
            faults.push(format!("{fault:?}"));
        }
    };
    let mut scrub = Scrub {
        disk: &RealDisk,
        archive: &archive,
        spool: &spool,
        pace: &pace,
        quarantine: false,
        young: std::time::Duration::ZERO,
        tell: &mut tell,
        scrubbed: Scrubbed::default(),
    };
    let catalog = scrub.catalog();
    scrub.camera(&slipway(), None, None, catalog.as_ref());
    faults
}

fn manifests(dir: &Path) -> BTreeMap<String, Page> {
    let (archive, spool) = folders(dir);
    let at = pages(&RealDisk, &archive, &spool, &slipway(), "").unwrap();
    at.into_iter()
        .map(|at| {
            let page = read(&RealDisk, &at, &mut |_, _| {}).unwrap().unwrap();
            (at.name, page)
        })
        .collect()
}

#[test]
fn two_relays_spoil_nothing_of_each_other() {
    let one = TempDir::new().unwrap();
    let first = Relay::start(one.path());
    let two = beside(one.path());
    let second = Relay::start(two.path());
    let now = CaptureTime::now();
    let at = |ms: i64| later(now, ms * MS);
    // The same name and other content: both stay. The same content: one.
    assert!(still(&first, at(0), "a boat").ends_with("Z.jpg"));
    assert!(still(&second, at(0), "another boat").ends_with("Z-2.jpg"));
    assert!(still(&first, at(1), "a ship").ends_with("Z.jpg"));
    assert!(still(&second, at(1), "a ship").ends_with("Z.jpg"));
    // Written by the first, taken away by the second, whose manifest began earlier or later.
    let gone = still(&first, at(2), "a raft");
    let folder = format!("slipway/stills/{}", now.day());
    let object = format!("{folder}/{gone}");
    // Both manifests have begun.
    let open = |dir: &TempDir| {
        let (archive, spool) = folders(dir.path());
        pages(&RealDisk, &archive, &spool, &slipway(), "")
            .unwrap()
            .len()
    };
    until("lines", || open(&one) == 1 && open(&two) == 1);
    std::fs::remove_file(folders(one.path()).0.join(&object)).unwrap();
    second.ledger.gone(&object, "age");
    second.close();
    first.close();
    assert_eq!(manifests(one.path()).len(), 2);
    // Started again, each learns what the other one has done.
    for dir in [&one, &two] {
        let relay = Relay::start(dir.path());
        still(&relay, at(10), "the same again");
        relay.close();
    }
    // The second to start vouches for all of the first, and the first has for all before.
    let all = manifests(one.path());
    assert_eq!(all.len(), 4);
    let named: Vec<_> = all
        .values()
        .flat_map(|page| page.link.as_ref().unwrap().names())
        .filter_map(|(_, sha256)| sha256)
        .collect();
    let unnamed = all
        .values()
        .filter(|page| !named.contains(&page.fingerprint.sha256));
    assert_eq!(unnamed.count(), 1, "{all:#?}");
    let relay = Relay::start(one.path());
    until("the scan", || {
        relay.metric("forebay_ledger_listed_late_total") == Some(0.0)
    });
    relay.close();
    for dir in [&one, &two] {
        until("the lock", || {
            let (archive, spool) = folders(dir.path());
            rebuild(&RealDisk, &archive, &spool, &mut |_| {}).is_ok()
        });
        assert_eq!(faults(dir.path()), Vec::<String>::new());
    }
    // Any of them is missed once it is gone, but the newest, which the catalog misses.
    for name in all.keys() {
        let path = folders(one.path()).0.join(name);
        let bytes = std::fs::read(&path).unwrap();
        std::fs::remove_file(&path).unwrap();
        let told = faults(one.path());
        assert!(
            told.iter().any(|fault| fault.contains("Removed")),
            "{told:?}"
        );
        std::fs::write(&path, bytes).unwrap();
    }
}
