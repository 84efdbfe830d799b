#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stderr
)]

use std::collections::BTreeMap;
use std::sync::Arc;

use tempfile::TempDir;

use super::*;
use crate::archive::catalog::Change;
use crate::archive::ledger::{Ledger, LedgerFeed, LedgerOptions, rebuild};
use crate::archive::memory::Dice;
use crate::archive::{Archive, ArchiveOptions, MANIFESTS, ObjectKey, RealDisk};
use crate::telemetry::{LedgerEvents, ScrubEvents, Telemetry};

const PATIENCE: Duration = Duration::from_secs(20);
const HOUR: i64 = 3600 * 1_000_000_000;
pub(super) const CAMERAS: [&str; 2] = ["gate", "slipway"];

pub(super) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

/// The disk of this machine.
fn real() -> Arc<dyn crate::archive::Disk> {
    Arc::new(RealDisk)
}

/// An archive with its relay.
pub(super) struct Yard {
    dir: TempDir,
}

struct Running {
    archive: Archive,
    ledger: Ledger,
}

impl Running {
    fn still(&self, camera: &str, begin: i64, text: &str) {
        let key = ObjectKey {
            camera: name(camera),
            sink: name("stills"),
            purpose: "stills".into(),
            extension: "jpg".into(),
            begin: CaptureTime::from_unix_nanos(begin),
        };
        let mut object = self.archive.create(&key).unwrap();
        object.append(&[text.to_owned().into()]).unwrap();
        object.finish(key.begin).unwrap();
    }

    fn close(self) {
        assert!(self.ledger.close(PATIENCE));
        assert!(self.archive.close(PATIENCE));
    }
}

impl Yard {
    pub(super) fn archive(&self) -> PathBuf {
        self.dir.path().join("archive")
    }

    pub(super) fn spool(&self) -> PathBuf {
        self.dir.path().join("spool")
    }

    fn start(&self) -> Running {
        let (mut opened, mut end) = (None, None);
        // The threads of the run before give the lock back in their time.
        until("the lock", || {
            let events = LedgerEvents::new(&Arc::new(Telemetry::new()));
            let (feed, inbox) = LedgerFeed::new(&events);
            let on_event = Arc::new(move |event| feed.note(&event));
            let options = ArchiveOptions::new(self.spool(), self.archive());
            opened = Archive::open(options, Arc::new(RealDisk), on_event).ok();
            end = Some(inbox);
            opened.is_some()
        });
        let (archive, _) = opened.unwrap();
        let cameras = CAMERAS.map(|camera| (name(camera), name("boatyard")));
        let options = LedgerOptions {
            spool: self.spool(),
            cameras: cameras.into(),
        };
        let ledger = Ledger::start(end.unwrap(), &archive, options).unwrap();
        Running { archive, ledger }
    }

    /// Three runs: three manifests a camera, each with stills of some days.
    pub(super) fn new() -> Self {
        let dir = TempDir::new().unwrap();
        let yard = Self { dir };
        let now = CaptureTime::now().unix_nanos();
        for run in 0..3 {
            let running = yard.start();
            for camera in CAMERAS {
                for number in 0..4 {
                    let begin = now - (run * 4 + number) * 30 * HOUR;
                    let text = format!("{camera} {run} {number}").repeat(20);
                    running.still(camera, begin, &text);
                }
            }
            running.close();
        }
        yard
    }

    /// The files of the archive, by their names as those of objects.
    pub(super) fn files(&self, manifests: bool) -> Vec<String> {
        let mut files = Vec::new();
        for camera in CAMERAS {
            for purpose in names(&RealDisk, &self.archive().join(camera)).unwrap() {
                let folder = format!("{camera}/{purpose}");
                for day in names(&RealDisk, &self.archive().join(&folder)).unwrap() {
                    let folder = format!("{folder}/{day}");
                    let found = names(&RealDisk, &self.archive().join(&folder)).unwrap();
                    files.extend(found.iter().map(|file| format!("{folder}/{file}")));
                }
            }
        }
        files.retain(|file| file.contains(MANIFESTS) == manifests);
        files
    }

    fn scrub_with(
        &self,
        quarantine: bool,
        mut tell: impl FnMut(ScrubEvent),
    ) -> (Vec<Fault>, Scrubbed) {
        let (archive, spool, pace) = (self.archive(), self.spool(), Pace::new(0));
        let mut faults = Vec::new();
        let mut take = |event| match event {
            ScrubEvent::Fault(fault) => faults.push(fault),
            event => tell(event),
        };
        let mut scrub = Scrub {
            disk: &RealDisk,
            archive: &archive,
            spool: &spool,
            pace: &pace,
            quarantine,
            young: Duration::ZERO,
            tell: &mut take,
            scrubbed: Scrubbed::default(),
        };
        let catalog = scrub.catalog();
        for camera in scrub.cameras(catalog.as_ref()).unwrap() {
            scrub.camera(&camera, None, None, catalog.as_ref());
        }
        let scrubbed = scrub.scrubbed;
        assert_eq!(scrubbed.faults, faults.len() as u64);
        (faults, scrubbed)
    }

    /// The objects of a camera that are read.
    fn checked(&self, camera: &str, window: Option<Span>, behind: Option<&String>) -> Vec<String> {
        let (archive, spool, pace) = (self.archive(), self.spool(), Pace::new(0));
        let mut checked = Vec::new();
        let mut tell = |event| match event {
            ScrubEvent::Checked { object, .. } => checked.push(object),
            event => panic!("{event:?}"),
        };
        let mut scrub = Scrub {
            disk: &RealDisk,
            archive: &archive,
            spool: &spool,
            pace: &pace,
            quarantine: false,
            young: Duration::ZERO,
            tell: &mut tell,
            scrubbed: Scrubbed::default(),
        };
        let behind = behind.map(String::as_str);
        scrub.camera(&name(camera), window, behind, None);
        checked
    }

    fn scrub(&self) -> (Vec<Fault>, Scrubbed) {
        self.scrub_with(false, |_| {})
    }

    fn told(&self) -> Vec<(&'static str, String)> {
        let faults = self.scrub().0.into_iter();
        faults
            .map(|fault| (fault.kind.as_str(), fault.path))
            .collect()
    }

    /// Turns a bit of a file for as long as `look` takes.
    fn flip<T>(path: &Path, bit: u64, look: impl FnOnce() -> T) -> T {
        let whole = std::fs::read(path).unwrap();
        let mut flipped = whole.clone();
        flipped[usize::try_from(bit / 8).unwrap()] ^= 1 << (bit % 8);
        std::fs::write(path, flipped).unwrap();
        let seen = look();
        std::fs::write(path, whole).unwrap();
        seen
    }
}

fn seed() -> Dice {
    Dice(0x5eed_b0a7)
}

#[test]
fn what_is_as_it_was_written_has_no_fault() {
    let yard = Yard::new();
    let (faults, scrubbed) = yard.scrub();
    assert_eq!(faults, []);
    // Stills and journals, of two cameras and three runs.
    let objects = yard.files(false);
    assert!(objects.len() >= 2 * 3 * (4 + 1), "{objects:?}");
    let expected = Scrubbed {
        objects: objects.len() as u64,
        manifests: yard.files(true).len() as u64,
        bytes: scrubbed.bytes,
        ..Scrubbed::default()
    };
    assert_eq!(scrubbed, expected);
    let bytes = |object: &String| {
        std::fs::metadata(yard.archive().join(object))
            .unwrap()
            .len()
    };
    assert_eq!(scrubbed.bytes, objects.iter().map(bytes).sum::<u64>());
    // Some of one camera.
    let now = CaptureTime::now().unix_nanos();
    let at = |hours: i64| CaptureTime::from_unix_nanos(now - hours * HOUR);
    let window = Span::new(at(31), at(29));
    let checked = yard.checked("gate", window, None);
    assert_eq!(checked.len(), 1, "{checked:?}");
    assert_eq!(yard.checked("gate", window, checked.first()), [""; 0]);
}

#[test]
fn a_flipped_bit_of_an_object_is_found_and_named() {
    let yard = Yard::new();
    let mut dice = seed();
    let objects = yard.files(false);
    for _ in 0..200 {
        let object = &objects[dice.roll(objects.len() as u64) as usize];
        let path = yard.archive().join(object);
        let bit = dice.roll(std::fs::metadata(&path).unwrap().len() * 8);
        let told = Yard::flip(&path, bit, || yard.told());
        assert_eq!(told, [("damaged", object.clone())], "bit {bit}");
    }
    assert_eq!(yard.told(), []);
}

#[test]
fn a_flipped_bit_of_a_manifest_is_found_and_named() {
    let yard = Yard::new();
    let mut dice = seed();
    let manifests = yard.files(true);
    for round in 0..200 {
        // Also where there is no catalog that knows better.
        let catalog = yard.spool().join(FILE);
        let aside = yard.spool().join("aside");
        if round == 100 {
            std::fs::rename(&catalog, &aside).unwrap();
        }
        let manifest = &manifests[dice.roll(manifests.len() as u64) as usize];
        let path = yard.archive().join(manifest);
        let bit = dice.roll(std::fs::metadata(&path).unwrap().len() * 8);
        let told = Yard::flip(&path, bit, || yard.told());
        let named = ("manifest", manifest.clone());
        assert!(told.contains(&named), "{manifest}, bit {bit}: {told:?}");
        assert!(!told.iter().any(|(kind, _)| *kind == "damaged"), "{told:?}");
    }
    assert_eq!(yard.told(), []);
}

/// All rows of all tables; none where they can't be read.
fn dump(path: &Path) -> Option<BTreeMap<String, Vec<String>>> {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let catalog = rusqlite::Connection::open_with_flags(path, flags).ok()?;
    let mut tables = catalog.prepare("SELECT name FROM sqlite_schema").ok()?;
    let tables = tables.query_map([], |row| row.get::<_, String>(0)).ok()?;
    let mut dump = BTreeMap::new();
    for table in tables.collect::<Result<Vec<_>, _>>().ok()? {
        let Ok(mut rows) = catalog.prepare(&format!("SELECT * FROM {table}")) else {
            // An index, or a trigger.
            dump.insert(table, Vec::new());
            continue;
        };
        let columns = rows.column_count();
        let rows = rows.query_map([], |row| {
            let values = (0..columns).map(|n| Ok(format!("{:?}", row.get_ref(n)?)));
            Ok(values
                .collect::<Result<Vec<_>, rusqlite::Error>>()?
                .join(" "))
        });
        dump.insert(table, rows.ok()?.collect::<Result<_, _>>().ok()?);
    }
    Some(dump)
}

#[test]
fn a_flipped_bit_of_the_catalog_is_found_and_named_unless_nothing_is_there() {
    let yard = Yard::new();
    let mut dice = seed();
    let catalog = yard.spool().join(FILE);
    let whole = std::fs::read(&catalog).unwrap();
    let original = dump(&catalog).unwrap();
    let full: Vec<u64> = (0..whole.len() as u64)
        .filter(|byte| whole[*byte as usize] != 0)
        .collect();
    let (mut found, mut harmless) = (0, 0);
    for round in 0..400 {
        // Much of the file is empty.
        let byte = match round % 3 {
            0 => dice.roll(whole.len() as u64),
            _ => full[dice.roll(full.len() as u64) as usize],
        };
        let bit = byte * 8 + dice.roll(8);
        let (told, now) = Yard::flip(&catalog, bit, || (yard.told(), dump(&catalog)));
        let named = ("catalog", catalog.display().to_string());
        if told.contains(&named) {
            found += 1;
        } else {
            assert_eq!(told, [], "bit {bit}");
            assert_eq!(now.as_ref(), Some(&original), "bit {bit} is not found");
            harmless += 1;
        }
    }
    eprintln!("{found} found, {harmless} without a meaning");
    assert!(found > 150, "{found} found, {harmless} without a meaning");
    assert_eq!(yard.told(), []);
}

#[test]
fn what_is_missing_or_removed_is_named() {
    let yard = Yard::new();
    let stills: Vec<_> = yard.files(false);
    let object = stills
        .iter()
        .find(|object| object.contains("stills"))
        .unwrap();
    let aside = yard.dir.path().join("aside");
    let without = |file: &str| {
        let path = yard.archive().join(file);
        std::fs::rename(&path, &aside).unwrap();
        let told = yard.told();
        std::fs::rename(&aside, &path).unwrap();
        told
    };
    assert_eq!(without(object), [("missing", object.clone())]);
    for manifest in yard.files(true) {
        let told = without(&manifest);
        assert!(told.contains(&("removed", manifest.clone())), "{told:?}");
    }
    // Without a catalog the newest one is missed by none: what it listed seems to wait for its line.
    let catalog = yard.spool().join(FILE);
    let other = yard.spool().join("other");
    std::fs::rename(&catalog, &other).unwrap();
    let manifests = yard.files(true);
    let removed = manifests.iter().filter(|manifest| {
        let told = without(manifest);
        told.contains(&("removed", (*manifest).clone()))
    });
    assert_eq!(removed.count(), manifests.len() - CAMERAS.len());
    std::fs::rename(&other, &catalog).unwrap();
    // A whole camera.
    std::fs::rename(yard.archive().join("gate"), &aside).unwrap();
    let told = yard.told();
    std::fs::rename(&aside, yard.archive().join("gate")).unwrap();
    let of = |kind: &str| told.iter().filter(|(told, _)| *told == kind).count();
    let mine = |manifests| {
        yard.files(manifests)
            .iter()
            .filter(|o| o.starts_with("gate"))
            .count()
    };
    assert_eq!((of("removed"), of("catalog")), (mine(true), mine(false)));
    // What nobody has written down.
    let notes = "gate/stills/2026-05-04/notes.txt";
    let path = yard.archive().join(notes);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(&path, "x").unwrap();
    assert_eq!(yard.scrub().1.waiting, 1);
    let running = yard.start();
    running.still("gate", CaptureTime::now().unix_nanos(), "later");
    running.close();
    assert_eq!(yard.told(), [("unlisted", notes.to_owned())]);
    std::fs::remove_file(&path).unwrap();
    // A catalog that is sound, and says something else.
    let (mut changed, _) = Catalog::open(&yard.spool()).unwrap();
    let gone = object.clone();
    changed.apply(&[Change::Gone { object: gone }]).unwrap();
    drop(changed);
    let (faults, _) = yard.scrub();
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert_eq!(
        (faults[0].kind, &faults[0].path),
        (FaultKind::Catalog, object)
    );
    assert!(
        faults[0].detail.starts_with("the catalog lacks it"),
        "{faults:?}"
    );
    // The newest manifest is missed as soon as there is a next one, which the catalog has told of it.
    let newest = yard
        .files(true)
        .into_iter()
        .rfind(|o| o.starts_with("gate"))
        .unwrap();
    std::fs::remove_file(yard.archive().join(&newest)).unwrap();
    let running = yard.start();
    running.still("gate", CaptureTime::now().unix_nanos(), "later still");
    running.close();
    std::fs::remove_file(&catalog).unwrap();
    let told = yard.told();
    assert!(told.contains(&("removed", newest)), "{told:?}");
}

fn quarantine(yard: &Yard) -> (Vec<Fault>, u64) {
    let mut books = None;
    until("the lock", || {
        books = Offline::open(&real(), &yard.archive(), &yard.spool()).ok();
        books.is_some()
    });
    let (mut books, mut moved) = (books.unwrap(), 0);
    let (faults, _) = yard.scrub_with(true, |event| {
        if let ScrubEvent::Quarantined { object, reason, .. } = event {
            books.quarantined(&object, &reason);
            moved += 1;
        }
    });
    let locked = Offline::open(&real(), &yard.archive(), &yard.spool());
    assert!(matches!(
        locked,
        Err(crate::archive::OpenError::Locked { .. })
    ));
    books.close(PATIENCE).unwrap();
    (faults, moved)
}

#[test]
fn what_is_damaged_is_moved_aside_and_noted() {
    let yard = Yard::new();
    let objects = yard.files(false);
    let damaged = objects
        .iter()
        .find(|object| object.contains("stills"))
        .unwrap();
    let path = yard.archive().join(damaged);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[7] ^= 1;
    std::fs::write(&path, &bytes).unwrap();
    let (faults, moved) = quarantine(&yard);
    assert_eq!((faults.len(), moved), (1, 1), "{faults:?}");
    let aside = yard.archive().join(QUARANTINE).join(damaged);
    assert_eq!(std::fs::read(&aside).unwrap(), bytes);
    assert!(!path.exists());
    assert_eq!(yard.told(), []);
    // One that was cut off before anything was noted.
    let other = objects
        .iter()
        .rfind(|object| object.contains("stills"))
        .unwrap();
    let aside = yard.archive().join(QUARANTINE).join(other);
    std::fs::create_dir_all(aside.parent().unwrap()).unwrap();
    std::fs::rename(yard.archive().join(other), aside).unwrap();
    assert_eq!(yard.told(), [("missing", other.clone())]);
    assert_eq!(quarantine(&yard).1, 1);
    assert_eq!(yard.told(), []);
    // The books say the same when they are made anew.
    let before = dump(&yard.spool().join(FILE)).unwrap();
    until("the lock", || {
        rebuild(&RealDisk, &yard.archive(), &yard.spool(), &mut |_| {}).is_ok()
    });
    let after = dump(&yard.spool().join(FILE)).unwrap();
    assert_eq!(after["object"], before["object"]);
    assert_eq!(yard.told(), []);
}

/// Somebody knows of it: that is written down, and chained, and it is not told again.
#[test]
fn what_is_acknowledged_is_not_told_again() {
    let yard = Yard::new();
    let acknowledge = |object: &str| {
        let mut books = None;
        until("the lock", || {
            books = Offline::open(&real(), &yard.archive(), &yard.spool()).ok();
            books.is_some()
        });
        let mut books = books.unwrap();
        let done = books.acknowledge(object, "the yard's old disk");
        books.close(PATIENCE).unwrap();
        done
    };
    let manifests: Vec<_> = yard.files(true);
    let gate: Vec<_> = manifests.iter().filter(|o| o.starts_with("gate")).collect();
    // The first goes; the second is altered.
    std::fs::remove_file(yard.archive().join(gate[0])).unwrap();
    let altered = yard.archive().join(gate[1]);
    let mut bytes = std::fs::read(&altered).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&altered, &bytes).unwrap();
    let object = yard
        .files(false)
        .into_iter()
        .find(|o| o.starts_with("slipway/stills"))
        .unwrap();
    std::fs::remove_file(yard.archive().join(&object)).unwrap();
    let told = yard.told();
    for wrong in [
        ("removed", gate[0]),
        ("manifest", gate[1]),
        ("missing", &object),
    ] {
        assert!(
            told.contains(&(wrong.0, wrong.1.clone())),
            "{wrong:?}: {told:?}"
        );
    }
    for wrong in [gate[0], gate[1], &object] {
        acknowledge(wrong).unwrap();
    }
    let own = |told: Vec<(&'static str, String)>| -> Vec<(&'static str, String)> {
        let own = [gate[0], gate[1], &object];
        let mut own: Vec<_> = told
            .into_iter()
            .filter(|(_, path)| own.contains(&path))
            .collect();
        // A line of its own for each line that is wrong.
        own.dedup();
        own
    };
    assert_eq!(own(yard.told()), []);
    // By the files alone, too.
    until("the lock", || {
        rebuild(&RealDisk, &yard.archive(), &yard.spool(), &mut |_| {}).is_ok()
    });
    assert_eq!(own(yard.told()), []);
    // What is altered again is told again, and so is an acknowledgement that was taken away.
    bytes[middle] ^= 2;
    std::fs::write(&altered, &bytes).unwrap();
    assert_eq!(own(yard.told()), [("manifest", gate[1].clone())]);
    let there = yard
        .files(false)
        .into_iter()
        .find(|o| o.starts_with("gate/stills"))
        .unwrap();
    assert!(acknowledge(&there).unwrap_err().contains("is there"));
    assert!(
        acknowledge("../../etc/passwd")
            .unwrap_err()
            .contains("no path")
    );
}

fn metric(telemetry: &Telemetry, name: &str) -> f64 {
    let text = telemetry.render().unwrap();
    let name = format!("forebay_scrub_{name} ");
    let line = text.lines().find_map(|line| line.strip_prefix(&name));
    line.unwrap().parse().unwrap()
}

fn until(what: &str, mut met: impl FnMut() -> bool) {
    let begin = std::time::Instant::now();
    while !met() {
        assert!(begin.elapsed() < PATIENCE, "waited for {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn the_scrub_beside_a_relay_goes_on_after_a_restart() {
    let yard = Yard::new();
    let objects = yard.files(false);
    let running = yard.start();
    let scrubber = |rate| {
        let telemetry = Arc::new(Telemetry::new());
        let options = ScrubOptions {
            spool: yard.spool(),
            bytes_per_second: rate,
            quarantine: true,
            rest: Duration::from_millis(1),
        };
        let events = ScrubEvents::new(&telemetry);
        let started = Scrubber::start(&running.archive, running.ledger.clone(), events, options);
        (started.unwrap(), telemetry)
    };
    // Each object has some hundred bytes.
    let (slow, telemetry) = scrubber(100);
    until("an object", || metric(&telemetry, "objects_total") >= 2.0);
    drop(slow);
    let cursor = yard.spool().join("scrub.json");
    until("the cursor", || cursor.exists());
    let first = metric(&telemetry, "objects_total");
    assert!(first < objects.len() as f64);
    assert_eq!(metric(&telemetry, "passed_timestamp_seconds"), 0.0);
    // Its last one is damaged meanwhile.
    let last = objects
        .iter()
        .rfind(|object| object.starts_with("slipway/stills"))
        .unwrap();
    std::fs::write(yard.archive().join(last), "x").unwrap();
    let (fast, telemetry) = scrubber(0);
    until("the end", || {
        metric(&telemetry, "passed_timestamp_seconds") > 0.0
    });
    let rest = metric(&telemetry, "objects_total");
    assert_eq!(first + rest, objects.len() as f64);
    assert_eq!(metric(&telemetry, "faults_total{fault=\"damaged\"}"), 1.0);
    assert_eq!(metric(&telemetry, "quarantined_objects_total"), 1.0);
    drop(fast);
    running.close();
    // The ledger knows of it.
    assert_eq!(yard.told(), []);
    assert!(yard.archive().join(QUARANTINE).join(last).exists());
}
