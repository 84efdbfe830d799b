use proptest::prelude::*;

use super::reports::NTP_TO_UNIX_SECONDS;
use super::*;

const RATE: u32 = 90_000;
/// Monotonic time counts from anywhere.
const START: i64 = 86_400_000_000_000;
const MS: i64 = 1_000_000;

fn rate(hz: u32) -> NonZeroU32 {
    NonZeroU32::new(hz).unwrap()
}

/// A clock with one session.
struct One(Clock, SessionId);

impl One {
    fn new<const N: usize>(streams: [(usize, u32); N]) -> Self {
        let mut clock = Clock::new();
        let id = clock.begin(streams.map(|(stream, hz)| (stream, rate(hz))));
        Self(clock, id)
    }

    fn stamp(&mut self, stream: usize, ticks: i64, arrival: i64) -> Option<Stamp> {
        self.0.stamp(self.1, stream, ticks, arrival)
    }

    fn announced(&mut self, stream: usize, ticks: i64) {
        self.0.announced(self.1, stream, ticks);
    }

    fn sender_report(&mut self, stream: usize, ticks: i64, ntp: u64, arrival: i64) {
        self.0.sender_report(self.1, stream, ticks, ntp, arrival);
    }
}

fn clock() -> One {
    One::new([(0, RATE)])
}

fn at(nanos: i64) -> i64 {
    START + nanos
}

fn error(stamp: Option<Stamp>, truth: i64) -> i64 {
    stamp.unwrap().captured - START - truth
}

#[test]
fn units_that_waited_out_an_outage_get_their_true_time() {
    let mut clock = clock();
    for frame in 0..3000_i64 {
        let truth = frame * 40 * MS;
        // 30 ms on the way; everything captured in 10 s of outage arrives at its end.
        let outage = (1000..1250).contains(&frame);
        let arrival = truth.max(if outage { 50_000 * MS } else { 0 });
        let stamp = clock.stamp(0, frame * 3600, at(arrival + 30 * MS));
        let error = error(stamp, truth);
        assert!((0..=32 * MS).contains(&error), "frame {frame}: {error}");
        assert!(!stamp.unwrap().restarted);
    }
}

#[test]
fn skew_is_followed_both_ways() {
    for ppm in [-150_i64, 150] {
        let mut clock = clock();
        for second in 0..36_000_i64 {
            let truth = second * 1_000 * MS;
            let media = second * i64::from(RATE) * (1_000_000 + ppm) / 1_000_000;
            let error = error(clock.stamp(0, media, at(truth)), truth);
            assert!(error.abs() < MS, "{ppm} ppm, second {second}: {error}");
        }
    }
}

#[test]
fn a_jump_of_media_time_restarts_the_clock() {
    for jump in [-3_600_i64, 3_600, i64::from(u32::MAX), i64::MAX / 2_000_000] {
        let mut clock = clock();
        assert!(!clock.stamp(0, 0, at(0)).unwrap().restarted);
        assert!(!clock.stamp(0, 3600, at(40 * MS)).unwrap().restarted);
        let ticks = jump.saturating_mul(i64::from(RATE));
        let stamp = clock.stamp(0, ticks, at(80 * MS)).unwrap();
        assert!(stamp.restarted, "{jump}");
        assert_eq!(stamp.captured, at(80 * MS));
    }
}

#[test]
fn reordered_pictures_are_no_jump() {
    let mut clock = clock();
    for ticks in [0, 10_800, 3_600, 7_200, 21_600, 14_400, 18_000] {
        let arrival = at(ticks * 1_000_000_000 / i64::from(RATE));
        assert!(!clock.stamp(0, ticks, arrival).unwrap().restarted);
    }
}

/// A 64-bit NTP timestamp of `nanos` after an instant in 1970: the camera's clock was never
/// set.
fn ntp(nanos: i64) -> u64 {
    let nanos = (nanos + 5_000 * 1_000 * MS) as u64;
    let (seconds, rest) = (nanos / 1_000_000_000, nanos % 1_000_000_000);
    ((seconds + NTP_TO_UNIX_SECONDS as u64) << 32) | ((rest << 32) / 1_000_000_000)
}

#[test]
fn sender_reports_bring_sound_and_picture_together() {
    let mut clock = One::new([(0, RATE), (2, 8000)]);
    for step in 0..1000_i64 {
        let truth = step * 20 * MS;
        // Sound waits 180 ms longer, always; its media time begins anywhere.
        let picture = clock.stamp(0, step * 1800, at(truth + 30 * MS));
        let sound = clock.stamp(2, 77_777 + step * 160, at(truth + 210 * MS));
        let apart = error(sound, truth) - error(picture, truth);
        if step == 250 {
            clock.sender_report(0, step * 1800, ntp(truth), at(truth + 30 * MS));
            assert!((apart - 180 * MS).abs() < MS, "{apart}");
            clock.sender_report(2, 77_777 + step * 160, ntp(truth), at(truth + 30 * MS));
        }
        if step > 250 {
            assert!(apart.abs() < MS, "step {step}: {apart}");
            assert!((error(picture, truth) - 30 * MS).abs() < 3 * MS);
        }
    }
}

#[test]
fn what_play_announces_counts_from_the_first_unit() {
    let mut clock = One::new([(0, RATE), (1, 8000)]);
    clock.announced(0, 500);
    clock.announced(1, 77_777);
    for step in 0..100_i64 {
        let truth = step * 20 * MS;
        let picture = clock.stamp(0, 500 + step * 1800, at(truth + 30 * MS));
        let sound = clock.stamp(1, 77_777 + step * 160, at(truth + 210 * MS));
        assert!((error(picture, truth) - 30 * MS).abs() < MS);
        assert!((error(sound, truth) - 30 * MS).abs() < MS);
    }
}

#[test]
fn nonsense_in_the_answer_to_play_moves_nothing() {
    let mut clock = One::new([(0, RATE), (1, 8000)]);
    clock.announced(0, 500);
    clock.announced(1, 77_777 - 8000 * 300);
    for step in 0..100_i64 {
        let truth = step * 20 * MS;
        for stamp in [
            clock.stamp(0, 500 + step * 1800, at(truth + 30 * MS)),
            clock.stamp(1, 77_777 + step * 160, at(truth + 30 * MS)),
        ] {
            assert!((error(stamp, truth) - 30 * MS).abs() < MS);
        }
    }
}

#[test]
fn a_camera_clock_that_is_set_tears_nothing() {
    let mut clock = One::new([(0, RATE), (1, 8000)]);
    for second in 0..60_i64 {
        let truth = second * 1_000 * MS;
        // Set between the reports of the two tracks, by an hour and back.
        let set = |from: i64| {
            if (from..40).contains(&second) {
                3_600_000 * MS
            } else {
                0
            }
        };
        clock.sender_report(
            0,
            second * 90_000,
            ntp(truth + set(20)),
            at(truth + 30 * MS),
        );
        clock.sender_report(1, second * 8_000, ntp(truth + set(21)), at(truth + 30 * MS));
        for stamp in [
            clock.stamp(0, second * 90_000, at(truth + 30 * MS)),
            clock.stamp(1, second * 8_000, at(truth + 30 * MS)),
        ] {
            let error = error(stamp, truth);
            assert!(
                (29 * MS..42 * MS).contains(&error),
                "second {second}: {error}"
            );
        }
    }
}
