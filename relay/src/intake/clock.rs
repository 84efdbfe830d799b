//! When a unit was captured, found from when it arrived.
//!
//! A unit arrives at its capture time plus a delay that is never negative: arrival − media time
//! has a floor, and the units that touch it crossed the link without waiting. The floor is what
//! this clock follows; a unit that waited out a drop-out lies far above it and still gets its true
//! time. The floor may rise by the largest skew of a camera's oscillator, 200 ppm, which is beyond
//! what a crystal shows (common practice, no source), and falls at once.
//!
//! What cannot be seen from home is the least delay of the link itself: it stays in the result
//! and is the uncertainty's lower end.

use std::num::NonZeroU32;

use crate::units::CaptureTime;

/// Largest skew between the camera's media clock and ours, in parts per million.
const SKEW_PPM_MAX: i64 = 200;
/// Media time that runs ahead of the arrivals by more than this did not pass: the clock jumped.
/// A camera that sends its last group of pictures first is ahead by that group, seconds at most.
const AHEAD_NANOS_MAX: i64 = 20_000_000_000;
/// Media time that falls back by more than this jumped; less is the order of B-frames.
const BACK_NANOS_MAX: i64 = 5_000_000_000;
/// Least uncertainty given: the delay of the link, which can't be measured one way.
const UNCERTAINTY_NANOS_MIN: u64 = 50_000_000;

/// A capture time with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamp {
    /// When the light or sound reached the camera.
    pub captured: CaptureTime,
    /// Half-width in nanoseconds of the interval that holds the truth.
    pub uncertainty_nanos: u64,
    /// Media time jumped before this unit: it can't be compared with that of earlier ones.
    pub restarted: bool,
}

#[derive(Debug, Clone, Copy)]
struct Floor {
    /// Arrival − media time of the units that did not wait, in nanoseconds.
    offset: i64,
    last_media: i64,
    last_arrival: i64,
    first_media: i64,
}

/// The clock of one track in one session. Pure: instants are arguments.
#[derive(Debug)]
pub struct Clock {
    clock_rate: NonZeroU32,
    floor: Option<Floor>,
}

impl Clock {
    /// For a track with so many ticks a second.
    #[must_use]
    pub fn new(clock_rate: NonZeroU32) -> Self {
        Self {
            clock_rate,
            floor: None,
        }
    }

    /// The capture time of a unit with media time `ticks` that arrived at `arrival`.
    pub fn stamp(&mut self, ticks: i64, arrival: CaptureTime) -> Stamp {
        let media = self.nanos(ticks);
        let arrival = arrival.unix_nanos();
        let delay = arrival.saturating_sub(media);
        let (mut floor, restarted) = match self.floor {
            Some(floor) if !floor.jumped(media, arrival) => (floor, false),
            before => {
                let floor = Floor {
                    offset: delay,
                    last_media: media,
                    last_arrival: arrival,
                    first_media: media,
                };
                (floor, before.is_some())
            }
        };
        let advance = media.saturating_sub(floor.last_media).max(0);
        floor.offset = delay.min(
            floor
                .offset
                .saturating_add(advance / 1_000_000 * SKEW_PPM_MAX),
        );
        floor.last_media = floor.last_media.max(media);
        floor.last_arrival = arrival;
        self.floor = Some(floor);
        Stamp {
            captured: CaptureTime::from_unix_nanos(media.saturating_add(floor.offset)),
            uncertainty_nanos: floor.uncertainty(),
            restarted,
        }
    }

    fn nanos(&self, ticks: i64) -> i64 {
        let nanos = i128::from(ticks) * 1_000_000_000 / i128::from(self.clock_rate.get());
        // 292 years: only a broken media time gets there, and `jumped` catches that.
        i64::try_from(nanos).unwrap_or(if nanos < 0 { i64::MIN } else { i64::MAX })
    }
}

impl Floor {
    fn jumped(&self, media: i64, arrival: i64) -> bool {
        let media_step = media.saturating_sub(self.last_media);
        let arrival_step = arrival.saturating_sub(self.last_arrival);
        media_step > arrival_step.saturating_add(AHEAD_NANOS_MAX) || media_step < -BACK_NANOS_MAX
    }

    /// The first units may all have waited; after a minute some will have crossed at once.
    fn uncertainty(&self) -> u64 {
        const LEARNING_NANOS: u64 = 60_000_000_000;
        let learnt = u64::try_from(self.last_media.saturating_sub(self.first_media)).unwrap_or(0);
        let unlearnt = LEARNING_NANOS.saturating_sub(learnt);
        // From 2 s (a group of pictures sent at once) down to the least as learning goes on.
        UNCERTAINTY_NANOS_MIN + unlearnt / 30
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 90_000;
    const START: i64 = 1_777_879_860_000_000_000;

    fn clock() -> Clock {
        Clock::new(NonZeroU32::new(RATE).unwrap())
    }

    fn at(nanos: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(START + nanos)
    }

    const MS: i64 = 1_000_000;

    #[test]
    fn units_that_waited_out_an_outage_get_their_true_time() {
        let mut clock = clock();
        for frame in 0..3000_i64 {
            let truth = frame * 40 * MS;
            // 30 ms on the way; everything captured in 10 s of outage arrives at its end.
            let arrival = truth.max(if frame >= 1000 && frame < 1250 {
                50_000 * MS
            } else {
                0
            });
            let stamp = clock.stamp(frame * 3600, at(arrival + 30 * MS));
            let error = stamp.captured.unix_nanos() - START - truth;
            assert!((0..=32 * MS).contains(&error), "frame {frame}: {error}");
            assert!(!stamp.restarted);
        }
    }

    #[test]
    fn skew_is_followed_both_ways() {
        for ppm in [-150_i64, 150] {
            let mut clock = clock();
            for second in 0..36_000_i64 {
                let truth = second * 1_000 * MS;
                let media = second * i64::from(RATE) * (1_000_000 + ppm) / 1_000_000;
                let error = clock.stamp(media, at(truth)).captured.unix_nanos() - START - truth;
                assert!(error.abs() < MS, "{ppm} ppm, second {second}: {error}");
            }
        }
    }

    #[test]
    fn a_jump_of_media_time_restarts_the_clock() {
        for jump in [-3_600_i64, 3_600, i64::from(u32::MAX), i64::MAX / 2_000_000] {
            let mut clock = clock();
            assert!(!clock.stamp(0, at(0)).restarted);
            assert!(!clock.stamp(3600, at(40 * MS)).restarted);
            let stamp = clock.stamp(jump.saturating_mul(i64::from(RATE)), at(80 * MS));
            assert!(stamp.restarted, "{jump}");
            assert_eq!(stamp.captured, at(80 * MS));
        }
    }

    #[test]
    fn reordered_pictures_are_no_jump() {
        let mut clock = clock();
        for ticks in [0, 10_800, 3_600, 7_200, 21_600, 14_400, 18_000] {
            assert!(
                !clock
                    .stamp(ticks, at(ticks * 1_000_000_000 / i64::from(RATE)))
                    .restarted
            );
        }
    }
}
