//! When a still is asked for, taken, late, or missed.
//!
//! Each instant that is wanted is asked for a little ahead. The relay answers with the key frame
//! nearest to it; that is a still. Where there is none near it, its answer is the first one after
//! it: that is a still too, but late, and only while the schedule allows one and before the next
//! instant, whose own still it would be otherwise. An instant that gets none by then is missed, and
//! so is one whose schedule ends (the evening, a planned pause).
//!
//! So each wanted instant comes to one end: a `still`, a `still` with `still-late`, or
//! `still-missed`. After many at once (the clock was set) those beyond a bound share a finding for
//! each day, whose text begins with their number: `1403 instants: `. Whoever counts reads it there.
//! Each instance leaves to the next one up to when all is told, so that nothing is lost in a pause
//! of the plugin; of a time when the relay did not run, and of more than a day over which the clock
//! leapt, nothing is known here.

use std::collections::VecDeque;

use forebay_plugin_sdk::{Finding, Instant};

use crate::frame::Frame;
use crate::host::Host;
use crate::schedule::{Schedule, timestamp};
use crate::still::{self, Origin, local_text, span_text};

const SECOND_NANOS: i64 = 1_000_000_000;
/// A still further from its instant than this is late. Half of the shortest interval.
pub const NEAR_NANOS: i64 = 30 * SECOND_NANOS;
/// So long ahead an instant is asked for.
const AHEAD_NANOS: i64 = 10 * SECOND_NANOS;
/// What a picture may take from the camera's lens to here. It is long, because which still a picture
/// is depends on when it was captured alone: the nearest key frame is known when the next one has
/// come, and some cameras send one in minutes; what an outage held back comes after it.
const GRACE_NANOS: i64 = 300 * SECOND_NANOS;
/// How far ahead instants are known at least; they are computed for twice that.
const HORIZON_NANOS: i64 = 1800 * SECOND_NANOS;
/// Questions that wait at a time: the relay keeps no more.
const PENDING_MAX: usize = 16;
/// The relay forgets a question after an hour.
const FORGOTTEN_NANOS: i64 = 3000 * SECOND_NANOS;
/// First pause before an instant is asked for again whose answer was of no use, then doubled.
const PAUSE_NANOS: i64 = 10 * SECOND_NANOS;
const PAUSE_NANOS_MAX: i64 = 320 * SECOND_NANOS;
/// Findings of missed stills in one call, those that sum up the rest not counted.
const MISSED_MAX: usize = 16;
/// Over a longer leap of the clock instants are not made up for.
const LEAP_NANOS_MAX: i64 = 24 * 3600 * SECOND_NANOS;
/// No finding is of an earlier instant than this before the present one: the relay takes none that is
/// a day behind. With one still a day, an instant is known to be missed after a day.
const BEHIND_NANOS_MAX: i64 = LEAP_NANOS_MAX - GRACE_NANOS;

/// An instant whose picture is awaited.
#[derive(Debug)]
struct Pending {
    wanted: Instant,
    /// When it is asked for again.
    again: Instant,
    pause_nanos: i64,
    /// Why there is no still yet, where it is not for want of a picture.
    trouble: Option<String>,
}

/// Takes the stills of one camera.
#[derive(Debug)]
pub struct Shutter<H> {
    schedule: Schedule,
    origin: Origin,
    quality: u8,
    host: H,
    /// Instants to come, in order, as far as `planned_until`.
    planned: VecDeque<Instant>,
    planned_until: Option<Instant>,
    /// In order.
    pending: VecDeque<Pending>,
    now: Instant,
    /// When the last stills were captured: no key frame becomes two, and answers come in any order.
    captured: VecDeque<Instant>,
    /// What was left to the next instance.
    left: Option<Instant>,
}

impl<H: Host> Shutter<H> {
    /// Waits for the first tick.
    pub fn new(schedule: Schedule, origin: Origin, quality: u8, host: H) -> Self {
        Self {
            schedule,
            origin,
            quality,
            host,
            planned: VecDeque::new(),
            planned_until: None,
            pending: VecDeque::new(),
            now: Instant::MIN,
            captured: VecDeque::new(),
            left: None,
        }
    }

    /// What it asks.
    pub fn host(&self) -> &H {
        &self.host
    }

    /// As [`host`](Self::host), to change it.
    pub fn host_mut(&mut self) -> &mut H {
        &mut self.host
    }

    /// About once a second.
    pub fn tick(&mut self, now: Instant) -> Vec<Finding> {
        let before = std::mem::replace(&mut self.now, now);
        let mut findings = Vec::new();
        let mut missed = Vec::new();
        if self.planned_until.is_some() && now.saturating_sub(before) > LEAP_NANOS_MAX {
            findings.push(self.leap(before, now));
            let pending = self.pending.drain(..);
            missed.extend(pending.map(|pending| (pending.wanted, pending.trouble)));
        }
        self.plan(now);
        missed.extend(self.due(now));
        missed.extend(self.overdue(now));
        missed.sort_unstable_by_key(|(wanted, _)| *wanted);
        findings.extend(self.tell_missed(&missed));
        self.ask_again(now);
        self.leave();
        findings
    }

    /// Says up to when each wanted instant has come to its end.
    fn leave(&mut self) {
        let pending = self.pending.front().map(|pending| pending.wanted);
        let open = pending.or(self.planned.front().copied());
        let told = open.map_or(self.now, |open| open.saturating_sub(1).min(self.now));
        if self.left.is_none_or(|left| told > left) {
            self.left = Some(told);
            self.host.leave(told);
        }
    }

    /// Forgets what was to come: only a clock that is set goes so far at once, or a machine that
    /// slept.
    fn leap(&mut self, from: Instant, to: Instant) -> Finding {
        self.planned.clear();
        self.planned_until = Some(to);
        let zone = self.schedule.zone();
        let (from, until) = (local_text(from, zone), local_text(to, zone));
        let text = format!("the clock went from {from} to {until}: no stills between");
        self.host.warn(&text);
        Finding::mark("clock-leap", 1.0, to).saying(text)
    }

    /// Computes what is to come.
    fn plan(&mut self, now: Instant) {
        let until = *self.planned_until.get_or_insert_with(|| {
            // A counter that is there from the begin can be watched for its first rise.
            for name in ["stills", "stills_late", "stills_missed"] {
                self.host.count(name, 0);
            }
            let left = self.host.left();
            let recent =
                |left: &Instant| *left <= now && now.saturating_sub(*left) <= LEAP_NANOS_MAX;
            left.filter(recent).unwrap_or(now)
        });
        if until < now.saturating_add(HORIZON_NANOS) {
            let to = now.saturating_add(2 * HORIZON_NANOS);
            self.planned.extend(self.schedule.instants(until, to));
            self.planned_until = Some(to);
        }
    }

    /// Asks for what is due soon. Gives back what had to make way for it.
    fn due(&mut self, now: Instant) -> Vec<(Instant, Option<String>)> {
        let soon = now.saturating_add(AHEAD_NANOS);
        let mut missed = Vec::new();
        let mut fresh = VecDeque::new();
        while let Some(wanted) = self.planned.pop_front_if(|at| *at <= soon) {
            if self.host.wanted(wanted) {
                fresh.push_back(wanted);
            }
        }
        // After a leap of the clock there may be more than can wait.
        while fresh.len() > PENDING_MAX {
            missed.extend(fresh.pop_front().map(|wanted| (wanted, None)));
        }
        for wanted in fresh {
            if self.pending.len() >= PENDING_MAX
                && let Some(oldest) = self.pending.pop_front()
            {
                missed.push((oldest.wanted, oldest.trouble));
            }
            self.host.ask(wanted);
            self.pending.push_back(Pending {
                wanted,
                again: now.saturating_add(FORGOTTEN_NANOS),
                pause_nanos: PAUSE_NANOS,
                trouble: None,
            });
        }
        missed
    }

    /// Takes away what has had its time.
    fn overdue(&mut self, now: Instant) -> Vec<(Instant, Option<String>)> {
        let mut missed = Vec::new();
        let mut index = 0;
        while let Some(pending) = self.pending.get(index) {
            let wanted = pending.wanted;
            let next = self.next_after(wanted);
            let next_is_due = next.is_some_and(|next| now >= next.saturating_add(GRACE_NANOS));
            let is_late = now.saturating_sub(wanted) > NEAR_NANOS + GRACE_NANOS;
            if next_is_due || (is_late && !self.may_be_late(now)) {
                let gone = self.pending.remove(index);
                missed.extend(gone.map(|pending| (pending.wanted, pending.trouble)));
            } else {
                index += 1;
            }
        }
        missed
    }

    fn next_after(&self, wanted: Instant) -> Option<Instant> {
        let pending = self.pending.iter().map(|pending| pending.wanted);
        let mut all = pending.chain(self.planned.iter().copied());
        all.find(|at| *at > wanted)
    }

    /// Whether a late still may be captured then.
    fn may_be_late(&mut self, at: Instant) -> bool {
        self.schedule.is_open(at) && self.host.wanted(at)
    }

    fn ask_again(&mut self, now: Instant) {
        for pending in &mut self.pending {
            if now >= pending.again {
                pending.again = now.saturating_add(FORGOTTEN_NANOS);
                self.host.ask(pending.wanted);
            }
        }
    }

    fn tell_missed(&mut self, missed: &[(Instant, Option<String>)]) -> Vec<Finding> {
        if missed.is_empty() {
            return Vec::new();
        }
        self.host.count("stills_missed", missed.len() as u64);
        let zone = self.schedule.zone();
        let earliest = self.now.saturating_sub(BEHIND_NANOS_MAX);
        let finding = |wanted: Instant, text: String| {
            Finding::mark("still-missed", 1.0, wanted.max(earliest)).saying(text)
        };
        let (one_by_one, rest) = missed.split_at(missed.len().min(MISSED_MAX));
        let mut findings = Vec::new();
        for (wanted, trouble) in one_by_one {
            let local = local_text(*wanted, zone);
            let text = match trouble {
                Some(trouble) => format!("no still of {local}: {trouble}"),
                None => format!("no still of {local}"),
            };
            findings.push(finding(*wanted, text));
        }
        let date = |(wanted, _): &(Instant, _)| zone.to_datetime(timestamp(*wanted)).date();
        for day in rest.chunk_by(|one, next| date(one) == date(next)) {
            if let ([(first, _), ..], [.., (last, _)]) = (day, day) {
                let text = format!(
                    "{} instants: no stills from {} to {}",
                    day.len(),
                    local_text(*first, zone),
                    local_text(*last, zone),
                );
                findings.push(finding(*first, text));
            }
        }
        findings
    }

    /// Takes a picture that was asked for.
    ///
    /// # Errors
    /// A text that says why a picture did not become a still. It is tried again with another one.
    pub fn take(&mut self, frame: &Frame<'_>) -> Result<Vec<Finding>, String> {
        let Some(wanted) = frame.asked else {
            return Ok(Vec::new());
        };
        let Some(index) = self.pending.iter().position(|p| p.wanted == wanted) else {
            // It was answered twice, or has been told to be missed.
            return Ok(Vec::new());
        };
        let captured = frame.captured;
        let next = self.next_after(wanted);
        if next.is_some_and(|next| captured >= next.saturating_sub(NEAR_NANOS)) {
            let gone = self.pending.remove(index);
            let missed: Vec<_> = gone.map(|p| (p.wanted, p.trouble)).into_iter().collect();
            return Ok(self.tell_missed(&missed));
        }
        let late = captured.saturating_sub(wanted);
        let is_late = late > NEAR_NANOS;
        if late < -NEAR_NANOS
            || self.captured.contains(&captured)
            || (is_late && !self.may_be_late(captured))
        {
            self.retry(index, None);
            return Ok(Vec::new());
        }

        let file = still::file(frame, wanted, &self.origin, self.quality);
        let stored = file.and_then(|file| {
            let bytes = file.len();
            self.host.store(captured, file).map(|()| bytes)
        });
        let bytes = stored.inspect_err(|trouble| self.retry(index, Some(trouble.clone())))?;
        self.pending.remove(index);
        if self.captured.len() >= 2 * PENDING_MAX {
            self.captured.pop_front();
        }
        self.captured.push_back(captured);
        self.host.count("stills", 1);
        self.host
            .gauge("still_timestamp_seconds", captured as f64 / 1e9);

        let mut findings = still::findings(frame, wanted, &self.origin, bytes);
        if is_late {
            self.host.count("stills_late", 1);
            let share = late as f64 / self.schedule.every_nanos() as f64;
            let text = format!(
                "{} late: there was no picture near {}",
                span_text(late),
                local_text(wanted, self.schedule.zone())
            );
            findings.push(Finding::mark("still-late", share.min(1.0), captured).saying(text));
        }
        Ok(findings)
    }

    /// The answer was of no use: asks again, but not at once.
    fn retry(&mut self, index: usize, trouble: Option<String>) {
        if let Some(pending) = self.pending.get_mut(index) {
            pending.again = self.now.saturating_add(pending.pause_nanos);
            pending.pause_nanos = (pending.pause_nanos * 2).min(PAUSE_NANOS_MAX);
            pending.trouble = trouble.or(pending.trouble.take());
        }
    }

    /// Tells of what is not going to be taken any more. Instants of which pictures may still come
    /// are left to the next instance, if it comes in time.
    pub fn stop(&mut self) -> Vec<Finding> {
        let now = self.now;
        let past = self
            .pending
            .drain(..)
            .filter(|pending| pending.wanted <= now);
        let missed: Vec<_> = past
            .map(|pending| (pending.wanted, Some("the plugin was stopped".to_owned())))
            .collect();
        self.tell_missed(&missed)
    }
}
