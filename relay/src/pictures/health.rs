//! Whether a stream can be decoded at all: tried less when it can't, and said once. Pure.

use std::time::{Duration, Instant};

use super::decoded::DecodeFault;

/// So many coded pictures in a row that give none make a stream undecodable; so many predicted ones
/// make it one of key frames alone.
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
    /// Every picture is wanted, and only key frames come; why.
    KeyFramesOnly(String),
}

/// What the decodings of a stream came to so far.
#[derive(Debug, Default)]
pub(super) struct Health {
    /// The track that all but `told` is about.
    track: Option<u32>,
    /// In a row.
    faults: u32,
    retry_at: Option<Instant>,
    /// Of pictures that build on others, in a row; key frames between them don't count.
    predicted_faults: u32,
    told_key_frames_only: bool,
    told: bool,
}

impl Health {
    /// Whether it is worth trying a picture of that track.
    pub(super) fn allows(&self, track: u32, now: Instant) -> bool {
        self.track != Some(track) || self.retry_at.is_none_or(|at| now >= at)
    }

    /// It was said that the stream can't be decoded, and not that it can again.
    pub(super) fn told(&self) -> bool {
        self.told
    }

    /// A picture of a track came out.
    pub(super) fn fine(&mut self, track: u32, key: bool) -> Option<Change> {
        self.look_at(track);
        (self.faults, self.retry_at) = (0, None);
        if !key {
            self.predicted_faults = 0;
        }
        std::mem::take(&mut self.told).then_some(Change::Ends)
    }

    /// None did.
    pub(super) fn fault(
        &mut self,
        track: u32,
        key: bool,
        fault: &DecodeFault,
        now: Instant,
    ) -> Option<Change> {
        self.look_at(track);
        self.faults = self.faults.saturating_add(1);
        if !key {
            self.predicted_faults = self.predicted_faults.saturating_add(1);
        }
        let doubled = |times: u32| PAUSE_MIN.saturating_mul(1 << times.min(10)).min(PAUSE_MAX);
        let beyond = self.faults.checked_sub(FAULTS_MAX);
        let why = match fault {
            // A program that was not there may be by then.
            DecodeFault::Unsupported(why) => {
                self.retry_at = Some(now + PAUSE_MAX);
                Some(why.clone())
            }
            // What has cost that much is not tried with the next picture: others wait for the worker.
            DecodeFault::Ended(_) => {
                self.retry_at = Some(now + doubled(self.faults - 1));
                beyond.map(|_| self.in_a_row(fault))
            }
            DecodeFault::Damaged(_) | DecodeFault::Refused(_) => {
                if let Some(beyond) = beyond {
                    self.retry_at = Some(now + doubled(beyond));
                }
                beyond.map(|_| self.in_a_row(fault))
            }
        };
        if let Some(why) = why {
            return (!std::mem::replace(&mut self.told, true)).then_some(Change::Begins(why));
        }
        if self.predicted_faults < FAULTS_MAX {
            return None;
        }
        self.key_frames_only(track, &format!("pictures between them give none, {fault}"))
    }

    /// Only key frames of a track are decoded, though every picture is wanted.
    pub(super) fn key_frames_only(&mut self, track: u32, why: &str) -> Option<Change> {
        self.look_at(track);
        let told = std::mem::replace(&mut self.told_key_frames_only, true);
        (!told).then(|| Change::KeyFramesOnly(why.to_owned()))
    }

    fn in_a_row(&self, fault: &DecodeFault) -> String {
        format!(
            "{} pictures in a row gave none, the last: {fault}",
            self.faults
        )
    }

    /// Another track begins with a clean slate: its parameters are others.
    fn look_at(&mut self, track: u32) {
        if self.track != Some(track) {
            *self = Self {
                track: Some(track),
                told: self.told,
                ..Self::default()
            };
        }
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
        let change = health.fault(1, true, &unsupported(), now);
        assert_eq!(change, Some(Change::Begins("10 bit".to_owned())));
        assert_eq!(health.fault(1, true, &unsupported(), now), None);
        assert!(!health.allows(1, now));
        // What was not there may be installed.
        assert!(health.allows(1, now + PAUSE_MAX));
        // Other parameters are worth another try, and may come out.
        assert!(health.allows(2, now));
        assert_eq!(health.fine(2, true), Some(Change::Ends));
        assert_eq!(health.fine(2, true), None);
    }

    #[test]
    fn single_faults_are_not_said() {
        let (mut health, now) = (Health::default(), Instant::now());
        for fault in [damaged(), DecodeFault::Refused("another set".to_owned())] {
            for _ in 0..10 {
                assert_eq!(health.fault(1, true, &fault, now), None);
                assert_eq!(health.fault(1, true, &fault, now), None);
                assert!(health.allows(1, now));
                assert_eq!(health.fine(1, true), None);
            }
        }
    }

    #[test]
    fn what_keeps_failing_is_tried_ever_more_seldom() {
        let (mut health, mut now) = (Health::default(), Instant::now());
        let mut said = 0;
        let mut pauses = Vec::new();
        for _ in 0..12 {
            said += usize::from(health.fault(1, true, &damaged(), now).is_some());
            if let Some(at) = health.retry_at {
                assert!(!health.allows(1, now));
                pauses.push(at.duration_since(now).as_secs());
                now = at;
            }
            assert!(health.allows(1, now));
        }
        assert_eq!(said, 1);
        assert_eq!(pauses, [10, 20, 40, 80, 160, 320, 600, 600, 600, 600]);
        // Once the camera has been set otherwise, nothing of that counts any more.
        health.fault(1, true, &damaged(), now);
        assert!(!health.allows(1, now) && health.allows(2, now));
        assert_eq!(health.fault(2, true, &damaged(), now), None);
        assert!(health.allows(2, now));
        assert_eq!(health.fine(2, true), Some(Change::Ends));
    }

    #[test]
    fn a_decoder_that_had_to_be_ended_rests_at_once() {
        let (mut health, mut now) = (Health::default(), Instant::now());
        let ended = DecodeFault::Ended("out of time".to_owned());
        for (seconds, said) in [(10, false), (20, false), (40, true), (80, false)] {
            assert_eq!(health.fault(1, true, &ended, now).is_some(), said);
            assert!(!health.allows(1, now + Duration::from_secs(seconds - 1)));
            now += Duration::from_secs(seconds);
            assert!(health.allows(1, now));
        }
    }

    #[test]
    fn a_stream_of_key_frames_alone_is_said_once_for_a_track() {
        let (mut health, now) = (Health::default(), Instant::now());
        let mut said = Vec::new();
        for _ in 0..5 {
            assert_eq!(health.fine(1, true), None);
            said.extend(health.fault(1, false, &damaged(), now));
        }
        let only = "pictures between them give none, damaged: a slice is missing";
        assert_eq!(said, [Change::KeyFramesOnly(only.to_owned())]);
        assert_eq!(health.key_frames_only(1, "why"), None);
        assert!(health.key_frames_only(2, "why").is_some());
        // One that comes out is a sign that the others may.
        health.fault(3, false, &damaged(), now);
        health.fault(3, false, &damaged(), now);
        assert_eq!(health.fine(3, false), None);
        assert_eq!(health.fault(3, false, &damaged(), now), None);
    }
}
