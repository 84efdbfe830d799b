//! The movie header: which streams a file has, and what a decoder must know of them.
//!
//! ISO/IEC 14496-12 §8.2 to §8.6 (`moov`, `trak`), §12.1.3 and §12.2.3 (sample entries);
//! ISO/IEC 14496-15 (`avcC`, `hvcC`); ISO/IEC 14496-1 §7.2.6 (descriptors in `esds`).

use std::num::NonZeroU32;

use bytes::Bytes;

use super::Fault;
use crate::archive::ledger::footage::{long, named, word};
use crate::archive::mp4::{MOVIE_BYTES_MAX, Source, Walk, children, read_body};
use crate::hold::{Codec, Track};
use crate::units::CaptureTime;

/// From 1904-01-01, where ISO/IEC 14496-12 counts from, to 1970-01-01; seconds.
const EPOCH_1904: i64 = 2_082_844_800;
const SECOND: i64 = 1_000_000_000;
/// Streams of a file that are looked at.
const STREAMS_MAX: usize = 16;

/// A movie header.
#[derive(Debug)]
pub(super) struct Movie {
    pub(super) body: Bytes,
    pub(super) streams: Vec<Stream>,
    /// When the file says that it was made.
    pub(super) created: Option<CaptureTime>,
    /// Samples are in fragments.
    pub(super) fragmented: bool,
    /// What follows the header.
    pub(super) walk: Walk,
}

/// A stream of a file that the relay has a codec for.
#[derive(Debug, Clone)]
pub(crate) struct Stream {
    /// Its number in the file.
    pub(super) number: u32,
    /// As the hold has it; the id is the reader's to give.
    pub(crate) track: Track,
    /// Ticks that its presentation times are ahead of what is shown (§8.6.6); negative where they
    /// are behind it.
    pub(super) edit: i64,
    /// Bytes of the length before a NAL unit; 0 where there are none.
    pub(super) length_size: usize,
    pub(super) defaults: Defaults,
    /// Where its `stbl` lies in the header.
    pub(super) tables: std::ops::Range<usize>,
    /// Where its sample entry lies in the header.
    pub(super) entry: std::ops::Range<usize>,
}

/// What samples of fragments have where they say nothing else (`trex`, §8.8.3).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Defaults {
    pub(super) duration: u32,
    pub(super) size: u32,
    pub(super) flags: u32,
}

impl Stream {
    /// Ticks as nanoseconds.
    pub(crate) fn nanos(&self, ticks: i64) -> i64 {
        nanos(ticks, self.track.clock_rate)
    }
}

pub(super) fn nanos(ticks: i64, rate: NonZeroU32) -> i64 {
    let nanos = i128::from(ticks) * i128::from(SECOND) / i128::from(rate.get());
    nanos.clamp(i64::MIN.into(), i64::MAX.into()) as i64
}

/// Finds the header and reads it.
pub(super) fn read<S: Source + ?Sized>(source: &S) -> Result<Movie, Fault> {
    let mut walk = Walk::new();
    match walk.next(source)? {
        Some(first) if &first.kind == b"ftyp" => {}
        _ => return Err(Fault::NotMp4),
    }
    while let Some(header) = walk.next(source)? {
        match &header.kind {
            b"moov" => {
                let Some(body) = read_body(source, &header)? else {
                    return Err(Fault::Large {
                        what: "movie header",
                        bytes: header.end - header.body,
                        most: MOVIE_BYTES_MAX,
                    });
                };
                return parse(body.into(), walk);
            }
            b"moof" => return Err(Fault::NoHeader),
            _ => {}
        }
    }
    Err(Fault::NoHeader)
}

fn parse(body: Bytes, walk: Walk) -> Result<Movie, Fault> {
    let mut movie = Movie {
        created: named(&body, b"mvhd").next().and_then(created),
        fragmented: named(&body, b"mvex").next().is_some(),
        streams: Vec::new(),
        body: body.clone(),
        walk,
    };
    let rate = named(&body, b"mvhd").next().and_then(clock_rate);
    let mut others = Vec::new();
    for trak in named(&body, b"trak").take(STREAMS_MAX) {
        match stream(&body, trak, rate) {
            Some(Ok(stream)) => movie.streams.push(stream),
            Some(Err(Unread::Entry(entry))) => others.push(entry),
            Some(Err(Unread::Pieces)) => return Err(Fault::Pieces),
            None => {}
        }
    }
    for trex in named(&body, b"mvex").flat_map(|mvex| named(mvex, b"trex")) {
        let stream = movie.streams.iter_mut();
        let number = word(trex, 4);
        if let Some(stream) = stream.into_iter().find(|s| Some(s.number) == number) {
            let field = |at| word(trex, at).unwrap_or(0);
            stream.defaults = Defaults {
                duration: field(12),
                size: field(16),
                flags: field(20),
            };
        }
    }
    // One of each kind, the first, as the recorder chooses.
    let mut kinds = Vec::new();
    movie.streams.retain(|stream| {
        let kind = stream.track.codec.kind();
        let first = !kinds.contains(&kind);
        kinds.push(kind);
        first
    });
    if movie.streams.is_empty() {
        return Err(Fault::NoStream(others.join(", ")));
    }
    Ok(movie)
}

/// Ticks a second of a `mvhd` or `mdhd`, behind two times of 4 (version 0) or 8 bytes: §8.2.2, §8.4.2.
fn clock_rate(header: &[u8]) -> Option<NonZeroU32> {
    NonZeroU32::new(word(header, behind_times(header))?)
}

fn behind_times(header: &[u8]) -> usize {
    if header.first() == Some(&1) { 20 } else { 12 }
}

fn created(mvhd: &[u8]) -> Option<CaptureTime> {
    let seconds = match mvhd.first()? {
        1 => i64::try_from(long(mvhd, 4)?).ok()?,
        _ => word(mvhd, 4)?.into(),
    };
    // 0 stands for unknown.
    let seconds = (seconds != 0).then(|| seconds.checked_sub(EPOCH_1904))??;
    Some(CaptureTime::from_unix_nanos(seconds.checked_mul(SECOND)?))
}

/// Why a stream of pictures or sound is not read.
enum Unread {
    /// The relay does not know its sample entry, or that lacks something.
    Entry(String),
    /// It is shown in several pieces.
    Pieces,
}

/// None for what is no stream of pictures or sound. `movie_rate`: the file's ticks a second.
fn stream(
    moov: &Bytes,
    trak: &[u8],
    movie_rate: Option<NonZeroU32>,
) -> Option<Result<Stream, Unread>> {
    let tkhd = named(trak, b"tkhd").next()?;
    let mdia = named(trak, b"mdia").next()?;
    let mdhd = named(mdia, b"mdhd").next()?;
    let handler = named(mdia, b"hdlr").next()?.get(8..12)?;
    if handler != b"vide" && handler != b"soun" {
        return None;
    }
    let minf = named(mdia, b"minf").next()?;
    let stbl = named(minf, b"stbl").next()?;
    let stsd = named(stbl, b"stsd").next()?;
    // Behind version, flags and the number of entries; all samples are taken to be of the first.
    let (kind, entry) = children(stsd.get(8..)?).next()??;
    let entry_begin = distance(moov, entry)?.checked_sub(8)?;
    // §8.3.2: as in the other headers.
    let number = word(tkhd, behind_times(tkhd))?;
    let rate = clock_rate(mdhd)?;
    let Some(described) = describe(&kind, entry) else {
        let entry = String::from_utf8_lossy(&kind).into_owned();
        return Some(Err(Unread::Entry(entry)));
    };
    let Some(edit) = edit(trak, movie_rate, rate) else {
        return Some(Err(Unread::Pieces));
    };
    let begin = distance(moov, stbl)?;
    Some(Ok(Stream {
        number,
        track: Track {
            id: 0,
            codec: described.codec,
            rfc6381: described.rfc6381,
            clock_rate: rate,
            width: described.width,
            height: described.height,
            channels: described.channels,
            decoder_configuration: described.configuration,
        },
        edit,
        length_size: described.length_size,
        defaults: Defaults::default(),
        tables: begin..begin.checked_add(stbl.len())?,
        entry: entry_begin..entry_begin.checked_add(8)?.checked_add(entry.len())?,
    }))
}

/// How far into the header a part of it begins.
fn distance(moov: &Bytes, part: &[u8]) -> Option<usize> {
    (part.as_ptr() as usize).checked_sub(moov.as_ptr() as usize)
}

/// By how much media times are ahead of the times at which they are shown (§8.6.6): what the one
/// edit that shows something begins with, less what is shown of nothing before it. None where more
/// follows: a stream in pieces has no such number.
fn edit(trak: &[u8], movie_rate: Option<NonZeroU32>, rate: NonZeroU32) -> Option<i64> {
    let mut lists = named(trak, b"edts").flat_map(|edts| named(edts, b"elst"));
    let elst = lists.next().unwrap_or_default();
    let long_form = elst.first() == Some(&1);
    // Behind version, flags and the number of entries.
    let entries = elst.get(8..).unwrap_or_default();
    let mut entries = entries.chunks_exact(if long_form { 20 } else { 12 });
    let mut empty = 0i128;
    for entry in entries.by_ref() {
        let (duration, time) = match long_form {
            true => (long(entry, 0)?, long(entry, 8)?.cast_signed()),
            false => (word(entry, 0)?.into(), word(entry, 4)?.cast_signed().into()),
        };
        // −1: nothing is shown.
        if time < 0 {
            empty += i128::from(duration);
            continue;
        }
        let movie_rate = movie_rate.map_or(1, |rate| rate.get().into());
        let edit = i128::from(time) - empty * i128::from(rate.get()) / movie_rate;
        let edit = edit.clamp(i64::MIN.into(), i64::MAX.into()) as i64;
        return entries.next().is_none().then_some(edit);
    }
    Some(0)
}

struct Described {
    codec: Codec,
    rfc6381: String,
    width: u32,
    height: u32,
    channels: u32,
    configuration: Bytes,
    length_size: usize,
}

fn describe(kind: &[u8; 4], entry: &[u8]) -> Option<Described> {
    match kind {
        b"avc1" | b"avc3" => {
            let record = named(entry.get(78..)?, b"avcC").next()?;
            let [profile, compatibility, level] = record.get(1..4)?.first_chunk::<3>()?;
            let name = format!("avc1.{profile:02X}{compatibility:02X}{level:02X}");
            visual(entry, Codec::H264, name, record, 4)
        }
        b"hvc1" | b"hev1" => {
            let record = named(entry.get(78..)?, b"hvcC").next()?;
            visual(entry, Codec::H265, h265_name(record)?, record, 21)
        }
        b"jpeg" | b"mjpg" => visual(entry, Codec::Jpeg, String::new(), &[], usize::MAX),
        b"mp4v" => {
            let esds = named(entry.get(78..)?, b"esds").next()?;
            // ISO/IEC 14496-1 table 5: 0x6C is JPEG.
            let (0x6c, _) = descriptor(esds)? else {
                return None;
            };
            visual(entry, Codec::Jpeg, String::new(), &[], usize::MAX)
        }
        b"mp4a" => {
            let boxes = sound_boxes(entry)?;
            // QuickTime puts it into a box of its own.
            let wrapped = || named(named(boxes, b"wave").next()?, b"esds").next();
            let esds = named(boxes, b"esds").next().or_else(wrapped)?;
            // 0x40 is MPEG-4 audio.
            let (0x40, specific) = descriptor(esds)? else {
                return None;
            };
            let first = *specific.first()?;
            let name = format!("mp4a.40.{}", first >> 3);
            let mut described = sound(entry, Codec::Aac, name, Bytes::copy_from_slice(specific))?;
            // Many writers put 2 into the entry, whatever the sound has.
            described.channels = aac_channels(specific).unwrap_or(described.channels);
            Some(described)
        }
        b"alaw" => sound(entry, Codec::Pcma, String::new(), Bytes::new()),
        b"ulaw" => sound(entry, Codec::Pcmu, String::new(), Bytes::new()),
        _ => None,
    }
}

/// `length_at`: where in the record the low two bits tell the bytes of a length, less one.
fn visual(
    entry: &[u8],
    codec: Codec,
    rfc6381: String,
    record: &[u8],
    length_at: usize,
) -> Option<Described> {
    let pixels = |at| {
        Some(u32::from(u16::from_be_bytes(
            *entry.get(at..)?.first_chunk()?,
        )))
    };
    let mut configuration = record.to_vec();
    let mut length_size = 0;
    if let Some(byte) = configuration.get_mut(length_at) {
        length_size = usize::from(*byte & 3) + 1;
        // Payloads are given lengths of four bytes, and the record says so.
        *byte |= 3;
    } else if !record.is_empty() {
        return None;
    }
    Some(Described {
        codec,
        rfc6381,
        width: pixels(24)?,
        height: pixels(26)?,
        channels: 0,
        configuration: configuration.into(),
        length_size,
    })
}

fn sound(entry: &[u8], codec: Codec, rfc6381: String, configuration: Bytes) -> Option<Described> {
    let channels = u16::from_be_bytes(*entry.get(16..)?.first_chunk()?);
    Some(Described {
        codec,
        rfc6381,
        width: 0,
        height: 0,
        channels: channels.into(),
        configuration,
        length_size: 0,
    })
}

/// Channels by an AudioSpecificConfig (ISO/IEC 14496-3 §1.6.2.1, table 1.19): behind five bits of
/// object type and four of sampling frequency. None where it says neither in the short form.
fn aac_channels(specific: &[u8]) -> Option<u32> {
    let bits = u16::from_be_bytes(*specific.first_chunk()?);
    match (bits >> 11, bits >> 7 & 0xf, bits >> 3 & 0xf) {
        (31, ..) | (_, 15, _) => None,
        (.., channels @ 1..=6) => Some(channels.into()),
        (.., 7) => Some(8),
        _ => None,
    }
}

/// Boxes of a sound entry; QuickTime's version 1 has four more fields before them.
fn sound_boxes(entry: &[u8]) -> Option<&[u8]> {
    match entry.get(8..10)? {
        [0, 0] => entry.get(28..),
        [0, 1] => entry.get(44..),
        _ => None,
    }
}

/// Object type and decoder-specific bytes of an `esds`.
fn descriptor(esds: &[u8]) -> Option<(u8, &[u8])> {
    let (tag, stream) = expand(esds.get(4..)?)?;
    // ES_Descriptor: id, flags, and what these say.
    let flags = *stream.get(2)?;
    let mut at = 3 + if flags & 0x80 != 0 { 2 } else { 0 };
    if flags & 0x40 != 0 {
        at += 1 + usize::from(*stream.get(at)?);
    }
    at += if flags & 0x20 != 0 { 2 } else { 0 };
    let (inner, config) = expand(stream.get(at..)?)?;
    if (tag, inner) != (3, 4) {
        return None;
    }
    let specific = config.get(13..).and_then(expand);
    let specific = specific.filter(|(tag, _)| *tag == 5);
    Some((*config.first()?, specific.map_or(&[], |(_, body)| body)))
}

/// Tag and content of a descriptor, whose length is written in bytes of seven bits.
fn expand(bytes: &[u8]) -> Option<(u8, &[u8])> {
    let (tag, rest) = bytes.split_first()?;
    let mut length = 0usize;
    for (index, byte) in rest.iter().take(4).enumerate() {
        length = length << 7 | usize::from(byte & 0x7f);
        if byte & 0x80 == 0 {
            let rest = rest.get(index + 1..)?;
            return Some((*tag, rest.get(..length)?));
        }
    }
    None
}

/// ISO/IEC 14496-15 annex E: profile, compatibility (bits reversed), tier and level, constraints.
fn h265_name(record: &[u8]) -> Option<String> {
    let first = *record.get(1)?;
    let space = ["", "A", "B", "C"].get(usize::from(first >> 6))?;
    let compatibility = word(record, 2)?.reverse_bits();
    let tier = if first & 0x20 == 0 { 'L' } else { 'H' };
    let level = *record.get(12)?;
    let mut name = format!(
        "hvc1.{space}{}.{compatibility:X}.{tier}{level}",
        first & 0x1f
    );
    let constraints = record.get(6..12)?;
    let used = constraints
        .iter()
        .rposition(|byte| *byte != 0)
        .map_or(0, |at| at + 1);
    for byte in constraints.iter().take(used) {
        name.push_str(&format!(".{byte:X}"));
    }
    Some(name)
}
