//! Days of a camera behind a bad uplink, with the truth beside them.
//!
//! The path: a base delay, exponential queueing up to 40 ms whose load changes every five minutes,
//! in half of the minutes a queue that stands at up to 30 ms, and 124 outages a day: half of them under a second, one in a hundred of 90 to 180 s. The camera
//! buffers what it captures in them and sends it afterwards three times as fast as it came.

#![expect(clippy::print_stdout, reason = "the table is for readers")]

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::num::NonZeroU32;

use super::reports::NTP_TO_UNIX_SECONDS;
use super::{CameraClock, Clock, OffsetSource, SessionId, StampSource};

const RATE: i64 = 90_000;
const SECOND: i64 = 1_000_000_000;
const MS: i64 = 1_000_000;
const DAY: i64 = 86_400 * SECOND;
const FRAMES: i64 = 86_400 * 15;
const BASE: i64 = 30 * MS;
const OUTAGES: usize = 124;
const DRAIN: i64 = 3;
const LEARNING: i64 = 120 * SECOND;
const SETTLED: i64 = 600 * SECOND;
/// Longest queue that stands for a minute.
const STANDING: i64 = 30 * MS;

/// What happens after an outage of more than this.
const LONG_OUTAGE: i64 = 10 * SECOND;

#[derive(Debug, Clone, Copy, PartialEq)]
enum After {
    /// The session goes on, and its burst comes.
    Burst,
    /// The burst is lost; a new session begins with another RTP base.
    Reconnect,
    /// The old session drains while a new one runs; both carry the same units for a while.
    Hedge,
}

#[derive(Debug, Clone, Copy)]
struct Day {
    name: &'static str,
    skew_ppm: f64,
    after: After,
    /// The camera's clock minus the true time at the beginning; no sender reports with `None`.
    camera: Option<i64>,
    camera_ppm: f64,
    /// The camera's clock is set by this at noon.
    step: i64,
}

/// Absolute errors in slots of 0.05 ms.
struct Errors {
    counts: Vec<u32>,
    all: u64,
    max: i64,
}

impl Errors {
    const SLOT: i64 = MS / 20;

    fn new() -> Self {
        let slots = usize::try_from(200 * SECOND / Self::SLOT).unwrap();
        Self {
            counts: vec![0; slots],
            all: 0,
            max: 0,
        }
    }

    fn add(&mut self, error: i64) {
        let error = error.abs();
        let last = self.counts.len() - 1;
        self.counts[last.min((error / Self::SLOT) as usize)] += 1;
        self.all += 1;
        self.max = self.max.max(error);
    }

    /// In milliseconds, rounded up to the slot's end.
    fn at(&self, part: f64) -> f64 {
        let wanted = (self.all as f64 * part) as u64;
        let mut seen = 0;
        for (slot, count) in self.counts.iter().enumerate() {
            seen += u64::from(*count);
            if seen > wanted {
                return (slot as i64 + 1) as f64 * Self::SLOT as f64 / MS as f64;
            }
        }
        0.0
    }

    /// p50, p95, p99.9 and the largest.
    fn row(&self) -> [f64; 4] {
        let max = self.max as f64 / MS as f64;
        [self.at(0.5), self.at(0.95), self.at(0.999), max]
    }
}

struct Outcome {
    arrival: [f64; 4],
    clock: [f64; 4],
    sessions: usize,
    camera: Option<CameraClock>,
    restarts: u32,
    /// Errors larger than the uncertainty given.
    beyond: u32,
    /// The largest error in ms, once ten minutes are known.
    settled: f64,
}

fn outages(random: &mut fastrand::Rng) -> Vec<(i64, i64)> {
    let mut outages: Vec<(i64, i64)> = (0..OUTAGES)
        .map(|number| {
            let length = match number {
                0 | 1 => random.i64(90 * SECOND..180 * SECOND),
                2..62 => random.i64(50 * MS..SECOND),
                _ => (90_f64.powf(random.f64()) * SECOND as f64) as i64,
            };
            // None in the first minutes: learning is not what is measured.
            (random.i64(150 * SECOND..DAY - 1000 * SECOND), length)
        })
        .collect();
    outages.sort_unstable();
    outages
}

/// The true instant's RTP clock, without its base, in nanoseconds: its skew wanders by 5 ppm over
/// the day with the temperature.
fn media(day: &Day, truth: i64) -> i64 {
    let phase = truth as f64 / DAY as f64 * TAU;
    let wander = 5e-6 * DAY as f64 / TAU * (1.0 - phase.cos());
    truth + (truth as f64 * day.skew_ppm * 1e-6 + wander) as i64
}

fn camera_clock(day: &Day, truth: i64) -> i64 {
    let step = if truth >= DAY / 2 { day.step } else { 0 };
    day.camera.unwrap_or(0) + truth + (truth as f64 * day.camera_ppm * 1e-6) as i64 + step
}

fn ntp(unix_nanos: i64) -> u64 {
    let seconds = (unix_nanos.div_euclid(SECOND) + NTP_TO_UNIX_SECONDS) as u64;
    let rest = unix_nanos.rem_euclid(SECOND) as u64;
    (seconds << 32) | ((rest << 32) / SECOND as u64)
}

struct Live {
    id: SessionId,
    base: i64,
    began: i64,
}

fn simulate(day: &Day, seed: u64) -> Outcome {
    let mut random = fastrand::Rng::with_seed(seed);
    let outages = outages(&mut random);
    let mut clock = Clock::new();
    let rate = NonZeroU32::new(RATE as u32).unwrap();
    let begin = |clock: &mut Clock, random: &mut fastrand::Rng, began: i64| Live {
        id: clock.begin([(0, rate)]),
        base: random.i64(0..1 << 32),
        began,
    };
    let mut live = begin(&mut clock, &mut random, 0);
    let mut old: Option<Live> = None;
    let mut outage_at = 0;
    let (mut held_until, mut wait_mean, mut standing) = (0, 10.0 * MS as f64, 0);
    // When the queue is free again: of the only session, and of one that drains.
    let (mut free, mut next_report) = (0, 0);
    let mut draining: VecDeque<(i64, i64)> = VecDeque::new();
    let mut drain_free = 0;
    let (mut by_arrival, mut by_clock) = (Errors::new(), Errors::new());
    let (mut sessions, mut restarts, mut beyond, mut settled) = (1, 0, 0, 0);
    // The session's axis is that of the first one.
    let mut tied = true;
    for frame in 0..FRAMES {
        let truth = frame * SECOND / 15;
        if frame % (15 * 300) == 0 {
            wait_mean = random.f64() * 30.0 * MS as f64 + 3.0 * MS as f64;
        }
        if frame % (15 * 60) == 0 {
            standing = if random.bool() {
                random.i64(0..STANDING)
            } else {
                0
            };
        }
        let wait =
            standing + (-random.f64().max(1e-12).ln() * wait_mean).min(40.0 * MS as f64) as i64;
        while let Some((start, length)) = outages.get(outage_at)
            && truth >= *start
        {
            held_until = held_until.max(start + length);
            outage_at += 1;
            if *length > LONG_OUTAGE && old.is_none() && draining.is_empty() {
                let before = match day.after {
                    After::Burst => None,
                    After::Reconnect | After::Hedge => {
                        let next = begin(&mut clock, &mut random, held_until);
                        Some(std::mem::replace(&mut live, next))
                    }
                };
                sessions += usize::from(before.is_some());
                tied &= before.is_none();
                match (day.after, before) {
                    (After::Reconnect, Some(before)) => clock.end(before.id),
                    (_, before) => old = before,
                }
            }
        }
        let ticks = |live: &Live| live.base + media(day, truth) / 1000 * RATE / 1_000_000;
        let path = truth + BASE + wait;
        let new_runs = truth >= live.began;
        // The old session still has it: everything up to 2 s after the new one began.
        if let Some(before) = &old {
            if truth < live.began + 2 * SECOND {
                draining.push_back((truth, ticks(before)));
            }
        } else if !new_runs {
            continue;
        }
        if new_runs {
            if truth >= next_report && day.camera.is_some() {
                next_report = truth + 5 * SECOND;
                // Read up to 1 ms apart.
                let camera = camera_clock(day, truth) + random.i64(-MS..MS);
                clock.sender_report(live.id, 0, ticks(&live), ntp(camera), path.max(held_until));
            }
            let service = SECOND / 15 / DRAIN;
            let arrival = path.max(held_until + BASE).max(free + service);
            free = arrival;
            let stamp = clock.stamp(live.id, 0, ticks(&live), arrival).unwrap();
            restarts += u32::from(stamp.restarted);
            assert!(stamp.captured <= arrival);
            tied |= stamp.source == StampSource::Reports;
            let learnt = truth - if tied { 0 } else { live.began };
            if learnt > LEARNING {
                by_arrival.add(arrival - truth - BASE);
                let error = stamp.captured - truth - BASE;
                beyond += u32::from(error.unsigned_abs() > stamp.uncertainty_nanos);
                by_clock.add(error);
                if learnt > SETTLED {
                    settled = settled.max(error.abs());
                }
            }
            // The old session's queue, in step with the new one's arrivals.
            if let Some(before) = &old {
                while let Some(&(truth, old_ticks)) = draining.front() {
                    let due = (live.began + BASE).max(drain_free + service);
                    if due > arrival {
                        break;
                    }
                    drain_free = due;
                    draining.pop_front();
                    let arrival = due.max(truth + BASE);
                    let stamp = clock.stamp(before.id, 0, old_ticks, arrival).unwrap();
                    restarts += u32::from(stamp.restarted);
                    by_arrival.add(arrival - truth - BASE);
                    by_clock.add(stamp.captured - truth - BASE);
                    if truth >= live.began {
                        let shift = before.base - live.base;
                        clock.same(0, (before.id, old_ticks), (live.id, old_ticks - shift));
                        tied = true;
                        let offset = clock.offset(0, live.id, before.id).unwrap();
                        let found = (offset.ticks, offset.source);
                        assert_eq!(found, (shift, OffsetSource::Identity));
                    }
                }
                if draining.is_empty() && truth > live.began + 3 * SECOND {
                    clock.end(before.id);
                    old = None;
                }
            }
        }
    }
    Outcome {
        arrival: by_arrival.row(),
        clock: by_clock.row(),
        sessions,
        camera: clock.camera_clock(0),
        restarts,
        beyond,
        settled: settled as f64 / MS as f64,
    }
}

/// Unix time of a true instant 0, for the days' camera clocks.
const TODAY: i64 = 1_777_879_860 * SECOND;

const DAYS: [Day; 7] = [
    Day {
        name: "bursts, +60 ppm",
        skew_ppm: 60.0,
        after: After::Burst,
        camera: None,
        camera_ppm: 0.0,
        step: 0,
    },
    Day {
        name: "bursts, -120 ppm",
        skew_ppm: -120.0,
        after: After::Burst,
        camera: None,
        camera_ppm: 0.0,
        step: 0,
    },
    Day {
        name: "hedged, no reports",
        skew_ppm: 60.0,
        after: After::Hedge,
        camera: None,
        camera_ppm: 0.0,
        step: 0,
    },
    Day {
        name: "reconnects, no reports",
        skew_ppm: -120.0,
        after: After::Reconnect,
        camera: None,
        camera_ppm: 0.0,
        step: 0,
    },
    Day {
        name: "reconnects, reports of today",
        skew_ppm: 60.0,
        after: After::Reconnect,
        camera: Some(TODAY),
        camera_ppm: 0.0,
        step: 0,
    },
    Day {
        name: "reconnects, reports of 1970",
        skew_ppm: -120.0,
        after: After::Reconnect,
        camera: Some(5_000 * SECOND),
        camera_ppm: 25.0,
        step: 0,
    },
    Day {
        name: "hedged, clock set at noon",
        skew_ppm: 60.0,
        after: After::Hedge,
        camera: Some(5_000 * SECOND),
        camera_ppm: 25.0,
        step: TODAY,
    },
];

#[test]
fn days_with_outages() {
    let outcomes: Vec<Outcome> = std::thread::scope(|scope| {
        let days = DAYS.map(|day| scope.spawn(move || simulate(&day, 7)));
        days.into_iter().map(|day| day.join().unwrap()).collect()
    });
    println!("error in ms, 24 h at 15 fps, {OUTAGES} outages; the base delay is subtracted");
    println!("{:44}arrival{:30}clock", "", "");
    print!("{:29}sessions", "");
    for _ in 0..2 {
        print!("{:>9}{:>9}{:>9}{:>9}", "p50", "p95", "p99.9", "max");
    }
    println!("  camera's clock: offset s, drift ppm, steps");
    for (day, outcome) in DAYS.iter().zip(&outcomes) {
        let [a, b, c, d] = outcome.arrival;
        let [e, f, g, h] = outcome.clock;
        print!(
            "{:29}{:8}{a:9.1}{b:9.1}{c:9.0}{d:9.0}{e:9.2}{f:9.2}{g:9.2}{h:9.2}",
            day.name, outcome.sessions
        );
        match outcome.camera {
            Some(camera) => println!(
                "  {:.3} {:+.2} {}",
                camera.offset_nanos as f64 / 1e9,
                camera.drift_ppm.unwrap_or(f64::NAN),
                camera.steps
            ),
            None => println!("  -"),
        }
    }
    for (day, outcome) in DAYS.iter().zip(&outcomes) {
        let name = day.name;
        // What an earlier simulation of the same algorithm gave for a window of 1800 s: 0.4, 2.4,
        // 9.3 and 16 ms. Where a queue stands during all of the first two minutes nothing shows
        // that: until one unit crosses at once the error may be as long as that queue. Seldom, but
        // where nothing ties sessions they begin to learn thirty times a day. Ten minutes make an
        // end of it.
        let queue = STANDING as f64 / MS as f64;
        let bars = match (day.after, day.camera) {
            (After::Reconnect, None) => [0.4, 2.4, queue, queue],
            _ => [0.4, 2.4, 9.3, queue],
        };
        assert!(outcome.settled <= 16.0, "{name}: {}", outcome.settled);
        for (error, bar) in outcome.clock.iter().zip(bars) {
            assert!(
                *error <= bar,
                "{name}: {:?}, wanted {bars:?}",
                outcome.clock
            );
        }
        assert_eq!((outcome.restarts, outcome.beyond), (0, 0), "{name}");
        let Some(camera) = outcome.camera else {
            assert!(day.camera.is_none(), "{name}");
            continue;
        };
        let offset = camera_clock(day, DAY) - DAY - BASE;
        assert!(
            (camera.offset_nanos - offset).abs() < 20 * MS,
            "{name}: {camera:?}"
        );
        let drift = camera.drift_ppm.unwrap();
        assert!((drift - day.camera_ppm).abs() < 5.0, "{name}: {camera:?}");
        assert_eq!(camera.steps, u64::from(day.step != 0), "{name}");
        assert!(camera.plausible, "{name}");
    }
}
