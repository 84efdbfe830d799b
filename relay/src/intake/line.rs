//! When to connect, when to give a session up, and how long to rest: the policy of a camera's
//! line, as a pure state machine. Events and instants go in, the next step comes out; the task
//! in `camera.rs` does the I/O.

use std::time::{Duration, Instant};

use super::cause::EndCause;

/// The times that a line goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineTimes {
    /// How long the first unit of a session may take: two groups of pictures and more.
    pub first_unit: Duration,
    /// How long nothing may arrive after that.
    pub silence: Duration,
}

/// First rest after a refusal; doubles with each further one.
const REST_REFUSED_MIN: Duration = Duration::from_secs(2);
/// Longest rest: a camera that is repaired is back within so long.
const REST_REFUSED_MAX: Duration = Duration::from_secs(60);
/// Rest after a lost link, where every second of waiting may be a second of footage.
const REST_LINK: Duration = Duration::from_millis(500);
/// Rest after a lost link once it has failed this often in a row; still short: silence says
/// nothing about when the link is back.
const REST_LINK_LONG: Duration = Duration::from_secs(2);
const LINK_FAILURES_SHORT: u32 = 20;

/// What the line waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Resting {
        until: Instant,
    },
    Connecting,
    /// The session plays; its first unit has not come.
    Waiting {
        since: Instant,
    },
    Flowing {
        last: Instant,
    },
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// The session plays.
    Playing,
    /// A unit arrived, whether or not it passes the gate.
    Unit,
    /// The session ended or could not be made.
    Ended(EndCause),
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Nothing but wait: at the latest until this instant, then ask again.
    WaitUntil(Instant),
    /// Set a session up.
    Connect,
    /// End the session: nothing arrives.
    GiveUp,
}

/// The line of one camera.
#[derive(Debug)]
pub struct Line {
    times: LineTimes,
    state: State,
    refusals: u32,
    link_failures: u32,
    jitter: fastrand::Rng,
}

impl Line {
    /// A line that connects at once. `seed` makes its jitter repeatable.
    #[must_use]
    pub fn new(times: LineTimes, now: Instant, seed: u64) -> Self {
        Self {
            times,
            state: State::Resting { until: now },
            refusals: 0,
            link_failures: 0,
            jitter: fastrand::Rng::with_seed(seed),
        }
    }

    /// Takes an event in.
    pub fn on(&mut self, event: Event, now: Instant) {
        self.state = match event {
            Event::Playing => State::Waiting { since: now },
            Event::Unit => {
                self.refusals = 0;
                self.link_failures = 0;
                State::Flowing { last: now }
            }
            Event::Ended(cause) => State::Resting {
                until: now + self.rest(cause),
            },
        };
    }

    /// What to do at `now`.
    pub fn step(&mut self, now: Instant) -> Step {
        match self.state {
            State::Resting { until } if now < until => Step::WaitUntil(until),
            State::Resting { .. } | State::Connecting => {
                self.state = State::Connecting;
                Step::Connect
            }
            State::Waiting { since } => Self::patience(since + self.times.first_unit, now),
            State::Flowing { last } => Self::patience(last + self.times.silence, now),
        }
    }

    fn patience(until: Instant, now: Instant) -> Step {
        if now < until {
            Step::WaitUntil(until)
        } else {
            Step::GiveUp
        }
    }

    fn rest(&mut self, cause: EndCause) -> Duration {
        let rest = if cause.is_refusal() {
            let doublings = self.refusals.min(8);
            self.refusals = self.refusals.saturating_add(1);
            REST_REFUSED_MIN
                .saturating_mul(1 << doublings)
                .min(REST_REFUSED_MAX)
        } else {
            self.link_failures = self.link_failures.saturating_add(1);
            if self.link_failures > LINK_FAILURES_SHORT {
                REST_LINK_LONG
            } else {
                REST_LINK
            }
        };
        // Several cameras behind one link must not all knock in the same instant.
        rest.mul_f64(0.75 + 0.5 * self.jitter.f64())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const TIMES: LineTimes = LineTimes {
        first_unit: Duration::from_secs(20),
        silence: Duration::from_secs(5),
    };

    #[test]
    fn silence_counts_only_after_the_first_unit() {
        let start = Instant::now();
        let mut line = Line::new(TIMES, start, 1);
        assert_eq!(line.step(start), Step::Connect);
        line.on(Event::Playing, start);
        let late = start + Duration::from_secs(19);
        assert_eq!(line.step(late), Step::WaitUntil(start + TIMES.first_unit));
        line.on(Event::Unit, late);
        assert_eq!(line.step(late + TIMES.silence), Step::GiveUp);
    }

    #[test]
    fn refusals_back_off_and_silence_does_not() {
        let start = Instant::now();
        let rests = |cause| {
            let mut line = Line::new(TIMES, start, 7);
            (0..12)
                .map(|_| {
                    line.on(Event::Ended(cause), start);
                    match line.step(start) {
                        Step::WaitUntil(until) => until - start,
                        other => panic!("{other:?}"),
                    }
                })
                .collect::<Vec<_>>()
        };
        let refused = rests(EndCause::Unauthorized);
        assert!(refused[0] < Duration::from_secs(3) && refused[11] > Duration::from_secs(44));
        assert!(
            refused
                .iter()
                .all(|rest| *rest <= REST_REFUSED_MAX.mul_f64(1.25))
        );
        assert!(
            rests(EndCause::Silent)
                .iter()
                .all(|rest| *rest < Duration::from_secs(1))
        );
    }

    proptest! {
        /// Whatever happens, the line never waits longer than its longest rest or patience, and
        /// connects again in the end.
        #[test]
        fn never_stuck(events in prop::collection::vec(0_usize..14, 0..60), seed in any::<u64>()) {
            let mut now = Instant::now();
            let mut line = Line::new(TIMES, now, seed);
            for event in events {
                let event = match event {
                    12 => Event::Playing,
                    13 => Event::Unit,
                    cause => Event::Ended(EndCause::ALL[cause]),
                };
                line.on(event, now);
                now += Duration::from_millis(300);
            }
            for _ in 0..2 {
                match line.step(now) {
                    Step::Connect => break,
                    Step::GiveUp => line.on(Event::Ended(EndCause::Silent), now),
                    Step::WaitUntil(until) => {
                        prop_assert!(until - now <= REST_REFUSED_MAX.mul_f64(1.25));
                        now = until;
                    }
                }
            }
            if let Step::WaitUntil(until) = line.step(now) { now = until; }
            prop_assert_eq!(line.step(now), Step::Connect);
        }
    }
}
