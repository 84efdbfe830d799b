//! When a unit was captured, found from when it arrived.
//!
//! A unit arrives at its capture time plus a delay that is never negative: arrival − media time
//! has a floor, and the units that touch it crossed the link without waiting. The floor is what
//! this clock follows; a unit that waited out a drop-out lies far above it and still gets its true
//! time. The floor may rise by the largest skew of a camera's oscillator, 200 ppm, which is beyond
//! what a crystal shows (common practice, no source), and falls at once.
//!
//! Picture and sound have media times of their own. The answer to PLAY may tell how they belong
//! together (`rtptime` of RTP-Info, RFC 2326 §12.33), and sender reports (RFC 3550 §6.4.1) put both
//! on the camera's own clock; from then on they share one floor and can't drift apart. That clock
//! may be decades off: only its differences are used.
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
/// A sender report that contradicts the one before by more than this: the camera's clock was set.
const REPORT_STEP_NANOS: i64 = 100_000_000;
/// Sound and picture wait differently, but not by so much; reports that say so come from before
/// and after the camera's clock was set.
const REPORTED_APART_NANOS: i64 = 2_000_000_000;
/// What PLAY announces is trusted less: it is wrong in many cameras (common practice, no source).
const ANNOUNCED_APART_NANOS: i64 = 500_000_000;
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

/// The clock of one session. Pure: instants are arguments.
#[derive(Debug, Default)]
pub struct Clock {
    tracks: Vec<Track>,
    shared: Option<Shared>,
}

/// The floor that all tracks share, on an axis that they share.
#[derive(Debug, Clone, Copy)]
struct Shared {
    axis: Axis,
    leak: Leak,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Axis {
    /// Time since PLAY, by the camera's answer to it.
    Announced,
    /// The camera's clock, by its sender reports.
    Reported,
}

#[derive(Debug)]
struct Track {
    /// Which of the session's streams.
    stream: usize,
    clock_rate: NonZeroU32,
    floor: Option<Floor>,
    announced: Option<Report>,
    /// The newest sender report.
    reported: Option<Report>,
}

impl Track {
    fn on(&self, axis: Axis) -> Option<Report> {
        match axis {
            Axis::Announced => self.announced,
            Axis::Reported => self.reported,
        }
    }
}

/// A point of the track's media time on a shared axis.
#[derive(Debug, Clone, Copy)]
struct Report {
    /// On the track's media time, in nanoseconds.
    media: i64,
    /// On the shared axis, in nanoseconds.
    axis: i64,
}

impl Report {
    /// Media time on the shared axis.
    fn axis_time(self, media: i64) -> i64 {
        media.saturating_sub(self.media).saturating_add(self.axis)
    }
}

/// A minimum that may rise by [`SKEW_PPM_MAX`].
#[derive(Debug, Clone, Copy)]
struct Leak {
    offset: i64,
    newest: i64,
}

impl Leak {
    fn new(time: i64, delay: i64) -> Self {
        Self {
            offset: delay,
            newest: time,
        }
    }

    fn take(&mut self, time: i64, delay: i64) {
        let advance = time.saturating_sub(self.newest).max(0);
        let risen = self
            .offset
            .saturating_add(advance / 1_000_000 * SKEW_PPM_MAX);
        self.offset = delay.min(risen);
        self.newest = self.newest.max(time);
    }
}

#[derive(Debug, Clone, Copy)]
struct Floor {
    leak: Leak,
    first_media: i64,
    last_arrival: i64,
}

impl Clock {
    /// A clock for the streams of a session with their clock rates.
    #[must_use]
    pub fn new(streams: impl IntoIterator<Item = (usize, NonZeroU32)>) -> Self {
        let track = |(stream, clock_rate)| Track {
            stream,
            clock_rate,
            floor: None,
            announced: None,
            reported: None,
        };
        Self {
            tracks: streams.into_iter().map(track).collect(),
            shared: None,
        }
    }

    fn track(&mut self, stream: usize) -> Option<&mut Track> {
        self.tracks.iter_mut().find(|track| track.stream == stream)
    }

    /// The capture time of a unit with media time `ticks` that arrived at `arrival`; `None` for a
    /// stream that the clock was not made for.
    pub fn stamp(&mut self, stream: usize, ticks: i64, arrival: CaptureTime) -> Option<Stamp> {
        let arrival = arrival.unix_nanos();
        let track = self.track(stream)?;
        let media = track.nanos(ticks);
        let (floor, restarted) = track.take(media, arrival);
        if restarted {
            self.shared = None;
        }
        if self.contradicted() {
            self.tracks
                .iter_mut()
                .for_each(|track| track.announced = None);
            self.shared = None;
        }
        if self.shared.is_none() {
            self.share();
        }
        let mut captured = media.saturating_add(floor.leak.offset);
        if let Some(mut shared) = self.shared
            && let Some(point) = self.track(stream)?.on(shared.axis)
        {
            let time = point.axis_time(media);
            shared.leak.take(time, arrival.saturating_sub(time));
            captured = time.saturating_add(shared.leak.offset);
            self.shared = Some(shared);
        }
        Some(Stamp {
            captured: CaptureTime::from_unix_nanos(captured),
            uncertainty_nanos: floor.uncertainty(),
            restarted,
        })
    }

    /// Takes what the answer to PLAY says: media time `ticks` is its beginning.
    pub fn announced(&mut self, stream: usize, ticks: i64) {
        if let Some(track) = self.track(stream) {
            track.announced = Some(Report {
                media: track.nanos(ticks),
                axis: 0,
            });
        }
    }

    /// Takes a sender report: media time `ticks` is `ntp` (a 64-bit NTP timestamp) on the
    /// camera's clock.
    pub fn sender_report(&mut self, stream: usize, ticks: i64, ntp: u64) {
        let Some(track) = self.track(stream) else {
            return;
        };
        let new = Report {
            media: track.nanos(ticks),
            axis: ntp_to_unix_nanos(ntp),
        };
        let stepped = track.reported.is_some_and(|old| {
            let step = old.axis_time(new.media).saturating_sub(new.axis);
            step.saturating_abs() > REPORT_STEP_NANOS
        });
        let reported = |shared: &Shared| shared.axis == Axis::Reported;
        if stepped {
            // What the other tracks reported was said by another clock.
            self.tracks
                .iter_mut()
                .for_each(|track| track.reported = None);
            self.shared = self.shared.filter(|shared| !reported(shared));
        }
        if let Some(track) = self.track(stream) {
            track.reported = Some(new);
        }
        if !self.shared.as_ref().is_some_and(reported) {
            self.share();
        }
    }

    /// What PLAY announced is never said again: where the media clocks run apart, or it was wrong,
    /// the tracks' own floors are nearer to the truth after a while.
    fn contradicted(&self) -> bool {
        self.shared
            .is_some_and(|shared| shared.axis == Axis::Announced)
            && self
                .spread(Axis::Announced)
                .is_some_and(|(lowest, highest, _)| {
                    highest.saturating_sub(lowest) > ANNOUNCED_APART_NANOS
                })
    }

    /// Puts the tracks on the best axis that all of them are on.
    fn share(&mut self) {
        if self.tracks.len() > 1
            && let Some(shared) = [Axis::Reported, Axis::Announced]
                .into_iter()
                .find_map(|axis| self.common(axis))
        {
            self.shared = Some(shared);
        }
    }

    /// The lowest of the tracks' floors on an axis: that track waited least. `None` while one is
    /// not on it, or where they are too far apart to be of one clock.
    fn common(&self, axis: Axis) -> Option<Shared> {
        let (lowest, highest, newest) = self.spread(axis)?;
        let apart_max = match axis {
            Axis::Announced => ANNOUNCED_APART_NANOS,
            Axis::Reported => REPORTED_APART_NANOS,
        };
        let leak = Leak::new(newest, lowest);
        (highest.saturating_sub(lowest) < apart_max).then_some(Shared { axis, leak })
    }

    /// Lowest and highest of the tracks' floors on an axis, and the newest time on it. `None` while
    /// a track is not on it.
    fn spread(&self, axis: Axis) -> Option<(i64, i64, i64)> {
        let (mut lowest, mut highest, mut newest) = (i64::MAX, i64::MIN, i64::MIN);
        for track in &self.tracks {
            let (floor, point) = (track.floor?, track.on(axis)?);
            let time = point.axis_time(floor.leak.newest);
            let captured = floor.leak.newest.saturating_add(floor.leak.offset);
            let delay = captured.saturating_sub(time);
            (lowest, highest) = (lowest.min(delay), highest.max(delay));
            newest = newest.max(time);
        }
        Some((lowest, highest, newest))
    }
}

impl Track {
    fn nanos(&self, ticks: i64) -> i64 {
        let nanos = i128::from(ticks) * 1_000_000_000 / i128::from(self.clock_rate.get());
        // 292 years: only a broken media time gets there, and `jumped` catches that.
        i64::try_from(nanos).unwrap_or(if nanos < 0 { i64::MIN } else { i64::MAX })
    }

    /// Puts a unit to the floor; also whether the media time jumped before it.
    fn take(&mut self, media: i64, arrival: i64) -> (Floor, bool) {
        let delay = arrival.saturating_sub(media);
        let (floor, restarted) = match self.floor {
            Some(mut floor) if !floor.jumped(media, arrival) => {
                floor.leak.take(media, delay);
                floor.last_arrival = arrival;
                (floor, false)
            }
            before => {
                let leak = Leak::new(media, delay);
                (
                    Floor {
                        leak,
                        first_media: media,
                        last_arrival: arrival,
                    },
                    before.is_some(),
                )
            }
        };
        if restarted {
            (self.announced, self.reported) = (None, None);
        }
        self.floor = Some(floor);
        (floor, restarted)
    }
}

impl Floor {
    fn jumped(&self, media: i64, arrival: i64) -> bool {
        let media_step = media.saturating_sub(self.leak.newest);
        let arrival_step = arrival.saturating_sub(self.last_arrival);
        media_step > arrival_step.saturating_add(AHEAD_NANOS_MAX) || media_step < -BACK_NANOS_MAX
    }

    /// The first units may all have waited; after a minute some will have crossed at once.
    fn uncertainty(&self) -> u64 {
        const LEARNING_NANOS: u64 = 60_000_000_000;
        let learnt = self.leak.newest.saturating_sub(self.first_media);
        let unlearnt = LEARNING_NANOS.saturating_sub(u64::try_from(learnt).unwrap_or(0));
        // From 2 s (a group of pictures sent at once) down to the least as learning goes on.
        UNCERTAINTY_NANOS_MIN + unlearnt / 30
    }
}

/// Seconds between the epochs of NTP (1900) and Unix (1970), RFC 5905 §6.
const NTP_TO_UNIX_SECONDS: i64 = 2_208_988_800;

/// A 64-bit NTP timestamp in nanoseconds since 1970; its era is the one nearest to 1968–2104,
/// which the highest bit tells (RFC 4330 §3).
#[must_use]
pub fn ntp_to_unix_nanos(ntp: u64) -> i64 {
    let [seconds, fraction] = [ntp >> 32, ntp & 0xffff_ffff].map(u64::cast_signed);
    let era = if seconds & 0x8000_0000 == 0 {
        1 << 32
    } else {
        0
    };
    (seconds + era - NTP_TO_UNIX_SECONDS) * 1_000_000_000 + ((fraction * 1_000_000_000) >> 32)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 90_000;
    const START: i64 = 1_777_879_860_000_000_000;
    const MS: i64 = 1_000_000;

    fn rate(hz: u32) -> NonZeroU32 {
        NonZeroU32::new(hz).unwrap()
    }

    fn clock() -> Clock {
        Clock::new([(0, rate(RATE))])
    }

    fn at(nanos: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(START + nanos)
    }

    fn error(stamp: Option<Stamp>, truth: i64) -> i64 {
        stamp.unwrap().captured.unix_nanos() - START - truth
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
        let mut clock = Clock::new([(0, rate(RATE)), (2, rate(8000))]);
        for step in 0..1000_i64 {
            let truth = step * 20 * MS;
            // Sound waits 180 ms longer, always; its media time begins anywhere.
            let picture = clock.stamp(0, step * 1800, at(truth + 30 * MS));
            let sound = clock.stamp(2, 77_777 + step * 160, at(truth + 210 * MS));
            let apart = error(sound, truth) - error(picture, truth);
            if step == 250 {
                clock.sender_report(0, step * 1800, ntp(truth));
                assert!((apart - 180 * MS).abs() < MS, "{apart}");
                clock.sender_report(2, 77_777 + step * 160, ntp(truth));
            }
            if step > 250 {
                assert!(apart.abs() < MS, "step {step}: {apart}");
                assert!((error(picture, truth) - 30 * MS).abs() < 3 * MS);
            }
        }
    }

    #[test]
    fn what_play_announces_counts_from_the_first_unit() {
        let mut clock = Clock::new([(0, rate(RATE)), (1, rate(8000))]);
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
        let mut clock = Clock::new([(0, rate(RATE)), (1, rate(8000))]);
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
        let mut clock = Clock::new([(0, rate(RATE)), (1, rate(8000))]);
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
            clock.sender_report(0, second * 90_000, ntp(truth + set(20)));
            clock.sender_report(1, second * 8_000, ntp(truth + set(21)));
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

    #[test]
    fn ntp_timestamps() {
        // RFC 3550 §6.4.1's example: b44db705.20000000 is 1995-11-10 11:33:25.125 UTC.
        assert_eq!(
            ntp_to_unix_nanos(0xb44d_b705_2000_0000),
            816_003_205_125_000_000
        );
        // 2036-02-07 06:28:16 UTC, the first second of era 1 (RFC 5905 §6, figure 4).
        assert_eq!(ntp_to_unix_nanos(0), 2_085_978_496_000_000_000);
        // The largest there is, in 2036.
        assert_eq!(ntp_to_unix_nanos(u64::MAX), 2_085_978_495_999_999_999);
    }
}
