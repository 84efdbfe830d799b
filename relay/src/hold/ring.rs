//! The ring itself: who writes, what is dropped, and the index of groups.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::watch;

use super::cursor::Cursor;
use super::unit::{TrackKind, Unit};
use crate::config::WhenBehind;
use crate::units::CaptureTime;

/// What a unit takes beside its payload, about: without it a camera that sends a byte at a time
/// would take a hundred times the bound.
pub(super) const UNIT_OVERHEAD: usize = 256;

/// Recent units of one camera.
#[derive(Debug)]
pub struct Hold {
    ring: Mutex<Ring>,
    /// Number of units ever pushed; what cursors wait on.
    pushed: watch::Sender<u64>,
    bytes_max: AtomicUsize,
}

impl Hold {
    /// An empty hold that keeps at most `bytes_max` bytes, counting 256 a unit beside its payload
    /// (and always the newest unit).
    #[must_use]
    pub fn new(bytes_max: usize) -> Arc<Self> {
        Arc::new(Self {
            ring: Mutex::new(Ring::default()),
            pushed: watch::Sender::new(0),
            bytes_max: AtomicUsize::new(bytes_max),
        })
    }

    /// Takes a unit in, gives it its sequence number, and tells how many bytes are held now.
    /// Never waits for a reader.
    pub fn push(&self, unit: Unit) -> usize {
        let (evicted, pushed, bytes) = {
            let mut ring = self.lock();
            ring.push(unit);
            (ring.evict(self.bytes_max()), ring.end(), ring.bytes)
        };
        // Payloads are freed outside the lock: cursors need not wait for the allocator.
        drop(evicted);
        self.pushed.send_replace(pushed);
        bytes
    }

    /// A reader that begins at the newest group, or at the next one when there is none.
    #[must_use]
    pub fn cursor(self: &Arc<Self>, when_behind: WhenBehind) -> Cursor {
        let position = {
            let ring = self.lock();
            ring.newest_group().unwrap_or_else(|| ring.tail())
        };
        Cursor::new(
            Arc::clone(self),
            self.pushed.subscribe(),
            position,
            when_behind,
        )
    }

    /// A reader that begins at the oldest group captured at `from` or later; where there is none,
    /// as [`cursor`](Self::cursor).
    #[must_use]
    pub fn cursor_from(self: &Arc<Self>, when_behind: WhenBehind, from: CaptureTime) -> Cursor {
        let position = {
            let ring = self.lock();
            let late = |group: &&Position| {
                ring.get(group.sequence)
                    .is_some_and(|unit| unit.captured >= from)
            };
            let newest = || ring.newest_group().unwrap_or_else(|| ring.tail());
            ring.groups
                .iter()
                .find(late)
                .copied()
                .unwrap_or_else(newest)
        };
        Cursor::new(
            Arc::clone(self),
            self.pushed.subscribe(),
            position,
            when_behind,
        )
    }

    /// The units of these numbers; none where not all of them are held.
    #[must_use]
    pub fn range(&self, numbers: std::ops::Range<u64>) -> Option<Vec<Arc<Unit>>> {
        let ring = self.lock();
        numbers.map(|number| ring.get(number).cloned()).collect()
    }

    /// Number of the oldest unit held.
    #[must_use]
    pub fn oldest(&self) -> u64 {
        self.lock().start()
    }

    /// The unit that came last.
    #[must_use]
    pub fn newest(&self) -> Option<Arc<Unit>> {
        let ring = self.lock();
        ring.slots.back().map(|slot| Arc::clone(&slot.unit))
    }

    /// Capture time of the newest unit where reading can begin.
    #[must_use]
    pub fn newest_group(&self) -> Option<CaptureTime> {
        let ring = self.lock();
        let group = ring.newest_group()?;
        ring.get(group.sequence).map(|unit| unit.captured)
    }

    /// The key frames that are held, oldest first.
    #[must_use]
    pub fn key_frames(&self) -> Vec<Arc<Unit>> {
        let ring = self.lock();
        let begins = ring.groups.iter();
        begins
            .filter_map(|group| ring.get(group.sequence))
            .filter(|unit| unit.track.codec.kind() == TrackKind::Video)
            .map(Arc::clone)
            .collect()
    }

    /// The newest key frame that is held.
    #[must_use]
    pub fn newest_key_frame(&self) -> Option<Arc<Unit>> {
        let ring = self.lock();
        let mut groups = ring.groups.iter().rev();
        groups
            .find_map(|group| {
                ring.get(group.sequence)
                    .filter(|unit| unit.track.codec.kind() == TrackKind::Video)
            })
            .cloned()
    }

    /// Units pushed since the hold was made.
    #[must_use]
    pub fn units_pushed(&self) -> u64 {
        *self.pushed.borrow()
    }

    /// Bytes held now.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.lock().bytes
    }

    /// The bound of [`bytes`](Self::bytes).
    #[must_use]
    pub fn bytes_max(&self) -> usize {
        self.bytes_max.load(Ordering::Relaxed)
    }

    /// Keeps at most so many bytes from the next unit on.
    pub fn resize(&self, bytes_max: usize) {
        self.bytes_max.store(bytes_max, Ordering::Relaxed);
    }

    pub(super) fn lock(&self) -> MutexGuard<'_, Ring> {
        // The ring's methods leave it whole at every point where they could panic.
        self.ring.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A place in the stream, with what lies before it, so that a reader who lost units can say how
/// much without the units being there any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Position {
    pub(super) sequence: u64,
    pub(super) bytes_before: u64,
    pub(super) groups_before: u64,
}

#[derive(Debug)]
struct Slot {
    unit: Arc<Unit>,
    position: Position,
}

#[derive(Debug, Default)]
pub(super) struct Ring {
    slots: VecDeque<Slot>,
    /// Where groups begin, oldest first; all of them are in `slots`.
    groups: VecDeque<Position>,
    tail: Position,
    bytes: usize,
}

impl Ring {
    fn push(&mut self, mut unit: Unit) {
        let position = self.tail;
        unit.sequence = position.sequence;
        let starts_group = unit.starts_group();
        let size = unit.payload.len();
        self.bytes += size + UNIT_OVERHEAD;
        if starts_group {
            self.groups.push_back(position);
        }
        self.slots.push_back(Slot {
            unit: Arc::new(unit),
            position,
        });
        self.tail = Position {
            sequence: position.sequence + 1,
            bytes_before: position.bytes_before + size as u64,
            groups_before: position.groups_before + u64::from(starts_group),
        };
    }

    /// Brings the ring under its bound: whole groups from the oldest; where there is one group
    /// only (longer than the bound), unit by unit: readers that keep up have read those already.
    fn evict(&mut self, bytes_max: usize) -> Vec<Slot> {
        let mut evicted = Vec::new();
        while self.bytes > bytes_max && self.slots.len() > 1 {
            let until = match self.groups.get(1) {
                Some(second) => second.sequence,
                None => self.start() + 1,
            };
            while self.slots.len() > 1 && self.start() < until {
                let Some(slot) = self.slots.pop_front() else {
                    break;
                };
                self.bytes -= slot.unit.payload.len() + UNIT_OVERHEAD;
                evicted.push(slot);
            }
            let start = self.start();
            while self
                .groups
                .front()
                .is_some_and(|group| group.sequence < start)
            {
                self.groups.pop_front();
            }
        }
        evicted
    }

    /// Sequence number of the oldest unit held.
    pub(super) fn start(&self) -> u64 {
        self.slots
            .front()
            .map_or(self.tail.sequence, |slot| slot.position.sequence)
    }

    /// Sequence number of the next unit to come.
    pub(super) fn end(&self) -> u64 {
        self.tail.sequence
    }

    pub(super) fn tail(&self) -> Position {
        self.tail
    }

    pub(super) fn newest_group(&self) -> Option<Position> {
        self.groups.back().copied()
    }

    /// The oldest group that begins at `sequence` or later.
    pub(super) fn group_from(&self, sequence: u64) -> Option<Position> {
        let index = self
            .groups
            .partition_point(|group| group.sequence < sequence);
        self.groups.get(index).copied()
    }

    pub(super) fn get(&self, sequence: u64) -> Option<&Arc<Unit>> {
        let index = usize::try_from(sequence.checked_sub(self.start())?).ok()?;
        self.slots.get(index).map(|slot| &slot.unit)
    }
}
