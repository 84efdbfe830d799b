//! Units of the hold become samples of a growing film (pure): which tracks, and when each is shown.
//!
//! Pictures follow the camera's media times, sound its capture times beside the pictures'. Where media
//! times begin anew, or something is missing, the film goes on from another place: at once for those
//! who look on, at the true distance for those whose player is told of the break.

use std::sync::Arc;

use bytes::Bytes;

use crate::boxes::{self, Anchor, InitTrack, Run, Sample};
use crate::clip::{SIDE_NANOS, SideLine};
use crate::hold::{Codec, Track, TrackKind, TrackSet, Unit};
use crate::units::CaptureTime;

/// A longer step between pictures, and one of more than three times the usual, is a break; any up to
/// the longer one is none while no two pictures have told what is usual.
const STEP_NANOS_MIN: i64 = 1_500_000_000;
const STEP_NANOS_MAX: i64 = 5_000_000_000;
/// A picture may be shown so long before one that was sent before it (16 pictures at 8 a second).
const BACK_NANOS_MAX: i64 = 2_000_000_000;
/// Until two pictures tell it: length of one.
const USUAL_NANOS: i64 = 40_000_000;
const SECOND: i128 = 1_000_000_000;

/// Why a camera can't be looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum NoFilm {
    /// It has pictures, coded in a way that no film has room for.
    Codec(&'static str),
    /// Its pictures' parameters are not known.
    Configuration,
    /// It has sound alone.
    NoPictures,
}

/// A track of a film.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) track: Arc<Track>,
    entry: Vec<u8>,
}

impl Part {
    fn new(track: &Arc<Track>) -> Option<Self> {
        Some(Self {
            track: Arc::clone(track),
            entry: boxes::sample_entry(track)?,
        })
    }

    pub(super) fn ticks(&self, nanos: i64) -> i64 {
        scaled(nanos, self.track.clock_rate.get().into(), SECOND)
    }

    pub(super) fn nanos(&self, ticks: i64) -> i64 {
        scaled(ticks, SECOND, self.track.clock_rate.get().into())
    }
}

fn scaled(value: i64, by: i128, of: i128) -> i64 {
    let scaled = (i128::from(value) * by + of / 2).div_euclid(of.max(1));
    scaled.clamp(i64::MIN.into(), i64::MAX.into()) as i64
}

/// The tracks of a film: pictures, and sound where a film has room for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Parts {
    pub(super) main: Part,
    pub(super) side: Option<Part>,
}

impl Parts {
    /// # Errors
    /// Why there is no film of these tracks.
    pub(super) fn of(tracks: &TrackSet) -> Result<Self, NoFilm> {
        let of_kind = |kind| {
            let all = tracks.tracks.iter();
            all.filter(move |track| track.codec.kind() == kind)
        };
        let videos = || of_kind(TrackKind::Video);
        let Some(main) = videos().find_map(Part::new) else {
            let first = videos().next().ok_or(NoFilm::NoPictures)?;
            return Err(match first.codec {
                Codec::H264 | Codec::H265 => NoFilm::Configuration,
                other => NoFilm::Codec(other.as_str()),
            });
        };
        let side = of_kind(TrackKind::Audio).find_map(Part::new);
        Ok(Self { main, side })
    }

    /// The beginning of the film.
    pub(super) fn init(&self, created: CaptureTime) -> Bytes {
        let of = |part: &'_ Part| (Arc::clone(&part.track), part.entry.clone());
        let tracks: Vec<_> = [Some(&self.main), self.side.as_ref()]
            .into_iter()
            .flatten()
            .map(of)
            .collect();
        let tracks: Vec<_> = tracks
            .iter()
            .map(|(track, entry)| InitTrack {
                video: track.codec.kind() == TrackKind::Video,
                width: track.width,
                height: track.height,
                rate: track.clock_rate.get(),
                entry,
            })
            .collect();
        boxes::init(&tracks, created)
    }

    /// The codecs, as RFC 6381 has it.
    pub(super) fn codecs(&self) -> String {
        let side = self.side.as_ref().map(|side| side.track.rfc6381.as_str());
        let main = Some(self.main.track.rfc6381.as_str());
        let named = main.into_iter().chain(side);
        named
            .filter(|name| !name.is_empty())
            .collect::<Vec<_>>()
            .join(",")
    }
}

/// What is done where something is missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Breaks {
    /// The film goes on at once.
    Closed,
    /// The film's time goes on like the clock.
    Kept,
}

/// A unit with its place in the film.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    pub(super) unit: Arc<Unit>,
    pub(super) is_main: bool,
    /// When it is shown; ticks of its track.
    pub(super) time: i64,
    /// Media times are not those of before: a player must be told, or notice nothing.
    pub(super) is_break: bool,
}

#[derive(Debug, Clone, Copy)]
struct Line {
    timeline: u32,
    media_time: i64,
    time: i64,
    captured: CaptureTime,
}

/// Places the units of one film.
#[derive(Debug)]
pub(super) struct Muxer {
    pub(super) parts: Parts,
    breaks: Breaks,
    /// What time 0 is.
    zero: Option<CaptureTime>,
    /// The last picture.
    last: Option<Line>,
    /// The latest time at which a picture is shown, and the first one after the last break.
    latest: i64,
    begin: i64,
    /// A usual picture's length; ticks.
    usual: i64,
    is_usual_known: bool,
    /// Pictures since the one that is shown last of all.
    behind: i64,
    side_line: SideLine,
    sequence: u32,
    /// Decode time of the last sample written.
    floor: Option<i64>,
}

impl Muxer {
    pub(super) fn new(parts: Parts, breaks: Breaks) -> Self {
        let usual = parts.main.ticks(USUAL_NANOS).max(1);
        let tolerance = parts.side.as_ref().map_or(1, |side| side.ticks(SIDE_NANOS));
        Self {
            parts,
            breaks,
            zero: None,
            last: None,
            latest: 0,
            begin: 0,
            usual,
            is_usual_known: false,
            behind: 0,
            side_line: SideLine::new(tolerance),
            sequence: 0,
            floor: None,
        }
    }

    /// As it goes on with other tracks: its time does, too.
    pub(super) fn followed_by(&self, parts: Parts) -> Self {
        let after = self.parts.main.nanos(self.due());
        let mut next = Self::new(parts, self.breaks);
        next.zero = self.zero;
        next.latest = next.parts.main.ticks(after);
        next
    }

    /// Whether a unit's tracks are others than the film's.
    pub(super) fn is_other(&self, unit: &Unit) -> bool {
        let (main, side) = (&self.parts.main, self.parts.side.as_ref());
        let has = |part: &Part| unit.tracks.tracks.iter().any(|t| t.id == part.track.id);
        let same_sound = || match side {
            Some(side) => has(side),
            None => Parts::of(&unit.tracks).is_ok_and(|parts| parts.side.is_none()),
        };
        !has(main) || unit.starts_group() && !same_sound()
    }

    /// What came before the next unit was left out: pictures go on at the next key frame.
    pub(super) fn cut(&mut self) {
        if let Some(last) = &mut self.last {
            // Comparable with nothing.
            last.media_time = i64::MIN;
        }
    }

    /// Gives a unit its place; none for one that has none.
    pub(super) fn place(&mut self, unit: &Arc<Unit>) -> Option<Placed> {
        if unit.track.id == self.parts.main.track.id {
            return self.place_main(unit);
        }
        let side = self.parts.side.as_ref()?;
        let last = self
            .last
            .as_ref()
            .filter(|last| last.media_time != i64::MIN)?;
        if unit.track.id != side.track.id {
            return None;
        }
        let beside = nanos(last.captured, unit.captured);
        let time = self.parts.main.nanos(last.time).saturating_add(beside);
        if time < self.parts.main.nanos(self.begin) {
            return None;
        }
        let time = self.side_line.place(side.ticks(time), unit.duration)?;
        (time >= 0).then(|| Placed {
            unit: Arc::clone(unit),
            is_main: false,
            time,
            is_break: false,
        })
    }

    fn place_main(&mut self, unit: &Arc<Unit>) -> Option<Placed> {
        let main = &self.parts.main;
        let step_max = match self.is_usual_known {
            true => main.nanos(self.usual.saturating_mul(3)).max(STEP_NANOS_MIN),
            false => STEP_NANOS_MAX,
        };
        let expected = self.last.and_then(|last| {
            let step = unit.media_time.checked_sub(last.media_time)?;
            let time = last.time.checked_add(step)?;
            let ahead = main.nanos(time.saturating_sub(self.latest));
            let near = (-BACK_NANOS_MAX..=step_max).contains(&ahead);
            let key_ahead = !unit.random_access || ahead > 0;
            (unit.timeline == last.timeline && near && key_ahead).then_some(time)
        });
        let is_break = expected.is_none() && self.last.is_some();
        let time = match expected {
            Some(time) => time,
            // Nothing to decode it with.
            None if !unit.random_access => return None,
            None => {
                let next = match self.last {
                    Some(_) => self.latest.saturating_add(self.usual),
                    None => self.latest,
                };
                let zero = *self.zero.get_or_insert(unit.captured);
                let time = match self.breaks {
                    Breaks::Closed => next,
                    Breaks::Kept => main.ticks(nanos(zero, unit.captured)).max(next),
                };
                (self.begin, self.latest, self.behind) = (time, time, -1);
                time
            }
        };
        // Shown before the one where decoding began: it depends on what is not there.
        if time < self.begin {
            return None;
        }
        let step = time.saturating_sub(self.latest);
        self.behind += 1;
        if step > 0 {
            self.usual = (step / self.behind).max(1);
            (self.is_usual_known, self.behind) = (true, 0);
        }
        self.latest = self.latest.max(time);
        self.last = Some(Line {
            timeline: unit.timeline,
            media_time: unit.media_time,
            time,
            captured: unit.captured,
        });
        Some(Placed {
            unit: Arc::clone(unit),
            is_main: true,
            time,
            is_break,
        })
    }

    /// A picture's usual length in ticks.
    pub(super) fn usual(&self) -> i64 {
        self.usual
    }

    /// When the last picture's successor is due; ticks.
    pub(super) fn due(&self) -> i64 {
        self.latest.saturating_add(self.usual)
    }

    /// Writes a fragment of the next units, which follow each other: what stands before the payloads,
    /// and the payloads. `next`: when the next picture is shown, where that is known.
    pub(super) fn fragment(&mut self, placed: &[Placed], next: Option<i64>) -> Vec<Bytes> {
        self.sequence = self.sequence.wrapping_add(1);
        let usual = self.usual;
        let fragment = Fragment::new(placed, self.floor, next, usual);
        self.floor = fragment.floor.or(self.floor);
        fragment.write(self.sequence)
    }
}

/// Samples of one fragment, and their payloads.
pub(super) struct Fragment {
    runs: Vec<Run>,
    anchor: Option<Anchor>,
    payloads: Vec<Bytes>,
    /// Decode time of the last picture.
    floor: Option<i64>,
}

impl Fragment {
    /// Pictures are decoded at the times at which pictures are shown, in order; none before `floor`.
    pub(super) fn new(
        placed: &[Placed],
        floor: Option<i64>,
        next: Option<i64>,
        usual: i64,
    ) -> Self {
        let of = |main: bool| placed.iter().filter(move |placed| placed.is_main == main);
        let mut decode: Vec<i64> = of(true).map(|placed| placed.time).collect();
        decode.sort_unstable();
        let mut least = floor;
        for time in &mut decode {
            *time = least.map_or(*time, |least| (*time).max(least.saturating_add(1)));
            least = Some(*time);
        }
        let end = decode
            .last()
            .map(|last| next.unwrap_or(last.saturating_add(usual)));
        let until = decode.iter().skip(1).copied().chain(end);
        let mut runs = Vec::new();
        let mut payloads = Vec::with_capacity(placed.len());
        let mut samples = Vec::new();
        for ((placed, at), until) in of(true).zip(&decode).zip(until) {
            samples.push(Sample {
                duration: ticks(until.saturating_sub(*at)),
                size: size(placed),
                sync: placed.unit.random_access,
                offset: placed.time.saturating_sub(*at),
            });
            payloads.push(placed.unit.payload.clone());
        }
        let first = of(true).next();
        let anchor = first.map(|first| Anchor {
            track: 1,
            time: u64::try_from(first.time).unwrap_or(0),
            captured: first.unit.captured,
        });
        run(&mut runs, 1, decode.first(), samples);
        // Sound is even: what follows a hole begins a run of its own.
        let mut sound: Vec<Sample> = Vec::new();
        let (mut begin, mut due) = (None, None);
        for placed in of(false) {
            if due.is_some_and(|due| due != placed.time) {
                run(&mut runs, 2, begin.as_ref(), std::mem::take(&mut sound));
                begin = None;
            }
            begin.get_or_insert(placed.time);
            due = Some(
                placed
                    .time
                    .saturating_add(placed.unit.duration.max(1).into()),
            );
            sound.push(Sample {
                duration: placed.unit.duration.max(1),
                size: size(placed),
                sync: true,
                offset: 0,
            });
            payloads.push(placed.unit.payload.clone());
        }
        run(&mut runs, 2, begin.as_ref(), sound);
        Self {
            runs,
            anchor,
            payloads,
            floor: least.filter(|_| !decode.is_empty()),
        }
    }

    /// Decode time of the last picture.
    pub(super) fn floor(&self) -> Option<i64> {
        self.floor
    }

    pub(super) fn write(self, sequence: u32) -> Vec<Bytes> {
        let mut out = vec![boxes::fragment(sequence, self.anchor, &self.runs)];
        out.extend(self.payloads);
        out
    }
}

fn run(runs: &mut Vec<Run>, track: u32, start: Option<&i64>, samples: Vec<Sample>) {
    if let Some(start) = start.filter(|_| !samples.is_empty()) {
        runs.push(Run {
            track,
            start: u64::try_from(*start).unwrap_or(0),
            samples,
        });
    }
}

fn ticks(ticks: i64) -> u32 {
    u32::try_from(ticks.max(1)).unwrap_or(u32::MAX)
}

fn size(placed: &Placed) -> u32 {
    u32::try_from(placed.unit.payload.len()).unwrap_or(u32::MAX)
}

/// From one to the other.
pub(super) fn nanos(from: CaptureTime, to: CaptureTime) -> i64 {
    to.unix_nanos().saturating_sub(from.unix_nanos())
}

#[cfg(test)]
#[path = "mux_tests.rs"]
mod tests;
