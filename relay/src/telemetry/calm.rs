//! Keeps a repeated complaint from filling the log.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Lets a complaint through when its topic is new, and otherwise at most once in `period`.
#[derive(Debug)]
pub(super) struct Calm {
    period: Duration,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    /// When each was let through last, and how many were kept back since.
    topics: BTreeMap<u64, (Instant, u64)>,
}

impl Calm {
    pub(super) fn new(period: Duration) -> Self {
        Self {
            period,
            state: Mutex::default(),
        }
    }

    /// `Some(n)`: log it, `n` like it were kept back since the last. `topic` tells complaints
    /// apart; topics come from closed lists.
    pub(super) fn pass(&self, topic: u64) -> Option<u64> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        let Some((at, kept_back)) = state.topics.get_mut(&topic) else {
            state.topics.insert(topic, (now, 0));
            return Some(0);
        };
        if now < *at + self.period {
            *kept_back += 1;
            return None;
        }
        *at = now;
        Some(std::mem::take(kept_back))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repetition_is_counted_and_news_pass() {
        let calm = Calm::new(Duration::from_secs(3600));
        assert_eq!(calm.pass(1), Some(0));
        assert_eq!(calm.pass(1), None);
        assert_eq!(calm.pass(1), None);
        assert_eq!(calm.pass(2), Some(0));
        assert_eq!(calm.pass(1), None);
    }
}
