//! What may pass after a loss.
//!
//! The depacketizer drops a damaged access unit and delivers the ones after it as if nothing had
//! happened, though they refer to what is missing. A decoder would paint grey smears over them,
//! and a recording of them looks whole and isn't. So: after a loss in a video track nothing of it
//! passes until the next random access point. Sound decodes frame by frame and only gets the mark.

use std::collections::HashMap;

/// What the gate needs to know of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// Which of the session's streams.
    pub stream: usize,
    /// Pictures depend on earlier ones; sound does not.
    pub video: bool,
    /// Decoding can begin here.
    pub random_access: bool,
    /// Something between the last unit of this stream and this one is missing.
    pub loss: bool,
}

/// What becomes of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Passage {
    /// It goes on; `discontinuity` says that something before it is missing.
    Pass {
        /// Something that the camera sent before it is missing.
        discontinuity: bool,
    },
    /// It can't be decoded for what is missing before it.
    Drop,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Nothing has passed: closed for video.
    New,
    Open,
    /// Something is missing: closed for video, to be marked on the next that passes.
    Broken,
}

/// One gate for a session: each of its streams is judged apart. Pure.
#[derive(Debug, Default)]
pub struct Gate {
    streams: HashMap<usize, State>,
}

impl Gate {
    /// A gate for a new session: video is closed until its first random access point. What a
    /// session's first unit follows on is not the gate's to say (`splice.rs` does).
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Something of `stream` was dropped before it became a unit (oversize, malformed).
    pub fn lost(&mut self, stream: usize) {
        self.streams.insert(stream, State::Broken);
    }

    /// Judges the next unit.
    pub fn judge(&mut self, arrival: Arrival) -> Passage {
        let state = self.streams.entry(arrival.stream).or_insert(State::New);
        if arrival.loss {
            *state = State::Broken;
        }
        match *state {
            State::Open => Passage::Pass {
                discontinuity: false,
            },
            State::New | State::Broken if arrival.video && !arrival.random_access => Passage::Drop,
            State::New | State::Broken => {
                let discontinuity = *state == State::Broken;
                *state = State::Open;
                Passage::Pass { discontinuity }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Between a loss and the next random access point nothing of a video stream passes, and
        /// what passes first after any loss is marked, whatever the order of events.
        #[test]
        fn nothing_undecodable_passes(
            events in prop::collection::vec(
                (0_usize..3, any::<bool>(), any::<bool>(), prop::bool::weighted(0.1)), 0..200)
        ) {
            let mut gate = Gate::new();
            let (mut new, mut broken) = ([true; 3], [false; 3]);
            for (stream, random_access, loss, dropped_early) in events {
                let video = stream != 2;
                if dropped_early {
                    gate.lost(stream);
                }
                broken[stream] |= loss || dropped_early;
                match gate.judge(Arrival { stream, video, random_access, loss }) {
                    Passage::Pass { discontinuity } => {
                        prop_assert_eq!(discontinuity, broken[stream]);
                        prop_assert!(!(new[stream] || broken[stream]) || !video || random_access);
                        (new[stream], broken[stream]) = (false, false);
                    }
                    Passage::Drop => {
                        prop_assert!((new[stream] || broken[stream]) && video && !random_access);
                    }
                }
            }
        }
    }
}
