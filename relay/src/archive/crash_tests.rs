//! The archive on disks that fail, die and lose power at every single operation.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::expect_used,
    clippy::panic
)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bytes::Bytes;
use rustix::io::Errno;

use super::checksum::Fingerprinting;
use super::disk::{Disk, RealDisk, read_exact_at};
use super::faults::{Fault, FaultyDisk, Lack};
use super::manifest::{Chain, Record, State, Wanted, entries, pages, read, unlisted};
use super::mark::MARK;
use super::memory::{Dice, MemDisk};
use super::mp4::tests::{fragment, header};
use super::mp4::whole_prefix;
use super::names::SpoolName;
use super::object::Object;
use super::store::Store;
use super::{ArchiveEvent, ArchiveOptions, Fingerprint, MANIFESTS, ObjectKey, OpenError};
use crate::units::{CaptureTime, Name};

/// What a sink was promised of an object.
#[derive(Debug, Default, Clone)]
struct Promise {
    is_mp4: bool,
    /// Parts that calls have appended.
    appended: u8,
    /// Parts of these that were made durable.
    flushed: u8,
    finished: bool,
    abandoned: bool,
}

type Promises = BTreeMap<u8, Promise>;

/// Part `index` of an object; what object and part it is can be read from the file.
fn part(id: u8, is_mp4: bool, index: u8) -> Bytes {
    let data = [id, index].repeat(20);
    let mut bytes = if is_mp4 && index == 0 {
        header()
    } else {
        Vec::new()
    };
    bytes.extend(if is_mp4 { fragment(&data) } else { data });
    bytes.into()
}

fn content(id: u8, is_mp4: bool, parts: u8) -> Vec<u8> {
    (0..parts)
        .flat_map(|index| part(id, is_mp4, index))
        .collect()
}

/// What was told to be published, path and fingerprint.
type Told = Arc<Mutex<Vec<(PathBuf, Fingerprint)>>>;

struct Writer<'a> {
    store: Arc<Store>,
    promises: &'a mut Promises,
    told: Told,
    manifest: Option<Object>,
    chain: Chain,
}

fn manifest_key(minute: i64) -> ObjectKey {
    ObjectKey {
        camera: Name::new("slipway").unwrap(),
        sink: Name::new(MANIFESTS).unwrap(),
        purpose: MANIFESTS.into(),
        extension: "jsonl".into(),
        begin: CaptureTime::from_unix_nanos(minute * 60_000_000_000),
    }
}

fn line(object: &str, fingerprint: Fingerprint, late: bool) -> Vec<u8> {
    let mut line = Record::object(object, fingerprint, late).line();
    line.push(b'\n');
    line
}

fn is_manifest(path: &Path) -> bool {
    path.to_str().unwrap().contains(MANIFESTS)
}

impl Writer<'_> {
    /// Objects with the same minute have the same final name.
    fn create(&mut self, id: u8, extension: &str, minute: i64) -> Option<Object> {
        let key = ObjectKey {
            camera: Name::new("slipway").unwrap(),
            sink: Name::new("footage").unwrap(),
            purpose: "footage".into(),
            extension: extension.into(),
            begin: CaptureTime::from_unix_nanos(minute * 60_000_000_000),
        };
        let promise = Promise {
            is_mp4: extension == "mp4",
            ..Promise::default()
        };
        self.promises.insert(id, promise);
        Object::create(Arc::clone(&self.store), &key).ok()
    }

    fn append(&mut self, id: u8, object: &mut Option<Object>) {
        let (Some(object), Some(promise)) = (object, self.promises.get_mut(&id)) else {
            return;
        };
        let bytes = part(id, promise.is_mp4, promise.appended);
        let middle = bytes.len() / 2;
        let parts = [bytes.slice(..middle), bytes.slice(middle..)];
        let before = object.size();
        match object.append(&parts) {
            Ok(len) => {
                promise.appended += 1;
                assert_eq!(len, before + bytes.len() as u64);
            }
            Err(_) => assert_eq!(object.size(), before),
        }
    }

    fn flush(&mut self, id: u8, object: &mut Option<Object>) {
        let (Some(object), Some(promise)) = (object, self.promises.get_mut(&id)) else {
            return;
        };
        if object.flush().is_ok() {
            promise.flushed = promise.appended;
        }
    }

    /// Lists what was published, as the ledger's thread does.
    fn list(&mut self) {
        let told = std::mem::take(&mut *self.told.lock().unwrap());
        let told = told.into_iter().filter(|(path, _)| !is_manifest(path));
        let lines = told.map(|(path, taken)| {
            let object = path.strip_prefix(&self.store.archive).unwrap();
            line(object.to_str().unwrap(), taken, false)
        });
        let lines: Vec<u8> = lines.flatten().collect();
        if lines.is_empty() {
            return;
        }
        let key = manifest_key(50);
        if self.manifest.is_none() {
            let created = Object::create(Arc::clone(&self.store), &key);
            let Ok(object) = created else { return };
            self.chain.begin(&key);
            self.manifest = Some(object);
        }
        let sealed = self.chain.seal(&key.camera, &lines);
        match self.manifest.as_mut().unwrap().append(&[sealed.into()]) {
            Ok(_) => self.chain.appended(&key.camera),
            Err(_) => {
                self.chain.broken(&key.camera);
                self.manifest = None;
            }
        }
    }

    fn finish(&mut self, id: u8, object: Option<Object>) {
        let (Some(object), Some(promise)) = (object, self.promises.get_mut(&id)) else {
            return;
        };
        if object.finish(CaptureTime::from_unix_nanos(0)).is_ok() {
            promise.finished = promise.appended > 0;
            promise.flushed = promise.appended;
        }
    }
}

fn options(root: &Path) -> ArchiveOptions {
    ArchiveOptions::new(root.join("spool"), root.join("archive"))
}

fn open_telling(root: &Path, disk: Arc<dyn Disk>, told: Told) -> Result<Arc<Store>, OpenError> {
    let on_event = move |event| {
        if let ArchiveEvent::Published {
            path, fingerprint, ..
        } = event
        {
            told.lock().unwrap().push((path, fingerprint));
        }
    };
    let store = Arc::new(Store::open(options(root), disk, Arc::new(on_event))?);
    store.probe().ok();
    store.recover();
    Ok(store)
}

fn open(root: &Path, disk: Arc<dyn Disk>) -> Result<Arc<Store>, OpenError> {
    open_telling(root, disk, Told::default())
}

/// Everything that sinks do, and that the threads do.
fn script(root: &Path, disk: Arc<dyn Disk>, promises: &mut Promises) {
    let told = Told::default();
    let Ok(store) = open_telling(root, disk, Arc::clone(&told)) else {
        return;
    };
    let writer = &mut Writer {
        store,
        promises,
        told,
        manifest: None,
        chain: Chain::default(),
    };
    let mut long = writer.create(1, "mp4", 1);
    writer.append(1, &mut long);
    writer.append(1, &mut long);
    writer.flush(1, &mut long);
    let mut short = writer.create(2, "mp4", 2);
    writer.append(2, &mut short);
    writer.finish(2, short);
    let mut still = writer.create(3, "jpg", 3);
    writer.append(3, &mut still);
    writer.finish(3, still);
    writer.append(1, &mut long);
    writer.store.flush_older_than(Duration::ZERO);
    let mut dropped = writer.create(4, "mp4", 4);
    writer.append(4, &mut dropped);
    writer.append(4, &mut dropped);
    drop(dropped);
    let mut same_name = writer.create(5, "mp4", 2);
    writer.append(5, &mut same_name);
    writer.append(5, &mut same_name);
    writer.finish(5, same_name);
    let mut half = writer.create(6, "jpg", 6);
    writer.append(6, &mut half);
    drop(half);
    drop(writer.create(7, "mp4", 7));
    for id in [4, 6, 7] {
        writer.promises.entry(id).or_default().abandoned = true;
    }
    writer.store.settle_handed(Duration::ZERO);
    writer.append(1, &mut long);
    writer.finish(1, long);
    let mut open_at_end = writer.create(8, "mp4", 8);
    writer.append(8, &mut open_at_end);
    writer.flush(8, &mut open_at_end);
    writer.append(8, &mut open_at_end);
    // As the threads do: until nothing is left, or (on a dead disk) for a few rounds.
    for round in 0..3 {
        writer.list();
        if round == 1 {
            writer.store.flush_older_than(Duration::ZERO);
        }
        writer.store.settle_handed(Duration::ZERO);
        writer
            .store
            .carry(&mut None, Duration::ZERO, &|| false)
            .ok();
    }
    writer.append(8, &mut open_at_end);
    writer.list();
    if let Some(manifest) = writer.manifest.take()
        && manifest.finish(CaptureTime::from_unix_nanos(0)).is_ok()
    {
        writer
            .store
            .carry(&mut None, Duration::ZERO, &|| false)
            .ok();
    }
    // No thread is there to take it up: it stays open as after a crash.
    drop(open_at_end);
}

fn files(disk: &dyn Disk, folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut names = Vec::new();
    if disk
        .each_entry(folder, &mut |name| names.push(name.to_owned()))
        .is_err()
    {
        return found;
    }
    for name in names {
        let path = folder.join(name);
        if disk.metadata(&path).unwrap().is_file {
            let file = disk.open(&path).unwrap();
            let mut bytes = vec![0; usize::try_from(file.size().unwrap()).unwrap()];
            read_exact_at(&*file, 0, &mut bytes).unwrap();
            found.push((path, bytes));
        } else {
            found.extend(files(disk, &path));
        }
    }
    found
}

/// Starts anew on a good disk and holds what is there against what was promised.
fn check(root: &Path, disk: Arc<dyn Disk>, promises: &Promises, context: &str) {
    let store = open(root, Arc::clone(&disk)).expect("a start never fails");
    store.carry(&mut None, Duration::ZERO, &|| false).unwrap();
    for folder in [&store.spool.open, &store.spool.finished] {
        let left = files(&*disk, folder);
        assert!(left.is_empty(), "{context}: {left:?}");
    }
    check_manifests(&*disk, &store, context);
    let without_manifests = |folder: &Path| {
        let mut files = files(&*disk, folder);
        // The archive's mark is no object.
        files.retain(|(path, _)| !is_manifest(path) && !path.ends_with(MARK));
        files
    };
    let published = without_manifests(&store.archive);
    let set_aside = without_manifests(&store.spool.set_aside);
    let mut seen: BTreeMap<u8, u32> = BTreeMap::new();
    for (path, bytes) in &published {
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(name.starts_with("1970-01-01T00"), "{context}: {path:?}");
        let found = (1..=9).find_map(|id| {
            let promise = promises.get(&id)?;
            let parts = (1..=promise.appended + 1)
                .find(|parts| content(id, promise.is_mp4, *parts) == *bytes)?;
            Some((id, parts))
        });
        let (id, parts) = found.unwrap_or_else(|| panic!("{context}: damaged {path:?}"));
        let promise = &promises[&id];
        // One more than promised: a call whose bytes were all written may fail after that.
        assert!(
            promise.flushed <= parts,
            "{context}: {id} has {parts} parts of {promise:?}"
        );
        if promise.is_mp4 {
            assert_eq!(
                whole_prefix(&bytes[..]).unwrap().bytes,
                bytes.len() as u64,
                "{context}"
            );
        } else {
            assert!(
                promise.appended > 0,
                "{context}: {path:?} was not known to be whole"
            );
        }
        *seen.entry(id).or_default() += 1;
    }
    for (path, bytes) in &set_aside {
        // The script's objects are numbered in the order of their ids.
        let name = SpoolName::decode(path.file_name().unwrap().to_str().unwrap()).unwrap();
        let id = u8::try_from(name.number).unwrap();
        let promise = &promises[&id];
        let lost = promise.is_mp4 && promise.flushed > 0 || promise.finished;
        assert!(
            !lost,
            "{context}: {path:?} set aside of {promise:?}, {bytes:?}"
        );
        *seen.entry(id).or_default() += 1;
    }
    for (id, promise) in promises {
        let count = seen.get(id).copied().unwrap_or_default();
        assert!(count <= 1, "{context}: {id} is there {count} times");
        if promise.flushed > 0 {
            assert_eq!(count, 1, "{context}: {id} is lost, {promise:?}");
        }
    }
}

/// What is listed is there, as it is listed; and after a look at what isn't, all is listed.
fn check_manifests(disk: &dyn Disk, store: &Arc<Store>, context: &str) {
    let camera = Name::new("slipway").unwrap();
    let (archive, spool) = (&store.archive, &store.spool.root);
    let listed = || {
        let pages = pages(disk, archive, spool, &camera, "").unwrap();
        for page in &pages {
            let page = read(disk, page, &mut |_, _| {}).unwrap().unwrap();
            assert!(page.link.is_some(), "{context}: {page:?}");
            assert_eq!((page.damaged, page.torn), (vec![], 0), "{context}");
        }
        let places = (archive.as_path(), spool.as_path());
        entries(disk, places, &camera, Wanted::since(""), &|_| true)
            .unwrap()
            .objects
    };
    let mut there = BTreeMap::new();
    for (path, bytes) in files(disk, archive) {
        let name = path.file_name().unwrap().to_str().unwrap();
        if !is_manifest(&path) && !name.starts_with('.') {
            let object = path.strip_prefix(archive).unwrap().to_str().unwrap();
            let mut taken = Fingerprinting::default();
            taken.update(&bytes);
            there.insert(object.to_owned(), State::There(taken.finish()));
        }
    }
    for (object, entry) in listed() {
        assert_eq!(
            there.get(&object),
            Some(&entry.state),
            "{context}: {object}"
        );
    }
    let (mut chain, key) = (Chain::default(), manifest_key(51));
    let mut lines = Vec::new();
    let mut take = |object: String, taken| {
        lines.extend(line(&object, taken, true));
        true
    };
    let since = ("1970-01-01", CaptureTime::from_unix_nanos(i64::MAX));
    unlisted(disk, (archive, spool), since, &mut take).unwrap();
    if !lines.is_empty() {
        let mut manifest = Object::create(Arc::clone(store), &key).unwrap();
        chain.begin(&key);
        let sealed = chain.seal(&camera, &lines);
        manifest.append(&[sealed.into()]).unwrap();
        manifest.finish(CaptureTime::from_unix_nanos(0)).unwrap();
        store.carry(&mut None, Duration::ZERO, &|| false).unwrap();
    }
    let listed = listed()
        .into_iter()
        .map(|(object, entry)| (object, entry.state));
    assert_eq!(listed.collect::<BTreeMap<_, _>>(), there, "{context}");
}

/// A folder on a disk where a flush costs little, if there is one.
fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .unwrap()
}

const LACKS: [Lack; 4] = [
    Lack::Nothing,
    Lack::Noreplace,
    Lack::SameDevice,
    Lack::SameMount,
];

/// Operations of an undisturbed script, which must leave everything published.
fn operations(lack: Lack) -> u64 {
    let root = Path::new("/srv");
    let disk = FaultyDisk::new(
        Arc::new(MemDisk::default()),
        lack,
        0,
        Fault::Once(Errno::IO),
    );
    let mut promises = Promises::new();
    script(root, Arc::new(disk.clone()), &mut promises);
    let count = disk.count();
    assert!(count > 150, "{count} operations");
    let names: Vec<_> = files(&disk, &root.join("archive"))
        .into_iter()
        .filter(|(path, _)| !is_manifest(path))
        .filter(|(path, _)| !path.ends_with(MARK))
        .map(|(path, _)| path.file_name().unwrap().to_str().unwrap()[13..].to_owned())
        .collect();
    let expected = [
        "0100.000Z.mp4",
        "0200.000Z-2.mp4",
        "0200.000Z.mp4",
        "0300.000Z.jpg",
        "0400.000Z.mp4",
    ];
    assert_eq!(names, expected, "{lack:?}");
    count
}

#[test]
fn survives_one_failure_at_each_operation() {
    for lack in LACKS {
        for errno in [Errno::IO, Errno::NOSPC] {
            for at in 1..=operations(lack) {
                let memory = Arc::new(MemDisk::default());
                let disk = FaultyDisk::new(memory.clone(), lack, at, Fault::Once(errno));
                let mut promises = Promises::new();
                let root = Path::new("/srv");
                script(root, Arc::new(disk), &mut promises);
                let context = format!("{lack:?}, {errno:?} at {at}");
                let good = FaultyDisk::new(memory, lack, 0, Fault::Once(errno));
                check(root, Arc::new(good), &promises, &context);
            }
        }
    }
}

#[test]
fn survives_death_at_each_operation() {
    for lack in LACKS {
        for at in 1..=operations(lack) {
            let folder = folder();
            let disk = FaultyDisk::new(Arc::new(RealDisk), lack, at, Fault::Death);
            let mut promises = Promises::new();
            script(folder.path(), Arc::new(disk), &mut promises);
            let context = format!("{lack:?}, death at {at}");
            let good = FaultyDisk::new(Arc::new(RealDisk), lack, 0, Fault::Once(Errno::IO));
            check(folder.path(), Arc::new(good), &promises, &context);
        }
    }
}

#[test]
fn survives_a_power_cut_at_each_operation() {
    for lack in LACKS {
        for at in 1..=operations(lack) {
            for seed in 1..=6 {
                let memory = Arc::new(MemDisk::default());
                let disk = FaultyDisk::new(memory.clone(), lack, at, Fault::Death);
                let mut promises = Promises::new();
                let root = Path::new("/srv");
                script(root, Arc::new(disk), &mut promises);
                let mut dice = Dice(seed * 0x9e37_79b9 + at);
                memory.cut_power(&mut dice);
                // A second cut, in the midst of the repair.
                let again = dice.roll(60) + 1;
                let disk = FaultyDisk::new(memory.clone(), lack, again, Fault::Death);
                drop(open(root, Arc::new(disk)));
                memory.cut_power(&mut dice);
                let context = format!("{lack:?}, power cut at {at}, then at {again}, seed {seed}");
                let good = FaultyDisk::new(memory, lack, 0, Fault::Once(Errno::IO));
                check(root, Arc::new(good), &promises, &context);
            }
        }
    }
}

#[test]
fn a_copy_that_reads_back_wrong_is_not_published() {
    let root = Path::new("/srv");
    let memory = MemDisk::default();
    let disk: Arc<dyn Disk> = Arc::new(FaultyDisk::new(
        Arc::new(memory.clone()),
        Lack::SameDevice,
        0,
        Fault::Once(Errno::IO),
    ));
    let events = Arc::new(Mutex::new(Vec::new()));
    let told = Arc::clone(&events);
    let on_event = Arc::new(move |event| told.lock().unwrap().push(event));
    let store = Arc::new(Store::open(options(root), Arc::clone(&disk), on_event).unwrap());
    store.probe().ok();
    let key = ObjectKey {
        extension: "jpg".into(),
        purpose: "stills".into(),
        ..manifest_key(1)
    };
    let mut object = Object::create(Arc::clone(&store), &key).unwrap();
    object
        .append(&[Bytes::from_static(b"a boat on the slip")])
        .unwrap();
    object.finish(CaptureTime::from_unix_nanos(0)).unwrap();
    let names = |folder: &Path| {
        let names = files(&*disk, folder).into_iter();
        let names = names.map(|(path, _)| path.file_name().unwrap().to_str().unwrap().to_owned());
        names
            .filter(|name| !name.starts_with('.'))
            .collect::<Vec<_>>()
    };
    // The disk of the archive tells of success, and a bit of what it has is another.
    memory.lie(1);
    let carry = || store.carry(&mut None, Duration::ZERO, &|| false).unwrap();
    let round = carry();
    assert_eq!((round.published, round.failed), (0, 1));
    let failure = events.lock().unwrap().pop().unwrap();
    let ArchiveEvent::PublishFailed { error, .. } = failure else {
        panic!("{failure:?}");
    };
    assert!(
        error.starts_with("can't verify the copy /srv/archive/slipway/stills/"),
        "{error}"
    );
    assert_eq!(names(&store.archive), [""; 0]);
    assert_eq!(names(&store.spool.finished).len(), 1);
    assert_eq!(carry().published, 1);
    let published = events.lock().unwrap().pop().unwrap();
    let ArchiveEvent::Published { fingerprint, .. } = published else {
        panic!("{published:?}");
    };
    // By sha256sum(1).
    let sum = "e11b2d36b69ec8a18f45f9c0740db67b0bb7b3ff7efdc33cc3555b56e6ad2570";
    assert_eq!(
        (fingerprint.bytes, fingerprint.sha256.to_string().as_str()),
        (18, sum)
    );
    assert_eq!(names(&store.archive), ["1970-01-01T000100.000Z.jpg"]);
    assert_eq!(names(&store.spool.finished), [""; 0]);
}
