//! What a camera's line does about silence: the outage policy, as a pure state machine. Events and
//! instants go in, the next step comes out; the task in `camera` does the I/O.
//!
//! A line has at most two sessions: the *kept* one, which feeds the hold, and a *fresh* one beside
//! it. When the kept one falls silent, nothing is sent on it: our own segments would back off
//! (RFC 6298 §5.5) and so delay the one that counts. Instead a TCP connect is tried four times a
//! second, for a new connect inherits no back-off and finds the path as soon as it is back. Then the
//! kept session gets a *kick*, one small packet, whose acknowledgement makes the camera's TCP send
//! again what it holds; and a fresh session is set up as a *hedge*, in case the kept one is dead.
//! What the kept one still drains is used up to the fresh one's first random access point
//! (`splice/`), then the fresh one takes its place.

use std::time::{Duration, Instant};

use super::cause::EndCause;
use super::phase::Phase;
use super::step::{Event, Slot, Step, Why};

/// The times that a line goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineTimes {
    /// How long the first unit of a session may take: two groups of pictures and more.
    pub first_unit: Duration,
    /// How long no packet may arrive after that before the path is probed.
    pub dropout: Duration,
    /// How long no whole unit may come although packets arrive.
    pub silence: Duration,
}

/// Distance of connects while the path is looked for: each costs some 60 bytes, and half of this is
/// what every dropout lasts longer on average.
const PROBE_EVERY: Duration = Duration::from_millis(250);
/// A path that was seen alive so long ago may be gone again.
const ALIVE_FOR: Duration = Duration::from_secs(2);
/// How long the kept session may stay silent on a living path while a fresh one has units to give,
/// if it shows no sign of life. A kick makes most resume within 0.3 s.
const KEPT_PATIENCE: Duration = Duration::from_millis(800);
/// A first time-out of TCP and some, behind which its next try comes.
const FIRST_TIMEOUT: Duration = Duration::from_millis(1200);
/// The longest wait for a kept session whose camera has acknowledged the kick: it stands, and will
/// drain what it holds once its own TCP tries again. That takes up to as long again as the silence
/// lasted (RFC 6298 §5.5): a kick does not shorten it where the camera's socket has nothing unsent.
/// The fresh session's units wait meanwhile, as long as there is room for them.
const KEPT_PATIENCE_MAX: Duration = Duration::from_secs(60);
/// The least and the longest wait where no fresh session can be had beside it: a new one costs all
/// that it holds, but meanwhile what the camera takes is lost.
const KEPT_PATIENCE_ALONE: Duration = Duration::from_secs(6);
const KEPT_PATIENCE_ALONE_MAX: Duration = Duration::from_secs(10);
/// After a longer silence the next try is farther off than what a camera's buffer mostly holds.
const ALONE_SILENCE_MAX: Duration = Duration::from_secs(12);
/// Time between the first kick and the second. More would only feed our own back-off.
const KICK_AGAIN: Duration = Duration::from_secs(1);
/// Kicks that are answered by the connection's end, in a row, after which a camera gets none. One
/// may be chance: a camera that was restarted answers so too.
const STRIKES_MAX: u32 = 2;
/// A refused second session is tried again after this time: it may have been the camera's memory of
/// one of ours that was cut off.
const REFUSAL_REMEMBERED: Duration = Duration::from_secs(3600);
/// After a longer silence the camera may have given the session up, and only its socket drains:
/// then the fresh session is wanted even if the kept one resumes.
const SHORT_SILENCE: Duration = Duration::from_secs(20);
/// First rest after a refusal; doubles with each further one.
const REST_REFUSED_MIN: Duration = Duration::from_secs(2);
/// Longest rest: a camera that is repaired is back within so long.
const REST_REFUSED_MAX: Duration = Duration::from_secs(60);
/// Rest after a session that failed on the link.
const REST_LINK: Duration = Duration::from_millis(500);
/// The same once it has failed this often in a row; still short: silence says nothing about when
/// the link is back.
const REST_LINK_LONG: Duration = Duration::from_secs(2);
const LINK_FAILURES_SHORT: u32 = 20;
/// No camera is so slow that a dropout would have to be longer than three times this.
const PACE_MAX: Duration = Duration::from_secs(10);
/// When nothing is due.
const FAR: Duration = Duration::from_secs(3600);

#[derive(Debug, Clone, Copy)]
struct Kept {
    since: Instant,
    heard: Option<Instant>,
    unit: Option<Instant>,
    /// When packets came again after a silence, before any unit did.
    resumed: Option<Instant>,
    kicks: u32,
    kicked: Option<Instant>,
    /// The camera's end of the connection is there, or may well be.
    stands: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fresh {
    Opening,
    /// With its last unit.
    Playing {
        since: Instant,
        unit: Option<Instant>,
    },
}

/// What the camera stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tolerance {
    /// A second session beside the first.
    pub second_session: bool,
    /// A receiver report on the session's connection.
    pub kick: bool,
}

/// The line of one camera.
#[derive(Debug)]
pub struct Line {
    times: LineTimes,
    wanted: bool,
    kept: Option<Kept>,
    fresh: Option<Fresh>,
    next_probe: Instant,
    /// Since when the path is known to be alive, in this silence.
    alive: Option<Instant>,
    /// The kept session resumed while a fresh one was being set up.
    not_needed: bool,
    rest_until: Instant,
    hedge_rest_until: Instant,
    refusals: u32,
    refused: bool,
    link_failures: u32,
    strikes: u32,
    kick: bool,
    /// When a second session was refused last.
    refused_second: Option<Instant>,
    /// The last distances of units: an outage among them does not move their median.
    distances: [Duration; 5],
    jitter: fastrand::Rng,
}

impl Line {
    /// A line that looks for its camera at once. `seed` makes its jitter repeatable.
    #[must_use]
    pub fn new(times: LineTimes, now: Instant, seed: u64) -> Self {
        Self {
            times,
            wanted: true,
            kept: None,
            fresh: None,
            next_probe: now,
            alive: None,
            not_needed: false,
            rest_until: now,
            hedge_rest_until: now,
            refusals: 0,
            refused: false,
            link_failures: 0,
            strikes: 0,
            kick: true,
            refused_second: None,
            distances: [Duration::ZERO; 5],
            jitter: fastrand::Rng::with_seed(seed),
        }
    }

    /// What the camera was found to stand.
    #[must_use]
    pub fn tolerance(&self, now: Instant) -> Tolerance {
        let forgotten = |at: Instant| now.saturating_duration_since(at) >= REFUSAL_REMEMBERED;
        Tolerance {
            second_session: self.refused_second.is_none_or(forgotten),
            kick: self.kick,
        }
    }

    /// How long nothing may arrive: as configured, and three of the camera's usual distances of
    /// units where that is more.
    #[must_use]
    pub fn dropout(&self) -> Duration {
        let mut distances = self.distances;
        distances.sort_unstable();
        let [.., median, _, _] = distances;
        self.times.dropout.max(median.min(PACE_MAX) * 3)
    }

    /// Whether the kept session has fallen silent.
    #[must_use]
    pub fn is_silent(&self, now: Instant) -> bool {
        self.silent_since(now).is_some()
    }

    /// Since when nothing has arrived on the kept session, once that is a dropout.
    #[must_use]
    pub fn silent_since(&self, now: Instant) -> Option<Instant> {
        let heard = self.kept?.heard?;
        (now.saturating_duration_since(heard) >= self.dropout()).then_some(heard)
    }

    /// Since when the path is known to be alive in the present silence.
    #[must_use]
    pub fn alive_since(&self) -> Option<Instant> {
        self.alive
    }

    /// What the line is doing, for people and metrics.
    #[must_use]
    pub fn phase(&self, now: Instant) -> Phase {
        match (self.kept, self.fresh) {
            _ if !self.wanted => Phase::Paused,
            (None, Some(_)) => Phase::Connecting,
            (None, None) if now >= self.rest_until => Phase::Seeking,
            (None, None) if self.refused => Phase::Refused,
            (None, None) => Phase::Resting,
            (Some(_), Some(Fresh::Opening)) => Phase::Hedging,
            (Some(_), Some(Fresh::Playing { .. })) => Phase::Splicing,
            (Some(kept), None) if kept.unit.is_none() => Phase::Waiting,
            (Some(_), None) if self.is_silent(now) => Phase::Silent,
            (Some(_), None) => Phase::Flowing,
        }
    }

    /// Takes an event in.
    pub fn on(&mut self, event: Event, now: Instant) {
        match event {
            // What is answered after the packets are back says nothing of the next silence.
            Event::Answered if self.kept.is_none() || self.is_silent(now) => {
                self.alive.get_or_insert(now);
            }
            Event::Answered => {}
            Event::Playing => self.playing(now),
            Event::Heard(Slot::Kept) => self.heard(now),
            Event::Unit(Slot::Kept) => {
                let before = self.kept.and_then(|kept| kept.unit);
                self.heard(now);
                if let Some(kept) = &mut self.kept {
                    kept.unit = Some(now);
                }
                if let Some(before) = before {
                    self.distances.rotate_left(1);
                    self.distances[4] = now.saturating_duration_since(before);
                }
                (self.refusals, self.link_failures) = (0, 0);
            }
            Event::Heard(Slot::Fresh) => {}
            Event::Acknowledged | Event::NoKick => {
                if let Some(kept) = &mut self.kept {
                    kept.stands = kept.kicks > 0;
                }
            }
            Event::Unit(Slot::Fresh) => {
                if let Some(Fresh::Playing { unit, .. }) = &mut self.fresh {
                    *unit = Some(now);
                }
                (self.refusals, self.link_failures) = (0, 0);
            }
            Event::Spliced => {
                if let Some(Fresh::Playing { since, unit }) = self.fresh.take() {
                    self.keep(since, unit);
                }
            }
            Event::Ended(Slot::Kept, cause) => self.kept_ended(cause, now),
            Event::Ended(Slot::Fresh, cause) => self.fresh_ended(cause, now),
            Event::Wanted(wanted) => {
                self.wanted = wanted;
                if wanted {
                    self.rest_until = now;
                }
            }
            Event::NoReports => self.kick = false,
        }
    }

    fn playing(&mut self, now: Instant) {
        if self.fresh != Some(Fresh::Opening) {
            return;
        }
        self.fresh = if self.kept.is_some() {
            Some(Fresh::Playing {
                since: now,
                unit: None,
            })
        } else {
            self.keep(now, None);
            None
        };
    }

    fn keep(&mut self, since: Instant, unit: Option<Instant>) {
        self.kept = Some(Kept {
            since,
            heard: unit,
            unit,
            resumed: None,
            kicks: 0,
            kicked: None,
            stands: false,
        });
        (self.alive, self.not_needed) = (None, false);
    }

    fn heard(&mut self, now: Instant) {
        let silent_since = self.silent_since(now);
        let Some(kept) = &mut self.kept else { return };
        if let Some(since) = silent_since {
            if kept.kicks > 0 {
                self.strikes = 0;
            }
            (kept.kicks, kept.kicked, kept.stands) = (0, None, false);
            // Once until a unit comes: stray packets don't put the limit off for ever.
            if kept.unit >= kept.resumed {
                kept.resumed = Some(now);
            }
            self.not_needed = now.saturating_duration_since(since) < SHORT_SILENCE;
            self.alive = None;
        }
        kept.heard = Some(now);
    }

    fn kept_ended(&mut self, cause: EndCause, now: Instant) {
        let Some(kept) = self.kept.take() else { return };
        let soon = |kicked: Instant| now.saturating_duration_since(kicked) < KICK_AGAIN * 2;
        // After a long silence the camera has given the session up by itself.
        let short = |kicked: Instant| {
            let heard = kept.heard.unwrap_or(kicked);
            kicked.saturating_duration_since(heard) < SHORT_SILENCE
        };
        let by_kick = kept
            .kicked
            .is_some_and(|kicked| soon(kicked) && short(kicked));
        if by_kick && cause == EndCause::Closed {
            self.strikes += 1;
            self.kick &= self.strikes < STRIKES_MAX;
        }
        self.not_needed = false;
        match self.fresh {
            // It goes on alone.
            Some(Fresh::Playing { since, unit }) => {
                self.fresh = None;
                self.keep(since, unit);
            }
            Some(Fresh::Opening) => {}
            None => self.rest(cause, now),
        }
    }

    fn fresh_ended(&mut self, cause: EndCause, now: Instant) {
        if self.fresh.take().is_none() {
            return;
        }
        self.not_needed = false;
        if self.kept.is_none() {
            self.rest(cause, now);
        } else if cause == EndCause::Busy {
            self.refused_second = Some(now);
        } else if cause.is_refusal() {
            self.hedge_rest_until = now + self.refusal_rest();
        } else {
            // The path is gone again, or the camera is not ready.
            self.alive = None;
            self.hedge_rest_until = now + PROBE_EVERY;
        }
    }

    /// What to do at `now`. After any step but [`Step::WaitUntil`] ask again.
    pub fn step(&mut self, now: Instant) -> Step {
        if !self.wanted {
            return match (self.fresh, self.kept) {
                (Some(_), _) => self.drop_fresh(Why::NotWanted),
                (None, Some(_)) => self.drop_kept(Why::NotWanted, now),
                (None, None) => Step::WaitUntil(now + FAR),
            };
        }
        match (self.kept, self.fresh) {
            (None, None) => self.seek(now),
            // Its steps have time limits of their own.
            (None, Some(_)) => Step::WaitUntil(now + FAR),
            (Some(kept), _) => self.watch(kept, now),
        }
    }

    /// Without a session: finds the path, then opens one.
    fn seek(&mut self, now: Instant) -> Step {
        if now < self.rest_until {
            return Step::WaitUntil(self.rest_until);
        }
        self.forget_old_path(now);
        if self.alive.is_some() {
            return self.open();
        }
        self.probe(now).unwrap_or(Step::WaitUntil(self.next_probe))
    }

    fn watch(&mut self, kept: Kept, now: Instant) -> Step {
        if self.not_needed && matches!(self.fresh, Some(fresh) if fresh.unit().is_none()) {
            return self.drop_fresh(Why::NotNeeded);
        }
        if let Some(Fresh::Playing { since, unit: None }) = self.fresh
            && now >= since + self.times.first_unit
        {
            return self.drop_fresh(Why::NoUnit);
        }
        let (Some(unit), Some(heard)) = (kept.unit, kept.heard) else {
            let until = kept.since + self.times.first_unit;
            return if now < until {
                Step::WaitUntil(until)
            } else {
                self.drop_kept(Why::NoUnit, now)
            };
        };
        if now >= heard + self.dropout() {
            return self.silent(kept, heard, now);
        }
        // The first packets after a silence need not make a unit: sound comes, or a part of one.
        let since = kept.resumed.map_or(unit, |resumed| unit.max(resumed));
        let until = since + self.times.silence.max(self.dropout());
        if now >= until {
            return self.drop_kept(Why::NoWholeUnit, now);
        }
        Step::WaitUntil(until.min(heard + self.dropout()))
    }

    /// The kept session is silent: probe, then kick and hedge.
    fn silent(&mut self, kept: Kept, heard: Instant, now: Instant) -> Step {
        let fresh_unit = self.fresh.and_then(Fresh::unit);
        match fresh_unit {
            // A fresh session that has units proves the path better than any connect.
            Some(unit) if now < unit + self.dropout() => {
                self.alive.get_or_insert(now);
            }
            // One that had some and falls silent too: the path has gone again. What the kept one
            // still holds waits for the next return, with as much patience.
            Some(unit) if self.alive.is_some_and(|alive| alive <= unit) => {
                self.alive = None;
                if let Some(kept) = &mut self.kept {
                    (kept.kicks, kept.kicked) = (0, None);
                }
            }
            Some(_) | None => {}
        }
        let fresh_waits = fresh_unit.is_some();
        let Some(alive) = self.alive else {
            return self.probe(now).unwrap_or(Step::WaitUntil(self.next_probe));
        };
        let mut due: Vec<_> = fresh_unit
            .filter(|unit| alive <= *unit)
            .map(|unit| unit + self.dropout())
            .into_iter()
            .collect();
        if self.kick && kept.kicks < 2 {
            let at = kept.kicked.map_or(now, |kicked| kicked + KICK_AGAIN);
            if now >= at {
                if let Some(kept) = &mut self.kept {
                    (kept.kicks, kept.kicked) = (kept.kicks + 1, Some(now));
                }
                return Step::Kick;
            }
            due.push(at);
        }
        if self.tolerance(now).second_session && self.fresh.is_none() {
            if now >= self.hedge_rest_until {
                return self.open();
            }
            due.push(self.hedge_rest_until);
        }
        // The next try comes one first time-out after twice the silence: tries are 1, 3, 7, 15 …
        // first time-outs after the last packet that came through.
        let away = alive.saturating_duration_since(heard);
        let next_try = away + FIRST_TIMEOUT;
        let patience = match self.fresh {
            Some(_) if fresh_waits && kept.stands => Some(next_try.min(KEPT_PATIENCE_MAX)),
            Some(_) if fresh_waits => Some(KEPT_PATIENCE),
            Some(_) => None,
            None if away > ALONE_SILENCE_MAX => Some(KEPT_PATIENCE),
            None => Some(next_try.clamp(KEPT_PATIENCE_ALONE, KEPT_PATIENCE_ALONE_MAX)),
        };
        let patience = patience.map(|patience| alive + patience);
        if patience.is_some_and(|until| now >= until) {
            return self.drop_kept(Why::Silent, now);
        }
        due.extend(patience);
        Step::WaitUntil(due.into_iter().min().unwrap_or(now + PROBE_EVERY))
    }

    fn open(&mut self) -> Step {
        self.fresh = Some(Fresh::Opening);
        self.not_needed = false;
        Step::Open
    }

    fn probe(&mut self, now: Instant) -> Option<Step> {
        (now >= self.next_probe).then(|| {
            self.next_probe = now + PROBE_EVERY;
            Step::Probe
        })
    }

    fn forget_old_path(&mut self, now: Instant) {
        self.alive
            .take_if(|alive| now.saturating_duration_since(*alive) > ALIVE_FOR);
    }

    fn drop_fresh(&mut self, why: Why) -> Step {
        (self.fresh, self.not_needed) = (None, false);
        Step::Drop(Slot::Fresh, why)
    }

    fn drop_kept(&mut self, why: Why, now: Instant) -> Step {
        self.kept_ended(EndCause::Silent, now);
        // A session that was silent on a living path is replaced at once.
        if why == Why::Silent && self.kept.is_none() {
            (self.rest_until, self.alive) = (now, Some(now));
        }
        Step::Drop(Slot::Kept, why)
    }

    fn refusal_rest(&mut self) -> Duration {
        let doublings = self.refusals.min(8);
        self.refusals = self.refusals.saturating_add(1);
        self.jittered(
            REST_REFUSED_MIN
                .saturating_mul(1 << doublings)
                .min(REST_REFUSED_MAX),
        )
    }

    fn rest(&mut self, cause: EndCause, now: Instant) {
        self.refused = cause.is_refusal();
        self.alive = None;
        let rest = if self.refused {
            self.refusal_rest()
        } else {
            self.link_failures = self.link_failures.saturating_add(1);
            if self.link_failures > LINK_FAILURES_SHORT {
                self.jittered(REST_LINK_LONG)
            } else {
                self.jittered(REST_LINK)
            }
        };
        self.rest_until = now + rest;
    }

    /// Several cameras behind one link must not all knock in the same instant.
    fn jittered(&mut self, rest: Duration) -> Duration {
        rest.mul_f64(0.75 + 0.5 * self.jitter.f64())
    }
}

impl Fresh {
    /// When its last unit came.
    fn unit(self) -> Option<Instant> {
        match self {
            Self::Opening => None,
            Self::Playing { unit, .. } => unit,
        }
    }
}

#[cfg(test)]
#[path = "line_tests.rs"]
mod tests;
