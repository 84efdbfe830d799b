//! From scores of single pictures to a state that begins and ends.

use crate::{Finding, Instant};

/// A state that lasts, told by the scores of single pictures. Two thresholds and two lengths of
/// time keep it from flickering: it begins when the score has been at `on` or above for a while,
/// and ends when it has been below `off` for a while. What is between two pictures counts as the
/// earlier one.
///
/// ```
/// use forebay_plugin_sdk::Episode;
///
/// let seconds = |s: i64| s * 1_000_000_000;
/// let mut dark = Episode::new("dark").levels(0.8, 0.6).seconds(10.0, 5.0);
/// assert_eq!(dark.observe(0.9, seconds(0)), None); // dark, but for how long?
/// let begin = dark.observe(0.9, seconds(10)).unwrap();
/// assert_eq!((begin.phase.as_str(), begin.at), ("begin", seconds(0)));
/// assert_eq!(dark.observe(0.7, seconds(20)), None); // between the thresholds
/// assert_eq!(dark.observe(0.5, seconds(30)), None);
/// let end = dark.observe(0.5, seconds(35)).unwrap();
/// assert_eq!((end.phase.as_str(), end.at), ("end", seconds(30)));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    kind: String,
    on: f64,
    off: f64,
    begin_after: Instant,
    end_after: Instant,
    lasts: bool,
    /// Since when the score has been on the other side of what `lasts` says.
    turned: Option<Instant>,
    /// The farthest that it went to that side.
    extreme: f64,
    last: Instant,
}

impl Episode {
    /// A state that begins with the first score of 0.5 or more, and ends with the first below.
    #[must_use]
    pub fn new(kind: impl Into<String>) -> Self {
        Self {
            kind: kind.into(),
            on: 0.5,
            off: 0.5,
            begin_after: 0,
            end_after: 0,
            lasts: false,
            turned: None,
            extreme: 0.0,
            last: Instant::MIN,
        }
    }

    /// Begins at scores of `on` or more and ends at scores below `off`, which is `on` at the most.
    #[must_use]
    pub fn levels(self, on: f64, off: f64) -> Self {
        Self {
            on,
            off: off.min(on),
            ..self
        }
    }

    /// How long the score must have been so before the state begins, and before it ends.
    #[must_use]
    pub fn seconds(self, begin_after: f64, end_after: f64) -> Self {
        // A cast cuts off at the type's end, and makes 0 of what is no number.
        let nanoseconds = |seconds: f64| (seconds.max(0.0) * 1e9) as Instant;
        Self {
            begin_after: nanoseconds(begin_after),
            end_after: nanoseconds(end_after),
            ..self
        }
    }

    /// Whether the state lasts.
    #[must_use]
    pub fn lasts(&self) -> bool {
        self.lasts
    }

    /// The score of a picture captured at an instant. Gives a finding where the state begins or
    /// ends: of the instant from which on the score was so, with the highest (at the end: lowest)
    /// score since. A picture older than the one before, or a score that is no number, changes
    /// nothing.
    pub fn observe(&mut self, score: f64, at: Instant) -> Option<Finding> {
        if at < self.last || score.is_nan() {
            return None;
        }
        self.last = at;
        let stays = if self.lasts {
            score >= self.off
        } else {
            score < self.on
        };
        if stays {
            self.turned = None;
            return None;
        }
        self.extreme = match self.turned {
            None => score,
            Some(_) if self.lasts => self.extreme.min(score),
            Some(_) => self.extreme.max(score),
        };
        let turned = *self.turned.get_or_insert(at);
        let wait = if self.lasts {
            self.end_after
        } else {
            self.begin_after
        };
        if at.saturating_sub(turned) < wait {
            return None;
        }
        self.turned = None;
        self.lasts = !self.lasts;
        let kind = self.kind.as_str();
        Some(if self.lasts {
            Finding::begin(kind, self.extreme, turned)
        } else {
            Finding::end(kind, self.extreme, turned)
        })
    }

    /// Ends the state now, where it lasts.
    pub fn end(&mut self, at: Instant) -> Option<Finding> {
        self.turned = None;
        std::mem::take(&mut self.lasts).then(|| Finding::end(self.kind.as_str(), 0.0, at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Instant = 1_000_000_000;

    /// What comes of scores a second apart: phase, second that it is about, score.
    fn tell(episode: &mut Episode, scores: &[f64]) -> Vec<(String, Instant, f64)> {
        let each = scores.iter().zip(0..);
        each.filter_map(|(&score, second)| episode.observe(score, second * SECOND))
            .map(|finding| (finding.phase, finding.at / SECOND, finding.score))
            .collect()
    }

    #[test]
    fn without_times_it_turns_at_once() {
        let mut episode = Episode::new("open");
        let told = tell(&mut episode, &[0.0, 0.6, 0.5, 0.4, 0.2, 1.0]);
        let begin = |at, score| ("begin".to_owned(), at, score);
        let end = |at, score| ("end".to_owned(), at, score);
        assert_eq!(told, [begin(1, 0.6), end(3, 0.4), begin(5, 1.0)]);
        assert!(episode.lasts());
        assert_eq!(episode.end(9), Some(Finding::end("open", 0.0, 9)));
        assert_eq!(episode.end(9), None);
    }

    #[test]
    fn short_spells_pass_unnoticed() {
        let mut episode = Episode::new("open").levels(0.8, 0.4).seconds(2.0, 3.0);
        let on_and_off = [0.9, 0.9, 0.7, 0.9, 0.9, 0.7, 0.9];
        assert_eq!(tell(&mut episode, &on_and_off), []);
        let mut episode = Episode::new("open").levels(0.8, 0.4).seconds(2.0, 3.0);
        let scores = [0.9, 0.8, 0.95, 0.3, 0.3, 0.5, 0.3, 0.1, 0.2, 0.3];
        let begin = ("begin".to_owned(), 0, 0.95);
        let end = ("end".to_owned(), 6, 0.1);
        assert_eq!(tell(&mut episode, &scores), [begin, end]);
    }

    #[test]
    fn what_makes_no_sense_changes_nothing() {
        let mut episode = Episode::new("open")
            .levels(0.5, 0.9)
            .seconds(-1.0, f64::NAN);
        assert_eq!(episode.observe(f64::NAN, 5), None);
        assert!(episode.observe(1.0, 5).is_some());
        assert_eq!(episode.observe(0.0, 4), None);
        assert!(episode.observe(0.0, Instant::MAX).is_some());
    }
}
