//! `live.m3u8`: what the hold has, as a list of segments. Nothing is kept but where they begin; what
//! is in them is read from the hold when it is fetched.

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use bytes::Bytes;

use super::mux::{Breaks, Fragment, Muxer, NoFilm, Parts, Placed};
use super::playlist::{Entry, Master, Media};
use crate::config::WhenBehind;
use crate::hold::{Cursor, Hold, Unit};
use crate::units::CaptureTime;

/// So much of the hold is listed from the begin.
const BACK_NANOS: i64 = 20_000_000_000;
/// Length of a segment: as many groups of pictures as this takes, at least one, ...
const SEGMENT_NANOS: i64 = 1_600_000_000;
/// ... and no more than this, whether a group ends there or not.
const SEGMENT_SECONDS_MAX: u64 = 6;
/// So many targets are listed, and as many again can still be fetched.
const LISTED_TARGETS: u64 = 6;
const LISTED_NANOS_MIN: i64 = 12_000_000_000;
/// A list that nobody has fetched for so long ends; the next one begins another.
const IDLE: Duration = Duration::from_secs(30);
/// Units read at a time; their payloads are not touched.
const UNITS: usize = 512;
/// Marks of one segment; one that would have more ends.
const MARKS_MAX: usize = 4096;

/// Where a unit of a segment is.
#[derive(Debug, Clone, Copy)]
struct Mark {
    sequence: u64,
    is_main: bool,
    time: i64,
}

/// A segment that is whole.
#[derive(Debug, Clone)]
struct Segment {
    number: u64,
    /// Which beginning it needs.
    map: u64,
    is_break: bool,
    begin: CaptureTime,
    nanos: i64,
    bytes: u64,
    pictures: u64,
    marks: Vec<Mark>,
    /// For the decode times.
    floor: Option<i64>,
    next: Option<i64>,
    usual: i64,
}

/// Cuts the units of a camera into segments (pure but for the cursor).
#[derive(Debug)]
struct Run {
    id: u64,
    cursor: Cursor,
    muxer: Option<Muxer>,
    /// Length at which a segment ends with the group, in nanoseconds.
    usual: i64,
    target_seconds: u64,
    open: Vec<Placed>,
    open_break: bool,
    floor: Option<i64>,
    segments: VecDeque<Segment>,
    maps: VecDeque<(u64, Bytes, Parts)>,
    next_number: u64,
    /// Breaks before the first of `segments`.
    breaks: u64,
    why_not: Option<NoFilm>,
    asked: Instant,
}

/// The live segments of one camera.
#[derive(Debug, Default)]
pub(super) struct Channel(Mutex<Option<Run>>);

/// What a list can't be made for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum NoList {
    /// No segment is whole yet.
    Yet,
    /// There will be none.
    Never(NoFilm),
    /// That list has ended.
    Ended,
}

impl Channel {
    /// The list of renditions.
    ///
    /// # Errors
    /// Why there is none.
    pub(super) fn master(&self, hold: &Arc<Hold>) -> Result<Master, NoList> {
        let mut slot = self.slot();
        let run = Self::current(&mut slot, hold);
        run.master()
    }

    /// The list of segments of a run.
    ///
    /// # Errors
    /// Why there is none.
    pub(super) fn media(&self, hold: &Arc<Hold>, id: u64) -> Result<Media, NoList> {
        let mut slot = self.slot();
        let run = slot.as_mut().filter(|run| run.id == id);
        let run = run.ok_or(NoList::Ended)?;
        if !run.catch_up(hold) {
            *slot = None;
            return Err(NoList::Ended);
        }
        run.media(hold)
    }

    /// Lets go of a list that nobody fetches any more.
    pub(super) fn look(&self) {
        let mut slot = self.slot();
        if slot.as_ref().is_some_and(|run| run.asked.elapsed() > IDLE) {
            *slot = None;
        }
    }

    /// The beginning of a film.
    pub(super) fn map(&self, id: u64, number: u64) -> Option<Bytes> {
        let slot = self.slot();
        let run = slot.as_ref().filter(|run| run.id == id)?;
        let mut maps = run.maps.iter();
        let (_, bytes, _) = maps.find(|(known, ..)| *known == number)?;
        Some(bytes.clone())
    }

    /// A segment: what stands before the payloads, and these.
    pub(super) fn segment(&self, hold: &Hold, id: u64, number: u64) -> Option<Vec<Bytes>> {
        let segment = {
            let slot = self.slot();
            let run = slot.as_ref().filter(|run| run.id == id)?;
            let mut segments = run.segments.iter();
            segments.find(|known| known.number == number)?.clone()
        };
        segment.read(hold)
    }

    fn current<'a>(slot: &'a mut MutexGuard<'_, Option<Run>>, hold: &Arc<Hold>) -> &'a mut Run {
        let fresh = slot
            .as_mut()
            .is_some_and(|run| run.asked.elapsed() < IDLE && run.catch_up(hold));
        if !fresh {
            let mut run = Run::new(hold);
            run.catch_up(hold);
            return slot.insert(run);
        }
        slot.get_or_insert_with(|| Run::new(hold))
    }

    fn slot(&self) -> MutexGuard<'_, Option<Run>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Run {
    fn new(hold: &Arc<Hold>) -> Self {
        let keys = hold.key_frames();
        let times: Vec<_> = keys.iter().map(|key| key.captured.unix_nanos()).collect();
        let (usual, target_seconds) = lengths(&times);
        let newest = times.last().copied().unwrap_or(0);
        let from = CaptureTime::from_unix_nanos(newest.saturating_sub(BACK_NANOS));
        Self {
            // Rises with each list of a camera, over restarts of the relay too.
            id: u64::try_from(CaptureTime::now().unix_nanos() / 1_000_000).unwrap_or(0),
            cursor: hold.cursor_from(WhenBehind::SkipToNewest, from),
            muxer: None,
            usual,
            target_seconds,
            open: Vec::new(),
            open_break: false,
            floor: None,
            segments: VecDeque::new(),
            maps: VecDeque::new(),
            next_number: 0,
            breaks: 0,
            why_not: None,
            asked: Instant::now(),
        }
    }

    /// Reads what has come; whether the list goes on.
    fn catch_up(&mut self, hold: &Hold) -> bool {
        self.asked = Instant::now();
        loop {
            let batch = self.cursor.read(UNITS, usize::MAX);
            // Nobody asked for so long that the hold has turned over.
            if batch.lapse.is_some_and(|lapse| lapse.after.is_some()) {
                return false;
            }
            if batch.units.is_empty() {
                break;
            }
            for unit in &batch.units {
                self.push(unit);
            }
        }
        self.forget(hold);
        true
    }

    fn push(&mut self, unit: &Arc<Unit>) {
        if self.muxer.as_ref().is_none_or(|muxer| muxer.is_other(unit)) {
            if !unit.starts_group() {
                return;
            }
            self.close(None);
            match Parts::of(&unit.tracks) {
                Ok(parts) => {
                    let number = self.maps.back().map_or(0, |(number, ..)| number + 1);
                    let map = parts.init(unit.captured);
                    self.maps.push_back((number, map, parts.clone()));
                    self.open_break = self.muxer.is_some();
                    self.muxer = Some(match &self.muxer {
                        Some(before) => before.followed_by(parts),
                        None => Muxer::new(parts, Breaks::Kept),
                    });
                    self.floor = None;
                    self.why_not = None;
                }
                Err(why) => {
                    self.muxer = None;
                    self.why_not = Some(why);
                    return;
                }
            }
        }
        let Some(muxer) = &mut self.muxer else { return };
        let Some(placed) = muxer.place(unit) else {
            return;
        };
        if placed.is_break {
            self.close(None);
            self.open_break = true;
        } else if placed.is_main && self.ends_before(&placed) {
            self.close(Some(placed.time));
        }
        // Sound before any picture of its segment would begin it.
        if placed.is_main || !self.open.is_empty() {
            self.open.push(placed);
        }
    }

    fn ends_before(&self, placed: &Placed) -> bool {
        let Some(muxer) = &self.muxer else {
            return false;
        };
        let main = || self.open.iter().filter(|open| open.is_main);
        let (Some(first), Some(latest)) = (
            main().map(|open| open.time).min(),
            main().map(|open| open.time).max(),
        ) else {
            return false;
        };
        let length = muxer.parts.main.nanos(placed.time.saturating_sub(first));
        let longest = i64::try_from(self.target_seconds * 1_000_000_000).unwrap_or(i64::MAX);
        let whole = placed.unit.random_access && length >= self.usual;
        // One picture more would be too long.
        let more = muxer.parts.main.nanos(muxer.usual());
        let full = length.saturating_add(more) > longest.saturating_add(400_000_000);
        placed.time > latest && (whole || full || self.open.len() >= MARKS_MAX)
    }

    /// Ends the open segment. `next`: when the picture behind it is shown.
    fn close(&mut self, next: Option<i64>) {
        let open = std::mem::take(&mut self.open);
        let Some(muxer) = &self.muxer else { return };
        let main = || open.iter().filter(|open| open.is_main);
        let times = main().map(|open| open.time);
        let (Some(first), Some(latest)) = (times.clone().min(), times.max()) else {
            return;
        };
        let Some((map, ..)) = self.maps.back() else {
            return;
        };
        let usual = muxer.usual();
        let end = next.unwrap_or(latest.saturating_add(usual));
        let begin = main().map(|open| open.unit.captured).min();
        let segment = Segment {
            number: self.next_number,
            map: *map,
            is_break: std::mem::take(&mut self.open_break),
            begin: begin.unwrap_or(CaptureTime::from_unix_nanos(0)),
            nanos: muxer.parts.main.nanos(end.saturating_sub(first)),
            bytes: open.iter().map(|open| open.unit.payload.len() as u64).sum(),
            pictures: main().count() as u64,
            marks: open
                .iter()
                .map(|open| Mark {
                    sequence: open.unit.sequence,
                    is_main: open.is_main,
                    time: open.time,
                })
                .collect(),
            floor: self.floor,
            next,
            usual,
        };
        self.floor = Fragment::new(&open, self.floor, next, usual)
            .floor()
            .or(self.floor);
        self.next_number += 1;
        self.segments.push_back(segment);
    }

    /// Which of the segments are listed.
    fn listed(&self, hold: &Hold) -> Range<usize> {
        let least = i64::try_from(LISTED_TARGETS * self.target_seconds * 1_000_000_000);
        let least = least.unwrap_or(i64::MAX).max(LISTED_NANOS_MIN);
        let oldest = hold.oldest();
        let (mut nanos, mut first) = (0_i64, self.segments.len());
        for (index, segment) in self.segments.iter().enumerate().rev() {
            let is_held = segment.marks.iter().all(|mark| mark.sequence >= oldest);
            if !is_held || nanos >= least {
                break;
            }
            (nanos, first) = (nanos.saturating_add(segment.nanos), index);
        }
        first..self.segments.len()
    }

    /// Forgets what is not held any more, or was left out of the list for long.
    fn forget(&mut self, hold: &Hold) {
        let listed = self.listed(hold);
        let kept = 2 * listed.len().max(1);
        while self.segments.len() > kept {
            if self.segments.pop_front().is_some()
                && self.segments.front().is_some_and(|first| first.is_break)
            {
                // The break before it is not in any list from now on.
                self.breaks += 1;
            }
        }
        let needed = self.segments.front().map(|segment| segment.map);
        while self.maps.len() > 1 && self.maps.front().map(|(number, ..)| *number) < needed {
            self.maps.pop_front();
        }
    }

    fn nothing(&self) -> NoList {
        match &self.why_not {
            Some(why) => NoList::Never(why.clone()),
            None => NoList::Yet,
        }
    }

    fn media(&self, hold: &Hold) -> Result<Media, NoList> {
        let listed = self.listed(hold);
        let before = self.segments.iter().take(listed.start + 1).skip(1);
        let breaks = before.filter(|segment| segment.is_break).count() as u64;
        let entries: Vec<_> = self.segments.range(listed).collect();
        let first = entries.first().ok_or_else(|| self.nothing())?;
        Ok(Media {
            target_seconds: self.target_seconds,
            sequence: first.number,
            breaks: self.breaks + breaks,
            is_whole: false,
            entries: entries.iter().map(|segment| segment.entry()).collect(),
        })
    }

    fn master(&self) -> Result<Master, NoList> {
        let newest = self.segments.back().ok_or_else(|| self.nothing())?;
        let mut maps = self.maps.iter().rev();
        let parts = maps.find(|(number, ..)| *number == newest.map);
        let (.., parts) = parts.ok_or_else(|| self.nothing())?;
        let rates = self.segments.iter().map(Segment::bits_a_second);
        let sum = |of: fn(&Segment) -> u64| self.segments.iter().map(of).sum::<u64>();
        let nanos = sum(|segment| u64::try_from(segment.nanos).unwrap_or(0)).max(1);
        let seconds = nanos as f64 / 1e9;
        Ok(Master {
            // The peak of what was seen, and some: what is to come is not known.
            peak: rates.max().unwrap_or(1) / 4 * 5,
            average: (sum(|segment| segment.bytes) as f64 * 8.0 / seconds) as u64,
            codecs: parts.codecs(),
            width: parts.main.track.width,
            height: parts.main.track.height,
            pictures_a_second: Some(sum(|segment| segment.pictures) as f64 / seconds),
            uri: format!("live/{}/media.m3u8", self.id),
        })
    }
}

impl Segment {
    fn entry(&self) -> Entry {
        Entry {
            uri: format!("{}.m4s", self.number),
            map: format!("{}.mp4", self.map),
            is_break: self.is_break,
            begin: self.begin,
            nanos: self.nanos,
        }
    }

    fn bits_a_second(&self) -> u64 {
        (self.bytes as f64 * 8e9 / self.nanos.max(1) as f64) as u64
    }

    /// None where not all of it is held.
    fn read(&self, hold: &Hold) -> Option<Vec<Bytes>> {
        let first = self.marks.iter().map(|mark| mark.sequence).min()?;
        let last = self.marks.iter().map(|mark| mark.sequence).max()?;
        let units = hold.range(first..last + 1)?;
        let placed: Option<Vec<_>> = self
            .marks
            .iter()
            .map(|mark| {
                let index = usize::try_from(mark.sequence - first).ok()?;
                Some(Placed {
                    unit: Arc::clone(units.get(index)?),
                    is_main: mark.is_main,
                    time: mark.time,
                    is_break: false,
                })
            })
            .collect();
        let number = u32::try_from(self.number.wrapping_add(1) & 0xffff_ffff).unwrap_or(1);
        Some(Fragment::new(&placed?, self.floor, self.next, self.usual).write(number))
    }
}

/// From the capture times of key frames: at which length a segment ends with its group, and the whole
/// seconds that no segment is longer than.
fn lengths(keys: &[i64]) -> (i64, u64) {
    let pairs = keys.iter().zip(keys.iter().skip(1));
    let steps = pairs.map(|(one, next)| next.saturating_sub(*one));
    // Of the last ones; a gap is none.
    let steps: Vec<_> = steps
        .filter(|step| (1..=20_000_000_000).contains(step))
        .collect();
    let of_late = steps.iter().rev().take(6);
    let Some(group) = of_late.copied().max() else {
        return (SEGMENT_NANOS, SEGMENT_SECONDS_MAX);
    };
    let groups = (SEGMENT_NANOS + group - 1) / group;
    let length = group.saturating_mul(groups.max(1));
    // A little less than the groups take: cameras are not exact.
    let usual = length.saturating_sub(group / 4);
    // Rounded up, but for what `ends_before` lets pass.
    let seconds = (length.saturating_add(700_000_000) / 1_000_000_000).max(1);
    let seconds = u64::try_from(seconds).unwrap_or(1).min(SEGMENT_SECONDS_MAX);
    (usual, seconds)
}

#[cfg(test)]
#[path = "segments_tests.rs"]
mod tests;
