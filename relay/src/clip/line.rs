//! Where samples stand in a clip: times of sources become times of one file (pure).
//!
//! A clip's time runs like capture time, over gaps too. Within a source pictures follow the camera's
//! own media times, which are even; where these have drifted off capture time by more than
//! [`MAIN_NANOS`], and between sources, they are put back. Sound is never stretched: it follows its
//! own durations, and where it is off by more than [`SIDE_NANOS`] silence is left, or a frame is.

/// How far a picture may be from where its capture time puts it, in nanoseconds: half of a picture at
/// 25 a second.
pub(super) const MAIN_NANOS: i64 = 20_000_000;
/// How far the sound may be from its place beside the pictures: ITU-R BT.1359 finds errors noticed
/// from 45 ms on.
pub(crate) const SIDE_NANOS: i64 = 45_000_000;

/// Places groups of the main stream; ticks.
#[derive(Debug, Clone, Copy)]
pub(super) struct MainLine {
    tolerance: i64,
    /// The latest time at which something is shown, and where that ends.
    shown: Option<(i64, i64)>,
    /// The source of the last group, and what its times are shifted by.
    shift: Option<(usize, i64)>,
}

impl MainLine {
    pub(super) fn new(tolerance: i64) -> Self {
        Self {
            tolerance,
            shown: None,
            shift: None,
        }
    }

    /// Places a group whose first picture is shown at `first` in the source's time, and belongs at
    /// `by_capture` in the clip's. Gives what is to be added to the source's times.
    pub(super) fn place(&mut self, source: usize, first: i64, by_capture: i64) -> i64 {
        let Some((shown, end)) = self.shown else {
            let shift = by_capture.saturating_sub(first);
            self.shift = Some((source, shift));
            return shift;
        };
        let continued = match self.shift {
            Some((last, shift)) if last == source => first.saturating_add(shift),
            _ => end,
        };
        let off = by_capture.saturating_sub(continued).saturating_abs();
        let time = match off <= self.tolerance && continued > shown {
            true => continued,
            // Whatever capture times say, the order of pictures stays.
            false => by_capture.max(shown.saturating_add(end.saturating_sub(shown).max(2) / 2)),
        };
        let shift = time.saturating_sub(first);
        self.shift = Some((source, shift));
        shift
    }

    /// Something is shown from `time` until `end`.
    pub(super) fn show(&mut self, time: i64, end: i64) {
        self.shown = Some(match self.shown {
            Some((shown, last_end)) => (shown.max(time), last_end.max(end)),
            None => (time, end),
        });
    }
}

/// Places sound beside the pictures; ticks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SideLine {
    tolerance: i64,
    end: Option<i64>,
}

impl SideLine {
    pub(crate) fn new(tolerance: i64) -> Self {
        Self {
            tolerance,
            end: None,
        }
    }

    /// The frame before the next one ends at `end`.
    pub(super) fn resume(&mut self, end: i64) {
        self.end = Some(end);
    }

    /// The time of a frame that belongs at `time` and lasts for `duration`; none where it has no
    /// room.
    pub(crate) fn place(&mut self, time: i64, duration: u32) -> Option<i64> {
        let placed = match self.end {
            None => time,
            Some(end) => match time.saturating_sub(end) {
                off if off < -self.tolerance => return None,
                off if off > self.tolerance => time,
                _ => end,
            },
        };
        self.end = Some(placed.saturating_add(i64::from(duration.max(1))));
        Some(placed)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Ticks a second, and of a picture.
    const RATE: i64 = 90_000;
    const PICTURE: i64 = 3_600;
    const TOLERANCE: i64 = 1_800;

    fn group(line: &mut MainLine, source: usize, first: i64, by_capture: i64) -> i64 {
        let shift = line.place(source, first, by_capture);
        for number in 0..25 {
            let time = first + shift + number * PICTURE;
            line.show(time, time + PICTURE);
        }
        shift
    }

    #[test]
    fn a_source_goes_on_evenly_and_is_put_back_where_it_drifts() {
        let mut line = MainLine::new(TOLERANCE);
        assert_eq!(group(&mut line, 0, 500, 0), -500);
        // A little off: even.
        assert_eq!(group(&mut line, 0, 500 + RATE, RATE + 900), -500);
        assert_eq!(group(&mut line, 0, 500 + 2 * RATE, 2 * RATE + 1801), 1301);
        // The next file begins its own time, and follows at once.
        let next = group(&mut line, 1, 0, 3 * RATE + 1801 - 700);
        assert_eq!(next, 3 * RATE + 1801);
    }

    #[test]
    fn a_gap_has_its_length_and_an_overlap_keeps_the_order() {
        let mut line = MainLine::new(TOLERANCE);
        group(&mut line, 0, 0, 0);
        assert_eq!(group(&mut line, 1, 0, 8 * RATE), 8 * RATE);
        // Capture times repaired by 300 ms: half of the last picture's time is left to it.
        let early = group(&mut line, 2, 0, 9 * RATE - 27_000);
        assert_eq!(early, 9 * RATE - PICTURE / 2);
    }

    #[test]
    fn sound_is_even_has_gaps_and_loses_what_has_no_room() {
        let mut line = SideLine::new(720); // 45 ms at 16 kHz
        assert_eq!(line.place(100, 1024), Some(100));
        assert_eq!(line.place(1124 + 700, 1024), Some(1124));
        assert_eq!(line.place(2148 - 700, 1024), Some(2148));
        assert_eq!(line.place(3172 - 721, 1024), None);
        assert_eq!(line.place(3172 + 721, 1024), Some(3172 + 721));
    }

    proptest! {
        /// Whatever sources say: pictures stay in order, and where they do not overlap they are
        /// where capture times put them, to within the tolerance.
        #[test]
        fn order_and_truth(groups in prop::collection::vec((0usize..3, 0i64..1 << 40, -RATE..5 * RATE), 1..40)) {
            let mut line = MainLine::new(TOLERANCE);
            let (mut before, mut capture) = (i64::MIN, 0);
            for (source, first, pause) in groups {
                capture += RATE + pause;
                let end = line.shown.map_or(0, |(_, end)| end);
                let time = first + group(&mut line, source, first, capture);
                prop_assert!(time > before);
                if capture >= end {
                    prop_assert!((time - capture).abs() <= TOLERANCE, "{time} {capture}");
                }
                before = time + 24 * PICTURE;
            }
        }
    }
}
