//! A reader's place in the hold.

use std::sync::Arc;

use tokio::sync::watch;

use super::ring::{Hold, Position};
use super::unit::Unit;
use crate::config::WhenBehind;
use crate::units::CaptureTime;

/// What a reader lost by being slow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lapse {
    /// Units of any track.
    pub units: u64,
    /// Their payload.
    pub bytes: u64,
    /// Groups of pictures of which some or all is lost.
    pub groups: u64,
    /// Capture time of the last unit read before; `None` when none was.
    pub after: Option<CaptureTime>,
}

/// What [`Cursor::read`] gives.
#[derive(Debug, Default)]
pub struct Batch {
    /// What was lost before the first of `units`.
    pub lapse: Option<Lapse>,
    /// In order; empty when there is nothing new.
    pub units: Vec<Arc<Unit>>,
}

/// A reader's place in a [`Hold`].
#[derive(Debug)]
pub struct Cursor {
    hold: Arc<Hold>,
    pushed: watch::Receiver<u64>,
    next: Position,
    /// Set while what was lost before `next` isn't reported: reading goes on at a group only.
    broken: Option<Position>,
    last_captured: Option<CaptureTime>,
    when_behind: WhenBehind,
}

impl Cursor {
    pub(super) fn new(
        hold: Arc<Hold>,
        pushed: watch::Receiver<u64>,
        next: Position,
        when_behind: WhenBehind,
    ) -> Self {
        Self {
            hold,
            pushed,
            next,
            broken: None,
            last_captured: None,
            when_behind,
        }
    }

    /// Waits until there is a unit that was not read yet. Cancel-safe. Also returns when the
    /// hold is gone, which can't be: the cursor keeps it.
    pub async fn ready(&mut self) {
        let next = self.next.sequence;
        // The only error is a dropped sender, and `self.hold` holds it.
        let waited = self.pushed.wait_for(|pushed| *pushed > next).await;
        drop(waited);
    }

    /// Capture time of the last unit read.
    #[must_use]
    pub fn last_captured(&self) -> Option<CaptureTime> {
        self.last_captured
    }

    /// Units that are held and were not read.
    #[must_use]
    pub fn lag(&self) -> u64 {
        self.pushed.borrow().saturating_sub(self.next.sequence)
    }

    /// The next units in order, at most `units_max` and (beyond the first) `bytes_max` bytes.
    pub fn read(&mut self, units_max: usize, bytes_max: usize) -> Batch {
        let mut batch = Batch::default();
        let ring = self.hold.lock();
        if self.next.sequence < ring.start() && self.broken.is_none() {
            self.broken = Some(self.next);
        }
        if let Some(lost_from) = self.broken {
            let resume = match self.when_behind {
                WhenBehind::SkipOldest => ring.group_from(self.next.sequence.max(ring.start())),
                // Never back: a reader that kept up stands inside of the newest group.
                WhenBehind::SkipToNewest => ring
                    .newest_group()
                    .filter(|group| group.sequence >= lost_from.sequence),
            };
            // No group to go on with is held: all of it is lost, wait for the next one.
            let Some(resume) = resume else {
                self.next = ring.tail();
                return batch;
            };
            self.broken = None;
            self.next = resume;
            batch.lapse = (resume.sequence > lost_from.sequence).then(|| Lapse {
                units: resume.sequence - lost_from.sequence,
                bytes: resume.bytes_before - lost_from.bytes_before,
                // The group that was being read when the loss began counts as lost too.
                groups: (resume.groups_before - lost_from.groups_before).max(1),
                after: self.last_captured,
            });
        }
        let mut bytes = 0;
        while batch.units.len() < units_max {
            let Some(unit) = ring.get(self.next.sequence) else {
                break;
            };
            bytes += unit.payload.len();
            if bytes > bytes_max && !batch.units.is_empty() {
                break;
            }
            self.next = Position {
                sequence: self.next.sequence + 1,
                bytes_before: self.next.bytes_before + unit.payload.len() as u64,
                groups_before: self.next.groups_before + u64::from(unit.starts_group()),
            };
            self.last_captured = Some(unit.captured);
            batch.units.push(Arc::clone(unit));
        }
        batch
    }

    /// Gives up what remains of the group being read, because a reader that starts anew can't use
    /// it: reading goes on at the next group, and what lies between is reported as lost.
    pub fn break_group(&mut self) {
        self.broken.get_or_insert(self.next);
    }
}

#[cfg(test)]
mod tests {
    use std::num::NonZeroU32;

    use bytes::Bytes;
    use proptest::prelude::*;

    use super::*;
    use crate::hold::ring::UNIT_OVERHEAD;
    use crate::hold::{Codec, Track, TrackSet};

    /// Five units of 20 bytes.
    const HOLD: usize = 5 * (20 + UNIT_OVERHEAD);

    fn unit(tracks: &Arc<TrackSet>, random_access: bool, size: usize, captured: i64) -> Unit {
        Unit {
            sequence: 0,
            track: Arc::clone(&tracks.tracks[0]),
            tracks: Arc::clone(tracks),
            media_time: captured,
            duration: 0,
            timeline: 0,
            captured: CaptureTime::from_unix_nanos(captured),
            uncertainty_nanos: 0,
            random_access,
            discontinuity: false,
            payload: Bytes::from(vec![0; size]),
        }
    }

    fn video() -> Arc<TrackSet> {
        let track = Track {
            id: 1,
            codec: Codec::H264,
            rfc6381: String::new(),
            clock_rate: NonZeroU32::new(90_000).unwrap(),
            width: 16,
            height: 16,
            channels: 0,
            decoder_configuration: Bytes::new(),
        };
        Arc::new(TrackSet {
            generation: 1,
            tracks: vec![Arc::new(track)],
        })
    }

    #[test]
    fn a_new_cursor_begins_at_the_newest_group() {
        let hold = Hold::new(10_000);
        for (index, key) in [true, false, true, false].into_iter().enumerate() {
            hold.push(unit(&video(), key, 10, index as i64));
        }
        let batch = hold.cursor(WhenBehind::SkipOldest).read(10, 1000);
        assert_eq!(
            batch
                .units
                .iter()
                .map(|unit| unit.sequence)
                .collect::<Vec<_>>(),
            [2, 3]
        );
        assert_eq!(batch.lapse, None);
    }

    #[test]
    fn a_group_longer_than_the_hold_costs_a_late_reader_all_of_it() {
        let hold = Hold::new(3 * (10 + UNIT_OVERHEAD));
        let mut late = hold.cursor(WhenBehind::SkipOldest);
        for index in 0..10 {
            hold.push(unit(&video(), index == 0, 10, index));
        }
        assert!(late.read(100, 1000).units.is_empty());
        hold.push(unit(&video(), true, 10, 10));
        let batch = late.read(100, 1000);
        let lapse = batch.lapse.unwrap();
        assert_eq!(
            (lapse.units, lapse.bytes, lapse.groups, lapse.after),
            (10, 100, 1, None)
        );
        assert_eq!(batch.units[0].sequence, 10);
    }

    proptest! {
        /// Whatever the pace: every unit is read once or reported lost once, in order; after a
        /// loss reading goes on at a group; the bound holds.
        #[test]
        fn nothing_is_lost_silently(
            steps in prop::collection::vec(
                (any::<bool>(), 1_usize..40, 0_usize..4, prop::bool::weighted(0.05)), 1..300),
            newest in any::<bool>(),
        ) {
            let tracks = video();
            let hold = Hold::new(HOLD);
            let policy = if newest { WhenBehind::SkipToNewest } else { WhenBehind::SkipOldest };
            let mut cursor = hold.cursor(policy);
            let (mut expected, mut read_bytes, mut lost_bytes, mut pushed_bytes) = (0, 0, 0, 0);
            let mut check = |batch: Batch| {
                if let Some(lapse) = batch.lapse {
                    assert!(lapse.units > 0 && lapse.groups > 0);
                    expected += lapse.units;
                    lost_bytes += lapse.bytes;
                    assert!(batch.units[0].starts_group());
                }
                for unit in batch.units {
                    assert_eq!(unit.sequence, expected);
                    expected += 1;
                    read_bytes += unit.payload.len() as u64;
                }
                (expected, read_bytes + lost_bytes)
            };
            for (index, (key, size, reads, breaks)) in steps.iter().enumerate() {
                hold.push(unit(&tracks, *key, *size, index as i64));
                pushed_bytes += *size as u64;
                prop_assert!(hold.bytes() <= HOLD);
                if *breaks {
                    cursor.break_group();
                }
                for _ in 0..*reads {
                    check(cursor.read(3, 50));
                }
            }
            hold.push(unit(&tracks, true, 1, 0));
            loop {
                let batch = cursor.read(3, 50);
                if batch.units.is_empty() { break }
                check(batch);
            }
            prop_assert_eq!(check(Batch::default()), (steps.len() as u64 + 1, pushed_bytes + 1));
        }
    }
}
