//! What a camera's sessions give, and their silences.

use std::sync::{Arc, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::super::assemble::Frame;
use super::super::lull::Begin;
use super::super::phase::Phase;
use super::super::session::{Item, farewell};
use super::super::splice::Verdict;
use super::super::step::{Event, Slot};
use super::super::watch::SiteWatch;
use super::super::wire::Sent;
use super::sessions::REPORT_ANSWER;
use super::{PULSE, Work};
use crate::units::CaptureTime;

/// The share of a dropout that a witness must have paused to count as silent too.
const PAUSE_SHARE: f64 = 0.6;
/// Reports are sent only while packets come: one sent into an outage would be in the way.
const LIVELY: Duration = Duration::from_millis(50);
/// A session that is quiet for so long is left alone until there is something to read: most
/// silences begin so.
const QUIET: Duration = Duration::from_millis(150);
/// A camera is pulled from so long before it is wanted, so that its footage begins in time.
const AHEAD_OF_PLAN: Duration = Duration::from_secs(5);

impl Work<'_> {
    pub(super) fn item(&mut self, slot: Slot, item: Item) {
        self.note_packets();
        let arrival = self.outflow.arrival();
        let active = match slot {
            Slot::Kept => &mut self.kept,
            Slot::Fresh => &mut self.fresh,
        };
        let Some(active) = active else { return };
        let (session, desk) = (&active.session, &mut active.desk);
        match item {
            Item::Frames { stream, frames } => {
                // Sound that goes on must not hide that the pictures have ceased.
                // Of the fresh session only what can be used counts.
                if slot == Slot::Kept && desk.counts(session, stream) {
                    let now = Instant::now();
                    self.line.on(Event::Unit(slot), now);
                    self.testify(Some(now));
                }
                self.frames(slot, stream, frames, arrival);
            }
            Item::Rtcp(packet) => desk.sender_reports(&packet, &mut self.outflow.clock, arrival),
            Item::Fault {
                stream,
                oversize,
                message,
            } => {
                if let Some(stream) = stream {
                    desk.lost(stream);
                }
                if slot == Slot::Kept {
                    self.outflow.lost(0, 1);
                }
                self.task.events.stream_fault(oversize, &message);
            }
        }
    }

    pub(super) fn frames(&mut self, slot: Slot, stream: usize, frames: Vec<Frame>, arrival: i64) {
        let mut reached = false;
        for frame in frames {
            let active = match slot {
                Slot::Kept => &mut self.kept,
                Slot::Fresh => &mut self.fresh,
            };
            let Some(active) = active else { return };
            if slot == Slot::Kept {
                self.outflow.lost(frame.packets_lost, 0);
            }
            let clock = (&mut self.outflow.clock, arrival);
            let passed = active
                .desk
                .take(&active.session, stream, frame, clock, &self.task.events);
            let Some(unit) = passed else { continue };
            let verdict = match slot {
                Slot::Kept => self.outflow.kept(unit),
                Slot::Fresh => {
                    if active.desk.counts(&active.session, stream) {
                        self.line.on(Event::Unit(slot), Instant::now());
                    }
                    self.outflow.fresh(unit)
                }
            };
            if verdict == Verdict::Reached {
                reached = true;
                if slot == Slot::Kept {
                    break;
                }
            }
        }
        if reached {
            self.splice();
        }
    }

    /// Tells the line and the site's watch what has arrived.
    pub(super) fn note_packets(&mut self) {
        let Some(kept) = &mut self.kept else { return };
        let Some(heard) = kept
            .session
            .heard()
            .filter(|heard| Some(*heard) != self.heard)
        else {
            return;
        };
        self.heard = Some(heard);
        let paused = kept.session.take_pause();
        let silence = self.line.silent_since(heard);
        self.line.on(Event::Heard(Slot::Kept), heard);
        let long = |since: &Instant| {
            heard.saturating_duration_since(*since) >= self.line.dropout().mul_f64(PAUSE_SHARE)
        };
        if let Some(since) = silence.or(paused).filter(long) {
            let dropout = self.watch().heard(&self.task.camera.name, since, heard);
            if let Some(dropout) = dropout {
                self.task.events.site_dropout(dropout);
            }
        }
        if silence.is_some() {
            self.silent = None;
            if let Some(kept) = &mut self.kept {
                kept.rests = false;
            }
            // A late answer would say nothing of the next silence.
            self.probes.clear();
            self.finish_kick(true);
            self.outflow.resumed(heard);
        } else {
            self.speaks_again();
        }
    }

    /// Another session has taken the place of one that was silent.
    pub(super) fn speaks_again(&mut self) {
        if let Some(since) = self.silent.take() {
            let dropout = self
                .watch()
                .heard(&self.task.camera.name, since, Instant::now());
            if let Some(dropout) = dropout {
                self.task.events.site_dropout(dropout);
            }
        }
    }

    /// Tells those who want to know that the line has fallen silent.
    pub(super) fn note_silence(&mut self, now: Instant) {
        let Some(since) = self
            .line
            .silent_since(now)
            .filter(|_| self.silent.is_none())
        else {
            return;
        };
        self.silent = Some(since);
        self.watch().silent(&self.task.camera.name, since);
        self.outflow.lull(Begin::Silence, since);
        self.task.events.fell_silent();
    }

    /// Leaves a quiet session alone, before anybody knows whether it is silent. Until when to look
    /// again.
    pub(super) fn rest_quiet(&mut self, now: Instant) -> Option<Instant> {
        let kept = self.kept.as_mut().filter(|kept| !kept.rests)?;
        let quiet = kept.session.heard()? + QUIET;
        if now < quiet {
            return Some(quiet);
        }
        kept.rests = kept.session.can_rest();
        None
    }

    /// Tells the line that a kicked session's camera has answered, if with nothing but its TCP.
    pub(super) fn note_acknowledged(&mut self) {
        if self.kicked
            && let Some(kept) = &self.kept
            && kept.session.is_acknowledged()
        {
            self.line.on(Event::Acknowledged, Instant::now());
        }
    }

    pub(super) fn watch(&self) -> MutexGuard<'_, SiteWatch> {
        self.task
            .watch
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// The camera's silence, or its sound, can speak for the site's link from now on; or no more.
    pub(super) fn testify(&mut self, now: Option<Instant>) {
        if self.testifies != now.is_some() {
            self.testifies = now.is_some();
            let blind = self.line.dropout().mul_f64(PAUSE_SHARE);
            match now {
                Some(now) => self.watch().plays(&self.task.camera.name, now, blind),
                None => (self.watch()).is_away(&self.task.camera.name, Instant::now()),
            }
        }
    }

    /// What is due now and then.
    pub(super) async fn pulse(&mut self) {
        let now = Instant::now();
        if now < self.pulse_due {
            return;
        }
        self.pulse_due = now + PULSE;
        self.follow_plan(now);
        for slot in [Slot::Kept, Slot::Fresh] {
            let Some(active) = self.slot(slot) else {
                continue;
            };
            if let Err(error) = active.session.pulse() {
                self.ended(slot, &error).await;
            }
        }
        self.note_packets();
        let reports = self.line.tolerance(now).kick && self.silent.is_none();
        if let Some(kept) = &mut self.kept {
            let lively = |heard: Instant| now.saturating_duration_since(heard) < LIVELY;
            if reports && kept.session.heard().is_some_and(lively) {
                match kept.session.report(now) {
                    Some(Sent::Whole) => kept.reported = Some(now),
                    // A session that is broken will say so.
                    Some(Sent::Broken | Sent::Busy | Sent::Impossible) | None => {}
                }
            }
            let survived = |at: Instant| now.saturating_duration_since(at) > REPORT_ANSWER;
            if kept.reported.is_some_and(survived) {
                self.report_strikes = 0;
            }
            let shut = |since: Instant| since.elapsed() > 2 * self.task.camera.first_unit;
            if kept.desk.shut_since().is_some_and(shut) {
                self.task.events.gate_stays_shut();
            }
        }
        self.outflow.pulse(now);
    }

    /// Begins and ends planned pauses.
    pub(super) fn follow_plan(&mut self, now: Instant) {
        let plan = self.task.plan.now();
        let replaced = !Arc::ptr_eq(&plan, &self.plan);
        if replaced {
            self.plan = Arc::clone(&plan);
            self.plan_holds_until = None;
        }
        let wall = CaptureTime::now();
        let due = self.plan_holds_until;
        if due.is_some_and(|until| wall < until) {
            return;
        }
        let ahead = i64::try_from(AHEAD_OF_PLAN.as_nanos()).unwrap_or(0);
        let soon = CaptureTime::from_unix_nanos(wall.unix_nanos().saturating_add(ahead));
        let wanted = plan.is_wanted(wall) || plan.is_wanted(soon);
        // Looked up at least each minute: the home clock may be set.
        let minute = CaptureTime::from_unix_nanos(wall.unix_nanos().saturating_add(60_000_000_000));
        let change = plan.next_change(soon).map_or(minute, |change| {
            CaptureTime::from_unix_nanos(change.unix_nanos().saturating_sub(ahead)).min(minute)
        });
        let change = plan
            .next_change(wall)
            .map_or(change, |next| change.min(next));
        self.plan_holds_until = Some(change);
        if wanted == self.wanted {
            if replaced && !wanted {
                self.outflow.pause_changes(plan.next_change(wall));
            }
            return;
        }
        self.wanted = wanted;
        self.line.on(Event::Wanted(wanted), now);
        if wanted {
            let end = plan.next_change(wall).filter(|_| !plan.is_wanted(wall));
            self.outflow.pause_ends(now, end.unwrap_or(wall));
        } else {
            // A pulse comes a little after the instant that was planned.
            let pulse = i64::try_from(PULSE.as_nanos()).unwrap_or(0);
            let near =
                |due: &CaptureTime| wall.unix_nanos().saturating_sub(due.unix_nanos()) < 2 * pulse;
            let begin = due.filter(near).unwrap_or(wall);
            self.outflow.pause_begins(begin, plan.next_change(wall));
        }
    }

    pub(super) fn show(&mut self, now: Instant) {
        let phase = self.line.phase(now);
        if self.task.status.phase() != phase {
            self.task.status.set(phase);
            self.task.events.phase(phase);
        }
    }

    pub(super) async fn close(mut self) {
        self.testify(None);
        let half = self.opening.take().is_some() || self.fresh.take().is_some();
        match self.kept.take() {
            Some(kept) => kept.session.close(&self.group).await,
            None if half => farewell(&self.group).await,
            None => {}
        }
        self.task.status.set(Phase::Resting);
        self.task.events.phase(Phase::Resting);
    }
}
