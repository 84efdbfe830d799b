//! How a camera is: in one word, what is wrong in words that people use, and since when (pure).
//!
//! What was seen comes in as a [`Sight`], what is told of it goes out as a [`State`]. A problem is told
//! once, by its cause: where the uplink is down, nobody wants to read that nothing is recorded.

use serde::Serialize;

use crate::archive::findings::utc;
use crate::coverage::{length, plain};
use crate::intake::{EndCause, Phase};
use crate::units::{CameraName, CaptureTime, SinkName, SiteName};

/// A camera may take so long for its first picture.
const START_NANOS: i64 = 15_000_000_000;
/// And may be silent for so long before it is said to be.
const SILENT_NANOS: i64 = 3_000_000_000;
/// Units come, but for so long none of them has become durable.
const UNRECORDED_NANOS: i64 = 60_000_000_000;
/// States that `builtin:motion` tells of the view: each of them is one that somebody should look at.
const VIEWS: [&str; 6] = ["dark", "blinded", "blurred", "frozen", "covered", "moved"];

/// A camera in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// Pictures come, and nothing is wrong.
    Fine,
    /// Pictures come, and something is wrong.
    Impaired,
    /// No pictures come, although they are wanted.
    Silent,
    /// The relay has only just begun with it.
    Starting,
    /// The configuration does not want it now.
    Paused,
}

/// What is wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Trouble {
    /// One word of a closed list: `uplink`, `camera`, `refused`, `unrecorded`, `sink`, `undecodable`,
    /// or one of the view's: `dark`, `blinded`, `blurred`, `frozen`, `covered`, `moved`.
    pub kind: &'static str,
    /// Since when, RFC 3339 in UTC, to the best of what is known.
    #[serde(serialize_with = "as_utc")]
    pub since: CaptureTime,
    /// What it is, in one sentence.
    pub text: String,
    /// What to do about it.
    pub advice: String,
}

/// A state that an analyzer has told of and that has not ended.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OpenState {
    /// Who says so.
    pub sink: SinkWord,
    /// What it is.
    pub kind: String,
    /// Since when.
    #[serde(serialize_with = "as_utc")]
    pub since: CaptureTime,
    /// 0 to 1.
    pub score: f64,
    /// For people.
    pub text: String,
}

/// A sink's name as JSON has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SinkWord(pub SinkName);

impl Serialize for SinkWord {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.0.as_str())
    }
}

fn as_utc<S: serde::Serializer>(time: &CaptureTime, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&utc(*time))
}

/// What is seen of a camera at an instant.
#[derive(Debug, Clone)]
pub struct Sight {
    /// Whose.
    pub camera: CameraName,
    /// Where it stands.
    pub site: SiteName,
    /// Now.
    pub now: CaptureTime,
    /// When the relay began with it.
    pub begun: CaptureTime,
    /// What its line is doing, and since when.
    pub phase: Phase,
    /// Since when.
    pub phase_since: Option<CaptureTime>,
    /// Why its last session ended: cause, text, when.
    pub error: Option<(EndCause, String, CaptureTime)>,
    /// Capture time of the newest unit, and when it came.
    pub newest: Option<(CaptureTime, CaptureTime)>,
    /// Since when its footage is missing, by the ledger, while it is.
    pub gap: Option<CaptureTime>,
    /// Sinks whose plugin does not run, and since when that is seen.
    pub idle_sinks: Vec<(SinkName, CaptureTime)>,
    /// What analyzers have told of and not taken back.
    pub states: Vec<OpenState>,
    /// Of the site's other cameras that are wanted: how many are heard, how many are not.
    pub others: (usize, usize),
}

/// What is told of a camera.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct State {
    /// In one word.
    pub state: Condition,
    /// Since when it is so.
    #[serde(serialize_with = "as_utc")]
    pub since: CaptureTime,
    /// In one sentence.
    pub summary: String,
    /// What is wrong, the worst first; empty where nothing is.
    pub problems: Vec<Trouble>,
    /// States that analyzers have told of, whether they are wrong or not.
    pub states: Vec<OpenState>,
}

impl Sight {
    /// Whether units come.
    #[must_use]
    pub fn is_heard(&self) -> bool {
        let near = |came: CaptureTime| nanos(came, self.now) < SILENT_NANOS;
        self.newest.is_some_and(|(_, came)| near(came))
    }

    /// Judges it. `before`: what was told last, for since when it is so.
    #[must_use]
    pub fn judge(&self, before: Option<&State>) -> State {
        let mut problems = Vec::new();
        let heard = self.is_heard();
        let starts = self.newest.is_none() && nanos(self.begun, self.now) < START_NANOS;
        let condition = if self.phase == Phase::Paused {
            Condition::Paused
        } else if heard {
            problems.extend(self.unrecorded());
            Condition::Fine
        } else if starts {
            Condition::Starting
        } else {
            problems.push(self.silence());
            Condition::Silent
        };
        if self.phase != Phase::Paused {
            problems.extend(self.idle());
        }
        problems.extend(self.views());
        let state = match condition {
            Condition::Fine if !problems.is_empty() => Condition::Impaired,
            other => other,
        };
        let first = problems.first().map(|problem| problem.since);
        let since = match before {
            Some(before) if before.state == state => before.since,
            _ => match state {
                Condition::Silent | Condition::Impaired => first.unwrap_or(self.now),
                Condition::Starting => self.begun,
                Condition::Paused => self.phase_since.unwrap_or(self.now),
                Condition::Fine => self.now,
            },
        };
        State {
            state,
            since,
            summary: self.summary(state, since, &problems),
            problems,
            states: self.states.clone(),
        }
    }

    fn summary(&self, state: Condition, since: CaptureTime, problems: &[Trouble]) -> String {
        let for_long = |since: CaptureTime| {
            let nanos = u64::try_from(nanos(since, self.now)).unwrap_or(0);
            length(nanos - nanos % 1_000_000_000)
        };
        match (state, problems) {
            (Condition::Paused, _) => "a planned pause: nothing is wanted now".to_owned(),
            (Condition::Starting, _) => "the relay has only just begun with it".to_owned(),
            (_, []) => format!("fine for {}", for_long(since)),
            (_, [one]) => format!("{}, for {}", one.text, for_long(one.since)),
            (_, [first, others @ ..]) => format!(
                "{}, for {}; and {} more",
                first.text,
                for_long(first.since),
                others.len()
            ),
        }
    }

    /// Nothing comes: whose fault that looks like.
    fn silence(&self) -> Trouble {
        let since = self.newest.map_or(self.begun, |(captured, _)| captured);
        let error = self.error.as_ref();
        if let Some((cause, text, _)) = error.filter(|(cause, ..)| cause.is_refusal()) {
            return Trouble {
                kind: "refused",
                since,
                text: format!("the camera refuses the stream ({})", plain(text)),
                advice: sentence(cause.advice()),
            };
        }
        let (heard, silent) = self.others;
        if heard == 0 && silent > 0 {
            return Trouble {
                kind: "uplink",
                since,
                text: format!("no camera of the site {} is heard", self.site),
                advice:
                    "Look at the site's router and power. What the cameras hold back is fetched \
                         when the link is there again."
                        .to_owned(),
            };
        }
        let (text, advice) = match (self.phase, error) {
            (Phase::Connecting | Phase::Waiting, None) => (
                "the camera answers but sends no picture yet".to_owned(),
                "Wait a moment; then check the camera's own log.",
            ),
            (_, Some((cause, text, _))) => {
                (format!("nothing comes ({})", plain(text)), cause.advice())
            }
            (_, None) => (
                "nothing comes, and the path to it does not answer".to_owned(),
                EndCause::Connect.advice(),
            ),
        };
        Trouble {
            kind: "camera",
            since,
            text,
            advice: sentence(advice),
        }
    }

    /// Pictures come and are not kept.
    fn unrecorded(&self) -> Option<Trouble> {
        let since = self.gap?;
        (nanos(since, self.now) > UNRECORDED_NANOS).then(|| Trouble {
            kind: "unrecorded",
            since,
            text: "pictures come and are not recorded".to_owned(),
            advice:
                "Check that a sink records this camera, the relay's log for what it says, and the \
                     space on archive and spool."
                    .to_owned(),
        })
    }

    fn idle(&self) -> impl Iterator<Item = Trouble> {
        let late = |since: &CaptureTime| nanos(*since, self.now) > SILENT_NANOS;
        let idle = self.idle_sinks.iter().filter(move |(_, since)| late(since));
        idle.map(|(sink, since)| Trouble {
            kind: "sink",
            since: *since,
            text: format!("the plugin of the sink {sink} does not run"),
            advice: format!(
                "See the relay's log and forebay_plugin_ends_total{{sink=\"{sink}\"}} for why it ends."
            ),
        })
    }

    fn views(&self) -> impl Iterator<Item = Trouble> {
        self.states.iter().filter_map(|state| {
            let (kind, advice) = match state.kind.as_str() {
                "undecodable" if state.sink.0.as_str() == crate::config::PICTURES_SINK => (
                    "undecodable",
                    "It is recorded all the same; the text says what to set so that it can be looked at.",
                ),
                other => (
                    VIEWS.into_iter().find(|view| *view == other)?,
                    "Look at the picture; clean, turn or light the camera where that is it.",
                ),
            };
            let text = match state.text.is_empty() {
                true => format!("{} says: {kind}", state.sink.0),
                false => state.text.clone(),
            };
            Some(Trouble {
                kind,
                since: state.since,
                text,
                advice: advice.to_owned(),
            })
        })
    }
}

fn sentence(advice: &str) -> String {
    let mut letters = advice.chars();
    let first = letters.next().map(|c| c.to_ascii_uppercase());
    format!(
        "{}{}.",
        first.map(String::from).unwrap_or_default(),
        letters.as_str()
    )
}

fn nanos(from: CaptureTime, to: CaptureTime) -> i64 {
    to.unix_nanos().saturating_sub(from.unix_nanos())
}

#[cfg(test)]
#[path = "state_tests.rs"]
mod tests;
