//! The floor of the delays: a line under all of them, as near to them as one can be.
//!
//! Delay is arrival − media time, on the axis of one media clock. It is the least delay of the
//! path, plus what a unit waited, plus a line: where the clocks began and how they run apart. The
//! lower convex hull of the delays shows that line; the edge of it that lies over the mean of the
//! media times is the line under all points with the least sum of distances (Moon, Skelly,
//! Towsley, "Estimation and Removal of Clock Skew from Network Delay Measurements", INFOCOM 1999;
//! as a hull: Zhang, Liu, Xia, "Clock Synchronization Algorithms for Network Measurements",
//! INFOCOM 2002).

use std::collections::VecDeque;

/// Of each second of media time the least delay is kept.
pub(super) const SLOT_NANOS: i64 = 1_000_000_000;
/// Longer than the longest outage and what it takes to drain it: units that did not wait are in
/// the window then.
pub(super) const WINDOW_NANOS: i64 = 1800 * SLOT_NANOS;
/// Largest skew between a camera's media clock and ours; beyond what a crystal shows (common
/// practice, no source).
pub(super) const SKEW_MAX: f64 = 200e-6;
/// With less than this in the window its slope says nothing.
const SLOPE_SPAN_NANOS: i64 = 120 * SLOT_NANOS;
/// A slope from a longer window is kept until the present one is half as long, or shows that it
/// misses by more than a queue that comes or goes.
const SLOPE_MISS_NANOS: f64 = 60e6;
/// Delays that lie more than this above a newer one waited or took another path: they say nothing
/// about the line any more.
const FALL_NANOS: i64 = 100_000_000;
/// The hull is built anew when the window has changed by one part in so many, which makes it
/// cheap: as many points for each new slot, whatever the length of the window.
const REBUILD_PARTS: usize = 128;

#[derive(Debug, Clone, Copy)]
struct Point {
    time: i64,
    delay: i64,
}

#[derive(Debug, Clone, Copy)]
struct Line {
    through: Point,
    slope: f64,
}

impl Line {
    fn at(&self, time: i64) -> i64 {
        let since = time.saturating_sub(self.through.time);
        let risen = self.slope * since as f64;
        self.through.delay.saturating_add(risen as i64)
    }
}

/// How media time and ours run apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Skew {
    /// Our nanoseconds for one of media time, less one.
    pub(super) slope: f64,
    /// The media time that it was learnt from.
    pub(super) span: i64,
}

/// Minima of the delays on one axis, and the line under them.
#[derive(Debug, Clone)]
pub(super) struct Envelope {
    /// One a slot, by time.
    points: VecDeque<Point>,
    line: Option<Line>,
    skew: Option<Skew>,
    /// Slots that the line does not know.
    new_slots: usize,
    residual: i64,
}

impl Envelope {
    pub(super) fn new(skew: Option<Skew>) -> Self {
        Self {
            points: VecDeque::new(),
            line: None,
            skew,
            new_slots: 0,
            residual: 0,
        }
    }

    /// Takes the delay of a unit with media time `time`; the line is never above it then. Whether a
    /// slot was opened.
    pub(super) fn take(&mut self, time: i64, delay: i64) -> bool {
        let point = Point { time, delay };
        let below = self.at(time).map_or(0, |floor| floor.saturating_sub(delay));
        if below > FALL_NANOS {
            self.points.clear();
            self.line = None;
        } else if below > 0
            && let Some(line) = &mut self.line
        {
            line.through.delay = line.through.delay.saturating_sub(below);
        }
        let opened = self.insert(point);
        self.new_slots += usize::from(opened);
        if self.line.is_none() || self.new_slots * REBUILD_PARTS > self.points.len() {
            self.fit();
        }
        opened
    }

    /// Takes all that another axis learnt, whose times are `shift` less than here.
    pub(super) fn absorb(&mut self, other: &Self, shift: i64) {
        for point in &other.points {
            self.insert(Point {
                time: point.time.saturating_add(shift),
                delay: point.delay.saturating_sub(shift),
            });
        }
        let longer = |skew: &Skew| self.skew.is_none_or(|own| own.span < skew.span);
        self.skew = other.skew.filter(longer).or(self.skew);
        self.fit();
    }

    /// The line at a media time.
    pub(super) fn at(&self, time: i64) -> Option<i64> {
        self.line.map(|line| line.at(time))
    }

    pub(super) fn skew(&self) -> Option<Skew> {
        self.skew
    }

    /// Media time from the first to the last point.
    pub(super) fn span(&self) -> i64 {
        match (self.points.front(), self.points.back()) {
            (Some(first), Some(last)) => last.time.saturating_sub(first.time),
            _ => 0,
        }
    }

    /// How far the line lies below the nearest delay of the newest quarter of the window.
    pub(super) fn residual(&self) -> i64 {
        self.residual
    }

    /// Whether the point opened a slot.
    fn insert(&mut self, point: Point) -> bool {
        let slot = |time: i64| time.div_euclid(SLOT_NANOS);
        let own = slot(point.time);
        let lower = |known: &mut Point| {
            if point.delay < known.delay {
                *known = point;
            }
        };
        match self.points.back_mut() {
            Some(last) if slot(last.time) == own => {
                lower(last);
                false
            }
            Some(last) if slot(last.time) > own => {
                if last.time.saturating_sub(point.time) > WINDOW_NANOS {
                    return false;
                }
                // A session that still drains is behind its successor.
                let place = self.points.partition_point(|known| slot(known.time) < own);
                match self.points.get_mut(place) {
                    Some(known) if slot(known.time) == own => {
                        lower(known);
                        false
                    }
                    _ => {
                        self.points.insert(place, point);
                        true
                    }
                }
            }
            _ => {
                self.points.push_back(point);
                while let Some(first) = self.points.front()
                    && point.time.saturating_sub(first.time) > WINDOW_NANOS
                {
                    self.points.pop_front();
                }
                true
            }
        }
    }

    fn fit(&mut self) {
        self.new_slots = 0;
        let Some(&last) = self.points.back() else {
            return;
        };
        let slope = self.choose_slope();
        let Some(lowest) = self
            .points
            .iter()
            .copied()
            .min_by_key(|point| above(*point, last.time, slope))
        else {
            return;
        };
        let line = Line {
            through: lowest,
            slope,
        };
        let quarter = self.points.len() / 4;
        self.residual = self
            .points
            .iter()
            .rev()
            .take(quarter.max(1))
            .map(|point| point.delay.saturating_sub(line.at(point.time)))
            .min()
            .unwrap_or(0)
            .max(0);
        self.line = Some(line);
    }

    fn choose_slope(&mut self) -> f64 {
        let span = self.span();
        let short = span < SLOPE_SPAN_NANOS;
        if let Some(skew) = self.skew
            && short
        {
            return skew.slope;
        }
        // Where nothing is known a bad slope is better than none: it can't be wrong by more.
        let slope = self.hull_slope().unwrap_or(0.0);
        let slope = slope.clamp(-SKEW_MAX, SKEW_MAX);
        match self.skew {
            Some(skew)
                if span < skew.span / 2
                    && (slope - skew.slope).abs() * (span as f64) < SLOPE_MISS_NANOS =>
            {
                skew.slope
            }
            _ => {
                if !short {
                    self.skew = Some(Skew { slope, span });
                }
                slope
            }
        }
    }

    /// The slope of that edge of the lower hull that lies over the mean of the times.
    fn hull_slope(&self) -> Option<f64> {
        let base = *self.points.front()?;
        // Differences within a window are exact in `f64`.
        let points = self.points.iter().map(|point| {
            (
                point.time.saturating_sub(base.time) as f64,
                point.delay.saturating_sub(base.delay) as f64,
            )
        });
        let mut hull: Vec<(f64, f64)> = Vec::new();
        let mut sum = 0.0;
        for (x, y) in points {
            sum += x;
            // Andrew's monotone chain: the last point stays if it lies below the new edge.
            while let [.., (x0, y0), (x1, y1)] = hull[..]
                && (y1 - y0) * (x - x0) >= (y - y0) * (x1 - x0)
            {
                hull.pop();
            }
            hull.push((x, y));
        }
        let mean = sum / self.points.len() as f64;
        hull.windows(2).find_map(|edge| match *edge {
            [(x0, y0), (x1, y1)] if x1 >= mean => Some((y1 - y0) / (x1 - x0)),
            _ => None,
        })
    }
}

/// The delay as it would be at `time` on a line with this slope.
fn above(point: Point, time: i64, slope: f64) -> i64 {
    let since = time.saturating_sub(point.time);
    point.delay.saturating_add((slope * since as f64) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: i64 = SLOT_NANOS;

    #[test]
    fn the_line_lies_on_the_hull() {
        // Delays on a line of 50 ppm, and above it but for two seconds in each ten.
        let mut envelope = Envelope::new(None);
        for second in 0..1000 {
            let waited = if second % 10 < 2 { 0 } else { 3_000_000 };
            envelope.take(second * SECOND, 7_000_000 + second * 50_000 + waited);
        }
        assert!((envelope.line.unwrap().slope - 50e-6).abs() < 1e-9);
        let end = envelope.at(1000 * SECOND).unwrap();
        assert!((end - 57_000_000).abs() < 1000, "{end}");
        assert!(envelope.skew().unwrap().span > 980 * SECOND);
    }

    #[test]
    fn the_window_is_bounded() {
        let mut envelope = Envelope::new(None);
        for half in 0..20_000 {
            envelope.take(half * SECOND / 2, 0);
        }
        assert_eq!(envelope.points.len(), 1801);
        // A late unit from before the window changes nothing.
        envelope.take(0, 50);
        assert_eq!(envelope.points.len(), 1801);
        assert_eq!(envelope.span(), WINDOW_NANOS);
    }

    #[test]
    fn a_known_slope_serves_a_short_window() {
        let skew = Skew {
            slope: -40e-6,
            span: WINDOW_NANOS,
        };
        let mut envelope = Envelope::new(Some(skew));
        // One unit in five seconds crosses at once, and that only in the first ten seconds.
        for second in 0..100 {
            let waited = if second < 10 { 0 } else { 20_000_000 };
            envelope.take(second * SECOND, waited - second * 40_000);
        }
        assert_eq!(envelope.at(100 * SECOND), Some(-4_000_000));
    }

    #[test]
    fn a_slope_that_proves_wrong_is_given_up() {
        let skew = Skew {
            slope: -100e-6,
            span: WINDOW_NANOS,
        };
        let mut envelope = Envelope::new(Some(skew));
        for second in 0..400 {
            envelope.take(second * SECOND, second * 100_000);
        }
        assert!((envelope.line.unwrap().slope - 100e-6).abs() < 1e-9);
    }
}
