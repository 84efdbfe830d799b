//! A stretch of footage as slices of a few seconds, each of which can be made by itself: fragments of
//! films whose time runs like the clock.

use bytes::Bytes;

use super::ClipError;
use super::film::Shelf;
use super::group::{Group, StreamKind, Streams};
use super::line::{MAIN_NANOS, MainLine, SIDE_NANOS, SideLine};
use super::sources::each_block;
use crate::archive::ledger::Span;
use crate::archive::replay::Spot;
use crate::boxes::{self, Anchor, InitTrack, Run, Sample};
use crate::units::CaptureTime;

/// A slice is as many groups as this takes, at least one: a little less than whole seconds, as cameras
/// are not exact.
const SLICE_NANOS: i64 = 3_800_000_000;
/// Beyond what a picture lasts: where more is missing, there is a break.
const PAUSE_NANOS: i64 = 300_000_000;
/// Time 0 of the films is so long before the first picture: pictures may be decoded before any is shown.
const LEAD_NANOS: i64 = 1_000_000_000;
/// A slice that is larger is not made in memory.
const BYTES_MAX: u64 = 256 << 20;

/// Where a slice lies, and where it stands in its film: all that it takes to make it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Slice {
    /// What all times of the film count from.
    pub(crate) zero: CaptureTime,
    /// Begin of its first and of its last group.
    pub(crate) begin: CaptureTime,
    pub(crate) last: CaptureTime,
    /// Where what it shows ends.
    pub(crate) end: CaptureTime,
    /// When its first picture is shown, in ticks of the pictures.
    pub(crate) at: i64,
    /// When the sound before it ends, in ticks of the sound.
    pub(crate) sound: Option<i64>,
    /// Other times or parameters than before it.
    pub(crate) is_break: bool,
    /// Begin of the first slice with the same parameters.
    pub(crate) map: CaptureTime,
    /// Its length.
    pub(crate) nanos: i64,
}

/// The slices of a stretch. Blocks on disks.
///
/// # Errors
/// Where there is no footage, or it can't be listed; interrupted where `is_stopped` says so.
pub(crate) fn slices(
    shelf: &Shelf,
    asked: Span,
    is_stopped: &dyn Fn() -> bool,
) -> Result<Vec<Slice>, ClipError> {
    let mut union = shelf.union(asked)?;
    let mut all: Vec<Slice> = Vec::new();
    let mut walk: Option<Walk> = None;
    let mut open: Option<Slice> = None;
    while let Some(group) = union.next()? {
        if is_stopped() {
            return Err(ClipError::Interrupted);
        }
        let zero = walk.as_ref().map_or(group.span.begin, |walk| walk.zero);
        let known = walk.as_ref().map(|walk| &walk.streams);
        let is_other = known.is_some_and(|known| *known != *group.streams);
        let pause = open.map(|open| nanos(open.end, group.span.begin));
        let usual = group
            .main
            .iter()
            .map(|spot| spot.duration)
            .max()
            .unwrap_or(0);
        let least = group
            .streams
            .main
            .nanos(usual.into())
            .saturating_add(PAUSE_NANOS);
        let is_break = is_other || pause.is_none_or(|pause| pause > least);
        let is_long = open.is_some_and(|open| nanos(open.begin, open.end) >= SLICE_NANOS);
        if is_break || is_long {
            all.extend(open.take());
        }
        if walk.is_none() || is_other {
            walk = Some(Walk::new(&group.streams, zero));
        }
        let Some(walk) = &mut walk else { continue };
        let (sound, begin) = (walk.sound, group.span.begin);
        let group = match is_break {
            true => match group.without_leading() {
                Some(group) => group,
                None => continue,
            },
            false => group,
        };
        let Some(placed) = walk.place(&group, None) else {
            continue;
        };
        let map = match (is_other, all.last().or(open.as_ref())) {
            (false, Some(before)) => before.map,
            _ => begin,
        };
        let slice = open.get_or_insert(Slice {
            zero,
            begin,
            last: begin,
            end: group.span.end,
            at: placed.first,
            sound,
            is_break,
            map,
            nanos: 0,
        });
        slice.last = begin;
        slice.end = slice.end.max(group.span.end);
        slice.nanos = walk
            .streams
            .main
            .nanos(placed.end.saturating_sub(slice.at))
            .max(1);
    }
    all.extend(open);
    if all.is_empty() {
        return Err(shelf.nothing(asked));
    }
    Ok(all)
}

impl Slice {
    /// What comes before the slices that begin with this one.
    ///
    /// # Errors
    /// Where there is no footage any more.
    pub(crate) fn beginning(shelf: &Shelf, map: CaptureTime) -> Result<Bytes, ClipError> {
        let end = CaptureTime::from_unix_nanos(map.unix_nanos().saturating_add(1));
        let asked = Span { begin: map, end };
        let mut union = shelf.union(asked)?;
        let mut groups = std::iter::from_fn(|| union.next().transpose());
        let group = groups.find(|group| group.as_ref().map_or(true, |g| g.span.begin == map));
        let group = group.transpose()?;
        let group = group.ok_or_else(|| shelf.nothing(asked))?;
        let Streams { main, side } = &*group.streams;
        let track = |kind: &'_ StreamKind| {
            let (video, rate) = (kind.is_video(), kind.rate);
            (video, kind.width, kind.height, rate, kind.entry.clone())
        };
        let kinds: Vec<_> = [Some(main), side.as_ref()]
            .into_iter()
            .flatten()
            .map(track)
            .collect();
        let tracks: Vec<_> = kinds
            .iter()
            .map(|(video, width, height, rate, entry)| InitTrack {
                video: *video,
                width: *width,
                height: *height,
                rate: *rate,
                entry,
            })
            .collect();
        Ok(boxes::init(&tracks, map))
    }

    /// Makes the slice: what stands before its media, and the media. Blocks on disks.
    ///
    /// # Errors
    /// Where its footage is not there any more.
    pub(crate) fn make(&self, shelf: &Shelf) -> Result<Bytes, ClipError> {
        let asked = Span {
            begin: self.begin,
            end: self.end,
        };
        if self.begin > self.last || self.last >= self.end {
            return Err(shelf.nothing(asked));
        }
        let mut union = shelf.union(asked)?;
        let mut walk: Option<Walk> = None;
        let mut placed: Vec<(usize, Spot, bool, i64, i64)> = Vec::new();
        while let Some(group) = union.next()? {
            if group.span.begin < self.begin {
                continue;
            }
            if group.span.begin > self.last {
                break;
            }
            let is_first = walk.is_none();
            let walk = walk.get_or_insert_with(|| {
                let mut walk = Walk::new(&group.streams, self.zero);
                walk.resume(self.sound);
                walk
            });
            let group = match is_first && self.is_break {
                true => match group.without_leading() {
                    Some(group) => group,
                    None => continue,
                },
                false => group,
            };
            let at = is_first.then_some(self.at);
            let Some(of_group) = walk.place(&group, at) else {
                continue;
            };
            let source = group.source;
            let main = of_group.main.into_iter();
            placed.extend(main.map(|(spot, decode, shown)| (source, spot, true, decode, shown)));
            let side = of_group.side.into_iter();
            placed.extend(side.map(|(spot, at)| (source, spot, false, at, at)));
        }
        if walk.is_none() || placed.is_empty() {
            return Err(shelf.nothing(asked));
        }
        // Each track's samples lie together, the pictures first.
        placed.sort_by_key(|(_, _, is_main, ..)| !is_main);
        let bytes: u64 = placed
            .iter()
            .map(|(_, spot, ..)| u64::from(spot.size))
            .sum();
        if bytes > BYTES_MAX {
            return Err(shelf.nothing(asked));
        }
        let anchor = placed.first().map(|(_, spot, _, _, shown)| Anchor {
            track: 1,
            time: u64::try_from(*shown).unwrap_or(0),
            captured: spot.captured,
        });
        let mut out = boxes::fragment(1, anchor, &runs(&placed)).to_vec();
        out.reserve(usize::try_from(bytes).unwrap_or(0));
        let place = shelf.place();
        let mut open = None;
        for (number, spot, ..) in &placed {
            let Some(source) = union.sources.get(*number) else {
                continue;
            };
            if open.as_ref().is_none_or(|(known, _)| known != number) {
                open = Some((*number, place.reopen(source)?));
            }
            if let Some((_, file)) = &open {
                let range = spot.offset..spot.offset + u64::from(spot.size);
                each_block(&source.path, file, range, &mut |block| {
                    out.extend(block);
                    Ok(())
                })?;
            }
        }
        Ok(out.into())
    }
}

/// The runs of a fragment; what does not follow at once begins another one.
fn runs(placed: &[(usize, Spot, bool, i64, i64)]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    let mut due: Option<(bool, i64)> = None;
    for (index, (_, spot, is_main, decode, shown)) in placed.iter().enumerate() {
        let next = placed.get(index + 1).filter(|next| next.2 == *is_main);
        // A picture lasts until the next one is decoded; sound as long as it is.
        let until = match (is_main, next) {
            (true, Some((.., next, _))) => *next,
            _ => decode.saturating_add(i64::from(spot.duration.max(1))),
        };
        let sample = Sample {
            duration: u32::try_from(until.saturating_sub(*decode).max(1)).unwrap_or(u32::MAX),
            size: spot.size,
            sync: spot.sync || !is_main,
            offset: shown.saturating_sub(*decode),
        };
        if due != Some((*is_main, *decode)) {
            runs.push(Run {
                track: if *is_main { 1 } else { 2 },
                start: u64::try_from(*decode).unwrap_or(0),
                samples: Vec::new(),
            });
        }
        due = Some((*is_main, decode.saturating_add(sample.duration.into())));
        if let Some(run) = runs.last_mut() {
            run.samples.push(sample);
        }
    }
    runs
}

/// What a group came to.
struct Placed {
    /// When its first picture is shown, and where its last ends; ticks of the pictures.
    first: i64,
    end: i64,
    /// With decode time and when it is shown.
    main: Vec<(Spot, i64, i64)>,
    side: Vec<(Spot, i64)>,
}

/// Gives groups their places, one after the other.
struct Walk {
    streams: Streams,
    zero: CaptureTime,
    main_line: MainLine,
    side_line: Option<SideLine>,
    sound: Option<i64>,
    floor: Option<i64>,
}

impl Walk {
    fn new(streams: &Streams, zero: CaptureTime) -> Self {
        let side = streams.side.as_ref();
        Self {
            main_line: MainLine::new(streams.main.ticks(MAIN_NANOS)),
            side_line: side.map(|side| SideLine::new(side.ticks(SIDE_NANOS))),
            streams: streams.clone(),
            zero,
            sound: None,
            floor: None,
        }
    }

    fn resume(&mut self, sound: Option<i64>) {
        self.sound = sound;
        if let (Some(line), Some(sound)) = (&mut self.side_line, sound) {
            line.resume(sound);
        }
    }

    /// `at`: when the first picture is shown, where that was settled before.
    fn place(&mut self, group: &Group, at: Option<i64>) -> Option<Placed> {
        let main = &group.streams.main;
        let mut placed = Placed {
            first: 0,
            end: 0,
            main: Vec::with_capacity(group.main.len()),
            side: Vec::with_capacity(group.side.len()),
        };
        let mut shifts = Vec::new();
        let mut first = None;
        for slice in group.pieces() {
            let by_clock = nanos(self.zero, slice.span.begin).saturating_add(LEAD_NANOS);
            let by_capture = match (at, first) {
                (Some(at), None) => at,
                _ => main.ticks(by_clock),
            };
            let shift = self.main_line.place(group.source, slice.first, by_capture);
            first.get_or_insert(slice.first.saturating_add(shift));
            shifts.push((main.nanos(slice.first), main.nanos(shift)));
            for spot in slice.spots {
                let shown = spot.media_time.saturating_add(shift);
                let end = shown.saturating_add(spot.duration.max(1).into());
                let mut decode = spot.decode.saturating_add(shift);
                if let Some(floor) = self.floor {
                    decode = decode.max(floor.saturating_add(1));
                }
                self.floor = Some(decode);
                self.main_line.show(shown, end);
                placed.end = placed.end.max(end);
                placed.main.push((*spot, decode, shown));
            }
        }
        placed.first = first?;
        if let (Some(kind), Some(line)) = (&group.streams.side, &mut self.side_line) {
            for spot in &group.side {
                let beside = kind.nanos(spot.media_time);
                let shift = shifts.iter().rfind(|(from, _)| *from <= beside);
                let (_, shift) = shift.or(shifts.first()).copied().unwrap_or_default();
                let time = spot.media_time.saturating_add(kind.ticks(shift));
                if time < 0 {
                    continue;
                }
                if let Some(time) = line.place(time, spot.duration) {
                    self.sound = Some(time.saturating_add(i64::from(spot.duration.max(1))));
                    placed.side.push((*spot, time));
                }
            }
        }
        Some(placed)
    }
}

fn nanos(from: CaptureTime, to: CaptureTime) -> i64 {
    to.unix_nanos().saturating_sub(from.unix_nanos())
}
