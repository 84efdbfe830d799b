use super::*;
use crate::archive::RealDisk;
use crate::archive::catalog::Change;
use crate::archive::findings::{PURPOSE, tally};
use crate::pictures::Source;
use crate::units::Name;

const HOUR: i64 = 3600;
/// 2026-05-04T00:00:00Z, by GNU date.
const BEGIN: i64 = 1_777_852_800;

fn at(second: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos((BEGIN + second) * 1_000_000_000)
}

fn gate() -> CameraName {
    Name::new("gate").unwrap()
}

/// An archive with a catalog, as a relay leaves it.
struct Bench {
    folder: tempfile::TempDir,
    catalog: Catalog,
}

type Told<'a> = (i64, &'a str, Phase);

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("spool")).unwrap();
        let (catalog, _) = Catalog::open(&folder.path().join("spool")).unwrap();
        Self { folder, catalog }
    }

    /// A file of findings; it is named by the first.
    fn file(&mut self, told: &[Told<'_>]) -> std::path::PathBuf {
        let begin = at(told[0].0);
        let object = format!("gate/{PURPOSE}/{}/{}.jsonl", begin.day(), begin.file_stem());
        let path = self.folder.path().join("archive").join(&object);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, lines(told)).unwrap();
        let change = Change::Findings {
            object,
            camera: gate(),
            tallies: tally(&RealDisk, &path).unwrap(),
            bytes: path.metadata().unwrap().len(),
        };
        self.catalog.apply(&[change]).unwrap();
        path
    }

    fn look(&self, at: CaptureTime, side: Side) -> Vec<(i64, String, Phase)> {
        let root = self.folder.path();
        let (archive, spool, camera) = (root.join("archive"), root.join("spool"), gate());
        let edges = Edges::new(&self.catalog, &RealDisk, (&archive, &spool), &camera);
        let found = match side {
            Side::Before => edges.open_at(at, &|_| true),
            Side::After => edges.next(at, &|_| true),
        };
        let edges = found.unwrap().edges.into_iter();
        let second = |time: CaptureTime| time.unix_nanos() / 1_000_000_000 - BEGIN;
        edges
            .map(|edge| (second(edge.at), edge.kind, edge.phase))
            .collect()
    }
}

fn lines(told: &[Told<'_>]) -> String {
    let line = |(second, kind, phase): &Told<'_>| {
        let finding = Finding {
            sink: Name::new("motion").unwrap(),
            kind: (*kind).to_owned(),
            score: 0.5,
            at: at(*second),
            phase: *phase,
            source: Source::Main,
            region: None,
            text: String::new(),
        };
        serde_json::to_string(&super::super::line::Line::from(&finding)).unwrap() + "\n"
    };
    told.iter().map(line).collect()
}

fn told(found: &[Told<'_>]) -> Vec<(i64, String, Phase)> {
    let found = found.iter();
    found
        .map(|(second, kind, phase)| (*second, (*kind).to_owned(), *phase))
        .collect()
}

use Phase::{Begin, End, Mark};

#[test]
fn a_begin_is_found_whatever_its_age() {
    let mut bench = Bench::new();
    bench.file(&[(0, "moved", Begin), (5, "dark", Begin), (9, "dark", End)]);
    bench.file(&[(HOUR, "blurred", Begin), (HOUR + 1, "blurred", End)]);
    // A year of motion and of marks: none of it is read.
    let mut unread = Vec::new();
    for hour in 2..366 * 24 {
        let second = hour * HOUR;
        let told = [
            (second, "motion", Begin),
            (second + 60, "motion", End),
            (second + 90, "still", Mark),
        ];
        unread.push(bench.file(&told));
    }
    let now = 366 * 24 * HOUR;
    let count = unread.len();
    for path in &unread[..count - FILES_MAX] {
        std::fs::remove_file(path).unwrap();
        // Not to be opened as a file: that would be counted.
        std::fs::create_dir(path).unwrap();
    }
    let root = bench.folder.path();
    let (archive, spool, camera) = (root.join("archive"), root.join("spool"), gate());
    let edges = Edges::new(&bench.catalog, &RealDisk, (&archive, &spool), &camera);
    let found = edges.open_at(at(now), &|_| true).unwrap();
    assert_eq!(found.unreadable_files, 0);
    let kinds: Vec<_> = found
        .edges
        .iter()
        .map(|edge| (edge.at, edge.kind.as_str()))
        .collect();
    assert_eq!(kinds, [(at(0), "moved")]);
    // While it lasts another one is open, too.
    assert_eq!(
        bench.look(at(7), Side::Before),
        told(&[(5, "dark", Begin), (0, "moved", Begin)])
    );
    assert_eq!(bench.look(at(0), Side::Before), []);
    // What is not wanted costs nothing.
    let none = edges.open_at(at(now), &|(_, kind)| kind == "dark").unwrap();
    assert!(none.edges.is_empty());
}

#[test]
fn the_next_edge_is_found_however_late() {
    let mut bench = Bench::new();
    bench.file(&[(0, "moved", Begin), (5, "dark", Begin)]);
    bench.file(&[(9 * HOUR, "dark", Mark), (9 * HOUR + 1, "dark", End)]);
    bench.file(&[(900 * HOUR, "dark", Begin), (900 * HOUR + 1, "moved", End)]);
    let next = [(9 * HOUR + 1, "dark", End), (900 * HOUR + 1, "moved", End)];
    assert_eq!(bench.look(at(6), Side::After), told(&next));
    assert_eq!(bench.look(at(9 * HOUR + 1), Side::After), told(&next));
    let next = [(900 * HOUR, "dark", Begin), (900 * HOUR + 1, "moved", End)];
    assert_eq!(bench.look(at(9 * HOUR + 2), Side::After), told(&next));
}

#[test]
fn files_that_overlap_and_the_spool_are_read_in_order() {
    let mut bench = Bench::new();
    // A relay that was started anew: its file begins while lines of the other are still told.
    bench.file(&[(0, "dark", Begin), (100, "dark", End)]);
    bench.file(&[
        (50, "blurred", Begin),
        (70, "dark", Mark),
        (80, "blurred", Mark),
    ]);
    assert_eq!(
        bench.look(at(200), Side::Before),
        told(&[(50, "blurred", Begin)])
    );
    // A state of no length, cut in two by the files.
    bench.file(&[(300, "moved", Begin)]);
    bench.file(&[(301, "moved", Mark), (300, "moved", End)]);
    assert_eq!(
        bench.look(at(400), Side::Before),
        told(&[(50, "blurred", Begin)])
    );
    // What the relay writes at present.
    let open = bench.folder.path().join("spool/open");
    std::fs::create_dir_all(&open).unwrap();
    let name = "gate_findings_findings_2026-05-04T000820.000Z_19df2a5b0a8-1.jsonl";
    let lines = lines(&[(500, "blurred", End), (501, "frozen", Begin)]);
    std::fs::write(open.join(name), lines + "{\"torn").unwrap();
    assert_eq!(
        bench.look(at(600), Side::Before),
        told(&[(501, "frozen", Begin)])
    );
    assert_eq!(
        bench.look(at(400), Side::After),
        told(&[(500, "blurred", End), (501, "frozen", Begin)])
    );
}
