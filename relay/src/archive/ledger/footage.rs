//! When a fragmented MP4 was captured, by its boxes alone.
//!
//! Each fragment tells the capture time of one of its samples (`prft`, ISO/IEC 14496-12 §8.16.5)
//! and, by `tfdt` (§8.8.12) and `trun` (§8.8.8), the times of all of them. Only the track that the
//! file is for counts: the picture, or the sound where there is no picture. Media data is skipped.

use std::io;

use super::spans::later;
use super::{Span, union};
use crate::archive::mp4::{Movie, Source, Unrepairable, Walk, children, find_movie, read_body};
use crate::units::CaptureTime;

const SECOND: i64 = 1_000_000_000;
/// From 1900-01-01, where NTP (RFC 5905) counts from, to 1970-01-01; seconds.
const EPOCH_1900: i128 = 2_208_988_800;
/// Fragments that follow each other without a hole stay together as long as their capture times
/// agree to this: the estimate of capture times is repaired in small steps.
const STEP_MAX: i64 = SECOND;
/// A file can't speak for times further from its beginning: damage, or a plugin that boasts.
const BEFORE_MAX: i64 = 3600 * SECOND;
const AFTER_MAX: i64 = 48 * 3600 * SECOND;
/// Most spans kept of a file; they are bounded by its fragments anyway.
const SPANS_MAX: usize = 1 << 16;

/// What a file holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// When, in order, not touching each other.
    pub spans: Vec<Span>,
    /// Mean duration of a sample in nanoseconds; 0 where it isn't known.
    pub frame_nanos: i64,
}

/// Reads the capture times that a file holds. `begin`: by its name; also tells the era of the NTP
/// times, which wrap around in 2036. `end`: as its writer gave it, used where the file itself does
/// not tell times.
///
/// # Errors
/// [`Unrepairable`] for a file that is no fragmented MP4 and has no `end`, or can't be read.
pub fn read<S: Source + ?Sized>(
    source: &S,
    begin: CaptureTime,
    end: Option<CaptureTime>,
) -> Result<Recorded, Unrepairable> {
    let told = |error| {
        let span = end.and_then(|end| Span::new(begin, end)).ok_or(error)?;
        Ok(Recorded {
            spans: vec![span],
            frame_nanos: 0,
        })
    };
    let movie = match find_movie(source) {
        Err(Unrepairable::NoHeader) => return told(Unrepairable::NoHeader),
        result => result?,
    };
    let tracks = tracks(&movie);
    let picture = tracks.iter().find(|track| &track.handler == b"vide");
    let Some(main) = picture.or_else(|| tracks.first()).copied() else {
        return told(Unrepairable::NoHeader);
    };
    let mut reading = Reading {
        main,
        begin,
        spans: Vec::new(),
        anchor: None,
        expected: None,
        total: 0,
        samples: 0,
    };
    reading.walk(source, &movie, &tracks)?;
    if reading.samples == 0 {
        return told(Unrepairable::NoFragment);
    }
    let frame = reading.total / i128::from(reading.samples);
    Ok(Recorded {
        frame_nanos: main.nanos(frame).clamp(0, 60 * SECOND),
        spans: union(reading.spans),
    })
}

#[derive(Debug, Clone, Copy)]
struct Track {
    id: u32,
    /// Ticks a second, at least 1.
    rate: u32,
    handler: [u8; 4],
    default_duration: u32,
}

impl Track {
    fn nanos(self, ticks: i128) -> i64 {
        let nanos = ticks.saturating_mul(SECOND.into()) / i128::from(self.rate);
        nanos.clamp(i64::MIN.into(), i64::MAX.into()) as i64
    }
}

/// The capture time that belongs to a time of the file (nanoseconds).
#[derive(Debug, Clone, Copy)]
struct Anchor {
    file_nanos: i64,
    captured: CaptureTime,
}

/// The samples of one track in one fragment, in ticks.
#[derive(Debug, Clone, Copy)]
struct Samples {
    /// Decode time of the first.
    decode: i128,
    /// Presentation time of what is shown first.
    shown: i128,
    duration: i128,
    count: u64,
}

struct Reading {
    main: Track,
    begin: CaptureTime,
    spans: Vec<Span>,
    anchor: Option<Anchor>,
    /// Decode time at which the last fragment ended.
    expected: Option<i128>,
    total: i128,
    samples: u64,
}

impl Reading {
    fn walk<S: Source + ?Sized>(
        &mut self,
        source: &S,
        movie: &Movie,
        tracks: &[Track],
    ) -> io::Result<()> {
        let mut walk = Walk::behind(movie);
        let mut fragment = None;
        while let Some(header) = walk.next(source)? {
            match &header.kind {
                b"prft" => {
                    let body = read_body(source, &header)?.unwrap_or_default();
                    self.anchor = anchor(&body, tracks, self.begin).or(self.anchor);
                }
                b"moof" => {
                    let body = read_body(source, &header)?.unwrap_or_default();
                    fragment = samples(&body, self.main);
                }
                b"mdat" => {
                    if let Some(samples) = fragment.take() {
                        self.take(samples);
                    }
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn take(&mut self, samples: Samples) {
        let main = self.main;
        let shown = main.nanos(samples.shown);
        let anchor = *self.anchor.get_or_insert(Anchor {
            file_nanos: shown,
            captured: self.begin,
        });
        let begin = later(anchor.captured, shown.saturating_sub(anchor.file_nanos));
        let end = later(begin, main.nanos(samples.duration));
        // Half a sample: some writers round.
        let usual = samples.duration / i128::from(samples.count.max(1));
        let follows = self
            .expected
            .is_some_and(|expected| (samples.decode - expected).abs() <= usual / 2);
        self.expected = Some(samples.decode + samples.duration);
        self.total += samples.duration;
        self.samples += samples.count;
        let (least, most) = (later(self.begin, -BEFORE_MAX), later(self.begin, AFTER_MAX));
        let Some(span) = Span::new(begin.max(least), end.min(most)) else {
            return;
        };
        let full = self.spans.len() >= SPANS_MAX;
        match self.spans.last_mut() {
            Some(last) if follows && step(last.end, span.begin) <= STEP_MAX => {
                last.end = last.end.max(span.end);
            }
            _ if full => {}
            _ => self.spans.push(span),
        }
    }
}

fn step(a: CaptureTime, b: CaptureTime) -> i64 {
    a.unix_nanos()
        .saturating_sub(b.unix_nanos())
        .saturating_abs()
}

fn tracks(movie: &Movie) -> Vec<Track> {
    let mut tracks: Vec<Track> = Vec::new();
    let mut defaults: Vec<(u32, u32)> = Vec::new();
    for (kind, body) in children(&movie.body).flatten() {
        match &kind {
            b"trak" => tracks.extend(track(body)),
            b"mvex" => defaults.extend(
                named(body, b"trex").filter_map(|body| Some((word(body, 4)?, word(body, 12)?))),
            ),
            _ => {}
        }
    }
    for track in &mut tracks {
        let default = defaults.iter().find(|(id, _)| *id == track.id);
        track.default_duration = default.map_or(0, |(_, duration)| *duration);
    }
    tracks
}

fn track(trak: &[u8]) -> Option<Track> {
    let tkhd = named(trak, b"tkhd").next()?;
    let mdia = named(trak, b"mdia").next()?;
    let mdhd = named(mdia, b"mdhd").next()?;
    let hdlr = named(mdia, b"hdlr").next()?;
    // Behind two times of 4 (version 0) or 8 bytes: §8.3.2, §8.4.2.
    let at = |body: &[u8]| if body.first() == Some(&1) { 20 } else { 12 };
    Some(Track {
        id: word(tkhd, at(tkhd))?,
        rate: word(mdhd, at(mdhd)).filter(|rate| *rate > 0)?,
        handler: *hdlr.get(8..)?.first_chunk()?,
        default_duration: 0,
    })
}

fn anchor(prft: &[u8], tracks: &[Track], near: CaptureTime) -> Option<Anchor> {
    let reference = reference(prft, near)?;
    let track = tracks.iter().find(|track| track.id == reference.track)?;
    Some(Anchor {
        file_nanos: track.nanos(reference.ticks.into()),
        captured: reference.captured,
    })
}

/// What a `prft` tells (§8.16.5).
#[derive(Debug, Clone, Copy)]
pub(in crate::archive) struct Reference {
    pub(in crate::archive) track: u32,
    /// A presentation time of the track.
    pub(in crate::archive) ticks: u64,
    pub(in crate::archive) captured: CaptureTime,
}

/// Reads the body of a `prft`; its NTP time is taken to be of the era that brings it nearest to an
/// instant.
pub(in crate::archive) fn reference(prft: &[u8], near: CaptureTime) -> Option<Reference> {
    let track = word(prft, 4)?;
    let (seconds, fraction) = (word(prft, 8)?, word(prft, 12)?);
    let ticks = match prft.first()? {
        0 => u64::from(word(prft, 16)?),
        _ => long(prft, 16)?,
    };
    let fraction = (i64::from(fraction) * SECOND) >> 32;
    let era = 1i128 << 32;
    let seconds = i128::from(seconds) - EPOCH_1900;
    let near = i128::from(near.unix_nanos().div_euclid(SECOND));
    let seconds = seconds + era * (near - seconds + era / 2).div_euclid(era);
    let nanos = seconds * i128::from(SECOND) + i128::from(fraction);
    Some(Reference {
        track,
        ticks,
        captured: CaptureTime::from_unix_nanos(i64::try_from(nanos).ok()?),
    })
}

fn samples(moof: &[u8], main: Track) -> Option<Samples> {
    let mut all: Option<Samples> = None;
    for traf in named(moof, b"traf") {
        let tfhd = named(traf, b"tfhd").next()?;
        if word(tfhd, 4)? != main.id {
            continue;
        }
        let default = default_duration(tfhd).unwrap_or(main.default_duration);
        let decode = match named(traf, b"tfdt").next() {
            Some(tfdt) if tfdt.first() == Some(&0) => u64::from(word(tfdt, 4)?),
            Some(tfdt) => long(tfdt, 4)?,
            None => return None,
        };
        let mut decode = i128::from(decode);
        for trun in named(traf, b"trun") {
            let run = run(trun, decode, default)?;
            decode += run.duration;
            all = Some(match all {
                None => run,
                Some(before) => Samples {
                    shown: before.shown.min(run.shown),
                    duration: before.duration + run.duration,
                    count: before.count + run.count,
                    ..before
                },
            });
        }
    }
    all.filter(|samples| samples.count > 0)
}

/// The optional fields of `tfhd`, in their order: §8.8.7.
fn default_duration(tfhd: &[u8]) -> Option<u32> {
    let flags = word(tfhd, 0)?;
    let skip = [(0x1, 8), (0x2, 4)];
    let at = skip.iter().filter(|(flag, _)| flags & flag != 0);
    let at = at.fold(8, |at, (_, size)| at + size);
    (flags & 0x8 != 0).then(|| word(tfhd, at)).flatten()
}

/// A run of samples: §8.8.8.
fn run(trun: &[u8], start: i128, default: u32) -> Option<Samples> {
    let flags = word(trun, 0)?;
    let count = word(trun, 4)?;
    let signed = flags >> 24 != 0;
    let has = |flag: u32| usize::from(flags & flag != 0) * 4;
    let head = 8 + has(0x1) + has(0x4);
    let (duration_size, offset_size) = (has(0x100), has(0x800));
    let offset_at = duration_size + has(0x200) + has(0x400);
    let size = offset_at + offset_size;
    let mut samples = Samples {
        decode: start,
        shown: start,
        duration: 0,
        count: count.into(),
    };
    if size == 0 {
        samples.duration = i128::from(count) * i128::from(default);
        return Some(samples);
    }
    let table = trun.get(head..)?;
    let table = table.get(..usize::try_from(count).ok()?.checked_mul(size)?)?;
    let mut shown: Option<i128> = None;
    for entry in table.chunks_exact(size) {
        let duration = match duration_size {
            0 => default,
            _ => word(entry, 0)?,
        };
        let offset = match offset_size {
            0 => 0,
            _ if signed => i128::from(word(entry, offset_at)?.cast_signed()),
            _ => i128::from(word(entry, offset_at)?),
        };
        let time = start + samples.duration + offset;
        shown = Some(shown.map_or(time, |shown| shown.min(time)));
        samples.duration += i128::from(duration);
    }
    samples.shown = shown.unwrap_or(start);
    Some(samples)
}

pub(in crate::archive) fn named<'a>(
    bytes: &'a [u8],
    kind: &'a [u8; 4],
) -> impl Iterator<Item = &'a [u8]> {
    let of_kind = move |(k, body)| (k == *kind).then_some(body);
    children(bytes).flatten().filter_map(of_kind)
}

pub(in crate::archive) fn word(bytes: &[u8], at: usize) -> Option<u32> {
    let bytes = bytes.get(at..)?.first_chunk()?;
    Some(u32::from_be_bytes(*bytes))
}

pub(in crate::archive) fn long(bytes: &[u8], at: usize) -> Option<u64> {
    let bytes = bytes.get(at..)?.first_chunk()?;
    Some(u64::from_be_bytes(*bytes))
}

#[cfg(test)]
#[path = "footage_tests.rs"]
pub(super) mod tests;
