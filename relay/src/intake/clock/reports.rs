//! What a camera says about its own clock: sender reports (RFC 3550 §6.4.1).

use std::collections::VecDeque;

/// One report in this time is kept.
const APART_NANOS: i64 = 10_000_000_000;
const WINDOW_NANOS: i64 = 1_800_000_000_000;
/// Fewer reports, or over less time, don't show how the clocks run apart: the newest one counts.
const FIT_COUNT: usize = 8;
const FIT_SPAN_NANOS: i64 = 60_000_000_000;
/// A report that contradicts those before by more than this: the camera's clock was set.
pub(super) const STEP_NANOS: i64 = 100_000_000;

/// Seconds between the epochs of NTP (1900) and Unix (1970), RFC 5905 §6.
pub(super) const NTP_TO_UNIX_SECONDS: i64 = 2_208_988_800;

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

/// The camera's clock minus a track's media time, in nanoseconds, over media time: a line, as
/// both are clocks of the camera. How they run apart matters: a camera that keeps its clock by
/// NTP still counts media time by a crystal.
#[derive(Debug, Clone)]
pub(super) struct Reports {
    /// Media time and difference.
    points: VecDeque<(i64, i64)>,
    mean: (f64, f64),
    slope: Option<f64>,
    /// Arrival of the first and of the newest.
    pub(super) began: i64,
    pub(super) arrival: i64,
    /// Between which steps of the camera's clock; `None` while it is not known whether it stepped
    /// since the session before.
    pub(super) epoch: Option<u64>,
}

impl Reports {
    pub(super) fn new(media: i64, ahead: i64, arrival: i64, epoch: Option<u64>) -> Self {
        Self {
            points: VecDeque::from([(media, ahead)]),
            mean: (0.0, 0.0),
            slope: None,
            began: arrival,
            arrival,
            epoch,
        }
    }

    /// Takes a report that follows the ones before.
    pub(super) fn take(&mut self, media: i64, ahead: i64, arrival: i64) {
        self.arrival = arrival;
        let before_last = self.points.len().checked_sub(2);
        if let Some(&(before, _)) = before_last.and_then(|place| self.points.get(place))
            && self.newest().saturating_sub(before) < APART_NANOS
        {
            self.points.pop_back();
        }
        if media > self.newest() {
            self.points.push_back((media, ahead));
        }
        while let Some(&(first, _)) = self.points.front()
            && media.saturating_sub(first) > WINDOW_NANOS
        {
            self.points.pop_front();
        }
        self.fit();
    }

    /// Media time of the newest report.
    pub(super) fn newest(&self) -> i64 {
        self.points.back().map_or(i64::MIN, |point| point.0)
    }

    /// How many there are, up to the bound.
    pub(super) fn count(&self) -> usize {
        self.points.len()
    }

    /// The camera's clock minus media time at a media time.
    pub(super) fn ahead(&self, media: i64) -> i64 {
        let Some(&(newest, ahead)) = self.points.back() else {
            return 0;
        };
        let Some(slope) = self.slope else {
            return ahead;
        };
        let since = media.saturating_sub(newest) as f64 - self.mean.0;
        ahead.saturating_add((self.mean.1 + slope * since) as i64)
    }

    /// Media time when the camera's clock showed `camera`.
    pub(super) fn media_at(&self, camera: i64) -> i64 {
        let near = camera.saturating_sub(self.ahead(self.newest()));
        camera.saturating_sub(self.ahead(near))
    }

    /// Media time from the first to the newest.
    pub(super) fn span(&self) -> i64 {
        let first = self.points.front().map_or(0, |point| point.0);
        self.newest().saturating_sub(first)
    }

    /// The camera's nanoseconds for one of media time, less one.
    pub(super) fn slope(&self) -> Option<f64> {
        self.slope
    }

    /// Least squares, counted from the newest.
    fn fit(&mut self) {
        self.slope = None;
        let (Some(&first), Some(&last)) = (self.points.front(), self.points.back()) else {
            return;
        };
        if self.points.len() < FIT_COUNT || last.0.saturating_sub(first.0) < FIT_SPAN_NANOS {
            return;
        }
        let points = || {
            self.points.iter().map(|point| {
                let from = |one: i64, other: i64| one.saturating_sub(other) as f64;
                (from(point.0, last.0), from(point.1, last.1))
            })
        };
        let count = self.points.len() as f64;
        let (sum_x, sum_y) =
            points().fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
        let (mean_x, mean_y) = (sum_x / count, sum_y / count);
        let (mut squares, mut products) = (0.0, 0.0);
        for (x, y) in points() {
            squares += (x - mean_x) * (x - mean_x);
            products += (x - mean_x) * (y - mean_y);
        }
        if squares > 0.0 {
            self.mean = (mean_x, mean_y);
            self.slope = Some(products / squares);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: i64 = 1_000_000_000;

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

    #[test]
    fn reports_are_bounded_and_extrapolated() {
        let mut reports = Reports::new(0, 5 * SECOND, 0, Some(0));
        for step in 1..2000_i64 {
            // 80 ppm, read 2 ms late every second time.
            let late = step % 2 * 2_000_000;
            reports.take(step * 5 * SECOND, 5 * SECOND + step * 400_000 + late, 0);
        }
        assert!(reports.count() <= 182, "{}", reports.count());
        assert!((reports.slope().unwrap() - 80e-6).abs() < 1e-6);
        let ahead = reports.ahead(10_200 * SECOND) - 5 * SECOND;
        assert!((ahead - 816_000_000).abs() < 3_000_000, "{ahead}");
        let camera = 10_200 * SECOND + 5 * SECOND + 816_000_000;
        let media = reports.media_at(camera) - 10_200 * SECOND;
        assert!(media.abs() < 3_000_000, "{media}");
    }
}
