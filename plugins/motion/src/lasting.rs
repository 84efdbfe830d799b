//! States that last: they begin and end with hysteresis, in level and in time.

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
    Begin,
    /// It is over.
    End {
        /// When it began.
        since_nanos: i64,
    },
}

/// One state.
#[derive(Debug, Clone)]
pub struct Lasting {
    turns: Turns,
    since_nanos: Option<i64>,
    /// The first instant of the unbroken row of levels that ask for a turn.
    asked_nanos: Option<i64>,
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
            peak: 0.0,
        }
    }

    /// It has begun and is not over.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.since_nanos.is_some()
    }

    /// It holds, or may be about to begin.
    #[must_use]
    pub fn holds_or_nears(&self) -> bool {
        self.holds() || self.asked_nanos.is_some()
    }

    /// The highest level while it held.
    #[must_use]
    pub fn peak(&self) -> f32 {
        self.peak
    }

    /// The level at an instant.
    pub fn step(&mut self, at_nanos: i64, level: f32) -> Option<Turn> {
        let holds = self.holds();
        let asks = if holds {
            level <= self.turns.end
        } else {
            level >= self.turns.begin
        };
        if holds {
            self.peak = self.peak.max(level);
        }
        if !asks {
            self.asked_nanos = None;
            return None;
        }
        let asked = *self.asked_nanos.get_or_insert(at_nanos);
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
            return self.over();
        }
        self.since_nanos = Some(at_nanos);
        self.peak = level;
        Some(Turn::Begin)
    }

    /// Ends it at once, where it holds.
    pub fn over(&mut self) -> Option<Turn> {
        self.asked_nanos = None;
        let since_nanos = self.since_nanos.take()?;
        Some(Turn::End { since_nanos })
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
        assert_eq!(state.step(7, 0.85), Some(Turn::Begin));
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
        assert_eq!(state.step(32, 0.4), Some(Turn::End { since_nanos: 7 }));
        assert_eq!(state.peak(), 0.85);
        assert_eq!(state.over(), None);
    }
}
