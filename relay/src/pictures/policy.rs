//! Which coded pictures are decoded, and who gets them. Pure: times are arguments.

use super::request::Source;
use crate::hold::{Codec, Track};
use crate::units::CaptureTime;

/// The main stream's key frames are decoded at most once in so long, but for questions.
pub const MAIN_INTERVAL_NANOS: i64 = 10_000_000_000;
/// Capture times of key frames that come by the clock vary by a few ms.
const MAIN_TOLERANCE_NANOS: i64 = 100_000_000;
/// Every picture is decoded of streams up to this size only: 704 × 576. Larger ones cost too
/// much: a core for 1080p at 25 pictures a second.
pub const SMALL_PIXELS_MAX: u64 = 704 * 576;
/// Key frames suffice for rates up to so many times of theirs.
const ENOUGH: f64 = 1.25;
/// A key frame that far before the instant asked for is not near it any more.
pub const NEAR_NANOS: i64 = 30_000_000_000;

/// Keeps a subscriber to its rate, by capture time.
///
/// Instants that are due lie on a grid, so that a rate of 2 a second has 2 of 25 pictures a second
/// over any length, and not one less for each that came a little early.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// Between pictures; nothing: none is wanted.
    interval_nanos: Option<i64>,
    /// From when on the next one is due; nothing: at once.
    due: Option<i64>,
}

impl Pace {
    /// At most `rate` pictures a second. None for 0, and for what is no number.
    #[must_use]
    pub fn new(rate: f64) -> Self {
        let interval = 1e9 / rate;
        let sensible = rate > 0.0 && interval.is_finite() && interval < 9e18;
        Self {
            interval_nanos: sensible.then_some((interval as i64).max(1)),
            due: None,
        }
    }

    /// Whether a picture captured then would be within the rate.
    #[must_use]
    pub fn wants(&self, captured: CaptureTime) -> bool {
        let Some(interval) = self.interval_nanos else {
            return false;
        };
        let Some(due) = self.due else { return true };
        let early = due.saturating_sub(captured.unix_nanos());
        // Earlier than can be by the order of decoding: the clock was set back.
        early <= 0 || early > interval.saturating_mul(2).saturating_add(1_000_000_000)
    }

    /// Whether a picture of a stream of which every one is decoded is within the rate. There a key
    /// frame takes the place of the picture that is due next: some of what is seen in pictures
    /// (copies of one) is told from coding by key frames alone, and where a camera's groups are a
    /// multiple of the interval, the grid would pass them by for good.
    #[must_use]
    pub fn wants_of_all(&self, captured: CaptureTime, key: bool) -> bool {
        let early = |(due, interval): (i64, i64)| {
            (1..interval).contains(&due.saturating_sub(captured.unix_nanos()))
        };
        self.wants(captured) || key && self.due.zip(self.interval_nanos).is_some_and(early)
    }

    /// A picture captured then was given.
    pub fn took(&mut self, captured: CaptureTime) {
        let Some(interval) = self.interval_nanos else {
            return;
        };
        let captured = captured.unix_nanos();
        let near = -interval + 1..interval;
        self.due = Some(match self.due {
            Some(due) if near.contains(&captured.saturating_sub(due)) => {
                due.saturating_add(interval)
            }
            _ => captured.saturating_add(interval),
        });
    }
}

/// Keeps the main stream's decodings apart.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spacing {
    last: Option<i64>,
}

impl Spacing {
    /// Whether a key frame of that stream may be decoded.
    #[must_use]
    pub fn allows(&self, source: Source, captured: CaptureTime) -> bool {
        let (Source::Main, Some(last)) = (source, self.last) else {
            return true;
        };
        let since = captured.unix_nanos().saturating_sub(last);
        // A clock set back begins anew.
        !(0..MAIN_INTERVAL_NANOS - MAIN_TOLERANCE_NANOS).contains(&since)
    }

    /// One was.
    pub fn took(&mut self, captured: CaptureTime) {
        self.last = Some(captured.unix_nanos());
    }
}

/// Which of some key frames are decoded for subscribers with these paces, in order.
#[must_use]
pub fn due_keys(
    source: Source,
    keys: &[CaptureTime],
    paces: &[Pace],
    spacing: Spacing,
) -> Vec<usize> {
    let (mut paces, mut spacing) = (paces.to_vec(), spacing);
    let mut due = Vec::new();
    for (index, key) in keys.iter().enumerate() {
        if spacing.allows(source, *key) && paces.iter().any(|pace| pace.wants(*key)) {
            due.push(index);
            spacing.took(*key);
            for pace in paces.iter_mut().filter(|pace| pace.wants(*key)) {
                pace.took(*key);
            }
        }
    }
    due
}

/// What is decoded of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Key frames, each by itself.
    KeyFrames,
    /// Every picture, because key frames come too seldom for what somebody wants.
    EveryPicture,
}

/// How often key frames come.
#[derive(Debug, Clone, Copy, Default)]
pub struct Rhythm {
    last: Option<i64>,
    distance_nanos: Option<i64>,
}

impl Rhythm {
    /// A key frame was captured then.
    pub fn key(&mut self, captured: CaptureTime) {
        let captured = captured.unix_nanos();
        if let Some(last) = self.last.replace(captured) {
            let distance = captured.saturating_sub(last);
            // After a gap or a set clock the distance says nothing.
            if (1..60_000_000_000).contains(&distance) {
                self.distance_nanos = Some(distance);
            }
        }
    }

    /// Another picture was captured then: the distance is at least so long.
    pub fn other(&mut self, captured: CaptureTime) {
        if let Some(last) = self.last {
            let since = captured.unix_nanos().saturating_sub(last);
            if (1..60_000_000_000).contains(&since) {
                self.distance_nanos = self.distance_nanos.max(Some(since));
            }
        }
    }

    /// What is decoded of a stream so that somebody gets `rate` pictures a second.
    #[must_use]
    pub fn mode(&self, source: Source, track: &Track, rate: f64) -> Mode {
        let pixels = u64::from(track.width) * u64::from(track.height);
        let small = (1..=SMALL_PIXELS_MAX).contains(&pixels);
        // Every JPEG is a key frame.
        let inter = track.codec != Codec::Jpeg;
        let needed = self
            .distance_nanos
            .is_some_and(|distance| rate * distance as f64 / 1e9 > ENOUGH);
        if source == Source::Analysis && inter && small && needed {
            Mode::EveryPicture
        } else {
            Mode::KeyFrames
        }
    }
}

/// The key frame that answers a question, by its place in `keys`; nothing while a better one may
/// still come.
///
/// `keys` are the capture times of those at hand, in any order. It is the nearest to `at`; one
/// before it counts only within [`NEAR_NANOS`]. Nothing is answered before there is one at or after
/// `at`: what is captured later may be nearer.
#[must_use]
pub fn nearest_key(keys: &[CaptureTime], at: CaptureTime) -> Option<usize> {
    let at = at.unix_nanos();
    let times = || keys.iter().map(|key| key.unix_nanos()).enumerate();
    let after = times()
        .filter(|(_, key)| *key >= at)
        .min_by_key(|(_, key)| *key)?;
    let before = times()
        .filter(|(_, key)| *key < at && at.saturating_sub(*key) <= NEAR_NANOS)
        .max_by_key(|(_, key)| *key);
    let is_nearer = |key: i64| at.saturating_sub(key) <= after.1.saturating_sub(at);
    match before {
        Some((index, key)) if is_nearer(key) => Some(index),
        _ => Some(after.0),
    }
}

#[cfg(test)]
mod tests {
    use std::num::NonZeroU32;

    use bytes::Bytes;
    use proptest::prelude::*;

    use super::*;

    const SECOND: i64 = 1_000_000_000;

    fn at(nanos: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(nanos)
    }

    fn track(codec: Codec, width: u32, height: u32) -> Track {
        Track {
            id: 1,
            codec,
            rfc6381: String::new(),
            clock_rate: NonZeroU32::new(90_000).unwrap(),
            width,
            height,
            channels: 0,
            decoder_configuration: Bytes::new(),
        }
    }

    /// Capture times of pictures at `rate` a second, each off by up to `jitter` of the distance.
    fn pictures(rate: f64, count: usize, jitter: f64, seed: u64) -> Vec<CaptureTime> {
        let mut random = fastrand::Rng::with_seed(seed);
        let distance = SECOND as f64 / rate;
        (0..count)
            .map(|index| {
                let off = (random.f64() - 0.5) * jitter;
                at(((index as f64 + off) * distance) as i64)
            })
            .collect()
    }

    fn kept(pace: &mut Pace, times: &[CaptureTime]) -> Vec<CaptureTime> {
        let mut kept = Vec::new();
        for time in times {
            if pace.wants(*time) {
                pace.took(*time);
                kept.push(*time);
            }
        }
        kept
    }

    #[test]
    fn a_rate_that_divides_the_cameras_is_met_exactly() {
        for jitter in [0.0, 0.3] {
            let times = pictures(25.0, 25 * 60, jitter, 1);
            for (rate, wanted) in [(2.0, 120), (5.0, 300), (1.0, 60), (0.1, 6)] {
                let found = kept(&mut Pace::new(rate), &times).len();
                assert!(found.abs_diff(wanted) <= 1, "{rate}: {found}");
            }
        }
    }

    #[test]
    fn of_all_pictures_each_key_frame_is_taken_and_none_is_more() {
        // 25 a second, groups of 2 s: by its begin, the grid of 2 a second meets the key frames or
        // never does.
        for begin in 0..50 {
            let mut pace = Pace::new(2.0);
            let (mut taken, mut keys) = (Vec::new(), 0);
            for number in begin..begin + 25 * 60 {
                let key = number % 50 == 0;
                let captured = at(number * 40_000_000);
                if pace.wants_of_all(captured, key) {
                    pace.took(captured);
                    taken.push(number);
                    keys += i64::from(key);
                }
            }
            assert_eq!(keys, 30, "{begin}");
            assert!(
                (119..=121).contains(&taken.len()),
                "{begin}: {}",
                taken.len()
            );
            // One slot each: no gap of two.
            assert!(taken.windows(2).all(|two| two[1] - two[0] < 25), "{begin}");
        }
    }

    #[test]
    fn rates_that_are_none_want_nothing() {
        for rate in [0.0, -1.0, f64::NAN, f64::NEG_INFINITY, 1e-300] {
            assert!(!Pace::new(rate).wants(at(0)), "{rate}");
        }
    }

    #[test]
    fn a_clock_that_is_set_back_silences_nobody() {
        let mut pace = Pace::new(1.0);
        pace.took(at(3600 * SECOND));
        assert!(!pace.wants(at(3600 * SECOND)));
        assert!(pace.wants(at(0)));
        let mut spacing = Spacing::default();
        spacing.took(at(3600 * SECOND));
        assert!(spacing.allows(Source::Main, at(0)));
    }

    #[test]
    fn the_main_stream_is_decoded_once_in_ten_seconds() {
        // Key frames each 2 s with a few ms of jitter: each fifth.
        let keys = pictures(0.5, 300, 0.005, 2);
        let due = due_keys(Source::Main, &keys, &[Pace::new(2.0)], Spacing::default());
        assert_eq!(due, (0..300).step_by(5).collect::<Vec<_>>());
        let all = due_keys(
            Source::Analysis,
            &keys,
            &[Pace::new(2.0)],
            Spacing::default(),
        );
        assert_eq!(all.len(), 300);
        assert!(due_keys(Source::Main, &keys, &[], Spacing::default()).is_empty());
    }

    #[test]
    fn every_picture_is_decoded_where_key_frames_are_too_few() {
        let mut rhythm = Rhythm::default();
        let small = track(Codec::H264, 640, 360);
        let mode =
            |rhythm: &Rhythm, track: &Track, rate| rhythm.mode(Source::Analysis, track, rate);
        assert_eq!(mode(&rhythm, &small, 25.0), Mode::KeyFrames);
        rhythm.key(at(0));
        rhythm.other(at(SECOND));
        // It has lasted a second already: one key frame a second there is none.
        assert_eq!(mode(&rhythm, &small, 2.0), Mode::EveryPicture);
        rhythm.key(at(2 * SECOND));
        assert_eq!(mode(&rhythm, &small, 1.0), Mode::EveryPicture);
        assert_eq!(mode(&rhythm, &small, 0.5), Mode::KeyFrames);
        // Not of the stream that is recorded, not of large ones, and JPEG has nothing else.
        assert_eq!(rhythm.mode(Source::Main, &small, 5.0), Mode::KeyFrames);
        let large = track(Codec::H264, 1920, 1080);
        assert_eq!(mode(&rhythm, &large, 5.0), Mode::KeyFrames);
        assert_eq!(
            mode(&rhythm, &track(Codec::Jpeg, 640, 360), 5.0),
            Mode::KeyFrames
        );
        assert_eq!(
            mode(&rhythm, &track(Codec::H265, 704, 576), 5.0),
            Mode::EveryPicture
        );
    }

    #[test]
    fn a_question_gets_the_nearest_key_frame() {
        let keys = [at(0), at(2 * SECOND), at(4 * SECOND)];
        for (asked, wanted) in [
            // The oldest at hand, for what is no longer in memory.
            (-100 * SECOND, Some(0)),
            (0, Some(0)),
            (900_000_000, Some(0)),
            (1_100_000_000, Some(1)),
            (4 * SECOND, Some(2)),
            // One that is nearer may come.
            (4 * SECOND + 1, None),
        ] {
            assert_eq!(nearest_key(&keys, at(asked)), wanted, "{asked}");
        }
        // After a long gap: not what lay before it, however near to the far one.
        let gap = [at(0), at(3600 * SECOND)];
        assert_eq!(nearest_key(&gap, at(60 * SECOND)), Some(1));
        assert_eq!(nearest_key(&gap, at(20 * SECOND)), Some(0));
        assert_eq!(nearest_key(&[], at(0)), None);
    }

    proptest! {
        /// Over any stretch a rate gives no more than its pictures and two, and where the camera
        /// sends enough, hardly less.
        #[test]
        fn a_pace_keeps_its_rate(
            rate in 0.05_f64..30.0, camera in 1.0_f64..60.0, jitter in 0.0_f64..0.9, seed: u64,
        ) {
            let times = pictures(camera, 1500, jitter, seed);
            let kept = kept(&mut Pace::new(rate), &times);
            prop_assert!(kept.windows(2).all(|pair| pair[0] < pair[1]));
            for (from, first) in kept.iter().enumerate().step_by(7) {
                for (to, last) in kept.iter().enumerate().skip(from).step_by(13) {
                    let seconds = (last.unix_nanos() - first.unix_nanos()) as f64 / 1e9;
                    prop_assert!(((to - from) as f64) <= seconds * rate + 2.0);
                }
            }
            let wanted = (1500.0 / camera * rate).min(1500.0);
            // A rate near the camera's own meets no picture in some of its slots.
            if rate * 2.0 <= camera {
                prop_assert!(kept.len() as f64 >= wanted * 0.95 - 2.0, "{} {}", kept.len(), wanted);
            }
        }

        /// The answer is the nearest of those near, whatever the order of the key frames.
        #[test]
        fn the_answer_is_the_nearest(
            keys in prop::collection::vec(-100_000_i64..100_000, 0..40), asked in -100_000_i64..100_000,
        ) {
            let ms = |ms: i64| at(ms * 1_000_000);
            let times: Vec<_> = keys.iter().map(|key| ms(*key)).collect();
            let near: Vec<i64> = keys.iter().filter(|key| asked - **key <= 30_000)
                .map(|key| (key - asked).abs()).collect();
            match nearest_key(&times, ms(asked)) {
                Some(index) => prop_assert_eq!(Some((keys[index] - asked).abs()), near.into_iter().min()),
                None => prop_assert!(keys.iter().all(|key| *key < asked)),
            }
        }

        /// Key frames that are decoded of the main stream are never closer than was promised.
        #[test]
        fn the_spacing_holds(
            distances in prop::collection::vec(1_i64..30_000, 1..100),
            rates in prop::collection::vec(0.01_f64..30.0, 1..5),
        ) {
            let mut now = 0;
            let keys: Vec<_> = distances.iter().map(|ms| { now += ms * 1_000_000; at(now) }).collect();
            let paces: Vec<_> = rates.iter().map(|rate| Pace::new(*rate)).collect();
            let due = due_keys(Source::Main, &keys, &paces, Spacing::default());
            prop_assert!(due.first() == Some(&0));
            for pair in due.windows(2) {
                let apart = keys[pair[1]].unix_nanos() - keys[pair[0]].unix_nanos();
                prop_assert!(apart >= MAIN_INTERVAL_NANOS - MAIN_TOLERANCE_NANOS);
            }
        }
    }
}
