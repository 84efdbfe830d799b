//! The time by which things grow old: the home clock's, unless it has just leapt ahead.
//!
//! A clock that is set to a wrong year makes everything look old. So a leap forward is believed only
//! once it has lasted for an hour; until then time goes on from where it was. A start is such a
//! moment, too: there the newest day of the archive tells about when it should be.

use std::time::{Duration, Instant};

use crate::units::CaptureTime;

/// How far the clock may get ahead of its own pace; leap seconds and slewing are far below.
const LEAP_MAX: Duration = Duration::from_secs(60);
/// How far it may be behind the archive's newest day at a start: a relay that was off for longer
/// waits an hour.
const ABSENCE_MAX: Duration = Duration::from_secs(7 * 24 * 3600);
/// How long a leap must last before it is believed.
const DOUBT: Duration = Duration::from_secs(3600);

/// What is made of the home clock.
#[derive(Debug)]
pub(super) struct SteadyClock {
    believed: CaptureTime,
    at: Instant,
    allowed: Duration,
    /// Since when the clock is ahead.
    leapt: Option<Instant>,
}

fn nanos(time: Duration) -> i64 {
    i64::try_from(time.as_nanos()).unwrap_or(i64::MAX)
}

impl SteadyClock {
    /// `newest`: the latest time that the archive knows of, where it holds anything.
    pub(super) fn new(newest: Option<CaptureTime>, now: CaptureTime, at: Instant) -> Self {
        let (believed, allowed) = match newest {
            Some(newest) => (newest, ABSENCE_MAX),
            None => (now, LEAP_MAX),
        };
        Self {
            believed,
            at,
            allowed,
            leapt: None,
        }
    }

    /// The time to go by, and by how much the clock is ahead of it where that is not believed yet.
    pub(super) fn read(
        &mut self,
        now: CaptureTime,
        at: Instant,
    ) -> (CaptureTime, Option<Duration>) {
        let passed = at.saturating_duration_since(self.at);
        let expected = self.believed.unix_nanos().saturating_add(nanos(passed));
        let ahead = now.unix_nanos().saturating_sub(expected);
        let lasted = self
            .leapt
            .is_some_and(|since| at.saturating_duration_since(since) >= DOUBT);
        if ahead <= nanos(self.allowed) || lasted {
            (self.believed, self.at) = (now, at);
            (self.allowed, self.leapt) = (LEAP_MAX, None);
            return (now, None);
        }
        self.leapt.get_or_insert(at);
        let ahead = Duration::from_nanos(ahead.unsigned_abs());
        (CaptureTime::from_unix_nanos(expected), Some(ahead))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;

    fn at(seconds: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(seconds * S)
    }

    #[test]
    fn a_leap_is_believed_after_an_hour() {
        let start = Instant::now();
        let later = |seconds| start + Duration::from_secs(seconds);
        let mut clock = SteadyClock::new(Some(at(1_000_000)), at(1_000_100), start);
        assert_eq!(clock.read(at(1_000_100), start), (at(1_000_100), None));
        assert_eq!(clock.read(at(1_000_110), later(10)), (at(1_000_110), None));
        // Ten years ahead.
        let year = 365 * 86_400;
        let wrong = |passed: i64| at(1_000_110 + 10 * year + passed);
        let (time, ahead) = clock.read(wrong(10), later(20));
        assert_eq!(time, at(1_000_120));
        assert_eq!(ahead, Some(Duration::from_secs(10 * 365 * 86_400)));
        // Set right, it is as before.
        assert_eq!(clock.read(at(1_000_130), later(30)), (at(1_000_130), None));
        assert!(clock.read(wrong(40), later(50)).1.is_some());
        assert!(clock.read(wrong(3600), later(3610)).1.is_some());
        assert_eq!(clock.read(wrong(3640), later(3650)), (wrong(3640), None));
        // Back is always possible: nothing gets older by it.
        assert_eq!(clock.read(at(5), later(3660)), (at(5), None));
    }

    #[test]
    fn a_start_long_after_the_newest_footage_waits() {
        let start = Instant::now();
        let day = 86_400;
        let mut clock = SteadyClock::new(Some(at(0)), at(6 * day), start);
        assert_eq!(clock.read(at(6 * day), start).1, None);
        let mut clock = SteadyClock::new(Some(at(0)), at(400 * day), start);
        assert_eq!(clock.read(at(400 * day), start).0, at(0));
        let hour = start + Duration::from_secs(3600);
        assert_eq!(clock.read(at(400 * day + 3600), hour).1, None);
        let mut clock = SteadyClock::new(None, at(400 * day), start);
        assert_eq!(clock.read(at(400 * day), start).1, None);
    }
}
