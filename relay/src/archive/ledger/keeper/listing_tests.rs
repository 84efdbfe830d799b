#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::collections::BTreeMap;

use tempfile::TempDir;

use super::super::tests::{MS, Relay, copy_tree, evidence, folders, pause, slipway, until};
use super::*;
use crate::archive::catalog::FILE;
use crate::archive::checksum::fingerprint;
use crate::archive::disk::Disk as _;
use crate::archive::ledger::rebuild;
use crate::archive::manifest::{Entry, Page, State, Wanted, entries, names, pages, read};
use crate::archive::{ObjectKey, Published};
use crate::units::Name;

/// Everything but the camera's manifests: what it is, by its path below the archive.
fn there(archive: &Path) -> BTreeMap<String, State> {
    let mut there = BTreeMap::new();
    let camera = slipway();
    for purpose in names(&RealDisk, &archive.join(camera.as_str())).unwrap() {
        if purpose == MANIFESTS {
            continue;
        }
        let folder = format!("{camera}/{purpose}");
        for day in names(&RealDisk, &archive.join(&folder)).unwrap() {
            let folder = format!("{folder}/{day}");
            for file in names(&RealDisk, &archive.join(&folder)).unwrap() {
                let object = format!("{folder}/{file}");
                let file = RealDisk.open(&archive.join(&object)).unwrap();
                there.insert(object, State::There(fingerprint(&*file).unwrap()));
            }
        }
    }
    there
}

fn listed(archive: &Path, spool: &Path) -> (Vec<Page>, BTreeMap<String, Entry>) {
    let at = pages(&RealDisk, archive, spool, &slipway(), "").unwrap();
    let page = |page| read(&RealDisk, page, &mut |_, _| {}).unwrap().unwrap();
    let entries = entries(
        &RealDisk,
        (archive, spool),
        &slipway(),
        Wanted::since(""),
        &|_| true,
    )
    .unwrap();
    (at.iter().map(page).collect(), entries.objects)
}

fn states(entries: BTreeMap<String, Entry>) -> BTreeMap<String, State> {
    let states = entries.into_iter();
    states
        .map(|(object, entry)| (object, entry.state))
        .collect()
}

/// All rows of all tables.
fn dump(spool: &Path) -> BTreeMap<String, Vec<String>> {
    let catalog = rusqlite::Connection::open(spool.join(FILE)).unwrap();
    let mut tables = catalog
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table'")
        .unwrap();
    let tables: Vec<String> = tables
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    let dump = tables.into_iter().map(|table| {
        let mut rows = catalog.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns = rows.column_count();
        let rows = rows.query_map([], |row| {
            let values = (0..columns).map(|n| format!("{:?}", row.get_ref(n).unwrap()));
            Ok(values.collect::<Vec<_>>().join(" "))
        });
        let mut rows: Vec<String> = rows.unwrap().map(Result::unwrap).collect();
        rows.sort();
        (table, rows)
    });
    dump.collect()
}

fn still(relay: &Relay, at: CaptureTime, text: &'static str) {
    let key = ObjectKey {
        camera: slipway(),
        sink: Name::new("stills").unwrap(),
        purpose: "stills".into(),
        extension: "jpg".into(),
        begin: at,
    };
    let mut object = relay.archive.create(&key).unwrap();
    object.append(&[text.into()]).unwrap();
    let published = object.finish(at).unwrap();
    assert!(matches!(published, Published::Now { .. }), "{published:?}");
}

#[test]
fn all_that_is_published_is_listed_and_chained_and_a_rebuilt_catalog_is_equal() {
    let dir = TempDir::new().unwrap();
    let (archive, spool) = folders(dir.path());
    let mut numbers = Vec::new();
    for run in 0..3 {
        let relay = Relay::start(dir.path());
        let now = CaptureTime::now();
        pause(1200);
        relay.record(now, 0, 700);
        still(&relay, now, "a boat");
        relay.ledger.tell(evidence(
            Witness::Intake,
            GapCause::Uplink,
            later(now, 700 * MS),
            400,
        ));
        if run == 1 {
            let first = there(&archive)
                .into_keys()
                .find(|object| object.ends_with("jpg"));
            relay.ledger.gone(&first.unwrap(), "expired");
        }
        relay.close();
        let (pages, entries) = listed(&archive, &spool);
        let mut states = states(entries);
        let gone = |state: &State| *state == State::Gone("expired".into());
        assert_eq!(
            states.values().filter(|state| gone(state)).count(),
            run.min(1)
        );
        let mut there = there(&archive);
        if run > 0 {
            states.retain(|_, state| !gone(state));
            there.retain(|object, _| states.contains_key(object));
        }
        // The journal that the end has published, too.
        assert_eq!(states, there);
        numbers.push(there.len());
        // Each manifest knows the one before.
        assert_eq!(pages.len(), run + 1);
        for (index, page) in pages.iter().enumerate() {
            assert_eq!((page.damaged.len(), page.torn), (0, 0));
            let link = page.link.clone().unwrap();
            match index.checked_sub(1) {
                Some(before) => assert_eq!(link.sha256, Some(pages[before].fingerprint.sha256)),
                None => assert_eq!(link.reason.as_deref(), Some("the first")),
            }
        }
    }
    assert_eq!(numbers, [3, 5, 8]);
    let original = dump(&spool);
    assert_eq!(original["object"].len(), 8 + 3, "{original:#?}");
    assert_eq!(
        Catalog::open_to_read(&spool).unwrap().verify().unwrap(),
        [""; 0]
    );
    until("the lock", || {
        rebuild(&RealDisk, &archive, &spool, &mut |_| {}).is_ok()
    });
    assert_eq!(dump(&spool), original);
    assert_eq!(
        Catalog::open_to_read(&spool).unwrap().verify().unwrap(),
        [""; 0]
    );
}

#[test]
fn what_a_crash_left_without_a_line_is_listed_late() {
    let dir = TempDir::new().unwrap();
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(300);
    relay.record(now, 0, 300);
    let (archive, spool) = folders(dir.path());
    until("a line", || listed(&archive, &spool).1.len() == 1);
    relay.ledger.kill();
    // Published, and nobody was left to write it down.
    still(&relay, now, "a boat");
    still(&relay, later(now, -40 * 24 * 3600 * SECOND), "an old boat");
    let copy = TempDir::new().unwrap();
    copy_tree(dir.path(), copy.path());
    drop(relay);
    let (archive, spool) = folders(copy.path());
    let relay = Relay::start(copy.path());
    until("two lines", || {
        relay.metric("forebay_ledger_listed_late_total") == Some(2.0)
    });
    relay.close();
    let (pages, entries) = listed(&archive, &spool);
    assert_eq!(states(entries), there(&archive));
    // The first was left open; it is cut to its whole lines and chained all the same.
    assert_eq!(pages.len(), 2);
    let link = pages[1].link.clone().unwrap();
    assert_eq!(link.sha256, Some(pages[0].fingerprint.sha256));
}

#[test]
fn what_a_removed_spool_took_along_is_listed_again() {
    let dir = TempDir::new().unwrap();
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(300);
    relay.record(now, 0, 300);
    let (archive, spool) = folders(dir.path());
    until("a line", || listed(&archive, &spool).1.len() == 1);
    let written = std::fs::read_dir(spool.join("open")).unwrap();
    assert!(written.count() >= 2, "a journal and a manifest");
    std::fs::remove_dir_all(spool.join("open")).unwrap();
    assert_eq!(listed(&archive, &spool).1.len(), 0);
    until("the line again", || {
        relay.metric("forebay_ledger_listed_late_total") == Some(1.0)
    });
    relay.record(now, 300, 600);
    relay.close();
    let (pages, entries) = listed(&archive, &spool);
    assert_eq!(states(entries), there(&archive));
    // The manifest that went was never closed, so none names it.
    assert_eq!(pages.len(), 1);
    let link = pages[0].link.clone().unwrap();
    assert_eq!((link.previous, link.also), (None, vec![]));
}

#[test]
fn a_catalog_of_version_2_learns_of_files_from_manifests() {
    let dir = TempDir::new().unwrap();
    let (archive, spool) = folders(dir.path());
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(300);
    relay.record(now, 0, 300);
    relay.close();
    let original = dump(&spool);
    let old = rusqlite::Connection::open(spool.join(FILE)).unwrap();
    let mut triggers = old
        .prepare("SELECT 'DROP TRIGGER ' || name FROM sqlite_schema WHERE type = 'trigger'")
        .unwrap();
    let drops: Vec<String> = triggers
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    drop(triggers);
    drops
        .iter()
        .for_each(|drop| old.execute_batch(drop).unwrap());
    old.execute_batch("DROP TABLE seal; DROP TABLE object; DROP TABLE retired; DELETE FROM complete WHERE yes = 2")
        .unwrap();
    old.pragma_update(None, "user_version", 2).unwrap();
    drop(old);
    // Nothing of the files themselves is read.
    let file = there(&archive)
        .into_keys()
        .find(|object| object.ends_with("mp4"));
    std::fs::write(archive.join(file.unwrap()), "").unwrap();
    let relay = Relay::start(dir.path());
    until("the manifests", || {
        Catalog::open_to_read(&spool).is_ok_and(|c| c.knows_manifests().unwrap())
    });
    relay.close();
    let now = dump(&spool);
    for table in ["object", "footage"] {
        for row in &original[table] {
            assert!(
                now[table].contains(row),
                "{table}: {row} is not in {now:#?}"
            );
        }
    }
    assert_eq!(
        Catalog::open_to_read(&spool).unwrap().verify().unwrap(),
        [""; 0]
    );
}
