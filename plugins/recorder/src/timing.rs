//! Times of samples: from the media times of a camera, which may jump, to times in a file, which
//! may not.

use std::num::NonZeroU32;

use forebay_plugin_sdk::{Instant, UnitInfo};

const SECOND: i128 = 1_000_000_000;
/// A longer step within a timeline is a broken clock, not a pause.
const FORWARD_MAX_NANOS: i64 = 60 * SECOND as i64;
/// A longer step back is a broken clock, not reordering: 16 pictures, the most that H.264 and
/// H.265 hold for output, last 2 s at 8 pictures a second.
const BACK_MAX_NANOS: i64 = 2 * SECOND as i64;
/// A longer step between pictures, and one of more than three times the step before it, is a hole:
/// the camera left pictures out. Shorter ones may be a camera that was busy.
const HOLE_MIN_NANOS: i64 = SECOND as i64 / 2;
/// The same where no step came before: cameras with fewer pictures are not known.
const HOLE_ALONE_NANOS: i64 = 5 * SECOND as i64;
/// Sound may be captured this much before the picture that opens a file.
const LEAD_MAX_NANOS: i64 = SECOND as i64;
/// How far the sound may be from where its capture time puts it, beyond the uncertainty of both,
/// before it is moved. ITU-R BT.1359 finds errors noticed from 45 ms (sound early) and 125 ms
/// (sound late).
const DRIFT_MAX_NANOS: i64 = 100_000_000;
/// A drift must last this long to count: one late unit is no drift.
const DRIFT_LASTS_NANOS: i64 = 3 * SECOND as i64;

/// Ticks a second of a track.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Clock(NonZeroU32);

impl Clock {
    /// `None` for a rate of zero.
    #[must_use]
    pub fn new(rate: u32) -> Option<Self> {
        NonZeroU32::new(rate).map(Self)
    }

    fn rate(self) -> i128 {
        self.0.get().into()
    }

    /// Ticks as nanoseconds, rounded to the nearest.
    #[must_use]
    pub fn nanos(self, ticks: i64) -> i64 {
        clamp(rounded(i128::from(ticks) * SECOND, self.rate()))
    }

    /// Nanoseconds as ticks, rounded to the nearest.
    #[must_use]
    pub fn ticks(self, nanos: i64) -> i64 {
        clamp(rounded(i128::from(nanos) * self.rate(), SECOND))
    }
}

fn rounded(dividend: i128, divisor: i128) -> i128 {
    (dividend + divisor / 2).div_euclid(divisor)
}

fn clamp(value: i128) -> i64 {
    value.clamp(i64::MIN.into(), i64::MAX.into()) as i64
}

/// Decode times for samples in decode order, given their presentation times: those times sorted,
/// then raised where needed so that each is greater than the one before and the first greater
/// than `floor`. As pictures are decoded before they are shown, a sample's composition offset
/// (presentation − decode time) may be negative: `trun` version 1, ISO/IEC 14496-12 §8.8.8.
#[must_use]
pub fn decode_times(presentation: impl Iterator<Item = i64>, floor: Option<i64>) -> Vec<i64> {
    let mut times: Vec<i64> = presentation.collect();
    times.sort_unstable();
    let mut floor = floor;
    for time in &mut times {
        if let Some(floor) = floor {
            *time = (*time).max(floor.saturating_add(1));
        }
        floor = Some(*time);
    }
    times
}

/// How much later than decoded, by [`decode_times`], samples must be shown so that none is shown
/// before it is decoded.
#[must_use]
pub fn reordering(presentation: impl Iterator<Item = i64> + Clone) -> i64 {
    let decode = decode_times(presentation.clone(), None);
    let late = decode
        .iter()
        .zip(presentation)
        .map(|(decode, time)| decode.saturating_sub(time));
    late.max().unwrap_or(0).max(0)
}

/// Durations for samples with these decode times: the distance to the next, at least 1. The last
/// one lasts until `next`, or `usual` where that is unknown.
#[must_use]
pub fn durations(decode: &[i64], next: Option<i64>, usual: u32) -> Vec<u32> {
    let usual = i64::from(usual.max(1));
    let end = next.or_else(|| Some(decode.last()?.saturating_add(usual)));
    let until = decode.iter().skip(1).copied().chain(end);
    decode
        .iter()
        .zip(until)
        .map(|(from, until)| distance(*from, until))
        .collect()
}

/// From one to the other in ticks, at least 1.
pub(crate) fn distance(from: i64, until: i64) -> u32 {
    u32::try_from(until.saturating_sub(from).max(1)).unwrap_or(u32::MAX)
}

/// A unit's place in a file, for what is placed relative to it.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    /// After the unit that opens the file; nanoseconds.
    pub nanos: i64,
    /// When that was captured.
    pub captured: Instant,
    /// Half-width of the interval that holds the truth; nanoseconds.
    pub uncertainty: u64,
}

#[derive(Debug, Clone, Copy)]
struct Last {
    media_time: i64,
    time: i64,
    timeline: u32,
    captured: Instant,
    uncertainty: u64,
}

impl Last {
    fn new(info: &UnitInfo, time: i64) -> Self {
        let UnitInfo {
            media_time,
            timeline,
            captured,
            uncertainty,
            ..
        } = *info;
        Self {
            media_time,
            time,
            timeline,
            captured,
            uncertainty,
        }
    }
}

/// Times of the track that a file is built on: the first unit is at 0, the others follow the
/// camera's media times.
#[derive(Debug)]
pub struct MainLine {
    clock: Clock,
    last: Option<Last>,
    /// The greatest time yet.
    latest: i64,
    /// By how much it grew last.
    step: Option<i64>,
    reordered: bool,
    broken: bool,
}

impl MainLine {
    /// With no unit yet.
    #[must_use]
    pub fn new(clock: Clock) -> Self {
        Self {
            clock,
            last: None,
            latest: 0,
            step: None,
            reordered: false,
            broken: false,
        }
    }

    /// Units were seen that are shown before one that came before them.
    #[must_use]
    pub fn reordered(&self) -> bool {
        self.reordered
    }

    /// The camera's times jumped, and the times given since are estimates.
    #[must_use]
    pub fn broken(&self) -> bool {
        self.broken
    }

    /// The timeline of the last unit.
    #[must_use]
    pub fn timeline(&self) -> Option<u32> {
        self.last.map(|last| last.timeline)
    }

    /// Where the media time puts a unit; `None` when the times before can't be compared with it.
    #[must_use]
    pub fn expected(&self, info: &UnitInfo) -> Option<i64> {
        let Some(last) = self.last else {
            return Some(0);
        };
        let step = info.media_time.checked_sub(last.media_time)?;
        let time = last.time.saturating_add(step);
        let forward = step <= self.clock.ticks(FORWARD_MAX_NANOS);
        let back = time >= self.latest.saturating_sub(self.clock.ticks(BACK_MAX_NANOS));
        (info.timeline == last.timeline && forward && back).then_some(time)
    }

    /// As [`expected`](Self::expected), for a unit where decoding can begin: whatever was sent
    /// before it is shown before it.
    #[must_use]
    pub fn expected_random_access(&self, info: &UnitInfo) -> Option<i64> {
        self.expected(info)
            .filter(|time| self.last.is_none() || *time > self.latest)
    }

    /// Whether something is missing between what is placed and a unit at `time`. A camera that
    /// just became slower makes one such hole, not one for each unit.
    #[must_use]
    pub fn hole_before(&self, time: i64) -> bool {
        let step = time.saturating_sub(self.latest);
        self.last.is_some()
            && match self.step {
                Some(before) => {
                    step > self.clock.ticks(HOLE_MIN_NANOS) && step > before.saturating_mul(3)
                }
                None => step > self.clock.ticks(HOLE_ALONE_NANOS),
            }
    }

    /// The time of the next unit. One that can't be compared is put after all before it, at the
    /// distance of capture where that makes sense, else at the `usual` one.
    pub fn place(&mut self, info: &UnitInfo, usual: u32) -> i64 {
        let time = self.expected(info).unwrap_or_else(|| {
            self.broken = true;
            let captured = self.last.map_or(info.captured, |last| last.captured);
            let step = match info.captured.saturating_sub(captured) {
                step @ 1..=FORWARD_MAX_NANOS => self.clock.ticks(step),
                _ => usual.into(),
            };
            self.latest.saturating_add(step.max(1))
        });
        self.reordered |= time < self.latest;
        if self.last.is_some() && time > self.latest {
            self.step = Some(time.saturating_sub(self.latest));
        }
        self.latest = self.latest.max(time);
        self.last = Some(Last::new(info, time));
        time
    }

    /// The last unit's place.
    #[must_use]
    pub fn point(&self) -> Option<Point> {
        let Last {
            time,
            captured,
            uncertainty,
            ..
        } = self.last?;
        Some(Point {
            nanos: self.clock.nanos(time),
            captured,
            uncertainty,
        })
    }
}

/// Times of the sound beside the picture: the first unit is put by its capture time, the others
/// follow the media times of the sound, so that no sample is doubled or left out by the jitter of
/// capture times. They are put anew when media times jump, or when sound and picture have drifted
/// apart for a while.
#[derive(Debug)]
pub struct SideLine {
    clock: Clock,
    last: Option<Last>,
    /// Where the last unit ends: nothing can be put anew before it.
    end: i64,
    drift_since: Option<i64>,
    early: bool,
}

impl SideLine {
    /// With no unit yet.
    #[must_use]
    pub fn new(clock: Clock) -> Self {
        Self {
            clock,
            last: None,
            end: i64::MIN,
            drift_since: None,
            early: false,
        }
    }

    /// The sound should be earlier than it is, which only a new file can give.
    #[must_use]
    pub fn early(&self) -> bool {
        self.early
    }

    /// Nothing may be put before this time: the file begins there.
    pub fn begin(&mut self, time: i64) {
        self.end = self.end.max(time);
    }

    /// The time of the next unit in ticks after the unit that opens the file. Negative for sound
    /// captured before it.
    pub fn place(&mut self, info: &UnitInfo, main: Point) -> i64 {
        let distance = info.captured.saturating_sub(main.captured);
        let distance = distance.clamp(-FORWARD_MAX_NANOS, FORWARD_MAX_NANOS);
        let by_capture = main.nanos.saturating_add(distance).max(-LEAD_MAX_NANOS);
        let by_capture = self.clock.ticks(by_capture);
        let time = match self.followed(info) {
            Some(time) if !self.drifted(info, main, time, by_capture) => time,
            _ => by_capture.max(self.end),
        };
        self.end = time.saturating_add(i64::from(info.duration.max(1)));
        self.last = Some(Last::new(info, time));
        time
    }

    fn followed(&self, info: &UnitInfo) -> Option<i64> {
        let last = self.last?;
        let step = info.media_time.checked_sub(last.media_time)?;
        let sane = step > 0 && step <= self.clock.ticks(FORWARD_MAX_NANOS);
        (info.timeline == last.timeline && sane).then(|| last.time.saturating_add(step))
    }

    fn drifted(&mut self, info: &UnitInfo, main: Point, time: i64, by_capture: i64) -> bool {
        let doubt = info.uncertainty.saturating_add(main.uncertainty);
        let doubt = i64::try_from(doubt).unwrap_or(i64::MAX);
        let drift = self.clock.nanos(by_capture.saturating_sub(time));
        if drift.saturating_abs() <= DRIFT_MAX_NANOS.saturating_add(doubt) {
            self.drift_since = None;
            return false;
        }
        let since = *self.drift_since.get_or_insert(time);
        let lasted = self.clock.nanos(time.saturating_sub(since)) >= DRIFT_LASTS_NANOS;
        if lasted {
            self.drift_since = None;
            self.early |= drift < 0;
        }
        lasted && drift > 0
    }
}
