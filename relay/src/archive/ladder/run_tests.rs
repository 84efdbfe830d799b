#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

use std::path::Path;

use tempfile::TempDir;

use super::super::thin::tests::{Part, file, thinned_copy};
use super::*;
use crate::archive::catalog::Catalog;
use crate::archive::disk::read_exact_at;
use crate::archive::faults::{Fault, FaultyDisk, Lack};
use crate::archive::ladder::KEY_FRAMES;
use crate::archive::ledger::{Coverage, LedgerFeed, LedgerOptions, Span, rebuild, total_nanos};
use crate::archive::memory::{Dice, MemDisk};
use crate::archive::{ArchiveOptions, RealDisk};
use crate::config::{ByteCount, Period};
use crate::telemetry::{LedgerEvents, Telemetry};
use crate::units::Name;

const SECOND: i64 = 1_000_000_000;
const DAY: i64 = 24 * 3600 * SECOND;
/// 2026-05-04T00:00:00Z, by GNU date.
const BEGIN: i64 = 1_777_852_800 * SECOND;
const PATIENCE: Duration = Duration::from_secs(20);

fn at(nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(nanos)
}

fn gate() -> CameraName {
    Name::new("gate").unwrap()
}

fn days(days: f64) -> Duration {
    Duration::from_secs_f64(days * 86_400.0)
}

/// Footage of a minute: a key frame each 4 s, sound beside.
fn footage(begin: CaptureTime) -> Vec<u8> {
    const GROUP: [(u32, bool); 4] = [(1000, true), (1000, false), (1000, false), (1000, false)];
    let parts: Vec<_> = (0..15)
        .map(|i| Part(i * 4000, i as u64 * 4000, &GROUP))
        .collect();
    file(begin, &parts)
}

/// An archive with what it needs, on a disk that tests can break. The catalog is on the real one.
struct Yard {
    telemetry: Arc<Telemetry>,
    archive: Archive,
    ledger: Ledger,
    keeper: Keeper,
    begun: Instant,
}

impl Yard {
    fn open(disk: Arc<dyn Disk>, root: &Path, catalog: &Path, rule: LadderRule) -> Option<Self> {
        let telemetry = Arc::new(Telemetry::new());
        let events = LedgerEvents::new(&telemetry);
        let (feed, inbox) = LedgerFeed::new(&events);
        let on_event = Arc::new(move |event| feed.note(&event));
        let (folder, spool) = (root.join("archive"), root.join("spool"));
        let options = ArchiveOptions::new(&spool, &folder);
        let (archive, _) = Archive::open(options, Arc::clone(&disk), on_event).ok()?;
        let options = LedgerOptions {
            spool: catalog.to_owned(),
            cameras: vec![(gate(), Name::new("boatyard").unwrap())],
        };
        let ledger = Ledger::start(inbox, &archive, options).unwrap();
        let options = LadderOptions {
            archive: folder,
            spool,
            free_bytes: 0,
            rule,
            cameras: BTreeMap::new(),
        };
        let events = LadderEvents::new(&telemetry);
        let keeper = Keeper::new(
            (options, Changed::default()),
            disk,
            &archive,
            &ledger,
            events,
        );
        Some(Self {
            telemetry,
            archive,
            ledger,
            keeper,
            begun: Instant::now(),
        })
    }

    /// Steps until there is nothing to do, or a disk fails. `day`: how many days after [`BEGIN`].
    fn work(&mut self, day: f64) -> Result<u32, StepError> {
        let now = at(BEGIN + (day * DAY as f64) as i64);
        // What newest footage there is says nothing in these tests.
        self.keeper.clock = Some(SteadyClock::new(None, now, self.begun));
        let begun = Instant::now();
        (self.keeper.next_age, self.keeper.next_room) = (begun, begun);
        self.keeper.next_quota = begun;
        (self.keeper.relief, self.keeper.to_age) = (None, VecDeque::new());
        for steps in 1..10_000 {
            if let Done::Nothing = self.keeper.step(now, begun)? {
                return Ok(steps);
            }
        }
        panic!("it never comes to an end");
    }

    fn metric(&self, start: &str) -> f64 {
        let text = self.telemetry.render().unwrap();
        let mut lines = text.lines().filter_map(|line| line.strip_prefix(start));
        lines
            .next()
            .map_or(0.0, |rest| rest.trim().parse().unwrap())
    }

    fn close(mut self) {
        self.keeper.hand.finish();
        assert!(self.ledger.close(PATIENCE));
        assert!(self.archive.close(PATIENCE));
    }
}

fn write(root: &Path, name: &str, bytes: &[u8]) {
    let path = root.join("archive").join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, bytes).unwrap();
}

/// Footage of so many minutes from an instant on, as the recorder names it.
fn record(root: &Path, begin: i64, minutes: i64) {
    for minute in 0..minutes {
        let begin = at(begin + minute * 60 * SECOND);
        let name = format!("gate/footage/{}/{}.mp4", begin.day(), begin.file_stem());
        write(root, &name, &footage(begin));
    }
}

/// That a relay ran, and wanted the gate, for so many days from [`BEGIN`] on.
fn ran(root: &Path, days: i64) {
    let stamp = |nanos: i64| jiff::Timestamp::from_nanosecond(nanos.into()).unwrap();
    let line = format!(
        r#"{{"at":"{0}","kind":"run","begin":"{0}","alive":"{1}","ended":true,"site":"boatyard"}}"#,
        stamp(BEGIN),
        stamp(BEGIN + days * DAY)
    );
    let name = format!(
        "gate/ledger/{}/{}.jsonl",
        at(BEGIN).day(),
        at(BEGIN).file_stem()
    );
    write(root, &name, format!("{line}\n").as_bytes());
}

/// Names of files below the archive that have something in their path, in order.
fn files(root: &Path, part: &str) -> Vec<String> {
    fn walk(folder: &Path, all: &mut Vec<String>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, all);
            } else {
                all.push(path.to_str().unwrap().to_owned());
            }
        }
    }
    let mut all = Vec::new();
    walk(&root.join("archive"), &mut all);
    all.retain(|path| path.contains(part));
    all.sort();
    all
}

fn ladder(footage: f64, key_frames: f64) -> LadderRule {
    LadderRule {
        footage: Period::Of(days(footage)),
        key_frames: Period::Of(days(key_frames)),
        ..LadderRule::default()
    }
}

fn coverage(catalog: &Path) -> Coverage {
    let catalog = Catalog::open_to_read(catalog).unwrap();
    let window = Span::new(at(BEGIN), at(BEGIN + 8 * DAY)).unwrap();
    catalog.coverage(&gate(), window).unwrap().unwrap()
}

fn real(dir: &TempDir, rule: LadderRule) -> Yard {
    let spool = dir.path().join("spool");
    Yard::open(Arc::new(RealDisk), dir.path(), &spool, rule).unwrap()
}

#[test]
fn copies_come_to_an_archive_on_another_file_system_and_pins_hold_there() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    // Two file systems without a mount: memory and the disk of temporary files.
    let memory = tempfile::tempdir_in("/dev/shm").unwrap();
    let device = |path: &Path| RealDisk.metadata(path).unwrap().device;
    assert_ne!(device(memory.path()), device(root), "TMPDIR is in memory");
    let spool = root.join("spool");
    std::os::unix::fs::symlink(memory.path(), &spool).unwrap();
    ran(root, 9);
    record(root, BEGIN, 5);
    let pinned = Span::new(at(BEGIN + 65 * SECOND), at(BEGIN + 66 * SECOND)).unwrap();
    let archive = root.join("archive");
    let pin = pins::add(&RealDisk, &archive, &gate(), pinned, "hull struck", None).unwrap();
    let mut yard = Yard::open(Arc::new(RealDisk), root, &spool, ladder(1.0, 100.0)).unwrap();
    let begun = Instant::now();
    while files(root, "/footage/").len() > 1 {
        assert!(begun.elapsed() < PATIENCE, "{:?}", files(root, ""));
        yard.work(3.0).unwrap();
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(files(root, "/key-frames/").len(), 4);
    let whole = archive.join("gate/footage/2026-05-04/2026-05-04T000100.000Z.mp4");
    assert_eq!(
        std::fs::read(&whole).unwrap(),
        footage(at(BEGIN + 60 * SECOND))
    );
    assert!(yard.archive.spool_state().carried_bytes > 0);
    pins::end(&RealDisk, &archive, &gate(), &pin.id).unwrap();
    while !files(root, "/footage/").is_empty() {
        assert!(begun.elapsed() < 2 * PATIENCE, "{:?}", files(root, ""));
        yard.work(3.0).unwrap();
        std::thread::sleep(Duration::from_millis(20));
    }
    yard.close();
    // All that came over is listed, with the sums of what is there.
    let all = crate::archive::manifest::Wanted::since("");
    let listed =
        crate::archive::manifest::entries(&RealDisk, (&archive, &spool), &gate(), all, &|_| true);
    let listed = listed.unwrap().objects;
    for path in files(root, "/key-frames/") {
        let object = Path::new(&path)
            .strip_prefix(&archive)
            .unwrap()
            .to_str()
            .unwrap();
        let file = RealDisk.open_to_read(Path::new(&path)).unwrap();
        let there = crate::archive::checksum::fingerprint(&*file).unwrap();
        let state = &listed[object].state;
        assert_eq!(
            *state,
            crate::archive::manifest::State::There(there),
            "{object}"
        );
    }
    let coverage = coverage(&spool);
    assert_eq!(total_nanos(&coverage.thinned), 300 * SECOND);
}

#[test]
fn footage_grows_old_and_the_account_stays() {
    let dir = tempfile::tempdir().unwrap();
    ran(dir.path(), 9);
    record(dir.path(), BEGIN, 5);
    record(dir.path(), BEGIN + 3 * DAY, 4);
    write(
        dir.path(),
        "gate/stills/2026-05-04/2026-05-04T073100.120Z.jpg",
        b"still",
    );
    // Of nobody that the ladder knows.
    write(dir.path(), "gate/footage/2026-05-04/notes.txt", b"mine");
    let spool = dir.path().join("spool");
    rebuild(
        &RealDisk,
        &dir.path().join("archive"),
        spool_made(&spool),
        &mut |_| {},
    )
    .unwrap();
    let before = coverage(&spool);
    assert_eq!(total_nanos(&before.recorded), 9 * 60 * SECOND);

    // Nothing is old enough; then the first day is thinned; then the first is gone, and so on.
    let mut yard = real(&dir, ladder(2.0, 5.0));
    yard.work(1.9).unwrap();
    assert_eq!(files(dir.path(), "/footage/").len(), 10);
    yard.work(2.5).unwrap();
    assert_eq!(files(dir.path(), "/footage/2026-05-04/").len(), 1);
    assert_eq!(files(dir.path(), "/footage/2026-05-07/").len(), 4);
    let copies = files(dir.path(), "/key-frames/2026-05-04/");
    assert_eq!(copies.len(), 5);
    for copy in &copies {
        let bytes = std::fs::metadata(copy).unwrap().len();
        assert!(bytes < footage(at(BEGIN)).len() as u64 * 2 / 3, "{bytes}");
    }
    yard.work(5.5).unwrap();
    assert_eq!(files(dir.path(), "/key-frames/2026-05-04/"), [""; 0]);
    assert!(
        !dir.path()
            .join("archive/gate/key-frames/2026-05-04")
            .exists()
    );
    assert_eq!(files(dir.path(), "/key-frames/2026-05-07/").len(), 4);
    assert_eq!(files(dir.path(), "/footage/").len(), 1);
    assert_eq!(files(dir.path(), "/stills/").len(), 1);
    let of = |fate: &str, form: &str| {
        let labels = format!(r#"camera="gate",form="{form}",fate="{fate}",reason="age""#);
        yard.metric(&format!("forebay_ladder_objects_total{{{labels}}}"))
    };
    assert_eq!(of("thinned", "footage"), 9.0);
    assert_eq!(of("expired", "key-frames"), 5.0);
    yard.close();

    let after = coverage(&spool);
    assert_eq!(after.recorded, before.recorded);
    assert_eq!(after.gaps, before.gaps);
    assert_eq!(total_nanos(&after.expired), 5 * 60 * SECOND);
    assert_eq!(total_nanos(&after.thinned), 4 * 60 * SECOND);
    // And the same from files and journals alone.
    rebuild(&RealDisk, &dir.path().join("archive"), &spool, &mut |_| {}).unwrap();
    let anew = coverage(&spool);
    assert_eq!((anew.recorded, anew.gaps), (after.recorded, after.gaps));
    assert_eq!((anew.expired, anew.thinned), (after.expired, after.thinned));
}

fn spool_made(spool: &Path) -> &Path {
    std::fs::create_dir_all(spool).unwrap();
    spool
}

#[test]
fn pins_hold_until_they_end() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), BEGIN, 10);
    let archive = dir.path().join("archive");
    let pinned = Span::new(at(BEGIN + 130 * SECOND), at(BEGIN + 190 * SECOND)).unwrap();
    let pin = pins::add(&RealDisk, &archive, &gate(), pinned, "hull struck", None).unwrap();
    let rule = LadderRule {
        most: Some(days(1.0)),
        ..LadderRule::default()
    };
    let mut yard = real(&dir, rule);
    // Somebody is pinning: nothing goes meanwhile.
    let guard = pins::guard(&RealDisk, &dir.path().join("spool")).unwrap();
    let now = at(BEGIN + 3 * DAY);
    yard.keeper.clock = Some(SteadyClock::new(None, now, yard.begun));
    for _ in 0..5 {
        yard.keeper.step(now, Instant::now()).unwrap();
    }
    assert_eq!(files(dir.path(), "/footage/").len(), 10);
    drop(guard);
    yard.work(3.0).unwrap();
    let left = files(dir.path(), "/footage/");
    assert_eq!(left.len(), 2, "{left:?}");
    assert!(left[0].ends_with("2026-05-04T000200.000Z.mp4"));
    assert!(left[1].ends_with("2026-05-04T000300.000Z.mp4"));
    // A pin that can't be read is a pin.
    let path = files(dir.path(), "/pins/").remove(0);
    let line = std::fs::read(&path).unwrap();
    std::fs::write(&path, &line[..20]).unwrap();
    yard.work(3.0).unwrap();
    assert_eq!(files(dir.path(), "/footage/").len(), 2);
    assert_eq!(yard.metric("forebay_ladder_failures_total"), 1.0);
    std::fs::write(&path, &line).unwrap();
    pins::end(&RealDisk, &archive, &gate(), &pin.id).unwrap();
    yard.work(3.0).unwrap();
    assert_eq!(files(dir.path(), "/footage/"), [""; 0]);
    assert!(!archive.join("gate/footage/2026-05-04").exists());
    yard.close();
}

#[test]
fn a_quota_takes_the_oldest_footage() {
    let dir = tempfile::tempdir().unwrap();
    for day in 0..4 {
        record(dir.path(), BEGIN + day * DAY, 3);
    }
    write(
        dir.path(),
        "gate/stills/2026-05-04/2026-05-04T073100.120Z.jpg",
        &[0; 5000],
    );
    let one = footage(at(BEGIN)).len() as u64;
    let rule = LadderRule {
        quota: Some(ByteCount::new(5000 + 7 * one)),
        least: days(1.5),
        ..LadderRule::default()
    };
    let mut yard = real(&dir, rule.clone());
    yard.work(4.0).unwrap();
    let left = files(dir.path(), "/footage/");
    assert_eq!(left.len(), 7);
    assert!(left[0].contains("2026-05-05T000200.000Z"), "{left:?}");
    let held = yard.metric(r#"forebay_archive_object_bytes{camera="gate",form="footage"}"#);
    assert_eq!(held, 7.0 * one as f64);
    assert_eq!(yard.metric("forebay_ladder_short_bytes"), 0.0);
    yard.close();
    // What is too young stays, and it is told that there is too much.
    let mut yard = real(
        &dir,
        LadderRule {
            quota: Some(ByteCount::new(one)),
            ..rule
        },
    );
    yard.work(4.0).unwrap();
    assert_eq!(files(dir.path(), "/footage/").len(), 3);
    let short = yard.metric("forebay_ladder_short_bytes");
    assert_eq!(short, (5000 + 3 * one - one) as f64);
    yard.close();
}

#[test]
fn free_space_takes_the_oldest_of_all() {
    // Its free space does not change: 1 GiB of 1 TiB.
    const FREE: u64 = 1 << 30;
    let root = Path::new("/yard");
    let disk = MemDisk::default();
    let originals = shelve(&disk, root);
    let catalog = tempfile::tempdir().unwrap();
    let mut yard = Yard::open(
        Arc::new(disk.clone()),
        root,
        catalog.path(),
        LadderRule::default(),
    )
    .unwrap();
    let folder = root.join("archive/gate/footage/2026-05-04");
    let left = || {
        let names = originals.iter().map(|(name, _)| name);
        names
            .filter(|name| content(&disk, &folder.join(name)).is_some())
            .count()
    };
    // As much as there is, and more than the whole disk has: nothing goes for that.
    for floor in [FREE, 1 << 40, u64::MAX] {
        yard.keeper.options.free_bytes = floor;
        yard.work(4.0).unwrap();
        assert_eq!(left(), 3, "{floor}");
    }
    yard.keeper.options.free_bytes = FREE + 1;
    yard.work(4.0).unwrap();
    assert_eq!(left(), 2);
    assert!(content(&disk, &folder.join(&originals[0].0)).is_none());
    assert_eq!(yard.metric("forebay_ladder_short_bytes"), 0.0);
    // More than they hold: all of it goes, and it is told that this is not enough.
    let one = originals[0].1.len() as u64;
    yard.keeper.options.free_bytes = FREE + 3 * one;
    yard.work(4.0).unwrap();
    assert_eq!(left(), 0);
    assert_eq!(yard.metric("forebay_ladder_short_bytes"), one as f64);
    let labels = r#"camera="gate",form="footage",fate="expired",reason="free-space""#;
    let gone = yard.metric(&format!("forebay_ladder_objects_total{{{labels}}}"));
    assert_eq!(gone, 3.0);
    yard.close();
}

#[test]
fn a_clock_that_leaps_makes_nothing_old() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), BEGIN, 2);
    let mut yard = real(&dir, ladder(2.0, 0.0));
    let begun = yard.begun;
    let step = |yard: &mut Yard, days: i64, at_seconds: u64| {
        let at = begun + Duration::from_secs(at_seconds);
        (yard.keeper.next_age, yard.keeper.next_room) = (at, at);
        let now = super::tests::at(BEGIN + days * DAY);
        while !matches!(yard.keeper.step(now, at).unwrap(), Done::Nothing) {}
    };
    step(&mut yard, 1, 0);
    step(&mut yard, 4000, 10);
    step(&mut yard, 4000, 3000);
    assert_eq!(files(dir.path(), "/footage/").len(), 2);
    step(&mut yard, 4000, 3700);
    assert_eq!(files(dir.path(), "/footage/"), [""; 0]);
    yard.close();
}

/// Puts three files of footage onto a disk in memory, durably.
fn shelve(disk: &MemDisk, root: &Path) -> Vec<(String, Vec<u8>)> {
    let folder = root.join("archive/gate/footage/2026-05-04");
    let mut path = std::path::PathBuf::from("/");
    for part in folder.strip_prefix("/").unwrap() {
        path.push(part);
        disk.create_dir(&path).ok();
        disk.sync_dir(path.parent().unwrap()).unwrap();
    }
    let mut all = Vec::new();
    for minute in 0..3 {
        let begin = at(BEGIN + minute * 60 * SECOND);
        let (name, bytes) = (format!("{}.mp4", begin.file_stem()), footage(begin));
        let file = disk.create_new(&folder.join(&name)).unwrap();
        file.write_at(0, &[std::io::IoSlice::new(&bytes)]).unwrap();
        file.sync().unwrap();
        all.push((name, bytes));
    }
    disk.sync_dir(&folder).unwrap();
    all
}

fn content(disk: &dyn Disk, path: &Path) -> Option<Vec<u8>> {
    let file = disk.open_to_read(path).ok()?;
    let mut bytes = vec![0; file.size().unwrap() as usize];
    read_exact_at(&*file, 0, &mut bytes).unwrap();
    Some(bytes)
}

/// Dead at each operation, with and without a power cut: each file is there whole, or its copy is,
/// and the next start brings it to an end, with one copy of each.
#[test]
fn cut_off_anywhere_nothing_is_lost_and_nothing_is_double() {
    let root = Path::new("/yard");
    let originals = shelve(&MemDisk::default(), root);
    let copies: Vec<_> = originals
        .iter()
        .enumerate()
        .map(|(i, (_, bytes))| thinned_copy(bytes, at(BEGIN + i as i64 * 60 * SECOND)))
        .collect();
    let whole = root.join("archive/gate/footage/2026-05-04");
    let thin = root
        .join("archive/gate")
        .join(KEY_FRAMES)
        .join("2026-05-04");
    // How much there is to be cut off in: most of it reads, so the middle is told apart, too.
    let all = {
        let disk = MemDisk::default();
        shelve(&disk, root);
        let counting = FaultyDisk::new(Arc::new(disk), Lack::Nothing, u64::MAX, Fault::Death);
        let catalog = tempfile::tempdir().unwrap();
        let rule = ladder(2.0, 900.0);
        let yard = Yard::open(Arc::new(counting.clone()), root, catalog.path(), rule);
        let mut yard = yard.unwrap();
        yard.work(3.0).unwrap();
        yard.close();
        counting.count()
    };
    let rounds: u64 = std::env::var("FOREBAY_CUTS").map_or(300, |n| n.parse().unwrap());
    let (mut dead, mut done) = (0, 0);
    for seed in 1..=rounds {
        let mut dice = Dice(seed);
        let disk = MemDisk::default();
        shelve(&disk, root);
        let lack = [Lack::Nothing, Lack::Noreplace][dice.roll(2) as usize];
        let step = 1 + dice.roll(all + all / 8);
        let dying = FaultyDisk::new(Arc::new(disk.clone()), lack, step, Fault::Death);
        let catalog = tempfile::tempdir().unwrap();
        let rule = ladder(2.0, 900.0);
        if let Some(mut yard) = Yard::open(Arc::new(dying), root, catalog.path(), rule.clone()) {
            match yard.work(3.0) {
                Ok(_) => done += 1,
                Err(_) => dead += 1,
            }
            // Its disk is dead, or all is done: what is brought to an end now changes nothing.
            drop(yard.keeper);
            assert!(yard.ledger.close(PATIENCE));
            yard.archive.close(PATIENCE);
        }
        if dice.roll(2) == 0 {
            disk.cut_power(&mut dice);
        }
        for ((name, bytes), copy) in originals.iter().zip(&copies) {
            let original = content(&disk, &whole.join(name));
            let kept = content(&disk, &thin.join(name));
            assert!(
                original.as_ref().is_none_or(|found| found == bytes),
                "{seed} {name}"
            );
            assert!(
                kept.as_ref().is_none_or(|found| found == copy),
                "{seed} {name}"
            );
            assert!(original.is_some() || kept.is_some(), "{seed} {name}");
        }
        // The threads of the first one hold the spool until they have ended.
        let reopened = (0..2000).find_map(|_| {
            let disk = Arc::new(disk.clone());
            let yard = Yard::open(disk, root, catalog.path(), rule.clone());
            if yard.is_none() {
                std::thread::sleep(Duration::from_millis(5));
            }
            yard
        });
        let mut yard = reopened.unwrap();
        yard.work(3.0).unwrap();
        yard.close();
        for ((name, _), copy) in originals.iter().zip(&copies) {
            assert_eq!(content(&disk, &whole.join(name)), None, "{seed}");
            assert_eq!(
                content(&disk, &thin.join(name)).as_ref(),
                Some(copy),
                "{seed}"
            );
        }
        let mut names = 0;
        disk.each_entry(&thin, &mut |_| names += 1).unwrap();
        assert_eq!(names, 3, "{seed}");
    }
    assert!(
        dead > rounds / 2 && done > rounds / 50,
        "{dead} dead, {done} done"
    );
}
