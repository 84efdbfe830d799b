//! What goes wrong, when, and what of it must show.

use fastrand::Rng;

use super::{Cause, DATAGRAMS, LARGE, Plan, SMALL};

/// From the begin of the schedule to its first event: the relay learns the cameras' clocks.
const LEAD: f64 = 15.0;
/// A dropout of the line begins after so long a silence (`dropout_seconds` of the configuration).
const DROPOUT: f64 = 1.0;
/// An outage may cost a sender so much more, until it sends again.
const RESUME: f64 = 1.5;
/// Evidence of a failing disk reaches so far back, to cover what was not flushed.
const STORAGE_BEFORE: f64 = 15.0;

/// What goes wrong; a number is a camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The uplink is down.
    Uplink,
    /// The camera starts anew: it refuses connections meanwhile.
    Reboot(usize),
    /// The camera is without power: it answers nothing.
    PowerCut(usize),
    /// The camera keeps its connections and says nothing.
    Freeze(usize),
    /// Some of the camera's packets are lost.
    Loss(usize),
    /// SIGKILL; the relay starts again at the end.
    Kill,
    /// The spool's file system is full.
    Storage,
    /// The spool is removed: what is being written in it is lost.
    Removal,
    /// The recorder traps.
    Sink,
    /// The camera is not wanted.
    Pause(usize),
}

/// Something that goes wrong for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// What.
    pub kind: Kind,
    /// From when: seconds from the schedule's begin, or Unix seconds once it has happened.
    pub at: f64,
    /// How long, in seconds.
    pub length: f64,
}

/// What the footage of a camera must show of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Something is missing.
    Gap,
    /// Nothing is.
    Nothing,
    /// Either: it depends on a moment that nobody sets.
    Either,
}

impl Event {
    /// When it is over.
    #[must_use]
    pub fn end(&self) -> f64 {
        self.at + self.length
    }

    /// What the ledger may call a gap that comes of it.
    #[must_use]
    pub fn causes(&self, camera: usize) -> &'static [Cause] {
        match self.kind {
            // Too short to be a silence, it shows by the numbers of the packets alone.
            Kind::Uplink if camera == DATAGRAMS && self.length < DROPOUT => {
                &[Cause::Uplink, Cause::Loss]
            }
            Kind::Uplink => &[Cause::Uplink],
            Kind::Reboot(_) | Kind::PowerCut(_) | Kind::Freeze(_) => &[Cause::Camera],
            Kind::Loss(_) => &[Cause::Loss],
            Kind::Kill => &[Cause::Relay],
            Kind::Storage | Kind::Removal => &[Cause::Storage],
            Kind::Sink => &[Cause::Sink],
            Kind::Pause(_) => &[Cause::Planned],
        }
    }

    /// What must show.
    #[must_use]
    pub fn need(&self, camera: usize, plan: &Plan) -> Need {
        let one = |concerned: usize| match concerned == camera {
            true => Need::Gap,
            false => Need::Nothing,
        };
        match self.kind {
            Kind::Uplink => match held(self.length, plan.holds(camera)) {
                // Some kicks come to nothing inside the camera's TCP: then its own timer has it go on,
                // up to as long after the outage as that was (RFC 6298, §5.5: doubled each time).
                Need::Nothing if 2.0 * self.length + RESUME > plan.holds(camera) => Need::Either,
                need => need,
            },
            Kind::Freeze(one) if one == camera => {
                let queue = f64::from(plan.queue_bytes()[camera]);
                held(self.length, queue * 8.0 / f64::from(super::BITS_PER_SECOND))
            }
            Kind::Reboot(camera) | Kind::PowerCut(camera) | Kind::Freeze(camera) => one(camera),
            Kind::Loss(camera) | Kind::Pause(camera) => one(camera),
            Kind::Kill | Kind::Storage | Kind::Sink => Need::Gap,
            // A file may have been finished just before.
            Kind::Removal => Need::Either,
        }
    }

    /// How long after it everything is as before.
    fn settle(&self) -> f64 {
        match self.kind {
            // The plugin rests 1, 2 and 4 s.
            Kind::Sink => 11.0,
            Kind::Uplink | Kind::PowerCut(_) => 7.0 + 0.3 * self.length,
            _ => 7.0,
        }
    }
}

fn held(length: f64, holds: f64) -> Need {
    if length + RESUME <= holds {
        Need::Nothing
    } else if length >= holds + RESUME.min(0.5 + holds) {
        Need::Gap
    } else {
        Need::Either
    }
}

/// The events of a plan, in order and apart from each other, and when the last of them is settled.
#[must_use]
pub fn schedule(plan: &Plan) -> (Vec<Event>, f64) {
    let mut random = Rng::with_seed(plan.seed);
    let mut events = Vec::new();
    let mut now = LEAD;
    for _ in 0..plan.rounds {
        let mut round = round(&mut random, plan.storage);
        random.shuffle(&mut round);
        for (kind, length) in round {
            if kind == Kind::Storage {
                now += STORAGE_BEFORE - 7.0;
            }
            // So that nothing falls on the same phase of the cameras' groups of pictures.
            now += random.f64();
            let event = Event {
                kind,
                at: now,
                length,
            };
            now = event.end() + event.settle();
            events.push(event);
        }
    }
    (events, now)
}

fn round(random: &mut Rng, storage: bool) -> Vec<(Kind, f64)> {
    let any = random.usize(..3);
    let mut round = vec![
        (Kind::Uplink, 0.3, 0.9),
        (Kind::Uplink, 1.5, 3.0),
        (Kind::Uplink, 4.5, 8.0),
        (Kind::Uplink, 9.0, 15.0),
        (Kind::Reboot(any), 1.0, 4.0),
        (Kind::PowerCut(random.usize(..3)), 3.0, 7.0),
        (Kind::Freeze(SMALL), 3.0, 6.0),
        (Kind::Freeze(LARGE), 2.0, 5.0),
        (Kind::Loss(DATAGRAMS), 2.0, 4.0),
        (Kind::Loss(SMALL), 2.0, 4.0),
        (Kind::Kill, 0.2, 1.5),
        (Kind::Kill, 2.0, 5.0),
        (Kind::Sink, 1.2, 2.5),
        (Kind::Pause(random.usize(..3)), 6.0, 9.0),
    ];
    if storage {
        round.push((Kind::Storage, 6.0, 9.0));
    }
    let length =
        |(kind, least, most): (Kind, f64, f64)| (kind, least * (most / least).powf(random.f64()));
    round.into_iter().map(length).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_are_apart_and_repeatable() {
        let plan = Plan {
            seed: 7,
            rounds: 2,
            bed: true,
            storage: true,
        };
        let (events, end) = schedule(&plan);
        assert_eq!(events.len(), 30);
        assert_eq!((events.clone(), end), schedule(&plan));
        assert!(events.windows(2).all(|two| two[0].end() + 7.0 <= two[1].at));
        assert!(events.last().unwrap().end() + 7.0 <= end);
        let other = Plan { seed: 8, ..plan };
        assert_ne!(events, schedule(&other).0);
    }

    #[test]
    fn what_is_held_back_need_not_show() {
        let plan = Plan {
            seed: 1,
            rounds: 1,
            bed: true,
            storage: false,
        };
        let need = |kind, length, camera| {
            let event = Event {
                kind,
                at: 0.0,
                length,
            };
            event.need(camera, &plan)
        };
        // 284 kB at 75 kB/s are 3.8 s, 4.2 MB are 56 s.
        assert_eq!(need(Kind::Uplink, 1.1, SMALL), Need::Nothing);
        assert_eq!(need(Kind::Uplink, 2.2, SMALL), Need::Either);
        assert_eq!(need(Kind::Uplink, 3.8, SMALL), Need::Either);
        assert_eq!(need(Kind::Uplink, 5.5, SMALL), Need::Gap);
        assert_eq!(need(Kind::Uplink, 20.0, LARGE), Need::Nothing);
        assert_eq!(need(Kind::Uplink, 0.6, DATAGRAMS), Need::Gap);
        assert_eq!(need(Kind::Reboot(LARGE), 2.0, LARGE), Need::Gap);
        assert_eq!(need(Kind::Reboot(LARGE), 2.0, SMALL), Need::Nothing);
    }
}
