#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

use super::super::findings::{Tallies, Tally};
use super::super::ledger::{Evidence, GapCause, Span, Witness};
use super::*;

impl Catalog {
    /// The files that hold something after an instant.
    pub(in crate::archive) fn objects_since(
        &self,
        time: CaptureTime,
    ) -> Result<HashSet<String>, CatalogError> {
        let sql = "SELECT object FROM footage WHERE begin >= ?1 \
                   UNION SELECT object FROM findings_file WHERE last IS NULL OR last >= ?1";
        let objects = self.rows(sql, [time], |row| row.get(0))?;
        Ok(objects.into_iter().collect())
    }
}

fn at(second: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(second * 1_000_000_000)
}

fn span(begin: i64, end: i64) -> Span {
    Span::new(at(begin), at(end)).unwrap()
}

fn gate() -> CameraName {
    Name::new("gate").unwrap()
}

fn run(begin: i64, alive: i64, ended: bool) -> [Change; 2] {
    let run = Change::Run {
        begin: at(begin),
        alive: at(alive),
        ended,
    };
    let camera = Change::Camera {
        run: at(begin),
        camera: gate(),
        site: Name::new("boatyard").unwrap(),
    };
    [run, camera]
}

fn footage(object: &str, begin: i64, end: i64) -> Change {
    Change::Footage {
        object: object.into(),
        camera: gate(),
        recorded: Recorded {
            spans: vec![span(begin, end)],
            frame_nanos: 40_000_000,
        },
        bytes: 1000,
    }
}

fn outage(run: i64, begin: i64, end: Option<i64>) -> Change {
    Change::Evidence {
        run: at(run),
        evidence: Evidence {
            camera: gate(),
            witness: Witness::Intake,
            begin: at(begin),
            end: end.map(at),
            cause: GapCause::Uplink,
            detail: "no answer".into(),
        },
    }
}

fn gaps(catalog: &Catalog, until: i64) -> Vec<(&'static str, i64, i64, bool)> {
    let coverage = catalog.coverage_to(&gate(), span(0, until), at(until));
    let second = |time: CaptureTime| time.unix_nanos() / 1_000_000_000;
    let gaps = coverage.unwrap().unwrap().gaps.into_iter();
    let gap = |g: super::super::ledger::Gap| {
        let Span { begin, end } = g.span;
        (g.cause.as_str(), second(begin), second(end), g.lasts)
    };
    gaps.map(gap).collect()
}

#[test]
fn open_evidence_ends_with_its_run() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, found) = Catalog::open(dir.path()).unwrap();
    assert_eq!(found, Found::Nothing);
    catalog.apply(&run(10, 40, false)).unwrap();
    catalog
        .apply(&[footage("a", 10, 20), outage(10, 20, None)])
        .unwrap();
    assert_eq!(gaps(&catalog, 35), [("uplink", 20, 35, true)]);
    // Killed; the next run records from the begin.
    catalog.apply(&run(60, 100, false)).unwrap();
    catalog.apply(&[footage("b", 62, 100)]).unwrap();
    let expected = [("uplink", 20, 40, false), ("relay", 40, 62, false)];
    assert_eq!(gaps(&catalog, 90), expected);
}

#[test]
fn a_file_that_moves_and_is_read_again_counts_once() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    let moved = Change::Moved {
        from: "spool/x".into(),
        to: "gate/x".into(),
    };
    for _ in 0..2 {
        let changes = [
            footage("gate/x", 1, 2),
            footage("spool/x", 1, 2),
            moved.clone(),
        ];
        catalog.apply(&changes).unwrap();
    }
    let known = catalog.objects_since(at(0)).unwrap();
    assert_eq!(known.into_iter().collect::<Vec<_>>(), ["gate/x"]);
    assert!(catalog.knows("gate/x").unwrap() && !catalog.knows("spool/x").unwrap());
}

#[test]
fn a_full_disk_takes_nothing_away() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    catalog.apply(&run(0, 1000, false)).unwrap();
    // As a full disk: SQLITE_FULL (sqlite.org/rescode.html).
    let pages: i64 = catalog.one("PRAGMA page_count").unwrap();
    let limit = |pages: i64| {
        catalog
            .connection
            .pragma_update(None, "max_page_count", pages)
    };
    limit(pages).unwrap();
    let many: Vec<_> = (0..500)
        .map(|n| footage(&format!("file {n}"), n, n + 1))
        .collect();
    let error = catalog.apply(&many).unwrap_err();
    assert!(!error.is_damage(), "{error:?}");
    assert_eq!(
        catalog.objects_since(at(0)).unwrap().len(),
        0,
        "all or nothing"
    );
    assert_eq!(catalog.cameras().unwrap().len(), 1);
    let limit = |pages: i64| {
        catalog
            .connection
            .pragma_update(None, "max_page_count", pages)
    };
    limit(100_000).unwrap();
    catalog.apply(&many).unwrap();
    assert_eq!(catalog.objects_since(at(0)).unwrap().len(), 500);
}

#[test]
fn reads_while_another_writes() {
    let dir = tempfile::tempdir().unwrap();
    let missing = Catalog::open_to_read(dir.path()).unwrap_err();
    assert!(
        missing.to_string().contains("forebay catalog rebuild"),
        "{missing}"
    );
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    let reader = Catalog::open_to_read(dir.path()).unwrap();
    assert_eq!(reader.coverage(&gate(), span(0, 10)).unwrap(), None);
    catalog.apply(&run(0, 100, false)).unwrap();
    let settled = Change::Settled {
        camera: gate(),
        until: at(50),
    };
    catalog.apply(&[footage("a", 0, 40), settled]).unwrap();
    let coverage = reader.coverage(&gate(), span(0, 90)).unwrap().unwrap();
    assert_eq!(coverage.window, span(0, 50));
    assert_eq!(coverage.recorded, [span(0, 40)]);
    assert_eq!(
        reader.cameras().unwrap(),
        [(gate(), Name::new("boatyard").unwrap())]
    );
}

#[test]
fn another_version_is_put_aside() {
    let dir = tempfile::tempdir().unwrap();
    drop(Catalog::open(dir.path()).unwrap());
    assert_eq!(Catalog::open(dir.path()).unwrap().1, Found::Whole);
    let other = Connection::open(dir.path().join(FILE)).unwrap();
    other
        .pragma_update(None, "user_version", VERSION + 1)
        .unwrap();
    drop(other);
    let reading = Catalog::open_to_read(dir.path()).unwrap_err();
    assert!(matches!(reading, CatalogError::Foreign(_)));
    let (_, found) = Catalog::open(dir.path()).unwrap();
    let Found::Damaged(path) = found else {
        panic!("{found:?}");
    };
    assert!(path.exists());
}

fn tallies(kind: &str, number: u64, first: i64, last: i64) -> Tallies {
    let tally = Tally {
        number,
        first: at(first),
        last: at(last),
        score_max: 0.5,
    };
    let key = (Name::new("motion").unwrap(), kind.to_owned());
    Tallies {
        kinds: [(key, tally)].into(),
        damaged: 1,
    }
}

fn findings(object: &str, tallies: &Tallies) -> Change {
    Change::Findings {
        object: object.into(),
        camera: gate(),
        tallies: tallies.clone(),
        bytes: 1000,
    }
}

#[test]
fn findings_are_found_by_time() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    let early = tallies("motion", 3, 100, 200);
    let late = tallies("motion", 2, 190, 300);
    catalog
        .apply(&[
            findings("spool/a", &early),
            findings("b", &late),
            findings("b", &late),
        ])
        .unwrap();
    catalog
        .apply(&[Change::Moved {
            from: "spool/a".into(),
            to: "a".into(),
        }])
        .unwrap();
    assert!(catalog.knows("a").unwrap() && !catalog.knows("spool/a").unwrap());
    let told = |begin, end| catalog.findings(&gate(), span(begin, end)).unwrap();
    assert_eq!(told(0, 101), early);
    assert_eq!(told(201, 900), late);
    let both = Tallies {
        damaged: 2,
        ..tallies("motion", 5, 100, 300)
    };
    assert_eq!(told(195, 196), both);
    assert_eq!(told(301, 900), Tallies::default());
    let other = Name::new("slipway").unwrap();
    assert_eq!(
        catalog.findings(&other, span(0, 900)).unwrap(),
        Tallies::default()
    );
    let since = catalog.objects_since(at(250)).unwrap();
    assert_eq!(since, ["b".to_owned()].into());
}

#[test]
fn a_catalog_without_findings_learns_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(FILE);
    // As version 1 left it.
    let old = Connection::open(&path).unwrap();
    old.execute_batch(SCHEMA).unwrap();
    old.execute_batch("INSERT INTO complete VALUES (1)")
        .unwrap();
    old.execute_batch("INSERT INTO run VALUES (100, 200, 1)")
        .unwrap();
    old.execute_batch("INSERT INTO run_camera VALUES ('gate', 100, 'boatyard')")
        .unwrap();
    old.pragma_update(None, "application_id", APPLICATION)
        .unwrap();
    old.pragma_update(None, "user_version", 1).unwrap();
    drop(old);
    assert!(matches!(
        Catalog::open_to_read(dir.path()),
        Err(CatalogError::Foreign(_))
    ));
    let (mut catalog, found) = Catalog::open(dir.path()).unwrap();
    assert_eq!(found, Found::Whole);
    assert_eq!(catalog.cameras().unwrap().len(), 1);
    // The archive is read through once more.
    assert!(!catalog.is_complete().unwrap());
    let told = tallies("motion", 3, 100, 200);
    catalog.apply(&[findings("a", &told)]).unwrap();
    drop(catalog);
    let (catalog, found) = Catalog::open(dir.path()).unwrap();
    assert_eq!(found, Found::Whole);
    assert_eq!(catalog.findings(&gate(), span(0, 900)).unwrap(), told);
}

fn object(path: &str, bytes: &[u8]) -> Change {
    let mut taken = crate::archive::checksum::Fingerprinting::default();
    taken.update(bytes);
    Change::Object {
        object: path.into(),
        camera: gate(),
        fingerprint: taken.finish(),
        late: false,
    }
}

#[test]
fn sums_follow_every_change_and_tell_of_others() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    let withdrawn = Change::Withdrawn {
        camera: gate(),
        witness: Witness::Intake,
        begin: at(30),
    };
    let settled = |second| Change::Settled {
        camera: gate(),
        until: at(second),
    };
    let moved = |from: &str, to: &str| Change::Moved {
        from: from.into(),
        to: to.into(),
    };
    let gone = Change::Gone {
        object: "gate/b".into(),
    };
    // Each twice, so that rows are replaced.
    for _ in 0..2 {
        for changes in [
            run(0, 100, false).to_vec(),
            run(0, 200, true).to_vec(),
            vec![footage("spool/a", 0, 20), footage("gate/b", 20, 30)],
            vec![moved("spool/a", "gate/a"), settled(40), settled(50)],
            vec![
                outage(0, 20, None),
                outage(0, 20, Some(30)),
                outage(0, 30, None),
            ],
            vec![withdrawn.clone(), Change::Complete],
            vec![findings("spool/c", &tallies("motion", 3, 100, 200))],
            vec![
                findings("gate/c", &tallies("dark", 1, 100, 200)),
                moved("spool/c", "gate/c"),
            ],
            vec![
                object("gate/a", b"a"),
                object("gate/b", b"b"),
                object("gate/a", b"c"),
            ],
            vec![gone.clone()],
        ] {
            catalog.apply(&changes).unwrap();
            assert_eq!(catalog.verify().unwrap(), [""; 0], "{changes:?}");
        }
    }
    assert!(catalog.is_complete().unwrap() && catalog.knows_manifests().unwrap());
    assert!(!catalog.knows("gate/b").unwrap());
    let objects = catalog.objects(&gate(), "", 10).unwrap();
    assert_eq!(objects.len(), 1);
    // FIPS 180-4 by sha256sum(1): `printf c | sha256sum`.
    let sum = "2e7d2c03a9507ae265ecf5b5356885a53393a2029d241394997265a1a25aefc6";
    assert_eq!(objects[0].1.sha256.to_string(), sum);
    drop(catalog);
    let other = Connection::open(dir.path().join(FILE)).unwrap();
    let refused = other.execute_batch("UPDATE footage SET bytes = 1001");
    assert!(
        refused.is_err(),
        "the functions of the triggers are the relay's"
    );
    let trigger: String = other
        .query_row(
            "SELECT sql FROM sqlite_schema WHERE name = 'seal_footage_update'",
            [],
            |row| row.get(0),
        )
        .unwrap();
    other
        .execute_batch("DROP TRIGGER seal_footage_update")
        .unwrap();
    other
        .execute_batch("UPDATE footage SET bytes = 1001")
        .unwrap();
    let reader = Catalog::open_to_read(dir.path()).unwrap();
    let wrong = reader.verify().unwrap();
    assert_eq!(wrong.len(), 2, "{wrong:?}");
    assert!(wrong[0].contains("the table footage"), "{wrong:?}");
    assert!(wrong[1].contains("the table sqlite_schema"), "{wrong:?}");
    other
        .execute_batch("UPDATE footage SET bytes = 1000")
        .unwrap();
    other.execute_batch(&trigger).unwrap();
    assert_eq!(reader.verify().unwrap(), [""; 0]);
}

/// A power cut leaves any part of the write-ahead log, and rubbish behind it: what is lost are the last
/// changes, whole, and nothing is damaged. Each frame of the log has a checksum of all before it
/// (sqlite.org/fileformat2.html, 4.1); that the sums over the rows fit says that it was so.
#[test]
fn a_torn_log_loses_the_last_changes_alone() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    catalog
        .connection
        .pragma_update(None, "wal_autocheckpoint", 0)
        .unwrap();
    const COMMITS: i64 = 40;
    for commit in 0..COMMITS {
        let name = |part: i64| format!("gate/footage/1970-01-01/{commit}-{part}.mp4");
        let changes: Vec<_> = (0..5)
            .map(|part| footage(&name(part), commit, commit + 1))
            .collect();
        catalog.apply(&changes).unwrap();
    }
    let read = |suffix: &str| std::fs::read(dir.path().join(format!("{FILE}{suffix}"))).unwrap();
    let (main, log) = (read(""), read("-wal"));
    let mut dice = crate::archive::memory::Dice(11);
    let mut found = HashSet::new();
    for seed in 0..300 {
        let cut = tempfile::tempdir().unwrap();
        let mut left = log.clone();
        let at = dice.roll(left.len() as u64) as usize;
        match seed % 3 {
            // Cut off; not written, though its length is; written in part and out of order.
            0 => left.truncate(at),
            1 => left[at..].fill(0),
            _ => {
                let end = (at + 4096).min(left.len());
                left[at..end]
                    .iter_mut()
                    .for_each(|byte| *byte = dice.roll(256) as u8);
            }
        }
        std::fs::write(cut.path().join(FILE), &main).unwrap();
        std::fs::write(cut.path().join(format!("{FILE}-wal")), left).unwrap();
        let (catalog, opened) = Catalog::open(cut.path()).unwrap();
        // With the whole log gone not even the first change, which made the tables, is there.
        assert!(!matches!(opened, Found::Damaged(_)), "{seed}: {opened:?}");
        assert_eq!(catalog.verify().unwrap(), [""; 0], "{seed}");
        let rows: i64 = catalog.one("SELECT count(*) FROM footage").unwrap();
        let last: Option<i64> = catalog
            .one("SELECT max(begin) / 1000000000 FROM footage")
            .unwrap();
        assert_eq!(rows, last.map_or(0, |last| 5 * (last + 1)), "{seed}");
        found.insert(rows);
    }
    assert!(found.len() > 20, "{}", found.len());
}
