use super::*;
use crate::archive::RealDisk;
use crate::archive::findings::Phase;
use crate::pictures::Source as Stream;
use crate::units::Name;

const SECOND: i64 = 1_000_000_000;
/// 2026-05-04T07:31:00Z, by GNU date.
const BEGIN: i64 = 1_777_879_860 * SECOND;

fn at(second: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(BEGIN + second * SECOND)
}

fn line(second: i64, kind: &str) -> String {
    let finding = Finding {
        sink: Name::new("motion").unwrap(),
        kind: kind.to_owned(),
        score: 0.5,
        at: at(second),
        phase: Phase::Mark,
        source: Stream::Main,
        region: None,
        text: String::new(),
    };
    serde_json::to_string(&super::super::line::Line::from(&finding)).unwrap() + "\n"
}

fn put(root: &Path, path: &str, text: &str) {
    let path = root.join(path);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

#[test]
fn archive_and_spool_are_one() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let day = "archive/gate/findings/2026-05-04";
    let first = line(0, "a") + &line(2, "c") + &line(1, "b") + "{\"torn";
    put(root, &format!("{day}/2026-05-04T073100.000Z.jsonl"), &first);
    put(
        root,
        &format!("{day}/2026-05-04T073100.000Z-2.jsonl"),
        &(line(3, "d") + "no line\n"),
    );
    put(root, &format!("{day}/notes.txt"), "x\n");
    put(
        root,
        "archive/slipway/findings/2026-05-04/2026-05-04T073100.000Z.jsonl",
        &line(4, "z"),
    );
    // In the spool: one that waits, one that was copied to the archive a moment ago, one open.
    let tagged = |begin: &str, tag: &str, end: &str| {
        format!("gate_findings_findings_2026-05-04T{begin}Z_19df2a5b0a8-{tag}{end}.jsonl")
    };
    let end = "_2026-05-04T080000.000Z";
    put(
        root,
        &format!("spool/finished/{}", tagged("073105.000", "1", end)),
        &line(5, "e"),
    );
    put(
        root,
        &format!("{day}/2026-05-04T073106.000Z.jsonl"),
        &line(6, "f"),
    );
    put(
        root,
        &format!("spool/finished/{}", tagged("073106.000", "2", end)),
        &line(6, "f"),
    );
    put(
        root,
        &format!("spool/open/{}", tagged("073107.000", "3", "")),
        &(line(7, "g") + "{\"at"),
    );

    let told = |from, to| {
        let mut kinds = String::new();
        let camera = Name::new("gate").unwrap();
        let window = Span::new(at(from), at(to)).unwrap();
        let (archive, spool) = (root.join("archive"), root.join("spool"));
        let passed = each(&RealDisk, (&archive, &spool), &camera, window, &mut |f| {
            kinds.push_str(&f.kind)
        });
        (kinds, passed)
    };
    let passed = Passed {
        damaged_lines: 3,
        unreadable_files: 0,
    };
    assert_eq!(told(0, 100), ("abcdefg".to_owned(), passed));
    assert_eq!(told(1, 7).0, "bcdef");
    // Another day: its folder is not even looked into.
    assert_eq!(
        told(100_000, 100_001),
        (
            String::new(),
            Passed {
                damaged_lines: 1,
                ..passed
            }
        )
    );
}
