//! What a live viewer is shown where it, or the camera's link, can't keep up (pure).
//!
//! A viewer that is behind goes on at the newest key frame; one that has to again and again is cut off.
//! What a camera has held back in an outage comes in one go, and old: that is left out, or the viewer's
//! picture would be as late for good.

use std::time::{Duration, Instant};

/// So far behind the newest unit, in capture time, a viewer goes on at the newest key frame.
const BEHIND_NANOS: i64 = 3_000_000_000;
/// So many times within so long; then it is cut off.
const SKIPS_MAX: usize = 4;
const SKIPS_TIME: Duration = Duration::from_secs(60);
/// A unit that is so much older than others were when they came was held back.
const LATE_NANOS: i64 = 3_000_000_000;
/// Where all come so late for so long, that is how the link is.
const LATE_TIME: Duration = Duration::from_secs(15);

/// What to do with a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    /// It is shown.
    Show,
    /// It is old, and newer ones are coming.
    Pass,
    /// Go on at the newest key frame.
    Skip,
    /// The viewer is too slow for good.
    Cut,
}

/// A unit, as it is about to be sent.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    /// From its capture to now; nanoseconds.
    pub(super) age: i64,
    /// From its capture to that of the newest unit held.
    pub(super) behind: i64,
    /// A newer unit where decoding can begin is held.
    pub(super) newer_group: bool,
    /// Decoding can begin at it.
    pub(super) random_access: bool,
}

/// What was seen of a viewer so far.
#[derive(Debug, Default)]
pub(super) struct Pace {
    skips: Vec<Instant>,
    /// The least age of late, and when it was last looked at.
    least: Option<(i64, Instant)>,
    late_since: Option<Instant>,
    /// Units are passed over until one comes that is not late.
    passing: bool,
}

impl Pace {
    pub(super) fn judge(&mut self, look: Look, now: Instant) -> Verdict {
        if self.is_held_back(look.age, now) {
            self.passing = true;
            return Verdict::Pass;
        }
        if self.passing {
            if !look.random_access {
                return Verdict::Pass;
            }
            self.passing = false;
        }
        if look.behind > BEHIND_NANOS && look.newer_group {
            return self.skip(now);
        }
        Verdict::Show
    }

    /// The viewer goes on at the newest key frame, or it is cut off.
    pub(super) fn skip(&mut self, now: Instant) -> Verdict {
        self.skips
            .retain(|skip| now.saturating_duration_since(*skip) < SKIPS_TIME);
        self.skips.push(now);
        match self.skips.len() > SKIPS_MAX {
            true => Verdict::Cut,
            false => Verdict::Skip,
        }
    }

    fn is_held_back(&mut self, age: i64, now: Instant) -> bool {
        let (mut least, at) = self.least.unwrap_or((age, now));
        // What is usual may grow, slowly.
        let passed = now.saturating_duration_since(at).as_nanos() / 20;
        least = least
            .saturating_add(i64::try_from(passed).unwrap_or(i64::MAX))
            .min(age);
        if age.saturating_sub(least) <= LATE_NANOS {
            self.least = Some((least, now));
            self.late_since = None;
            return false;
        }
        let since = *self.late_since.get_or_insert(now);
        if now.saturating_duration_since(since) >= LATE_TIME {
            self.least = Some((age, now));
            self.late_since = None;
            return false;
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: i64 = 1_000_000_000;

    fn look(age: i64, behind: i64) -> Look {
        Look {
            age,
            behind,
            newer_group: behind > 0,
            random_access: false,
        }
    }

    #[test]
    fn a_slow_viewer_skips_and_is_cut_off_in_the_end() {
        let (mut pace, mut now) = (Pace::default(), Instant::now());
        let mut said = Vec::new();
        for _ in 0..6 {
            assert_eq!(pace.judge(look(SECOND, 0), now), Verdict::Show);
            said.push(pace.judge(look(SECOND, 4 * SECOND), now));
            now += Duration::from_secs(5);
        }
        assert_eq!(said[..4], [Verdict::Skip; 4]);
        assert_eq!(said[4..], [Verdict::Cut; 2]);
        // One that has to now and then is not.
        let mut pace = Pace::default();
        for _ in 0..20 {
            assert_eq!(pace.judge(look(SECOND, 4 * SECOND), now), Verdict::Skip);
            now += Duration::from_secs(20);
        }
    }

    #[test]
    fn nothing_newer_to_go_on_at_is_no_reason_to_skip() {
        let mut pace = Pace::default();
        let mut look = look(SECOND, 9 * SECOND);
        look.newer_group = false;
        assert_eq!(pace.judge(look, Instant::now()), Verdict::Show);
    }

    #[test]
    fn what_was_held_back_is_passed_over_up_to_a_fresh_key_frame() {
        let (mut pace, mut now) = (Pace::default(), Instant::now());
        assert_eq!(pace.judge(look(SECOND / 5, 0), now), Verdict::Show);
        now += Duration::from_secs(30);
        for age in (5..30).rev() {
            assert_eq!(pace.judge(look(age * SECOND, 0), now), Verdict::Pass);
            now += Duration::from_millis(20);
        }
        let mut fresh = look(SECOND, 0);
        assert_eq!(pace.judge(fresh, now), Verdict::Pass);
        fresh.random_access = true;
        assert_eq!(pace.judge(fresh, now), Verdict::Show);
        fresh.random_access = false;
        assert_eq!(pace.judge(fresh, now), Verdict::Show);
    }

    #[test]
    fn a_link_that_is_slow_for_good_is_shown_as_it_is() {
        let (mut pace, mut now) = (Pace::default(), Instant::now());
        let mut late = look(20 * SECOND, 0);
        late.random_access = true;
        assert_eq!(pace.judge(look(SECOND, 0), now), Verdict::Show);
        let shown = (0..2000).filter(|_| {
            now += Duration::from_millis(20);
            pace.judge(late, now) == Verdict::Show
        });
        assert!((1100..1300).contains(&shown.count()));
    }
}
