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

    /// A picture captured then was given.
    pub fn took(&mut self, captured: CaptureTime) {
        let Some(interval) = self.interval_nanos else {
            return;
        };
        let captured = captured.unix_nanos();
        self.due = Some(match self.due {
            Some(due) if (0..interval).contains(&captured.saturating_sub(due)) => {
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
