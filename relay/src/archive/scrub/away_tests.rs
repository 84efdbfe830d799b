#![allow(clippy::unwrap_used)]

use std::sync::Arc;
use std::thread::scope;
use std::time::Instant;

use rustix::io::Errno;

use super::super::tests::{CAMERAS, Yard, name};
use super::super::{Pace, Scrubbed};
use super::*;
use crate::archive::RealDisk;
use crate::archive::faults::{Fault, FaultyDisk, Lack};

/// What a scrub told while its disk was away from an operation on, for so many.
struct Told {
    events: Vec<ScrubEvent>,
    scrubbed: Scrubbed,
    /// Operations.
    count: u64,
}

impl Told {
    fn number(&self, is_it: fn(&ScrubEvent) -> bool) -> usize {
        self.events.iter().filter(|event| is_it(event)).count()
    }
}

/// `waits`: it is not told to stop where the archive is away.
fn scrub(yard: &Yard, at: u64, length: u64, waits: bool) -> Told {
    let away = Fault::While(length, Errno::HOSTUNREACH);
    let disk = FaultyDisk::new(Arc::new(RealDisk), Lack::Nothing, at, away);
    let (archive, spool, pace) = (yard.archive(), yard.spool(), Pace::new(0));
    let mut events = Vec::new();
    let mut tell = |event: ScrubEvent| {
        if matches!(event, ScrubEvent::Away(_)) && !waits {
            pace.stop();
        }
        events.push(event);
    };
    let mut scrub = Scrub {
        disk: &disk,
        archive: &archive,
        spool: &spool,
        pace: &pace,
        quarantine: false,
        young: Duration::ZERO,
        tell: &mut tell,
        scrubbed: Scrubbed::default(),
    };
    for camera in CAMERAS {
        scrub.camera(&name(camera), None, None, None);
    }
    let scrubbed = scrub.scrubbed;
    Told {
        events,
        scrubbed,
        count: disk.count(),
    }
}

fn is_away(event: &ScrubEvent) -> bool {
    matches!(event, ScrubEvent::Away(_))
}

fn is_fault(event: &ScrubEvent) -> bool {
    matches!(event, ScrubEvent::Fault(_))
}

#[test]
fn an_archive_that_is_away_for_a_while_costs_a_scrub_nothing_but_time() {
    let yard = Yard::new();
    let whole = scrub(&yard, 0, 0, true);
    let objects = whole.scrubbed.objects;
    assert_eq!(objects, yard.files(false).len() as u64);
    assert_eq!(whole.number(is_fault), 0, "{:?}", whole.events);
    let tolds: Vec<Told> = scope(|scope| {
        let yard = &yard;
        let begun: Vec<_> = (1..=whole.count)
            .map(|at| (at, scope.spawn(move || scrub(yard, at, 3, true))))
            .collect();
        begun
            .into_iter()
            .map(|(_, told)| told.join().unwrap())
            .collect()
    });
    let mut waited = 0;
    for (at, told) in (1..).zip(&tolds) {
        let events = &told.events;
        assert_eq!(told.number(is_fault), 0, "away at {at}: {events:?}");
        assert_eq!(told.scrubbed.objects, objects, "away at {at}: {events:?}");
        let (away, back) = (
            told.number(is_away),
            told.number(|e| *e == ScrubEvent::Back),
        );
        assert!(away <= 1 && away == back, "away at {at}: {events:?}");
        waited += away;
    }
    assert!(waited > tolds.len() / 2, "{waited} of {}", tolds.len());
}

#[test]
fn an_archive_that_stays_away_is_told_once() {
    let yard = Yard::new();
    let whole = scrub(&yard, 0, 0, true);
    scope(|scope| {
        for at in 1..=whole.count {
            let yard = &yard;
            scope.spawn(move || {
                let begun = Instant::now();
                let told = scrub(yard, at, u64::MAX, false);
                let events = &told.events;
                assert_eq!(told.number(is_fault), 0, "away at {at}: {events:?}");
                assert_eq!(told.number(is_away), 1, "away at {at}: {events:?}");
                assert!(told.scrubbed.stopped, "away at {at}");
                assert!(begun.elapsed() < Duration::from_secs(30));
            });
        }
    });
}
