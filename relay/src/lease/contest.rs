//! Who holds a lease, as one contender sees it. Pure.
//!
//! No two machines' clocks are ever compared. A holder counts from the begin of its last renewal that
//! came to a good end; who waits counts from when it saw the lease change. Whoever waits saw that
//! change after the renewal had begun, and waits longer (`expire`) than a holder holds (`end`): so two
//! never hold at once, however long anything takes on its way, as long as the rates of their clocks
//! differ by less than these two do.

use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};

/// An instant of this machine's own clock, which nobody sets and which goes on while the machine
/// sleeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Moment(Duration);

impl Moment {
    pub(super) fn now() -> Self {
        let now = clock_gettime(ClockId::Boottime);
        let (seconds, nanos) = (u64::try_from(now.tv_sec), u32::try_from(now.tv_nsec));
        Self(Duration::new(seconds.unwrap_or(0), nanos.unwrap_or(0)))
    }

    #[cfg(test)]
    pub(super) fn at(since_start: Duration) -> Self {
        Self(since_start)
    }

    pub(super) fn after(self, time: Duration) -> Self {
        Self(self.0.saturating_add(time))
    }

    pub(super) fn since(self, earlier: Self) -> Duration {
        self.0.saturating_sub(earlier.0)
    }
}

/// How long things may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// From one renewal, or look, to the next.
    pub renew: Duration,
    /// A holder that could not renew for so long stops working.
    pub stop: Duration,
    /// And has ended by then, whatever it is in.
    pub end: Duration,
    /// Who waits takes over a lease that has not changed for so long.
    pub expire: Duration,
}

impl Default for Timing {
    /// The relay ends within 5 s, so that much lies between `stop` and `end`; between `end` and
    /// `expire` there is room for clocks whose rates differ by 7 in 100.
    fn default() -> Self {
        Self {
            renew: Duration::from_secs(2),
            stop: Duration::from_secs(9),
            end: Duration::from_secs(14),
            expire: Duration::from_secs(15),
        }
    }
}

/// The lease as it was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Sight {
    /// Whose it is, if anybody's.
    pub(super) holder: Option<String>,
    /// Counts changes of the holder.
    pub(super) epoch: u64,
    /// Another one after each renewal.
    pub(super) mark: String,
    /// How long its holder's promise is good for.
    pub(super) expire: Duration,
}

/// What came of an attempt to take or renew it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Outcome {
    /// It is ours, with this epoch.
    Ours(u64),
    /// Another one was faster.
    Beaten,
    /// It can't be known whether that had an effect.
    Unknown,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Act {
    /// Read the lease.
    Look,
    /// Take it over from what was seen, or make the first one.
    Claim(Option<Sight>),
    /// Renew it.
    Renew(u64),
    /// Nothing before this instant.
    Rest(Moment),
    /// Nothing any more: it was lost.
    Over,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Waiting,
    /// Since the begin of the last renewal.
    Holding {
        epoch: u64,
        since: Moment,
    },
    /// It was ours, and is not any more. There is no way back: a new life waits anew.
    Lost {
        since: Moment,
    },
}

/// One contender's view.
#[derive(Debug)]
pub(super) struct Contest {
    me: String,
    timing: Timing,
    state: State,
    /// What was seen last, and when it was first seen so.
    seen: Option<(Option<Sight>, Moment)>,
    /// It may be taken over.
    free: bool,
    next: Moment,
    /// How often another holder was seen than before.
    changes: u64,
    holder: Option<String>,
}

impl Contest {
    pub(super) fn new(me: &str, timing: Timing, now: Moment) -> Self {
        Self {
            me: me.to_owned(),
            timing,
            state: State::Waiting,
            seen: None,
            free: false,
            next: now,
            changes: 0,
            holder: None,
        }
    }

    /// What to do now. Whatever it is, its end is to be told before this is asked again.
    pub(super) fn next(&mut self, now: Moment) -> Act {
        self.check(now);
        match self.state {
            State::Lost { .. } => Act::Over,
            State::Waiting if self.free => {
                Act::Claim(self.seen.as_ref().and_then(|(sight, _)| sight.clone()))
            }
            _ if now < self.next => Act::Rest(self.next),
            State::Waiting => Act::Look,
            State::Holding { epoch, .. } => Act::Renew(epoch),
        }
    }

    /// The lease was read between two instants.
    pub(super) fn looked(&mut self, begun: Moment, ended: Moment, sight: Option<Sight>) {
        self.next = ended.after(self.timing.renew);
        if self.state != State::Waiting {
            return;
        }
        self.note_holder(sight.as_ref().and_then(|sight| sight.holder.clone()));
        let since = match &self.seen {
            Some((before, since)) if *before == sight => *since,
            // It has changed before it was read to the end.
            _ => ended,
        };
        self.free = sight.as_ref().is_none_or(|sight| {
            let of_others = sight.holder.as_ref().filter(|holder| **holder != self.me);
            // It still was so when the reading began.
            of_others.is_none() || begun.since(since) >= sight.expire.max(self.timing.expire)
        });
        self.seen = Some((sight, since));
    }

    /// It could not be read.
    pub(super) fn failed(&mut self, ended: Moment) {
        self.next = ended.after(self.timing.renew);
    }

    /// An attempt to take it came to this end.
    pub(super) fn claimed(&mut self, begun: Moment, ended: Moment, outcome: &Outcome) {
        self.free = false;
        self.next = ended.after(self.timing.renew);
        if let Outcome::Ours(epoch) = *outcome
            && self.state == State::Waiting
            && ended.since(begun) < self.timing.stop
        {
            self.note_holder(Some(self.me.clone()));
            let since = begun;
            self.state = State::Holding { epoch, since };
            self.next = begun.after(self.timing.renew);
        }
    }

    /// An attempt to renew it came to this end.
    pub(super) fn renewed(&mut self, begun: Moment, ended: Moment, outcome: &Outcome) {
        self.check(ended);
        let State::Holding { epoch, since } = &mut self.state else {
            return;
        };
        self.next = ended.after(self.timing.renew);
        match outcome {
            Outcome::Ours(of) if of == epoch => {
                *since = begun;
                self.next = self.next.min(begun.after(self.timing.renew)).max(ended);
            }
            Outcome::Ours(_) | Outcome::Beaten => {
                let since = *since;
                self.state = State::Lost { since };
            }
            // Soon again: there is not much time.
            Outcome::Unknown => self.next = ended.after(self.timing.renew / 4),
        }
    }

    fn note_holder(&mut self, holder: Option<String>) {
        if holder.is_some() && holder != self.holder {
            self.changes += 1;
            self.holder = holder;
        }
    }

    /// Looks at the clock.
    pub(super) fn check(&mut self, now: Moment) {
        if let State::Holding { since, .. } = self.state
            && now.since(since) >= self.timing.stop
        {
            self.state = State::Lost { since };
        }
    }

    /// The epoch, while it is ours.
    pub(super) fn holds(&self) -> Option<u64> {
        match self.state {
            State::Holding { epoch, .. } => Some(epoch),
            State::Waiting | State::Lost { .. } => None,
        }
    }

    pub(super) fn is_lost(&self) -> bool {
        matches!(self.state, State::Lost { .. })
    }

    /// By when nothing may be done any more in its name.
    pub(super) fn end(&self) -> Option<Moment> {
        match self.state {
            State::Holding { since, .. } | State::Lost { since } => {
                Some(since.after(self.timing.end))
            }
            State::Waiting => None,
        }
    }

    /// When it was last known to be renewed: by us, or, as far as was seen, by its holder.
    pub(super) fn renewed_at(&self) -> Option<Moment> {
        match self.state {
            State::Holding { since, .. } | State::Lost { since } => Some(since),
            State::Waiting => self.seen.as_ref().map(|(_, since)| *since),
        }
    }

    /// The newest epoch that is known of.
    pub(super) fn epoch(&self) -> u64 {
        let seen = self.seen.as_ref().and_then(|(sight, _)| sight.as_ref());
        self.holds()
            .unwrap_or_else(|| seen.map_or(0, |sight| sight.epoch))
    }

    pub(super) fn holder(&self) -> Option<&str> {
        self.holder.as_deref()
    }

    pub(super) fn changes(&self) -> u64 {
        self.changes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Moment {
        Moment::at(Duration::from_secs_f64(1000.0 + seconds))
    }

    fn sight(holder: &str, mark: &str) -> Option<Sight> {
        Some(Sight {
            holder: Some(holder.into()),
            epoch: 3,
            mark: mark.into(),
            expire: Duration::from_secs(15),
        })
    }

    #[test]
    fn a_lease_that_no_longer_changes_is_taken_over() {
        let mut contest = Contest::new("b", Timing::default(), at(0.0));
        assert_eq!(contest.next(at(0.0)), Act::Look);
        contest.looked(at(0.0), at(0.1), sight("a", "1"));
        assert_eq!(contest.next(at(0.2)), Act::Rest(at(2.1)));
        // It changes once more, seen at 4.1.
        contest.looked(at(2.1), at(2.2), sight("a", "1"));
        contest.looked(at(4.0), at(4.1), sight("a", "2"));
        contest.looked(at(18.9), at(19.0), sight("a", "2"));
        assert!(matches!(contest.next(at(19.0)), Act::Rest(_)));
        // Not what is read late counts, but what was asked late.
        contest.looked(at(19.0), at(30.0), sight("a", "2"));
        assert!(matches!(contest.next(at(30.0)), Act::Rest(_)));
        contest.looked(at(32.0), at(32.1), sight("a", "2"));
        assert_eq!(contest.next(at(32.1)), Act::Claim(sight("a", "2")));
        contest.claimed(at(32.1), at(32.2), &Outcome::Ours(4));
        assert_eq!(contest.holds(), Some(4));
        assert_eq!(contest.changes(), 2);
        assert_eq!(contest.next(at(34.1)), Act::Renew(4));
    }

    #[test]
    fn what_nobody_holds_or_is_our_own_is_taken_at_once() {
        for sight in [
            None,
            sight("b", "1"),
            Some(Sight {
                holder: None,
                ..sight("", "1").unwrap()
            }),
        ] {
            let mut contest = Contest::new("b", Timing::default(), at(0.0));
            contest.looked(at(0.0), at(0.1), sight.clone());
            assert_eq!(contest.next(at(0.1)), Act::Claim(sight));
        }
    }

    #[test]
    fn a_holder_that_cannot_renew_stops_in_time() {
        let held = || {
            let mut contest = Contest::new("b", Timing::default(), at(0.0));
            contest.looked(at(0.0), at(0.0), None);
            contest.claimed(at(0.0), at(1.0), &Outcome::Ours(1));
            contest
        };
        // Counted from the begin of what succeeded.
        let mut contest = held();
        contest.renewed(at(2.0), at(2.1), &Outcome::Unknown);
        assert!(matches!(contest.next(at(8.9)), Act::Renew(1)));
        assert_eq!(contest.next(at(9.0)), Act::Over);
        assert_eq!(contest.end(), Some(at(14.0)));
        // A success that comes too late is none.
        let mut contest = held();
        contest.renewed(at(2.0), at(9.5), &Outcome::Ours(1));
        assert!(contest.is_lost());
        let mut contest = held();
        contest.renewed(at(2.0), at(8.0), &Outcome::Ours(1));
        contest.check(at(10.9));
        assert_eq!(contest.holds(), Some(1));
        contest.check(at(11.0));
        assert!(contest.is_lost());
        let mut contest = held();
        contest.renewed(at(2.0), at(2.1), &Outcome::Beaten);
        assert_eq!(contest.next(at(2.2)), Act::Over);
        // So is a claim.
        let mut contest = Contest::new("b", Timing::default(), at(0.0));
        contest.looked(at(0.0), at(0.0), None);
        contest.claimed(at(0.0), at(9.0), &Outcome::Ours(1));
        assert_eq!(contest.holds(), None);
    }
}
