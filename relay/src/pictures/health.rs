//! Whether a stream can be decoded at all: tried less when it can't, and said once. Pure.

use std::time::{Duration, Instant};

use super::decoded::DecodeFault;

/// So many coded pictures in a row that give none make a stream undecodable.
const FAULTS_MAX: u32 = 3;
/// After that one is tried again so much later, doubled each time.
const PAUSE_MIN: Duration = Duration::from_secs(10);
const PAUSE_MAX: Duration = Duration::from_secs(600);

/// What is worth saying.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Change {
    /// The stream can't be decoded from now on; why.
    Begins(String),
    /// It can again.
    Ends,
}

/// What a stream's decodings came to so far.
#[derive(Debug, Default)]
pub(super) struct Health {
    /// The track that no decoder at hand does.
    unsupported: Option<u32>,
    /// In a row.
    faults: u32,
    retry_at: Option<Instant>,
    told: bool,
}

impl Health {
    /// Whether it is worth trying a picture of that track.
    pub(super) fn allows(&self, track: u32, now: Instant) -> bool {
        self.unsupported != Some(track) && self.retry_at.is_none_or(|at| now >= at)
    }

    /// It was said that the stream can't be decoded, and not that it can again.
    pub(super) fn told(&self) -> bool {
        self.told
    }

    /// A picture came out.
    pub(super) fn fine(&mut self) -> Option<Change> {
        let told = self.told;
        *self = Self::default();
        told.then_some(Change::Ends)
    }

    /// None did.
    pub(super) fn fault(
        &mut self,
        track: u32,
        fault: &DecodeFault,
        now: Instant,
    ) -> Option<Change> {
        let why = match fault {
            DecodeFault::Unsupported(why) => {
                self.unsupported = Some(track);
                why.clone()
            }
            DecodeFault::Damaged(_) | DecodeFault::Ended(_) => {
                self.faults = self.faults.saturating_add(1);
                let beyond = self.faults.checked_sub(FAULTS_MAX)?;
                let pause = PAUSE_MIN.saturating_mul(1 << beyond.min(10)).min(PAUSE_MAX);
                self.retry_at = Some(now + pause);
                format!(
                    "{} pictures in a row gave none, the last: {fault}",
                    self.faults
                )
            }
        };
        (!std::mem::replace(&mut self.told, true)).then_some(Change::Begins(why))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unsupported() -> DecodeFault {
        DecodeFault::Unsupported("10 bit".to_owned())
    }

    fn damaged() -> DecodeFault {
        DecodeFault::Damaged("a slice is missing".to_owned())
    }

    #[test]
    fn an_unsupported_track_is_said_once_and_left_alone() {
        let (mut health, now) = (Health::default(), Instant::now());
        let change = health.fault(1, &unsupported(), now);
        assert_eq!(change, Some(Change::Begins("10 bit".to_owned())));
        assert_eq!(health.fault(1, &unsupported(), now), None);
        assert!(!health.allows(1, now));
        // Other parameters are worth another try, and may come out.
        assert!(health.allows(2, now));
        assert_eq!(health.fine(), Some(Change::Ends));
        assert_eq!(health.fine(), None);
    }

    #[test]
    fn single_faults_are_not_said() {
        let (mut health, now) = (Health::default(), Instant::now());
        for _ in 0..10 {
            assert_eq!(health.fault(1, &damaged(), now), None);
            assert_eq!(health.fault(1, &damaged(), now), None);
            assert!(health.allows(1, now));
            assert_eq!(health.fine(), None);
        }
    }

    #[test]
    fn what_keeps_failing_is_tried_ever_more_seldom() {
        let (mut health, mut now) = (Health::default(), Instant::now());
        let mut said = 0;
        let mut pauses = Vec::new();
        for _ in 0..12 {
            said += usize::from(health.fault(1, &damaged(), now).is_some());
            if let Some(at) = health.retry_at {
                assert!(!health.allows(1, now));
                pauses.push(at.duration_since(now).as_secs());
                now = at;
            }
            assert!(health.allows(1, now));
        }
        assert_eq!(said, 1);
        assert_eq!(pauses, [10, 20, 40, 80, 160, 320, 600, 600, 600, 600]);
    }
}
