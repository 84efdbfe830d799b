use super::super::pictures::Picture;
use super::*;
use crate::archive::ledger::Gap;
use crate::units::Name;

/// A picture each 0.1 s.
const FRAME: i64 = 100_000_000;

fn at(frames: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(frames * FRAME)
}

fn span(begin: i64, end: i64) -> Span {
    Span::new(at(begin), at(end)).unwrap()
}

fn pictures(numbers: impl IntoIterator<Item = u64>) -> Pictures {
    let taken = |number| Picture {
        number,
        taken: at(number as i64),
    };
    Pictures {
        list: numbers.into_iter().map(taken).collect(),
        ..Pictures::default()
    }
}

/// Pictures 0 to 99 are wanted; the ledger says that those are missing.
fn coverage(missing: &[(i64, i64, GapCause)]) -> Coverage {
    let gap = |(begin, end, cause): &(i64, i64, GapCause)| Gap {
        span: span(*begin, *end),
        cause: *cause,
        detail: String::new(),
        lasts: false,
    };
    Coverage {
        camera: Name::new("gate").unwrap(),
        site: Name::new("boatyard").unwrap(),
        window: span(0, 100),
        wanted: vec![span(0, 100)],
        recorded: Vec::new(),
        thinned: Vec::new(),
        expired: Vec::new(),
        gaps: missing.iter().map(gap).collect(),
    }
}

fn compare(missing: &[(i64, i64, GapCause)], there: &Pictures, dropped: &[u64]) -> Comparison {
    let truth = Truth {
        pictures: there,
        dropped: dropped.iter().copied().collect(),
        frame_nanos: FRAME,
        dropouts: vec![span(20, 35)],
        restarts: vec![span(60, 65)],
    };
    Comparison::new(&coverage(missing), &truth)
}

const UPLINK: GapCause = GapCause::Uplink;
const RELAY: GapCause = GapCause::Relay;
const CAMERA: GapCause = GapCause::Camera;

/// With a start, a hole that the camera dropped, and one of its restart.
fn there() -> Pictures {
    pictures((5..30).chain(38..60).chain(70..100))
}

const TRUE: [(i64, i64, GapCause); 3] = [(0, 5, RELAY), (30, 38, UPLINK), (60, 70, CAMERA)];

#[test]
fn a_true_account_agrees() {
    let dropped: Vec<_> = (30..38).collect();
    let one = compare(&TRUE, &there(), &dropped);
    assert!(one.agrees());
    let words = one.gaps("gate", at(0)).concat().join(" ");
    assert!(
        words.contains("8 pictures dropped by the camera"),
        "{words}"
    );
    assert!(words.contains("10 pictures lost in its restart"), "{words}");
    // Ten of the dropout's pictures came after it.
    assert_eq!(one.files("gate")[1..5], ["77", "10", "23", "8"]);
    // Two causes of one gap are one gap.
    let split = [TRUE[0], (30, 33, UPLINK), (33, 38, CAMERA), TRUE[2]];
    assert!(compare(&split, &there(), &dropped).agrees());
    // The relay can't see how long the first picture was drawn.
    let late = [(0, 8, RELAY), TRUE[1], TRUE[2]];
    assert!(compare(&late, &there(), &dropped).agrees());
    // A picture more or less is no matter.
    let off = [TRUE[0], (31, 38, UPLINK), TRUE[2]];
    assert!(compare(&off, &there(), &dropped).agrees());
}

#[test]
fn what_is_not_true_is_seen() {
    let dropped: Vec<_> = (30..38).collect();
    let disagree = |missing: &[_], there: &Pictures, dropped: &[u64]| {
        assert!(!compare(missing, there, dropped).agrees(), "{missing:?}");
    };
    // A gap that the ledger does not know of, one that is not there, one of another length.
    disagree(&TRUE[..2], &there(), &dropped);
    let more = [TRUE[0], TRUE[1], (45, 48, UPLINK), TRUE[2]];
    disagree(&more, &there(), &dropped);
    disagree(&[TRUE[0], (30, 40, UPLINK), TRUE[2]], &there(), &dropped);
    disagree(&[(0, 9, RELAY), TRUE[1], TRUE[2]], &there(), &dropped);
    // Pictures that the camera has sent, be it a single one.
    disagree(&TRUE, &there(), &dropped[1..]);
    let mut single = there();
    single.list.retain(|one| one.number != 50);
    disagree(&TRUE, &single, &dropped);
    // One that is there twice, two in the wrong order, none at all.
    let mut doubled = there();
    doubled.doubled = 1;
    disagree(&TRUE, &doubled, &dropped);
    let mut turned = there();
    turned.list.swap(3, 4);
    disagree(&TRUE, &turned, &dropped);
    disagree(&[(0, 100, RELAY)], &pictures([]), &[]);
}
