//! States that last: they begin and end with hysteresis, in level and in time.

/// After a pause as long as this what was seen before it says nothing of when a state turned.
pub const PAUSE_NANOS: i64 = 300_000_000_000;

/// How a [`Lasting`] state turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turns {
    /// The state may begin at this level or above.
    pub begin: f32,
    /// The state may end at this level or below.
    pub end: f32,
    /// For how long the level must be there before it begins.
    pub begin_nanos: i64,
    /// For how long the level must be there before it ends.
    pub end_nanos: i64,
}

/// What a step brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// It has begun.
    Begin {
        /// The first instant at which the level was there.
        at_nanos: i64,
    },
    /// It is over.
    End {
        /// When it began.
        since_nanos: i64,
        /// The first instant at which the level was there.
        at_nanos: i64,
    },
}

/// One state.
#[derive(Debug, Clone)]
pub struct Lasting {
    turns: Turns,
    since_nanos: Option<i64>,
    /// The first instant of the unbroken row of levels that ask for a turn.
    asked_nanos: Option<i64>,
    last_nanos: Option<i64>,
    peak: f32,
}

impl Lasting {
    /// A state that has not begun.
    #[must_use]
    pub fn new(turns: Turns) -> Self {
        Self {
            turns,
            since_nanos: None,
            asked_nanos: None,
            last_nanos: None,
            peak: 0.0,
        }
    }

    /// It has begun and is not over.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.since_nanos.is_some()
    }

    /// When it began, where it holds.
    #[must_use]
    pub fn since_nanos(&self) -> Option<i64> {
        self.since_nanos
    }

    /// It holds, or may be about to begin.
    #[must_use]
    pub fn holds_or_nears(&self) -> bool {
        self.holds() || self.asked_nanos.is_some()
    }

    /// The highest level since it began.
    #[must_use]
    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// The level at an instant.
    pub fn step(&mut self, at_nanos: i64, level: f32) -> Option<Turn> {
        self.step_since(at_nanos, level, at_nanos)
    }

    /// The level at an instant, which has been the same since another one.
    pub fn step_since(&mut self, at_nanos: i64, level: f32, since_nanos: i64) -> Option<Turn> {
        let last = self.last_nanos.replace(at_nanos);
        if last.is_some_and(|last| at_nanos.saturating_sub(last) > PAUSE_NANOS) {
            self.asked_nanos = None;
        }
        let holds = self.holds();
        let asks = if holds {
            level <= self.turns.end
        } else {
            level >= self.turns.begin
        };
        if holds || self.asked_nanos.is_some() {
            self.peak = self.peak.max(level);
        } else {
            self.peak = level;
        }
        if !asks {
            self.asked_nanos = None;
            return None;
        }
        let asked = *self.asked_nanos.get_or_insert(since_nanos);
        let wait = if holds {
            self.turns.end_nanos
        } else {
            self.turns.begin_nanos
        };
        if at_nanos.saturating_sub(asked) < wait {
            return None;
        }
        self.asked_nanos = None;
        if holds {
            return self.over(asked);
        }
        self.since_nanos = Some(asked);
        Some(Turn::Begin { at_nanos: asked })
    }

    /// What was asked so far doesn't count: the row of levels is broken.
    pub fn unask(&mut self) {
        self.asked_nanos = None;
    }

    /// Ends it at once, where it holds; it is not about to begin either.
    pub fn over(&mut self, at_nanos: i64) -> Option<Turn> {
        self.asked_nanos = None;
        let since_nanos = self.since_nanos.take()?;
        Some(Turn::End {
            since_nanos,
            at_nanos,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_and_times_have_hysteresis() {
        let mut state = Lasting::new(Turns {
            begin: 0.8,
            end: 0.4,
            begin_nanos: 3,
            end_nanos: 5,
        });
        // Never long enough above.
        for (at, level) in [(0, 0.9), (2, 0.9), (3, 0.7), (4, 0.9), (6, 0.9)] {
            assert_eq!(state.step(at, level), None);
        }
        assert!(state.holds_or_nears() && !state.holds());
        // It began with the first one of the row.
        let begin = Turn::Begin { at_nanos: 4 };
        assert_eq!(state.step(7, 0.85), Some(begin));
        assert_eq!((state.since_nanos(), state.peak()), (Some(4), 0.9));
        // Between the levels nothing turns; a short dip does not end it.
        for (at, level) in [
            (8, 0.5),
            (20, 0.5),
            (21, 0.3),
            (25, 0.3),
            (26, 0.41),
            (27, 0.1),
        ] {
            assert_eq!(state.step(at, level), None);
        }
        let end = Turn::End {
            since_nanos: 4,
            at_nanos: 27,
        };
        assert_eq!(state.step(32, 0.4), Some(end));
        assert_eq!(state.peak(), 0.9);
        assert_eq!(state.over(33), None);
    }

    #[test]
    fn what_was_before_a_long_pause_does_not_count() {
        let second = 1_000_000_000;
        let mut state = Lasting::new(Turns {
            begin: 0.8,
            end: 0.4,
            begin_nanos: 2 * second,
            end_nanos: 2 * second,
        });
        assert_eq!(state.step(0, 0.9), None);
        let after = PAUSE_NANOS + second;
        assert_eq!(state.step(after, 0.9), None);
        let begin = Turn::Begin { at_nanos: after };
        assert_eq!(state.step(after + 2 * second, 0.9), Some(begin));
    }

    #[test]
    fn a_level_may_have_been_there_before() {
        let mut state = Lasting::new(Turns {
            begin: 1.0,
            end: 0.0,
            begin_nanos: 0,
            end_nanos: 0,
        });
        let begin = Turn::Begin { at_nanos: 3 };
        assert_eq!(state.step_since(9, 1.0, 3), Some(begin));
    }
}
