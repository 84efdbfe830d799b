#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use tempfile::TempDir;

use super::super::footage::tests::{file, part};
use super::super::scan::MP4;
use super::super::{
    Coverage, GapCause, Ledger, LedgerFeed, LedgerInbox, Scanned, Span, rebuild, total_nanos,
};
use super::*;
use crate::archive::{ArchiveOptions, ObjectKey, RealDisk};
use crate::telemetry::Telemetry;
use crate::units::Name;

pub(super) const MS: i64 = 1_000_000;

pub(super) struct Relay {
    pub(super) telemetry: Arc<Telemetry>,
    pub(super) archive: Archive,
    pub(super) ledger: Ledger,
}

pub(super) fn slipway() -> CameraName {
    Name::new("slipway").unwrap()
}

pub(super) fn folders(dir: &Path) -> (PathBuf, PathBuf) {
    (dir.join("archive"), dir.join("spool"))
}

impl Relay {
    pub(super) fn start(dir: &Path) -> Self {
        let (root, spool) = folders(dir);
        let telemetry = Arc::new(Telemetry::new());
        let events = LedgerEvents::new(&telemetry);
        let (feed, inbox) = LedgerFeed::new(&events);
        let on_event = Arc::new(move |event| feed.note(&event));
        let mut options = ArchiveOptions::new(&spool, root);
        options.flush_interval = Duration::from_millis(50);
        let (archive, _) = Archive::open(options, Arc::new(RealDisk), on_event).unwrap();
        let options = LedgerOptions {
            spool,
            cameras: vec![(slipway(), Name::new("boatyard").unwrap())],
        };
        let ledger = Ledger::start(inbox, &archive, options).unwrap();
        Self {
            telemetry,
            archive,
            ledger,
        }
    }

    /// Footage between two instants of capture time, in milliseconds after `from`.
    pub(super) fn object(&self, from: CaptureTime, begin: i64, end: i64) -> crate::archive::Object {
        let begin_at = later(from, begin * MS);
        let key = ObjectKey {
            camera: slipway(),
            sink: Name::new("recorder").unwrap(),
            purpose: FOOTAGE.into(),
            extension: MP4.into(),
            begin: begin_at,
        };
        let mut object = self.archive.create(&key).unwrap();
        let durations = vec![20; usize::try_from((end - begin) / 20).unwrap()];
        let bytes = file(&[part(begin_at.unix_nanos(), 0, &durations)]);
        object.append(&[bytes.into()]).unwrap();
        object.flush().unwrap();
        object
    }

    pub(super) fn record(&self, from: CaptureTime, begin: i64, end: i64) {
        let object = self.object(from, begin, end);
        object.finish(later(from, end * MS)).unwrap();
    }

    /// Ends it in order, however slow the disk is: what was recorded last is in the archive before, for
    /// which an end waits for a moment only.
    pub(super) fn close(self) {
        until("the last files", || {
            self.archive.oldest_unsettled(&slipway(), FOOTAGE).is_none()
        });
        assert!(self.ledger.close(Duration::from_secs(20)));
        assert!(self.archive.close(Duration::from_secs(20)));
    }

    pub(super) fn metric(&self, line: &str) -> Option<f64> {
        metric(&self.telemetry, line)
    }
}

pub(super) fn evidence(
    witness: Witness,
    cause: GapCause,
    begin: CaptureTime,
    end: i64,
) -> Evidence {
    Evidence {
        camera: slipway(),
        witness,
        begin,
        end: (end > 0).then(|| later(begin, end * MS)),
        cause,
        detail: "the wind\ntook it".into(),
    }
}

fn coverage(dir: &Path) -> Coverage {
    let catalog = Catalog::open_to_read(&folders(dir).1).unwrap();
    let window = Span::new(
        CaptureTime::from_unix_nanos(0),
        later(CaptureTime::now(), 3600 * SECOND),
    );
    let coverage = catalog.coverage(&slipway(), window.unwrap()).unwrap();
    coverage.unwrap()
}

fn causes(coverage: &Coverage) -> Vec<&'static str> {
    coverage.gaps.iter().map(|gap| gap.cause.as_str()).collect()
}

/// Waits for something that a thread does.
pub(super) fn until(what: &str, mut met: impl FnMut() -> bool) {
    let begin = Instant::now();
    while !met() {
        assert!(
            begin.elapsed() < Duration::from_secs(20),
            "waited for {what}"
        );
        std::thread::sleep(Duration::from_millis(20));
    }
}

pub(super) fn pause(ms: u64) {
    std::thread::sleep(Duration::from_millis(ms));
}

/// A run with footage, an outage and its end. The footage is longer at both ends by so many ms.
fn day(dir: &Path, beyond: i64) -> Arc<Telemetry> {
    let relay = Relay::start(dir);
    let now = CaptureTime::now();
    pause(2600);
    relay.ledger.tell(evidence(
        Witness::Intake,
        GapCause::Uplink,
        later(now, 1000 * MS),
        0,
    ));
    relay.record(now, -beyond, 1000);
    relay.ledger.tell(evidence(
        Witness::Intake,
        GapCause::Uplink,
        later(now, 1000 * MS),
        900,
    ));
    relay.record(now, 1900, 2600 + beyond);
    let telemetry = Arc::clone(&relay.telemetry);
    relay.close();
    telemetry
}

fn metric(telemetry: &Telemetry, line: &str) -> Option<f64> {
    let text = telemetry.render().unwrap();
    let line = text.lines().find(|l| l.starts_with(line))?;
    line.rsplit(' ').next()?.parse().ok()
}

#[test]
fn what_is_recorded_and_what_is_missing() {
    let dir = TempDir::new().unwrap();
    // However busy the machine is: nothing is missing at the run's ends.
    let telemetry = day(dir.path(), 60_000);
    let coverage = coverage(dir.path());
    assert_eq!(causes(&coverage), ["uplink"], "{coverage:?}");
    let missing = coverage.gaps[0].span.nanos();
    assert!(missing.abs_diff(900 * MS) < 25 * MS as u64, "{missing}");
    assert_eq!(coverage.gaps[0].detail, "the wind took it");
    let kept = total_nanos(&coverage.recorded);
    assert_eq!(total_nanos(&coverage.wanted), kept + missing);
    let told = |name: &str| metric(&telemetry, &format!("forebay_{name}")).unwrap();
    let seconds = |nanos: i64| nanos as f64 / 1e9;
    let close = |a: f64, b: f64| (a - b).abs() < 0.001;
    assert!(close(
        told("recorded_seconds_total{camera=\"slipway\"}"),
        seconds(kept)
    ));
    assert!(close(
        told("wanted_seconds_total{"),
        seconds(kept + missing)
    ));
    let gap = "gap_seconds_total{camera=\"slipway\",cause=";
    assert!(close(told(&format!("{gap}\"uplink\"")), seconds(missing)));
    assert_eq!(told(&format!("{gap}\"sink\"")), 0.0);
    assert_eq!(
        metric(&telemetry, "forebay_gap_begin_timestamp_seconds{"),
        None
    );
}

#[test]
fn a_step_of_the_clock_begins_a_run() {
    let dir = TempDir::new().unwrap();
    let relay = Relay::start(dir.path());
    relay.close();
    let relay = Relay::start(dir.path());
    relay.ledger.kill();
    let (root, spool) = folders(dir.path());
    let events = LedgerEvents::new(&relay.telemetry);
    let (_feed, inbox) = LedgerFeed::new(&events);
    let reader = Reader::start(&relay.archive, spool.clone(), inbox.sender.clone()).unwrap();
    let options = LedgerOptions {
        spool,
        cameras: vec![(slipway(), Name::new("boatyard").unwrap())],
    };
    let LedgerInbox {
        receiver, missed, ..
    } = inbox;
    let archive = relay.archive.clone();
    let told = (missed, Pulse::start().unwrap());
    let mut keeper = Keeper::new(archive, root, options, events, reader, receiver, told);
    keeper.open_catalog();
    keeper.begin_run(CaptureTime::now());
    keeper.tell(evidence(Witness::Intake, GapCause::Uplink, keeper.run, 0));
    keeper.tick();
    let runs = |keeper: &Keeper| {
        let runs = keeper.catalog.as_ref().unwrap().last_runs(&slipway(), 10);
        runs.unwrap().len()
    };
    assert_eq!(runs(&keeper), 3);
    for step in [-3600 * SECOND, 3600 * SECOND] {
        let before = (runs(&keeper), keeper.run);
        // The clock is not ours to set: the ledger's memory is.
        keeper.alive = later(keeper.alive, step);
        keeper.tick();
        assert_eq!(runs(&keeper), before.0 + 1);
        assert!(keeper.run > before.1);
    }
    // The relay was stopped for a minute: its run ended then.
    let before = (runs(&keeper), keeper.run);
    keeper.pulse.set_back(Duration::from_secs(60));
    keeper.tick();
    assert_eq!(runs(&keeper), before.0 + 1);
    assert!(keeper.run > before.1);
    keeper.tick();
    assert_eq!(runs(&keeper), before.0 + 1);
    // Longer than the pieces that take the cause of their neighbour.
    pause(500);
    keeper.tick();
    let last = keeper.alive;
    let window = Span::new(keeper.run, last).unwrap();
    let catalog = keeper.catalog.as_ref().unwrap();
    let coverage = catalog
        .coverage_to(&slipway(), window, last)
        .unwrap()
        .unwrap();
    assert_eq!(causes(&coverage).last(), Some(&"uplink"), "{coverage:?}");
    assert_eq!(total_nanos(&coverage.recorded), 0);
}

#[test]
fn a_torn_journal_is_cut_to_whole_lines() {
    let dir = TempDir::new().unwrap();
    let open = folders(dir.path()).1.join("open");
    std::fs::create_dir_all(&open).unwrap();
    let name = "slipway_ledger_ledger_2026-05-04T073100.120Z_1-1.jsonl";
    let line = format!("{{\"at\":\"{}\"}}\n", "x".repeat(6000));
    std::fs::write(open.join(name), format!("{line}{line}{}", "y".repeat(9000))).unwrap();
    let none = "slipway_ledger_ledger_2026-05-04T073100.120Z_1-2.jsonl";
    std::fs::write(open.join(none), "torn").unwrap();
    Relay::start(dir.path()).close();
    let (archive, spool) = folders(dir.path());
    let published = archive.join("slipway/ledger/2026-05-04/2026-05-04T073100.120Z.jsonl");
    assert_eq!(std::fs::read_to_string(published).unwrap(), line.repeat(2));
    assert!(spool.join("set-aside").join(none).exists());
}

#[test]
fn a_rebuilt_catalog_tells_the_same() {
    let dir = TempDir::new().unwrap();
    let (archive, spool) = folders(dir.path());
    day(dir.path(), 0);
    // A second run is killed: with a file open, and in an outage.
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(1500);
    relay.record(now, 100, 700);
    let open = relay.object(now, 700, 1000);
    let outage = evidence(Witness::Intake, GapCause::Camera, later(now, 1000 * MS), 0);
    relay.ledger.tell(outage);
    until("the outage", || {
        relay
            .metric("forebay_gap_begin_timestamp_seconds{")
            .is_some()
    });
    relay.ledger.kill();
    let rebuilt = rebuild(&RealDisk, &archive, &spool, &mut |_| {}).unwrap_err();
    assert!(rebuilt.to_string().contains("in use"), "{rebuilt}");
    // As the kernel closes a killed process's files: nothing is finished.
    let copy = TempDir::new().unwrap();
    copy_tree(dir.path(), copy.path());
    drop((open, relay));

    let relay = Relay::start(copy.path());
    let now = CaptureTime::now();
    pause(1200);
    relay.record(now, 0, 1200);
    relay.close();
    let original = coverage(copy.path());
    assert!(causes(&original).contains(&"uplink"), "{original:?}");
    assert!(causes(&original).contains(&"camera"), "{original:?}");
    assert!(causes(&original).contains(&"relay"), "{original:?}");

    let (archive, spool) = folders(copy.path());
    let mut calls = 0;
    let mut rebuilt = None;
    until("the lock", || {
        rebuilt = rebuild(&RealDisk, &archive, &spool, &mut |_| calls += 1).ok();
        rebuilt.is_some()
    });
    let rebuilt = rebuilt.unwrap();
    assert_eq!((rebuilt.scanned.footage, rebuilt.scanned.failed), (5, 0));
    assert!(rebuilt.scanned.journals >= 3 && calls > 0);
    assert_eq!(coverage(copy.path()), original);
    // Torn and foreign lines, and what is no footage, change nothing.
    let journals = archive.join("slipway/ledger").join(now.day());
    let journal = std::fs::read_dir(&journals)
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    let mut text = std::fs::read(journal.path()).unwrap();
    text.extend(b"{\"at\":\"2026-05-0");
    std::fs::write(journal.path(), text).unwrap();
    std::fs::write(journals.join("notes.txt"), "x").unwrap();
    std::fs::write(archive.join("slipway/footage/2026.txt"), "x").unwrap();
    // Findings are read, too, but for a damaged line.
    let findings = archive.join("slipway/findings").join(now.day());
    std::fs::create_dir_all(&findings).unwrap();
    let line = |kind: &str| {
        format!(
            "{{\"at\":\"{now}\",\"sink\":\"motion\",\"kind\":\"{kind}\",\"score\":0.5,\
             \"stream\":\"main\"}}\n"
        )
    };
    let text = line("motion") + &line("motion") + "{\"at\"\n" + &line("dark");
    let name = format!("{}.jsonl", now.file_stem());
    std::fs::write(findings.join(name), text).unwrap();
    let rebuilt = rebuild(&RealDisk, &archive, &spool, &mut |_| {}).unwrap();
    let Scanned {
        findings,
        damaged_lines,
        failed,
        ..
    } = rebuilt.scanned;
    assert_eq!((findings, damaged_lines, failed), (1, 1, 0));
    assert_eq!(coverage(copy.path()), original);
    let catalog = Catalog::open_to_read(&spool).unwrap();
    let camera = CameraName::new("slipway").unwrap();
    let window = Span::new(later(now, -SECOND), later(now, SECOND)).unwrap();
    let kinds = catalog.findings(&camera, window).unwrap().kinds;
    let told: Vec<_> = kinds
        .iter()
        .map(|((_, kind), tally)| (kind.as_str(), tally.number))
        .collect();
    assert_eq!(told, [("dark", 1), ("motion", 2)]);
}

pub(super) fn copy_tree(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_tree(&entry.path(), &to);
        } else {
            std::fs::copy(entry.path(), to).unwrap();
        }
    }
}

#[test]
fn a_lost_or_damaged_catalog_is_made_anew_while_the_relay_runs() {
    let dir = TempDir::new().unwrap();
    let (_, spool) = folders(dir.path());
    day(dir.path(), 0);
    let path = spool.join(crate::archive::catalog::FILE);
    let original = coverage(dir.path());
    let other = rusqlite::Connection::open(spool.join("other")).unwrap();
    other
        .execute_batch("CREATE TABLE boats (name TEXT)")
        .unwrap();
    drop(other);
    let whole = std::fs::read(&path).unwrap();
    let mut torn = whole.clone();
    torn[4096..8192].fill(0x5a);
    let foreign = std::fs::read(spool.join("other")).unwrap();
    for (round, bytes) in [torn, foreign, b"GIF89a".repeat(1000), Vec::new()]
        .iter()
        .enumerate()
    {
        std::fs::write(&path, bytes).unwrap();
        let relay = Relay::start(dir.path());
        until("the scan", || {
            // First: the old one can be read, too, as far as it is not damaged.
            let is_new = std::fs::read(&path).is_ok_and(|now| now != *bytes);
            let objects = Catalog::open_to_read(&spool)
                .and_then(|catalog| catalog.objects_since(CaptureTime::from_unix_nanos(0)));
            is_new && objects.is_ok_and(|objects| objects.len() == 2)
        });
        relay.close();
        let made_anew = coverage(dir.path());
        assert_eq!(made_anew.gaps[0], original.gaps[0], "round {round}");
        assert_eq!(made_anew.recorded[0], original.recorded[0], "round {round}");
        let names = std::fs::read_dir(&spool)
            .unwrap()
            .map(|e| e.unwrap().file_name());
        let names: Vec<_> = names.filter_map(|name| name.into_string().ok()).collect();
        let aside = names
            .iter()
            .filter(|n| n.contains(".damaged-") && n.ends_with('Z'))
            .count();
        assert_eq!(aside, (round + 1).min(3), "{names:?}");
    }
}

#[test]
fn a_catalog_that_cannot_be_written_stops_nothing() {
    let dir = TempDir::new().unwrap();
    let (archive, spool) = folders(dir.path());
    std::fs::create_dir_all(spool.join(crate::archive::catalog::FILE)).unwrap();
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(300);
    relay.record(now, 0, 300);
    relay
        .ledger
        .tell(evidence(Witness::Intake, GapCause::Uplink, now, 100));
    until("a failure", || {
        relay.metric("forebay_ledger_catalog_failures_total") > Some(0.0)
    });
    relay.close();
    std::fs::remove_dir(spool.join(crate::archive::catalog::FILE)).unwrap();
    // The archive's threads give the lock back in their time.
    until("the lock", || {
        rebuild(&RealDisk, &archive, &spool, &mut |_| {}).is_ok()
    });
    assert!(!coverage(dir.path()).recorded.is_empty());
}

#[test]
fn footage_counts_while_the_archive_is_away() {
    let dir = TempDir::new().unwrap();
    let (archive, _) = folders(dir.path());
    // No folder can be made there.
    std::fs::write(&archive, "").unwrap();
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(800);
    // Longer than the run at both ends, however busy the machine is.
    relay.record(now, -60_000, 60_800);
    assert!(relay.ledger.close(Duration::from_secs(20)));
    let away = coverage(dir.path());
    assert_eq!(away.gaps, []);
    assert_eq!(away.recorded, away.wanted);
    // The run begins when the catalog is there, which a busy disk delays.
    assert!(total_nanos(&away.recorded) > 50 * MS, "{away:?}");
    drop(relay);
    std::fs::remove_file(&archive).unwrap();
    let mut relay = None;
    until("the spool", || {
        let start = || Relay::start(dir.path());
        relay = std::panic::catch_unwind(start).ok();
        relay.is_some()
    });
    let relay = relay.unwrap();
    let day = archive.join("slipway/footage").join(now.day());
    until("the file", || {
        day.read_dir().is_ok_and(|mut dir| dir.next().is_some())
    });
    relay.close();
    assert_eq!(
        coverage(dir.path()).recorded[0].begin,
        away.recorded[0].begin
    );
    let catalog = Catalog::open_to_read(&folders(dir.path()).1).unwrap();
    let objects = catalog
        .objects_since(CaptureTime::from_unix_nanos(0))
        .unwrap();
    assert!(
        objects
            .iter()
            .all(|object| object.starts_with("slipway/footage/")),
        "{objects:?}"
    );
}

#[test]
fn evidence_is_withdrawn() {
    let dir = TempDir::new().unwrap();
    let relay = Relay::start(dir.path());
    let now = CaptureTime::now();
    pause(1000);
    relay.record(now, 0, 500);
    let at = later(now, 500 * MS);
    relay
        .ledger
        .tell(evidence(Witness::Intake, GapCause::Uplink, at, 0));
    relay.ledger.withdraw(&slipway(), Witness::Intake, at);
    relay
        .ledger
        .tell(evidence(Witness::Archive, GapCause::Storage, at, 0));
    relay.close();
    assert_eq!(causes(&coverage(dir.path())), ["storage"]);
}

#[test]
fn a_camera_is_wanted_while_it_is_configured() {
    let dir = tempfile::tempdir().unwrap();
    let relay = Relay::start(dir.path());
    let (gate, site) = (Name::new("gate").unwrap(), Name::new("boatyard").unwrap());
    let begin = CaptureTime::now();
    pause(1500);
    // Both from here on, and from there on the one that was not there at first.
    let both = CaptureTime::now();
    let cameras = vec![(slipway(), site.clone()), (gate.clone(), site.clone())];
    relay.ledger.cameras(cameras, both);
    pause(1500);
    let alone = CaptureTime::now();
    relay.ledger.cameras(vec![(gate.clone(), site)], alone);
    // Of nobody's interest any more.
    let late = evidence(Witness::Intake, GapCause::Camera, alone, 0);
    relay.ledger.tell(late);
    pause(1500);
    let told = |camera: &str| {
        let name = format!("forebay_wanted_seconds_total{{camera=\"{camera}\"}}");
        metric(&relay.telemetry, &name)
    };
    assert_eq!(told("gate"), Some(0.0));
    relay.close();
    let end = CaptureTime::now();
    let catalog = Catalog::open_to_read(&folders(dir.path()).1).unwrap();
    let window = Span::new(CaptureTime::from_unix_nanos(0), later(end, 3600 * SECOND)).unwrap();
    let wanted = |camera: &CameraName| catalog.coverage(camera, window).unwrap().unwrap().wanted;
    let near = |a: CaptureTime, b: CaptureTime| {
        let apart = a.unix_nanos().abs_diff(b.unix_nanos());
        assert!(apart < 400 * MS.unsigned_abs(), "{a} is not {b}");
    };
    let [slip] = wanted(&slipway())[..] else {
        panic!("{:?}", wanted(&slipway()));
    };
    near(slip.begin, begin);
    assert_eq!(slip.end, alone);
    let [of_gate] = wanted(&gate)[..] else {
        panic!("{:?}", wanted(&gate));
    };
    assert_eq!(of_gate.begin, both);
    near(of_gate.end, end);

    // The journals tell the same, to those who have no catalog.
    let (archive, spool) = folders(dir.path());
    until("the lock", || {
        rebuild(&RealDisk, &archive, &spool, &mut |_| {}).is_ok()
    });
    let catalog = Catalog::open_to_read(&folders(dir.path()).1).unwrap();
    let again = |camera: &CameraName| catalog.coverage(camera, window).unwrap().unwrap().wanted;
    assert_eq!(again(&slipway()), [slip]);
    assert_eq!(again(&gate), [of_gate]);
}
