#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::sync::Arc;

use rustix::io::Errno;

use super::*;
use crate::archive::RealDisk;
use crate::archive::faults::{Fault, FaultyDisk, Lack};
use crate::archive::ladder::Form;
use crate::archive::memory::{Dice, MemDisk};
use crate::units::Name;

const HOUR: i64 = 3600 * 1_000_000_000;

fn at(nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(nanos)
}

fn span(begin: i64, end: i64) -> Span {
    Span::new(at(begin), at(end)).unwrap()
}

fn gate() -> CameraName {
    Name::new("gate").unwrap()
}

#[test]
fn pins_are_made_listed_and_ended() {
    let dir = tempfile::tempdir().unwrap();
    let (disk, archive) = (&RealDisk, dir.path());
    assert_eq!(read(disk, archive, &gate()).unwrap(), []);
    let until = at(i64::MAX);
    let late = add(
        disk,
        archive,
        &gate(),
        span(HOUR, 2 * HOUR),
        "crane \"2\"\nslipped",
        None,
    );
    let late = late.unwrap();
    let early = add(disk, archive, &gate(), span(0, HOUR), "æøå", Some(until)).unwrap();
    assert_ne!(late.id, early.id);
    assert_eq!(
        read(disk, archive, &gate()).unwrap(),
        [early.clone(), late.clone()]
    );
    assert_eq!(
        read(disk, archive, &Name::new("slipway").unwrap()).unwrap(),
        []
    );
    assert_eq!(end(disk, archive, &gate(), &late.id).unwrap(), late);
    assert_eq!(
        read(disk, archive, &gate()).unwrap(),
        std::slice::from_ref(&early)
    );
    let again = end(disk, archive, &gate(), &late.id);
    assert!(matches!(again, Err(PinError::Unknown { .. })));
    // Each is a whole line of a file of its own.
    for path in files(disk, &archive.join("gate/pins")).unwrap() {
        let text = std::fs::read_to_string(path).unwrap();
        assert_eq!(text.matches('\n').count(), 1);
        assert!(text.ends_with('\n'));
    }
}

#[test]
fn only_what_is_pinned_is_held() {
    let dir = tempfile::tempdir().unwrap();
    add(
        &RealDisk,
        dir.path(),
        &gate(),
        span(10 * HOUR, 12 * HOUR),
        "x",
        None,
    )
    .unwrap();
    let pins = Pins::from(read(&RealDisk, dir.path(), &gate()).unwrap());
    let object = |camera: &str, begin, end| Object {
        camera: Name::new(camera).unwrap(),
        form: Form::Footage,
        begin: at(begin),
        end: at(end),
        bytes: 0,
        thinned_bytes: 0,
        name: String::new(),
    };
    let holds = |object: Object| pins.holding(&object, at(0)).is_some();
    assert!(holds(object("gate", 9 * HOUR, 10 * HOUR)));
    assert!(holds(object("gate", 11 * HOUR, 11 * HOUR)));
    assert!(!holds(object("gate", 12 * HOUR, 13 * HOUR)));
    assert!(!holds(object("gate", 0, 10 * HOUR - 1)));
    assert!(!holds(object("slipway", 11 * HOUR, 11 * HOUR)));
    // The latest end counts, and none most.
    let until = |ends: &[Option<i64>]| {
        let pin = |end: &Option<i64>| Pin {
            id: String::new(),
            camera: gate(),
            span: span(0, HOUR),
            reason: String::new(),
            made: at(0),
            until: end.map(at),
        };
        let pins = Pins::from(ends.iter().map(pin).collect::<Vec<_>>());
        pins.held_until(&object("gate", 0, HOUR), at(0))
    };
    assert_eq!(until(&[]), None);
    assert_eq!(until(&[Some(5), Some(9), Some(7)]), Some(Some(at(9))));
    assert_eq!(until(&[Some(5), None, Some(7)]), Some(None));
}

#[test]
fn what_cannot_be_read_is_an_error_not_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let pin = add(&RealDisk, dir.path(), &gate(), span(0, HOUR), "x", None).unwrap();
    let path = files(&RealDisk, &dir.path().join("gate/pins"))
        .unwrap()
        .remove(0);
    let whole = std::fs::read(&path).unwrap();
    for cut in 0..whole.len() - 1 {
        std::fs::write(&path, &whole[..cut]).unwrap();
        let found = read(&RealDisk, dir.path(), &gate());
        assert!(
            matches!(found, Err(PinError::Damaged(_))),
            "{cut}: {found:?}"
        );
    }
    std::fs::write(&path, vec![b' '; 20_000]).unwrap();
    assert!(matches!(
        read(&RealDisk, dir.path(), &gate()),
        Err(PinError::Damaged(_))
    ));
    std::fs::write(&path, &whole).unwrap();
    assert_eq!(read(&RealDisk, dir.path(), &gate()).unwrap(), [pin]);
    // A disk that fails is no empty disk.
    for step in 1..=8 {
        let disk = FaultyDisk::new(
            Arc::new(RealDisk),
            Lack::Nothing,
            step,
            Fault::Once(Errno::IO),
        );
        let found = read(&disk, dir.path(), &gate());
        assert!(found.is_err() || disk.count() < step, "{step}");
    }
}

/// Power cuts and failures at each operation: a pin that was made is there, and no half of one.
#[test]
fn a_pin_is_there_whole_or_not_at_all() {
    let (mut made, mut lost) = (0, 0);
    for seed in 1..=2000_u64 {
        let mut dice = Dice(seed);
        let memory = MemDisk::default();
        let lack = [Lack::Nothing, Lack::Noreplace][dice.roll(2) as usize];
        let step = 1 + dice.roll(40);
        let disk = FaultyDisk::new(Arc::new(memory.clone()), lack, step, Fault::Death);
        let root = Path::new("/archive");
        let first = add(&disk, root, &gate(), span(0, HOUR), "first", None);
        let second = first
            .as_ref()
            .ok()
            .map(|first| end(&disk, root, &gate(), &first.id));
        memory.cut_power(&mut dice);
        let left = read(&memory, root, &gate()).unwrap();
        match (&first, second) {
            (Ok(_), Some(Ok(_))) => assert_eq!(left, [], "{seed}"),
            // Not ended, or just.
            (Ok(first), _) => assert!(left.is_empty() || left == [first.clone()], "{seed}"),
            (Err(_), _) => assert!(left.len() <= 1, "{seed}"),
        }
        if first.is_ok() {
            made += 1;
        } else {
            lost += 1;
        }
    }
    assert!(made > 200 && lost > 200, "{made} {lost}");
}

#[test]
fn nobody_pins_while_something_goes() {
    let dir = tempfile::tempdir().unwrap();
    let held = try_guard(&RealDisk, dir.path()).unwrap();
    assert!(held.is_some());
    assert!(try_guard(&RealDisk, dir.path()).unwrap().is_none());
    drop(held);
    assert!(guard(&RealDisk, dir.path()).is_ok());
    // Without a spool there is nobody to wait for.
    assert!(guard(&RealDisk, &dir.path().join("none")).is_ok());
}
