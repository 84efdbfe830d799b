//! One stream of one session: where its media time lies, and whether it still goes on.

use std::num::NonZeroU32;

use super::reports::Reports;

/// Media time that runs ahead of the arrivals by more than this did not pass: the clock jumped.
/// A camera that sends its last group of pictures first is ahead by that group, seconds at most.
const AHEAD_NANOS_MAX: i64 = 20_000_000_000;
/// Media time that falls back by more than this jumped; less is the order of B-frames.
const BACK_NANOS_MAX: i64 = 5_000_000_000;
/// Once a track is known, this is a jump too, either way: it never did that before.
const KNOWN_JUMP_NANOS: i64 = 100_000_000;
/// Units that show whether a track has B-frames.
const KNOWN_UNITS: u32 = 64;
/// Media time after which the first units' waiting is over.
const KNOWN_NANOS: i64 = 10_000_000_000;
/// Delays that stay higher by at least this, ...
const LEVEL_NANOS_MIN: i64 = 250_000_000;
/// ... by the same amount to within this, ...
const LEVEL_EVEN_NANOS: i64 = 20_000_000;
/// ... in each of so many stretches: media time fell back unseen. A queue drains, or wavers.
const LEVEL_STRETCHES: u32 = 6;
const LEVEL_STRETCH_NANOS: i64 = 5_000_000_000;
/// How fast a track's own floor rises: the largest skew.
const RISE_PPM: i64 = 200;

/// How a track came to the axis that it is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tie {
    /// It is its own, or that of a session before with the same units.
    Own,
    /// The answer to PLAY.
    Announced,
    /// Sender reports.
    Reports,
}

#[derive(Debug)]
pub(super) struct Track {
    /// Which of the session's streams.
    pub(super) stream: usize,
    pub(super) clock_rate: NonZeroU32,
    /// Which axis it is on, and by how much its media time is less than the axis's.
    pub(super) axis: u64,
    pub(super) shift: i64,
    pub(super) tie: Tie,
    pub(super) floor: Option<Floor>,
    /// The media time where it begins, by the answer to PLAY.
    pub(super) announced: Option<i64>,
    pub(super) reports: Option<Reports>,
    /// Ticks to add for the ticks of that session.
    pub(super) same: Option<(super::SessionId, i64)>,
    /// Its media time jumped: what was known of its relation to other sessions is void.
    pub(super) jumped: bool,
}

impl Track {
    pub(super) fn nanos(&self, ticks: i64) -> i64 {
        let nanos = i128::from(ticks) * 1_000_000_000 / i128::from(self.clock_rate.get());
        // 292 years: only a broken media time gets there.
        i64::try_from(nanos).unwrap_or(if nanos < 0 { i64::MIN } else { i64::MAX })
    }

    pub(super) fn ticks(&self, nanos: i64) -> i64 {
        let product = i128::from(nanos) * i128::from(self.clock_rate.get());
        // Rounded, as a tick of media time that came from nanoseconds was cut.
        let half = 500_000_000 * product.signum();
        let ticks = (product + half) / 1_000_000_000;
        i64::try_from(ticks).unwrap_or(if ticks < 0 { i64::MIN } else { i64::MAX })
    }

    /// The newest media time and the track's own least delay, on another axis.
    pub(super) fn floor_at(&self, shift: i64) -> Option<(i64, i64)> {
        let floor = self.floor?;
        let time = floor.newest.saturating_add(shift);
        Some((time, floor.offset.saturating_sub(shift)))
    }

    /// Takes a unit; whether media time jumped before it.
    pub(super) fn take(&mut self, media: i64, arrival: i64) -> bool {
        let reported = self.reports.as_ref();
        let reported = reported.map(|reports| (reports.began, reports.arrival));
        let before = self.floor;
        if let Some(floor) = &mut self.floor
            && !floor.jumped(media, arrival)
            && !floor.raised(media, arrival, reported)
        {
            floor.take(media, arrival);
            return false;
        }
        self.floor = Some(Floor::new(media, arrival));
        before.is_some()
    }
}

/// The least delay of a track: falls at once and rises slowly. It needs no window, so each track
/// has one of its own, whatever axis it shares.
#[derive(Debug, Clone, Copy)]
pub(super) struct Floor {
    offset: i64,
    newest: i64,
    first: i64,
    last_arrival: i64,
    units: u32,
    /// The farthest that media time went back and on again.
    reordered: i64,
    level: Option<Level>,
}

/// Delays that stay high.
#[derive(Debug, Clone, Copy)]
struct Level {
    /// Since when they are, whether even or not.
    began: i64,
    stretch_began: i64,
    /// Least excess of the first stretch, once it is over, and of this one.
    first: Option<i64>,
    now: i64,
    stretches: u32,
}

impl Floor {
    fn new(media: i64, arrival: i64) -> Self {
        Self {
            offset: arrival.saturating_sub(media),
            newest: media,
            first: media,
            last_arrival: arrival,
            units: 1,
            reordered: 0,
            level: None,
        }
    }

    /// Media time seen so far.
    pub(super) fn span(&self) -> i64 {
        self.newest.saturating_sub(self.first)
    }

    fn risen(&self, media: i64) -> i64 {
        let advance = media.saturating_sub(self.newest).max(0);
        self.offset.saturating_add(advance / 1_000_000 * RISE_PPM)
    }

    fn take(&mut self, media: i64, arrival: i64) {
        self.offset = self.risen(media).min(arrival.saturating_sub(media));
        self.reordered = self.reordered.max(self.newest.saturating_sub(media));
        self.newest = self.newest.max(media);
        self.last_arrival = arrival;
        self.units = self.units.saturating_add(1);
    }

    fn jumped(&self, media: i64, arrival: i64) -> bool {
        let step = media.saturating_sub(self.newest);
        let back_max = if self.units < KNOWN_UNITS {
            BACK_NANOS_MAX
        } else {
            self.reordered
                .saturating_mul(2)
                .clamp(KNOWN_JUMP_NANOS, BACK_NANOS_MAX)
        };
        if step < -back_max {
            return true;
        }
        let ahead_max = if self.units < KNOWN_UNITS || self.span() < KNOWN_NANOS {
            AHEAD_NANOS_MAX
        } else {
            KNOWN_JUMP_NANOS
        };
        // Ahead of the arrivals alone is what follows on a queue that lost its rest; below the
        // floor alone are the first units that did not wait.
        let ahead = step.saturating_sub(arrival.saturating_sub(self.last_arrival).max(0));
        let fallen = self
            .risen(media)
            .saturating_sub(arrival.saturating_sub(media));
        ahead > ahead_max && fallen > ahead_max
    }

    /// Whether the delays have stayed higher by the same amount for a while, though the path was
    /// not seen to change: media time fell back while nothing was seen of it. Sender reports
    /// from before and after that agree say that it did not.
    fn raised(&mut self, media: i64, arrival: i64, reported: Option<(i64, i64)>) -> bool {
        let excess = arrival
            .saturating_sub(media)
            .saturating_sub(self.risen(media));
        if excess < LEVEL_NANOS_MIN {
            self.level = None;
            return false;
        }
        let begin = |began| Level {
            began,
            stretch_began: arrival,
            first: None,
            now: excess,
            stretches: 0,
        };
        let Some(level) = &mut self.level else {
            self.level = Some(begin(arrival));
            return false;
        };
        level.now = level.now.min(excess);
        let since = arrival.saturating_sub(level.stretch_began);
        if since < LEVEL_STRETCH_NANOS {
            return false;
        }
        let first = *level.first.get_or_insert(level.now);
        let uneven = first.saturating_sub(level.now).saturating_abs() > LEVEL_EVEN_NANOS;
        if uneven || since > 2 * LEVEL_STRETCH_NANOS {
            *level = begin(level.began);
            return false;
        }
        level.stretches += 1;
        level.stretch_began = arrival;
        level.now = excess;
        let agreed =
            reported.is_some_and(|(first, newest)| first < level.began && newest > level.began);
        level.stretches >= LEVEL_STRETCHES && !agreed
    }
}
