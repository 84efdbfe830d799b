//! Findings through a real archive on a real disk, and through one that fails.

use std::path::{Path, PathBuf};

use super::*;
use crate::archive::findings::{Phase, read_line};
use crate::archive::{ArchiveOptions, RealDisk};
use crate::pictures::Source;
use crate::telemetry::Telemetry;
use crate::units::Name;

const PATIENCE: Duration = Duration::from_secs(60);

fn finding(at: CaptureTime, phase: Phase, score: f64) -> Finding {
    Finding {
        sink: Name::new("motion").unwrap(),
        kind: "moves".to_owned(),
        score,
        at,
        phase,
        source: Source::Main,
        region: None,
        text: String::new(),
    }
}

struct Bench {
    _folder: tempfile::TempDir,
    root: PathBuf,
    archive: Archive,
    telemetry: Arc<Telemetry>,
    handle: FindingsHandle,
    camera: CameraName,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().to_owned();
        let (archive, _) = open(&root);
        let telemetry = Arc::new(Telemetry::new());
        let handle = FindingsHandle::start(&archive, FindingsEvents::new(&telemetry)).unwrap();
        Self {
            _folder: folder,
            root,
            archive,
            telemetry,
            handle,
            camera: Name::new("gate").unwrap(),
        }
    }

    fn metrics(&self) -> String {
        self.telemetry.render().unwrap()
    }

    fn has(&self, line: &str) -> bool {
        self.metrics().lines().any(|l| l == line)
    }
}

fn open(root: &Path) -> (Archive, crate::archive::RecoveryReport) {
    let options = ArchiveOptions::new(root.join("spool"), root.join("archive"));
    Archive::open(options, Arc::new(RealDisk), Arc::new(|_| {})).unwrap()
}

fn lines(folder: &Path) -> Vec<Finding> {
    let mut files: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    let text: Vec<u8> = files
        .iter()
        .flat_map(|f| std::fs::read(f).unwrap())
        .collect();
    let lines = text.split_inclusive(|byte| *byte == b'\n');
    lines
        .map(|line| read_line(line.strip_suffix(b"\n").unwrap()).unwrap())
        .collect()
}

#[test]
fn findings_go_to_the_day_that_they_are_about() {
    let bench = Bench::new();
    let now = CaptureTime::now();
    let day = 24 * 3600 * 1_000_000_000;
    // Just before the last midnight (UTC), or now where that is as long ago as is allowed.
    let midnight = now.unix_nanos().div_euclid(day) * day;
    let yesterday = CaptureTime::from_unix_nanos(midnight - 1_000_000);
    let all = [
        finding(yesterday, Phase::Mark, 0.25),
        finding(now, Phase::Begin, 0.5),
        finding(now, Phase::End, 0.125),
    ];
    for finding in &all {
        bench.handle.note(&bench.camera, finding.clone());
    }
    assert!(bench.handle.close(PATIENCE));
    let folder = bench.root.join("archive/gate/findings");
    assert_eq!(lines(&folder.join(yesterday.day())), all[..1]);
    assert_eq!(lines(&folder.join(now.day())), all[1..]);

    let labels = "{camera=\"gate\",sink=\"motion\",kind=\"moves\"}";
    assert!(
        bench.has(&format!("forebay_findings_total{labels} 2")),
        "{}",
        bench.metrics()
    );
    assert!(bench.has(&format!("forebay_finding_score{labels} 0.125")));
    assert!(bench.has(&format!("forebay_finding_open{labels} 0")));
}

#[test]
fn what_is_wrong_is_dropped_and_counted() {
    let bench = Bench::new();
    let now = CaptureTime::now();
    let far = CaptureTime::from_unix_nanos(now.unix_nanos() + 25 * 3600 * 1_000_000_000);
    let good = finding(now, Phase::Begin, 0.5);
    bench
        .handle
        .note(&bench.camera, finding(far, Phase::Mark, 0.5));
    for bad in [
        Finding {
            score: f64::NAN,
            ..good.clone()
        },
        Finding {
            kind: "Moves".to_owned(),
            ..good.clone()
        },
        Finding {
            kind: String::new(),
            ..good.clone()
        },
        Finding {
            text: "x".repeat(257),
            ..good.clone()
        },
        Finding {
            text: "two\nlines".to_owned(),
            ..good.clone()
        },
    ] {
        bench.handle.note(&bench.camera, bad);
    }
    let low = Finding {
        score: 0.0625,
        ..good.clone()
    };
    bench.handle.note(&bench.camera, good.clone());
    bench.handle.observe(&bench.camera, &low);
    assert!(bench.handle.close(PATIENCE));
    let folder = bench.root.join("archive/gate/findings");
    assert_eq!(lines(&folder.join(now.day())), [good]);

    let labels = "{camera=\"gate\",sink=\"motion\",reason=";
    assert!(bench.has(&format!(
        "forebay_findings_dropped_total{labels}\"invalid\"}} 5"
    )));
    assert!(bench.has(&format!(
        "forebay_findings_dropped_total{labels}\"instant\"}} 1"
    )));
    let labels = "{camera=\"gate\",sink=\"motion\",kind=\"moves\"}";
    assert!(bench.has(&format!("forebay_finding_score{labels} 0.0625")));
    assert!(bench.has(&format!("forebay_finding_open{labels} 1")));
    assert!(bench.has(&format!("forebay_findings_total{labels} 1")));
}

#[test]
fn a_torn_line_is_cut_and_the_rest_is_published() {
    let bench = Bench::new();
    let now = CaptureTime::now();
    bench
        .handle
        .note(&bench.camera, finding(now, Phase::Mark, 0.5));
    // On its way to the disk without any further call.
    let open_folder = bench.root.join("spool/open");
    let spooled = loop {
        let mut entries = std::fs::read_dir(&open_folder).unwrap();
        let file = entries.next().map(|entry| entry.unwrap().path());
        if let Some(file) = file.filter(|file| file.metadata().unwrap().len() > 0) {
            break file;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    // As a crash leaves it: copied to another spool, with half a line behind it.
    let other = tempfile::tempdir().unwrap();
    let left = other.path().join("spool/open");
    std::fs::create_dir_all(&left).unwrap();
    let mut bytes = std::fs::read(&spooled).unwrap();
    bytes.extend(b"{\"at\":\"2026-05-04T07:31");
    std::fs::write(left.join(spooled.file_name().unwrap()), bytes).unwrap();
    let (archive, report) = open(other.path());
    assert_eq!((report.repaired, report.bytes_cut), (1, 23));
    let folder = other.path().join("archive/gate/findings").join(now.day());
    assert_eq!(lines(&folder), [finding(now, Phase::Mark, 0.5)]);
    drop(archive);
    assert!(bench.handle.close(PATIENCE));
}

#[test]
fn a_spool_that_refuses_keeps_nobody_waiting() {
    let bench = Bench::new();
    // Closed, the archive takes nothing more.
    assert!(bench.archive.close(PATIENCE));
    let now = CaptureTime::now();
    let big = Finding {
        text: "x".repeat(256),
        ..finding(now, Phase::Mark, 0.5)
    };
    // 2000 lines of 350 bytes are more than may wait.
    for _ in 0..2000 {
        bench.handle.note(&bench.camera, big.clone());
    }
    assert!(bench.handle.close(PATIENCE));
    let metrics = bench.metrics();
    let value = |name: &str| {
        let line = metrics.lines().find(|line| line.starts_with(name)).unwrap();
        line.rsplit(' ').next().unwrap().parse::<u64>().unwrap()
    };
    let dropped =
        value("forebay_findings_dropped_total{camera=\"gate\",sink=\"motion\",reason=\"storage\"}");
    assert!((1000..1500).contains(&dropped), "{dropped}");
    assert!(value("forebay_findings_write_failures_total") >= 1);
}
