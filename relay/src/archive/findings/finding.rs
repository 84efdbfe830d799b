//! A finding, as `wit/findings.wit` lays it down.

use super::line::TEXT_BYTES_MAX;
use crate::pictures::Source;
use crate::units::{CaptureTime, SinkName};

/// A part of the picture in shares of its width and height.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    /// 0 to 1.
    pub left: f64,
    /// 0 to 1.
    pub top: f64,
    /// 0 to 1.
    pub width: f64,
    /// 0 to 1.
    pub height: f64,
}

/// Whether a finding is of an instant or of a state that lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Of its instant.
    Mark,
    /// A state begins.
    Begin,
    /// A state is over.
    End,
}

impl Phase {
    /// The word of the plugin interface.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Mark => "",
            Self::Begin => "begin",
            Self::End => "end",
        }
    }

    /// Reads what [`as_str`](Self::as_str) gives.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Mark, Self::Begin, Self::End]
            .into_iter()
            .find(|phase| phase.as_str() == word)
    }
}

/// What an analyzer has seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The sink that says so.
    pub sink: SinkName,
    /// `[a-z][a-z0-9-]{0,31}`.
    pub kind: String,
    /// 0 to 1.
    pub score: f64,
    /// The capture time that it is about.
    pub at: CaptureTime,
    /// Instant or state.
    pub phase: Phase,
    /// Which stream the picture came from.
    pub source: Source,
    /// Where in the picture.
    pub region: Option<Region>,
    /// For people: one line.
    pub text: String,
}

impl Finding {
    /// Whether it is what `wit/findings.wit` allows: the grammar of its kind, a score and a region
    /// within their bounds, one line of text that is not too long.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        let within = |value: f64| (0.0..=1.0).contains(&value);
        let region = self.region.is_none_or(|region| {
            [region.left, region.top, region.width, region.height]
                .into_iter()
                .all(within)
        });
        let text = self.text.len() <= TEXT_BYTES_MAX && !self.text.contains(char::is_control);
        is_kind(&self.kind) && within(self.score) && region && text
    }
}

/// `[a-z][a-z0-9-]{0,31}`
#[must_use]
pub fn is_kind(text: &str) -> bool {
    let inner = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'-';
    text.len() <= 32
        && text.bytes().next().is_some_and(|c| c.is_ascii_lowercase())
        && text.bytes().all(inner)
}
