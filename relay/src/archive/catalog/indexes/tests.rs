//! How each statement of the catalog finds its rows, by SQLite's own account (EXPLAIN QUERY PLAN,
//! sqlite.org/eqp.html): none may walk a table that grows with the archive.

use std::cell::RefCell;
use std::collections::BTreeMap;

use rusqlite::Connection;

use super::super::*;
use crate::archive::checksum::Fingerprint;
use crate::archive::findings::{Tallies, Tally};
use crate::archive::ledger::{Evidence, Fate, Footage, GapCause, Retired, Span, Witness};

thread_local! {
    static NOTED: RefCell<Option<BTreeMap<String, Vec<String>>>> = const { RefCell::new(None) };
}

/// Notes how a statement goes about it, while a test wants to know.
pub(in super::super) fn note(connection: &Connection, sql: &str) {
    NOTED.with_borrow_mut(|noted| {
        let Some(noted) = noted.as_mut().filter(|noted| !noted.contains_key(sql)) else {
            return;
        };
        let mut statement = connection
            .prepare(&format!("EXPLAIN QUERY PLAN {sql}"))
            .unwrap();
        let mut rows = statement.raw_query();
        let mut plan = Vec::new();
        while let Some(row) = rows.next().unwrap() {
            plan.push(row.get::<_, String>(3).unwrap());
        }
        noted.insert(sql.to_owned(), plan);
    });
}

/// Tables of some rows for each file, outage or hour of a camera.
const GROWING: [&str; 6] = [
    "footage",
    "evidence",
    "findings",
    "findings_file",
    "object",
    "retired",
];

fn at(second: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(second * 1_000_000_000)
}

/// Everything that is ever asked and written.
fn use_all(catalog: &mut Catalog, camera: &CameraName) {
    let sink: Name = Name::new("motion").unwrap();
    let tally = Tally {
        number: 3,
        first: at(10),
        last: at(20),
        score_max: 0.5,
    };
    let span = Span::new(at(0), at(60)).unwrap();
    let evidence = |end: Option<i64>| Change::Evidence {
        run: at(0),
        evidence: Evidence {
            camera: camera.clone(),
            witness: Witness::Intake,
            begin: at(30),
            end: end.map(at),
            cause: GapCause::Uplink,
            detail: String::new(),
        },
    };
    let object = format!("{camera}/footage/1970-01-01/1970-01-01T000000.000Z.mp4");
    let (spooled, manifest) = (
        "spool/x".to_owned(),
        format!("{camera}/manifest/1970-01-01/1970-01-01T000000.000Z.jsonl"),
    );
    let listed = |object: &str| Change::Object {
        object: object.to_owned(),
        camera: camera.clone(),
        fingerprint: Fingerprint {
            bytes: 7,
            sha256: crate::archive::checksum::Checksum::new([7; 32]),
        },
        late: false,
    };
    let findings = format!("{camera}/findings/1970-01-01/1970-01-01T000000.000Z.jsonl");
    catalog
        .apply(&[
            Change::Run {
                begin: at(0),
                alive: at(100),
                ended: false,
            },
            Change::Camera {
                run: at(0),
                camera: camera.clone(),
                site: Name::new("boatyard").unwrap(),
            },
            Change::Footage {
                object: spooled.clone(),
                camera: camera.clone(),
                recorded: Recorded {
                    spans: vec![span],
                    frame_nanos: 1,
                },
                bytes: 7,
            },
            Change::Moved {
                from: spooled,
                to: object.clone(),
            },
            listed(&object),
            listed(&manifest),
            Change::Findings {
                object: findings.clone(),
                camera: camera.clone(),
                tallies: Tallies {
                    kinds: [((sink, "motion".to_owned()), tally)].into(),
                    damaged: 1,
                },
                bytes: 7,
            },
            evidence(None),
            evidence(Some(40)),
            Change::Withdrawn {
                camera: camera.clone(),
                witness: Witness::Archive,
                begin: at(30),
            },
            Change::Retired(Retired {
                camera: camera.clone(),
                fate: Fate::Thinned,
                reason: String::new(),
                folder: format!("{camera}/footage/1970-01-01"),
                files: vec!["y.mp4".to_owned()],
                bytes: 7,
                footage: vec![Footage {
                    span,
                    frame_nanos: 1,
                }],
            }),
            Change::Settled {
                camera: camera.clone(),
                until: at(100),
            },
            Change::Complete,
        ])
        .unwrap();
    assert_eq!(catalog.cameras().unwrap().len(), 1);
    assert_eq!(catalog.first_run(camera).unwrap(), Some(at(0)));
    assert_eq!(catalog.last_runs(camera, 8).unwrap().len(), 1);
    assert_eq!(catalog.footage_end(camera).unwrap(), Some(at(60)));
    assert!(catalog.is_complete().unwrap() && catalog.knows_manifests().unwrap());
    assert!(catalog.knows(&object).unwrap() && catalog.lists(&object).unwrap());
    assert_eq!(catalog.fingerprint(&object).unwrap().unwrap().bytes, 7);
    assert_eq!(catalog.footage_span(&object).unwrap(), Some(span));
    let folder = object.rsplit_once('/').unwrap().0;
    assert_eq!(catalog.known_in(folder).unwrap().len(), 1);
    assert_eq!(catalog.folder_bytes(folder).unwrap(), (1, 7));
    assert_eq!(catalog.folders(camera).unwrap().len(), 2);
    assert_eq!(catalog.objects(camera, "", 10).unwrap().len(), 2);
    assert_eq!(
        catalog.object_cameras().unwrap(),
        std::slice::from_ref(camera)
    );
    assert_eq!(catalog.newest_manifests().unwrap().len(), 1);
    let tallies = catalog.findings(camera, span).unwrap();
    assert_eq!((tallies.kinds.len(), tallies.damaged), (1, 1));
    for side in [Side::Before, Side::After] {
        let trail = catalog.trail(camera, at(15), side, 8).unwrap();
        assert_eq!(trail.len(), 1, "{side:?}");
    }
    assert!(!catalog.started_within(at(0), at(90)).unwrap());
    let coverage = catalog.coverage(camera, span).unwrap().unwrap();
    assert_eq!(coverage.thinned, []);
    catalog
        .apply(&[Change::Gone { object }, Change::Gone { object: findings }])
        .unwrap();
}

#[test]
fn no_statement_walks_a_table_that_grows() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    NOTED.set(Some(BTreeMap::new()));
    use_all(&mut catalog, &Name::new("gate").unwrap());
    let noted = NOTED.take().unwrap();
    assert!(noted.len() > 30, "{}", noted.len());
    for (sql, plan) in noted {
        for step in &plan {
            let mut words = step.split(' ');
            let (how, table) = (words.next().unwrap(), words.next().unwrap_or_default());
            if GROWING.contains(&table) {
                assert_ne!(how, "SCAN", "{sql}\n{plan:#?}");
                // A camera's rows of all times are as bad.
                let all = ["(camera=?)", "(<expr>=?)"]
                    .iter()
                    .any(|by| step.ends_with(by));
                assert!(!all || sql.contains("LIMIT 1"), "{sql}\n{plan:#?}");
            }
            assert!(
                !step.contains("TEMP B-TREE FOR ORDER BY"),
                "{sql}\n{plan:#?}"
            );
        }
    }
}

#[test]
fn a_catalog_without_the_indexes_gets_them_and_is_sound() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    let camera = Name::new("gate").unwrap();
    for (name, _) in super::INDEXES {
        let sql = format!("DROP INDEX {name}");
        catalog.connection.execute_batch(&sql).unwrap();
    }
    catalog.in_one(seal::seal_schema).unwrap();
    // Read as it is, and by one that adds them.
    use_all(&mut catalog, &camera);
    drop(catalog);
    let reading = Catalog::open_to_read(dir.path()).unwrap();
    assert_eq!(reading.verify().unwrap(), [""; 0]);
    assert!(
        reading
            .coverage(&camera, Span::new(at(0), at(60)).unwrap())
            .is_ok()
    );
    drop(reading);
    let (catalog, found) = Catalog::open(dir.path()).unwrap();
    assert_eq!(found, Found::Whole);
    assert_eq!(catalog.verify().unwrap(), [""; 0]);
    let sql = "SELECT count(*) FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL";
    assert_eq!(
        catalog.one::<i64>(sql).unwrap(),
        2 + super::INDEXES.len() as i64
    );
}

/// What is larger than a start may read is not read; one that was met damaged is.
#[test]
fn a_start_reads_no_more_than_so_much() {
    let dir = tempfile::tempdir().unwrap();
    let (mut catalog, _) = Catalog::open(dir.path()).unwrap();
    use_all(&mut catalog, &Name::new("gate").unwrap());
    let sql = "SELECT rootpage FROM sqlite_schema WHERE name = 'retired'";
    let page: i64 = catalog.one(sql).unwrap();
    drop(catalog);
    let path = dir.path().join(FILE);
    let mut bytes = std::fs::read(&path).unwrap();
    // The type of a table's tree (sqlite.org/fileformat.html, 1.6) becomes none that there is.
    let page_bytes = usize::from(u16::from_be_bytes([bytes[16], bytes[17]]));
    bytes[(usize::try_from(page).unwrap() - 1) * page_bytes] = 7;
    std::fs::write(&path, bytes).unwrap();
    assert!(Catalog::open_at(&path, 1).is_ok());
    assert!(
        Catalog::open_at(&path, CHECKED_BYTES_MAX)
            .unwrap_err()
            .is_damage()
    );
    let (_, found) = Catalog::open_doubted(dir.path()).unwrap();
    assert!(matches!(found, Found::Damaged(_)));
}
