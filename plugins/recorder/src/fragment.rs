//! Units that wait to be written together.

use forebay_plugin_sdk::{Instant, UnitInfo};

/// A fragment is cut before it holds more units, so that held handles are bounded. 10 s of 60
/// pictures and 50 frames of sound a second are 1100.
pub const UNITS_MAX: usize = 1500;
/// A fragment is cut before it holds more bytes (but holds one unit of any size): 2 s at 64 Mb/s.
pub const BYTES_MAX: u64 = 16 << 20;

/// A unit with its place.
#[derive(Debug)]
pub(crate) struct Held<U> {
    pub(crate) unit: U,
    /// Presentation time in ticks after the unit that opened the file.
    pub(crate) time: i64,
    pub(crate) captured: Instant,
    /// Ticks; 0 where only the next unit tells.
    pub(crate) duration: u32,
    pub(crate) size: u32,
    pub(crate) sync: bool,
}

impl<U> Held<U> {
    pub(crate) fn new(info: &UnitInfo, unit: U, time: i64, sync: bool) -> Self {
        let UnitInfo {
            captured,
            duration,
            size,
            ..
        } = *info;
        Self {
            unit,
            time,
            captured,
            duration,
            size,
            sync,
        }
    }
}

/// Units of one fragment, each track's in decode order.
#[derive(Debug)]
pub(crate) struct Fragment<U> {
    pub(crate) main: Vec<Held<U>>,
    pub(crate) side: Vec<Held<U>>,
    bytes: u64,
}

impl<U> Default for Fragment<U> {
    fn default() -> Self {
        Self {
            main: Vec::new(),
            side: Vec::new(),
            bytes: 0,
        }
    }
}

impl<U> Fragment<U> {
    pub(crate) fn push_main(&mut self, held: Held<U>) {
        self.bytes += u64::from(held.size);
        self.main.push(held);
    }

    pub(crate) fn push_side(&mut self, held: Held<U>) {
        self.bytes += u64::from(held.size);
        self.side.push(held);
    }

    pub(crate) fn units(&self) -> usize {
        self.main.len() + self.side.len()
    }

    pub(crate) fn bytes(&self) -> u64 {
        self.bytes
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.units() == 0
    }

    /// The earliest presentation time of the main track.
    pub(crate) fn first_shown(&self) -> Option<i64> {
        self.main.iter().map(|held| held.time).min()
    }

    /// Whether a fragment should end before a unit of the main track at `time`.
    ///
    /// It is a group of pictures, or `limit` ticks of a longer one. A group that is longer by up
    /// to two units stays whole: cameras make groups of exactly the usual fragment's length, with
    /// some jitter. Where each unit is a sync sample (JPEG, sound), half of `limit` is enough for
    /// a cut, but less is not.
    ///
    /// With reordering, a cut is only right before a unit that is shown after all those before it:
    /// what is decoded later is then, as a rule, shown later.
    pub(crate) fn ends_before(&self, time: i64, sync: bool, limit: i64, usual: u32) -> bool {
        let (Some(first), Some(latest)) = (
            self.first_shown(),
            self.main.iter().map(|held| held.time).max(),
        ) else {
            return false;
        };
        let span = time.saturating_sub(first);
        let usual = i64::from(usual).min(limit / 4);
        let group = sync && (span >= limit / 2 || self.main.iter().any(|held| !held.sync));
        time > latest && (group || span >= limit.saturating_add(2 * usual))
    }
}
