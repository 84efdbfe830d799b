//! What an analyzer has seen.

use crate::{Finding, Instant, Region};

/// Longest text of a finding in bytes; the relay refuses a longer one.
const TEXT_BYTES_MAX: usize = 256;

impl Finding {
    /// A finding of this instant. `kind` is `[a-z][a-z0-9-]{0,31}`; `score` is cut to 0 to 1; `at`
    /// is the capture time that it is about.
    #[must_use]
    pub fn mark(kind: impl Into<String>, score: f64, at: Instant) -> Self {
        Self {
            kind: kind.into(),
            score: score.clamp(0.0, 1.0),
            at,
            phase: String::new(),
            region: None,
            text: String::new(),
        }
    }

    /// A state begins that lasts until [`end`](Self::end). A kind has one such state at a time;
    /// [`Episode`](crate::Episode) sees to that.
    #[must_use]
    pub fn begin(kind: impl Into<String>, score: f64, at: Instant) -> Self {
        Self {
            phase: "begin".into(),
            ..Self::mark(kind, score, at)
        }
    }

    /// A state is over.
    #[must_use]
    pub fn end(kind: impl Into<String>, score: f64, at: Instant) -> Self {
        Self {
            phase: "end".into(),
            ..Self::mark(kind, score, at)
        }
    }

    /// Where in the picture.
    #[must_use]
    pub fn within(self, region: Region) -> Self {
        Self {
            region: Some(region),
            ..self
        }
    }

    /// A word for people: made one line, and cut at 256 bytes.
    #[must_use]
    pub fn saying(self, text: impl Into<String>) -> Self {
        let mut text: String = text.into();
        if text.contains(char::is_control) {
            text = text.replace(char::is_control, " ");
        }
        let mut end = text.len().min(TEXT_BYTES_MAX);
        while !text.is_char_boundary(end) {
            end -= 1;
        }
        text.truncate(end);
        Self { text, ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn findings_are_within_their_bounds() {
        let finding = Finding::begin("open", 1.5, 7).saying("two\nlines");
        assert_eq!((finding.phase.as_str(), finding.score), ("begin", 1.0));
        assert_eq!(finding.text, "two lines");
        let long = Finding::mark("open", -1.0, 7).saying("ø".repeat(200));
        assert_eq!((long.text.len(), long.score), (256, 0.0));
        // Not a number is a fault that the relay should get to see.
        assert!(Finding::mark("open", f64::NAN, 7).score.is_nan());
        let odd = Finding::end("open", 0.5, 7).saying(format!("a{}", "ø".repeat(200)));
        assert_eq!((odd.text.len(), odd.phase.as_str()), (255, "end"));
    }
}
