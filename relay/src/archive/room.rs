//! How much may wait in the spool, and what happens when that is reached.
//!
//! A thread of its own looks at it five times a second. At the bound footage alone is refused, or the
//! oldest footage that waits is let go: stills, findings, journals and the catalog go on in what the
//! reserve keeps free for them.

use std::io;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::disk::Room;
use super::ledger::FOOTAGE;
use super::ledger::footage;
use super::names::SpoolName;
use super::recover::Part;
use super::store::{Store, locked};
use super::{ArchiveError, ArchiveEvent, At, ObjectKey, StorageError};
use crate::config::WhenFull;
use crate::units::CaptureTime;

const TICK: Duration = Duration::from_millis(200);
/// What was let go is told again until the ledger has it.
const TELL_AGAIN: Duration = Duration::from_secs(60);
/// The reserve: a share of the file system within these bounds, and never more than a quarter.
const RESERVE_SHARE: u64 = 64;
const RESERVE_MIN: u64 = 64 << 20;
const RESERVE_MAX: u64 = 1 << 30;
/// What is taken again once there is room for so much more: a share of the bound, up to this.
const MARGIN_SHARE: u64 = 32;
const MARGIN_MAX: u64 = 64 << 20;

/// What is carried how fast, and what happens when it can't be.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct CarryOptions {
    /// Bytes that may wait in the spool; none: as much as there is room for, but for the reserve.
    pub waiting_max: Option<u64>,
    /// What is lost then.
    pub when_full: WhenFull,
    /// Bytes that are copied in a second, and read back; 0: as fast as it goes.
    pub bytes_per_second: u64,
    /// The ladder makes room when less is free: the reserve must be less than that.
    pub floor_bytes: Option<u64>,
}

/// Whether footage is taken.
#[derive(Debug, Default)]
pub(super) struct Gate {
    is_shut: AtomicBool,
    /// Why.
    reason: Mutex<String>,
    /// What may wait, as of now; 0: not known yet.
    bytes_max: AtomicU64,
}

/// How full the spool is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct SpoolState {
    /// Finished objects that wait to be carried.
    pub objects: u64,
    /// Their length.
    pub bytes: u64,
    /// Begin of the oldest.
    pub oldest: Option<CaptureTime>,
    /// What may wait, what is being written included: the setting, or less where the disk has less.
    pub bytes_max: u64,
    /// Whether footage is refused.
    pub is_full: bool,
    /// What has been copied to the archive.
    pub carried_bytes: u64,
}

/// What there is, against what there may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Measure {
    /// Waits, or is being written.
    used: u64,
    used_max: u64,
    free: u64,
    reserve: u64,
}

impl Measure {
    fn new(used: u64, room: Room, options: &CarryOptions) -> Self {
        let floor = options.floor_bytes.map_or(u64::MAX, |floor| floor / 2);
        let share = room.total_bytes / RESERVE_SHARE;
        let reserve = share.clamp(RESERVE_MIN, RESERVE_MAX);
        Self {
            used,
            used_max: options.waiting_max.unwrap_or(u64::MAX),
            free: room.free_bytes,
            reserve: reserve.min(room.total_bytes / 4).min(floor),
        }
    }

    fn bytes_max(&self) -> u64 {
        let spare = self.free.saturating_sub(self.reserve);
        self.used_max.min(self.used.saturating_add(spare))
    }

    fn is_over(&self) -> bool {
        self.used >= self.used_max || self.free < self.reserve
    }

    /// What is missing until it may go on.
    fn excess(&self) -> u64 {
        let margin = |bound: u64| (bound / MARGIN_SHARE).min(MARGIN_MAX);
        let used = self.used.saturating_add(margin(self.used_max));
        let used = used.saturating_sub(self.used_max);
        let wanted = self.reserve.saturating_add(margin(self.reserve));
        used.max(wanted.saturating_sub(self.free))
    }
}

impl Store {
    /// Refuses footage while the spool is full.
    pub(super) fn admit(&self, key: &ObjectKey) -> Result<(), ArchiveError> {
        if key.purpose == FOOTAGE && self.gate.is_shut.load(Ordering::Acquire) {
            return Err(ArchiveError::Full(locked(&self.gate.reason).clone()));
        }
        Ok(())
    }

    /// How full the spool is. No disk is asked.
    pub(super) fn spool_state(&self) -> SpoolState {
        let waiting = locked(&self.waiting);
        SpoolState {
            objects: waiting.objects(),
            bytes: waiting.bytes(),
            oldest: waiting.oldest(),
            bytes_max: self.gate.bytes_max.load(Ordering::Acquire),
            is_full: self.gate.is_shut.load(Ordering::Acquire),
            carried_bytes: self.carried_bytes.load(Ordering::Acquire),
        }
    }

    pub(super) fn shut(&self, reason: Option<String>) {
        let is_shut = reason.is_some();
        if let Some(reason) = &reason {
            locked(&self.gate.reason).clone_from(reason);
        }
        if self.gate.is_shut.swap(is_shut, Ordering::AcqRel) != is_shut {
            self.tell(ArchiveEvent::SpoolFull(reason));
        }
    }

    /// Measures the spool, makes room where that is wanted, and opens or shuts the gate.
    pub(super) fn keep_room(&self) {
        let measure = || {
            let room = self.disk.room(&self.spool.root).ok()?;
            let used = locked(&self.waiting).bytes();
            let used = used.saturating_add(self.open_bytes());
            Some(Measure::new(used, room, &self.carry))
        };
        // A spool that does not tell refuses by itself.
        let Some(mut now) = measure() else { return };
        // What was fetched can be fetched again.
        if now.is_over() && self.disk.give_room() {
            now = measure().unwrap_or(now);
        }
        // Not before what a crash left is sorted: see `Wake::ready`.
        let is_ready = locked(&self.wake).ready;
        if self.carry.when_full == WhenFull::DropOldest && is_ready && now.is_over() {
            self.let_go(now.excess());
            now = measure().unwrap_or(now);
        }
        self.gate
            .bytes_max
            .store(now.bytes_max(), Ordering::Release);
        let is_shut = self.gate.is_shut.load(Ordering::Acquire);
        if now.is_over() || is_shut && now.excess() > 0 {
            self.shut(Some(self.why_full(&now)));
        } else {
            self.shut(None);
        }
    }

    fn why_full(&self, now: &Measure) -> String {
        let megabytes = |bytes: u64| bytes / 1_000_000;
        let spool = self.spool.root.display();
        let reason = if now.used >= now.used_max {
            let max = megabytes(now.used_max);
            format!("the spool {spool} is full: {max} MB wait, which is waiting_max")
        } else {
            let (free, reserve) = (megabytes(now.free), megabytes(now.reserve));
            format!(
                "the disk of the spool {spool} is full: {free} MB are free, {reserve} MB are kept for what is no footage"
            )
        };
        match self.away() {
            Some(away) => format!("{reason}; the archive is away ({})", away.reason.as_str()),
            None => reason,
        }
    }

    /// Lets the oldest footage go that waits, until so much is free.
    fn let_go(&self, bytes: u64) {
        let mut freed = 0;
        let footage: Vec<_> = {
            let waiting = locked(&self.waiting);
            let mut sum = 0_u64;
            let claimed = locked(&self.claimed);
            // What is being carried, perhaps for hours, frees nothing: the next ones go.
            let free = waiting.of_purpose(FOOTAGE);
            let free = free.filter(|(name, _)| !claimed.contains(&name.encode()));
            let enough = free.take_while(|(_, length)| {
                let wanted = sum < bytes;
                sum = sum.saturating_add(*length);
                wanted
            });
            enough.collect()
        };
        for (name, length) in footage {
            // It has begun to be carried since.
            let Some(_claim) = self.claim(&name) else {
                continue;
            };
            match self.let_one_go(&name, length) {
                Ok(()) => freed += length,
                Err(error) if self.is_missing(&error.path) => {
                    locked(&self.waiting).remove(&name, length)
                }
                Err(error) => {
                    self.tell(ArchiveEvent::PublishFailed {
                        path: error.path.clone(),
                        error: error.line(),
                        retry_in: Some(TICK),
                    });
                    return;
                }
            }
            if freed >= bytes {
                return;
            }
        }
    }

    /// Its name is kept, in a folder of its own, until the ledger has written down what is lost. That
    /// is a new file: the content, whatever other names a crash has left it, is never cut.
    fn let_one_go(&self, name: &SpoolName, length: u64) -> Result<(), StorageError> {
        let path = self.spool.finished.join(name.encode());
        let (begin, end) = self.footage_span(name)?;
        let kept = SpoolName {
            end: name.end.or(Some(end)),
            ..name.clone()
        };
        let to = self.spool.let_go.join(kept.encode());
        match self.disk.create_new(&to) {
            // An earlier try failed after that.
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            created => drop(created.at("create", &to)?),
        }
        // Durable before the footage goes.
        let folder = &self.spool.let_go;
        self.disk.sync_dir(folder).at("flush the folder", folder)?;
        self.remove(&path)?;
        locked(&self.waiting).remove(name, length);
        self.tell(ArchiveEvent::LetGo {
            key: ObjectKey {
                begin,
                ..name.key.clone()
            },
            end,
            bytes: Some(length),
            spooled: path,
            tombstone: to,
        });
        Ok(())
    }

    /// From when to when its pictures are, by its boxes, or else by its name.
    fn footage_span(&self, name: &SpoolName) -> Result<(CaptureTime, CaptureTime), StorageError> {
        let path = self.spool.finished.join(name.encode());
        let file = self.disk.open_to_read(&path).at("open", &path)?;
        let size = file.size().at("look up", &path)?;
        let part = Part { file: &*file, size };
        let begin = name.key.begin;
        let held = footage::read(&part, begin, name.end).map(|recorded| recorded.spans);
        let held = held.unwrap_or_default();
        let first = held.iter().map(|span| span.begin).min();
        let last = held.iter().map(|span| span.end).max();
        let least = CaptureTime::from_unix_nanos(begin.unix_nanos().saturating_add(1_000_000));
        let end = last.or(name.end).unwrap_or(least).max(least);
        Ok((first.unwrap_or(begin).min(begin), end))
    }

    /// Tells of what was let go before, and is not in the ledger yet.
    fn tell_again(&self) {
        let mut names = Vec::new();
        let listed = self.disk.each_entry(&self.spool.let_go, &mut |entry| {
            names.extend(entry.to_str().and_then(SpoolName::decode));
        });
        if listed.is_err() {
            return;
        }
        for name in names {
            let Some(end) = name.end else { continue };
            let tombstone = self.spool.let_go.join(name.encode());
            let endless = SpoolName {
                end: None,
                ..name.clone()
            };
            let looked = [&name, &endless].map(|name| {
                let found = self.disk.metadata(&self.spool.finished.join(name.encode()));
                found.map_err(|error| error.kind())
            });
            if looked.iter().any(Result::is_ok) {
                // A crash or a failure came before it went: it waits still.
                self.disk.unlink(&tombstone).ok();
                continue;
            }
            if looked
                .iter()
                .any(|found| *found != Err(io::ErrorKind::NotFound))
            {
                continue;
            }
            self.tell(ArchiveEvent::LetGo {
                spooled: self.spool.finished.join(name.encode()),
                key: name.key,
                end,
                bytes: None,
                tombstone,
            });
        }
    }

    /// Learns what waits from earlier runs.
    fn index(&self) -> io::Result<()> {
        let mut names = Vec::new();
        let finished = &self.spool.finished;
        self.disk.each_entry(finished, &mut |entry| {
            names.extend(entry.to_str().and_then(SpoolName::decode));
        })?;
        for name in names {
            // Whoever takes it away does that first, and then says so.
            let mut waiting = locked(&self.waiting);
            if let Ok(found) = self.disk.metadata(&finished.join(name.encode())) {
                waiting.add(&name, found.bytes);
            }
        }
        Ok(())
    }
}

/// The thread.
pub(super) fn watch(store: &Store) {
    let mut is_indexed = false;
    let mut told_again: Option<Instant> = None;
    loop {
        if !is_indexed {
            is_indexed = store.index().is_ok();
        }
        store.look_for_answer();
        if store.keep_spool() {
            store.keep_room();
        }
        if told_again.is_none_or(|at| at.elapsed() >= TELL_AGAIN) {
            told_again = Some(Instant::now());
            store.tell_again();
        }
        let wake = locked(&store.wake);
        let waited = store
            .woken
            .wait_timeout_while(wake, TICK, |wake| !wake.closing);
        if !waited.is_ok_and(|(wake, _)| !wake.closing) {
            return;
        }
    }
}

#[cfg(test)]
#[path = "room_tests.rs"]
mod disk_tests;

#[cfg(test)]
mod tests {
    use super::*;

    const MIB: u64 = 1 << 20;

    fn measure(used: u64, free: u64, total: u64, options: CarryOptions) -> Measure {
        let room = Room {
            free_bytes: free,
            total_bytes: total,
        };
        Measure::new(used, room, &options)
    }

    #[test]
    fn the_reserve_is_a_share_of_the_disk_within_bounds() {
        let reserve = |total, floor_bytes| {
            let options = CarryOptions {
                floor_bytes,
                ..CarryOptions::default()
            };
            measure(0, total, total, options).reserve
        };
        assert_eq!(reserve(20 * MIB, None), 5 * MIB);
        assert_eq!(reserve(1024 * MIB, None), 64 * MIB);
        assert_eq!(reserve(10_240 * MIB, None), 160 * MIB);
        assert_eq!(reserve(1 << 40, None), 1024 * MIB);
        // The ladder must come first.
        assert_eq!(reserve(1 << 40, Some(1024 * MIB)), 512 * MIB);
        assert_eq!(reserve(1 << 40, Some(1 << 40)), 1024 * MIB);
    }

    #[test]
    fn what_may_wait_is_the_setting_or_what_the_disk_has() {
        let total = 100_000 * MIB;
        let plain = CarryOptions::default();
        assert_eq!(
            measure(70, 2000 * MIB, total, plain).bytes_max(),
            70 + 976 * MIB
        );
        let bounded = CarryOptions {
            waiting_max: Some(320 * MIB),
            ..plain
        };
        let at = |used, free| measure(used, free, total, bounded);
        assert_eq!(at(0, 50_000 * MIB).bytes_max(), 320 * MIB);
        assert!(!at(319 * MIB, 50_000 * MIB).is_over());
        assert!(at(320 * MIB, 50_000 * MIB).is_over());
        assert!(at(0, 1023 * MIB).is_over());
        // It goes on with some room: not for each picture anew.
        assert_eq!(at(320 * MIB, 50_000 * MIB).excess(), 10 * MIB);
        assert_eq!(at(310 * MIB, 50_000 * MIB).excess(), 0);
        assert_eq!(at(0, 1023 * MIB).excess(), 33 * MIB);
        assert_eq!(at(0, 1056 * MIB).excess(), 0);
        assert_eq!(measure(9, 2000 * MIB, total, plain).excess(), 0);
    }
}
