//! The spool's bound on real disks, and footage that is let go while processes die and power is cut.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::ffi::OsStr;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bytes::Bytes;
use rustix::io::Errno;

use super::*;
use crate::archive::disk::{Disk, RealDisk};
use crate::archive::faults::{Fault, FaultyDisk, Lack};
use crate::archive::memory::{Dice, MemDisk};
use crate::archive::mp4::tests::{fragment, header};
use crate::archive::store::create_dirs;
use crate::archive::{Archive, ArchiveOptions, MARK, Object, mark};
use crate::units::Name;

type Events = Arc<Mutex<Vec<ArchiveEvent>>>;

fn key(purpose: &str, minute: i64) -> ObjectKey {
    ObjectKey {
        camera: Name::new("slipway").unwrap(),
        sink: Name::new("footage").unwrap(),
        purpose: purpose.into(),
        extension: "mp4".into(),
        begin: CaptureTime::from_unix_nanos(minute * 60_000_000_000),
    }
}

fn until(what: &str, is_so: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// An archive that can't be reached, as its folder can't be made.
fn open(root: &Path, when_full: WhenFull) -> (Archive, Events) {
    std::fs::write(root.join("away"), "").unwrap();
    let mut options = ArchiveOptions::new(root.join("spool"), root.join("away/archive"));
    options.carry.waiting_max = Some(1 << 20);
    options.carry.when_full = when_full;
    let events = Events::default();
    let told = Arc::clone(&events);
    let on_event = Arc::new(move |event| told.lock().unwrap().push(event));
    let (archive, _) = Archive::open(options, Arc::new(RealDisk), on_event).unwrap();
    (archive, events)
}

/// A file of a quarter of what may wait.
fn record(archive: &Archive, purpose: &str, minute: i64) -> Result<(), ArchiveError> {
    let mut object = archive.create(&key(purpose, minute))?;
    object.append(&[header().into(), fragment(&[7; 256 << 10]).into()])?;
    object.finish(key(purpose, minute + 1).begin).map(drop)
}

fn waiting(archive: &Archive, purpose: &str) -> Vec<i64> {
    let waiting = locked(&archive.store.waiting);
    let minutes = waiting.of_purpose(purpose);
    minutes
        .map(|(name, _)| name.key.begin.unix_nanos() / 60_000_000_000)
        .collect()
}

#[test]
fn at_the_bound_footage_is_refused_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, events) = open(folder.path(), WhenFull::Stop);
    let mut open = archive.create(&key(FOOTAGE, 0)).unwrap();
    let mut minute = 1;
    let refused = loop {
        match record(&archive, FOOTAGE, minute) {
            Ok(()) => minute += 1,
            Err(error) => break error,
        }
        assert!(minute < 1000);
        std::thread::sleep(TICK / 4);
    };
    let ArchiveError::Full(words) = refused else {
        panic!("{refused:?}");
    };
    assert!(words.contains("1 MB wait, which is waiting_max"), "{words}");
    let refused = open.append(&[Bytes::from_static(b"more")]);
    assert!(matches!(refused, Err(ArchiveError::Full(_))), "{refused:?}");
    record(&archive, "stills", 2).unwrap();
    let state = archive.spool_state();
    assert!(
        state.is_full && state.bytes >= 1 << 20 && state.bytes_max <= 1 << 20,
        "{state:?}"
    );
    assert_eq!(state.oldest, Some(key(FOOTAGE, 1).begin));
    let away = archive.store.away().unwrap();
    assert!(archive.close(Duration::from_secs(60)));
    drop(open);
    drop(archive);
    assert!(waiting_after(folder.path()) >= minute as usize);
    let told = events.lock().unwrap();
    let shut = |event: &ArchiveEvent| matches!(event, ArchiveEvent::SpoolFull(Some(_)));
    assert_eq!(
        told.iter().filter(|event| shut(event)).count(),
        1,
        "{away:?}"
    );
}

/// Nobody settles here: as on a disk that hangs, or when many cameras end at once.
#[test]
fn what_writers_have_left_counts_before_it_is_settled() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let mut options = ArchiveOptions::new(root.join("spool"), root.join("archive"));
    options.carry.waiting_max = Some(1 << 20);
    let store = Store::open(options, Arc::new(RealDisk), Arc::new(|_| {})).unwrap();
    let store = Arc::new(store);
    for minute in 1..=4 {
        let mut object = Object::create(Arc::clone(&store), &key(FOOTAGE, minute)).unwrap();
        let parts = [header().into(), fragment(&[7; 256 << 10]).into()];
        object.append(&parts).unwrap();
        drop(object);
        store.keep_room();
        assert_eq!(store.spool_state().is_full, minute == 4, "after {minute}");
    }
    assert_eq!(store.open_objects(), 0);
    assert_eq!(store.settle_handed(Duration::ZERO), 0);
    let waits = store.spool_state().bytes;
    assert!(waits > 4 << 18, "{waits}");
    assert_eq!(store.open_bytes(), 0, "nothing counts twice");
}

/// The files in the spool, by another relay.
fn waiting_after(root: &Path) -> usize {
    let (archive, _) = open(root, WhenFull::Stop);
    let files = std::fs::read_dir(root.join("spool/finished"))
        .unwrap()
        .count();
    until("the index", || {
        archive.spool_state().objects == files as u64
    });
    assert!(archive.spool_state().bytes >= 1 << 20);
    files
}

#[test]
fn the_oldest_footage_goes_where_that_is_declared_and_stills_stay() {
    let folder = tempfile::tempdir().unwrap();
    let (archive, events) = open(folder.path(), WhenFull::DropOldest);
    record(&archive, "stills", 0).unwrap();
    for minute in 1..=12 {
        record(&archive, FOOTAGE, minute).unwrap();
        until("room", || archive.spool_state().bytes < 1 << 20);
    }
    assert_eq!(waiting(&archive, "stills"), [0]);
    let kept = waiting(&archive, FOOTAGE);
    assert!(kept.len() <= 3 && kept.ends_with(&[12]), "{kept:?}");
    let told = events.lock().unwrap();
    let gone = told.iter().filter_map(|event| match event {
        ArchiveEvent::LetGo {
            key,
            tombstone,
            bytes,
            end,
            ..
        } => {
            assert!(tombstone.exists() && bytes.is_some() && *end > key.begin);
            Some(key.begin.unix_nanos() / 60_000_000_000)
        }
        ArchiveEvent::SpoolFull(_) => panic!("{event:?}"),
        _ => None,
    });
    let expected: Vec<i64> = (1..=12 - kept.len() as i64).collect();
    assert_eq!(gone.collect::<Vec<_>>(), expected);
}

/// Objects of four minutes, which wait.
fn filled(root: &Path, disk: Arc<dyn Disk>) -> Option<Arc<Store>> {
    let options = ArchiveOptions::new(root.join("spool"), root.join("archive"));
    let store = Arc::new(Store::open(options, disk, Arc::new(|_| {})).ok()?);
    for minute in 1..=4 {
        let mut object = Object::create(Arc::clone(&store), &key(FOOTAGE, minute)).ok()?;
        object
            .append(&[header().into(), fragment(b"a boat").into()])
            .ok()?;
        object.finish(key(FOOTAGE, minute + 1).begin).ok()?;
    }
    Some(store)
}

fn names(disk: &dyn Disk, folder: &Path) -> Vec<(i64, u64)> {
    let mut names = Vec::new();
    let mut take = |name: &OsStr| names.extend(name.to_str().and_then(SpoolName::decode));
    disk.each_entry(folder, &mut take).unwrap();
    let mut found: Vec<_> = names
        .into_iter()
        .map(|name| {
            let bytes = disk.metadata(&folder.join(name.encode())).unwrap().bytes;
            (name.key.begin.unix_nanos() / 60_000_000_000, bytes)
        })
        .collect();
    found.sort_unstable();
    found
}

#[test]
fn what_is_let_go_is_whole_or_told_of_wherever_power_is_cut() {
    let root = Path::new("/srv");
    let lack = Lack::SameDevice;
    let whole = (header().len() + fragment(b"a boat").len()) as u64;
    for at in 1..80 {
        for seed in 1..=8 {
            let memory = Arc::new(MemDisk::default());
            let store = filled(
                root,
                Arc::new(FaultyDisk::new(
                    memory.clone(),
                    lack,
                    0,
                    Fault::Once(Errno::IO),
                )),
            );
            drop(store.unwrap());
            let disk = FaultyDisk::new(memory.clone(), lack, at, Fault::Death);
            let options = ArchiveOptions::new(root.join("spool"), root.join("archive"));
            if let Ok(store) = Store::open(options, Arc::new(disk), Arc::new(|_| {})) {
                store.index().ok();
                store.let_go(2 * whole);
            }
            memory.cut_power(&mut Dice(seed * 0x9e37_79b9 + at));
            let good = Arc::new(FaultyDisk::new(
                memory.clone(),
                lack,
                0,
                Fault::Once(Errno::IO),
            ));
            let events = Events::default();
            let told = Arc::clone(&events);
            let on_event = Arc::new(move |event| told.lock().unwrap().push(event));
            let options = ArchiveOptions::new(root.join("spool"), root.join("archive"));
            let store = Store::open(options, good.clone(), on_event).unwrap();
            store.recover();
            store.tell_again();
            let kept = names(&*good, &store.spool.finished);
            let gone = names(&*good, &store.spool.let_go);
            let context = format!("cut at {at}, seed {seed}: {kept:?} {gone:?}");
            // Whole, or its name is there to be told of; at worst both.
            for minute in 1..=4 {
                let is_kept = kept.contains(&(minute, whole));
                assert!(is_kept || gone.contains(&(minute, 0)), "{context}");
            }
            assert!(kept.iter().all(|(_, bytes)| *bytes == whole), "{context}");
            assert!(gone.len() <= 2, "{context}");
            let told = events.lock().unwrap();
            let again = told
                .iter()
                .filter(|event| matches!(event, ArchiveEvent::LetGo { bytes: None, .. }));
            assert_eq!(again.count(), gone.len(), "{context}");
        }
    }
}

#[test]
fn an_archive_without_its_mark_is_away() {
    let root = Path::new("/srv");
    let memory = Arc::new(MemDisk::default());
    let disk: Arc<dyn Disk> = Arc::new(FaultyDisk::new(
        memory,
        Lack::SameDevice,
        0,
        Fault::Once(Errno::IO),
    ));
    let store = filled(root, Arc::clone(&disk)).unwrap();
    store.probe().unwrap();
    let mark = root.join("archive").join(MARK);
    assert!(disk.metadata(&mark).is_ok());
    store.carry(&mut None, Duration::ZERO, &|| false).unwrap();
    // As if its disk were not mounted.
    disk.unlink(&mark).unwrap();
    let error = store.probe().unwrap_err().line();
    assert!(
        error.contains("not mounted") && error.contains("/srv/spool/archive-mark"),
        "{error}"
    );
    disk.unlink(&root.join("spool/archive-mark")).unwrap();
    store.probe().unwrap();
    assert!(disk.metadata(&mark).is_ok());
}

#[test]
fn no_failure_of_marking_keeps_an_archive_from_being_used_for_good() {
    let root = Path::new("/srv");
    let (archive, spool) = (root.join("archive"), root.join("spool"));
    let memory_file = spool.join("archive-mark");
    let (mut failed, mut forgotten, mut unmarked) = (0, 0, 0);
    for errno in [Errno::NOSPC, Errno::ACCESS] {
        for at in 1..32 {
            let memory = Arc::new(MemDisk::default());
            for folder in [&archive, &spool] {
                create_dirs(&*memory, folder).unwrap();
            }
            let faulty = |at, fault| FaultyDisk::new(memory.clone(), Lack::SameDevice, at, fault);
            let context = format!("{errno:?} at {at}");
            let claimed = mark::claim(&faulty(at, Fault::Once(errno)), &archive, &spool, true);
            let is_there = |path: &Path| memory.metadata(path).is_ok();
            match claimed {
                // A spool that is full is to get room.
                Ok(()) if is_there(&archive.join(MARK)) => {
                    forgotten += u64::from(!is_there(&memory_file));
                }
                Ok(()) => {
                    assert_eq!(errno, Errno::ACCESS, "{context}");
                    unmarked += 1;
                }
                Err(_) => failed += 1,
            }
            let whole = faulty(0, Fault::Once(Errno::IO));
            mark::claim(&whole, &archive, &spool, true).expect(&context);
            mark::check(&whole, &archive, &spool).expect(&context);
            whole.unlink(&archive.join(MARK)).unwrap();
            let away = mark::check(&whole, &archive, &spool);
            assert!(away.is_err(), "{context}: not known");
        }
    }
    assert!(
        failed > 0 && forgotten > 0 && unmarked > 0,
        "{failed} {forgotten} {unmarked}"
    );
}
