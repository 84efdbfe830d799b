//! Footage with its key frames alone: remuxed, not decoded.
//!
//! Each key frame keeps its time, and is shown until the next one, or until the footage has a hole:
//! so the times at which something is recorded stay what they were. Fragments keep their `prft`,
//! and with it the capture times. Sound goes. The same file always gives the same bytes: whoever
//! is cut off begins anew, and what was published already is recognised.
//!
//! ISO/IEC 14496-12 §8.8 (movie fragments), §8.16.5 (`prft`).

use std::io;

use bytes::Bytes;

use crate::archive::disk::read_exact_at;
use crate::archive::ledger::footage::{named, word};
use crate::archive::mp4::{Source, Walk, children};
use crate::archive::replay::{Fault, Group, Keys};
use crate::archive::{ArchiveError, DiskFile, Object};
use crate::units::CaptureTime;

/// Most bytes of the key frames of one fragment: they are in memory at a time.
const GROUP_BYTES_MAX: u64 = 64 << 20;
/// Sample flags (§8.8.3.1): depends on no other sample, and is a sync sample.
const SYNC: u32 = 0x0200_0000;

/// Why a file can't be thinned.
#[derive(Debug, thiserror::Error)]
pub(super) enum ThinError {
    /// Footage that the thinner can't read. It stays whole.
    #[error(transparent)]
    Footage(#[from] Fault),
    /// It holds no key frame. It stays whole.
    #[error("it holds no key frame")]
    NoKeyFrame,
    /// The copy can't be written.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
}

/// A file of a disk, of the length that it had when it was opened.
pub(in crate::archive) struct OnDisk {
    file: Box<dyn DiskFile>,
    size: u64,
}

impl OnDisk {
    pub(in crate::archive) fn new(file: Box<dyn DiskFile>) -> io::Result<Self> {
        let size = file.size()?;
        Ok(Self { file, size })
    }
}

impl Source for OnDisk {
    fn size(&self) -> u64 {
        self.size
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        read_exact_at(&*self.file, offset, buffer)
    }
}

/// Where the copy goes.
pub(super) trait Copy {
    fn append(&mut self, parts: &[Bytes]) -> Result<(), ArchiveError>;
    fn patch(&mut self, offset: u64, bytes: &[u8]) -> Result<(), ArchiveError>;
}

impl Copy for Object {
    fn append(&mut self, parts: &[Bytes]) -> Result<(), ArchiveError> {
        Object::append(self, parts).map(drop)
    }

    fn patch(&mut self, offset: u64, bytes: &[u8]) -> Result<(), ArchiveError> {
        Object::patch(self, offset, bytes)
    }
}

/// Writes the key frames of a file that was captured from `begin` on; gives their number.
pub(super) fn thin(
    source: &dyn Source,
    begin: CaptureTime,
    copy: &mut dyn Copy,
) -> Result<u64, ThinError> {
    let mut keys = Keys::open(source, begin)?;
    let number = keys.number();
    let header = header(source, keys.header(), number)?;
    let (rate, edit) = (keys.rate(), keys.edit());
    let movie_rate = movie_rate(keys.header());
    let (mut count, mut sequence, mut end) = (0, 0_u32, 0);
    let mut written = false;
    while let Some(group) = keys.next()? {
        if !written {
            // Not before there is something to follow it.
            copy.append(std::slice::from_ref(&header.bytes))?;
            written = true;
        }
        sequence = sequence.wrapping_add(1);
        copy.append(&fragment(source, &group, number, sequence)?)?;
        count += group.keys.len() as u64;
        if let Some(last) = group.keys.last() {
            end = last.end.saturating_sub(edit);
        }
    }
    if count == 0 {
        return Err(ThinError::NoKeyFrame);
    }
    if let Some(at) = header.duration {
        let ticks = i128::from(end) * i128::from(movie_rate) / i128::from(rate.max(1));
        match at {
            Duration::Short(at) => {
                let ticks = u32::try_from(ticks).unwrap_or(u32::MAX);
                copy.patch(at, &ticks.to_be_bytes())?;
            }
            Duration::Long(at) => {
                let ticks = u64::try_from(ticks).unwrap_or_default();
                copy.patch(at, &ticks.to_be_bytes())?;
            }
        }
    }
    Ok(count)
}

/// Length of the key frames of a file; none for one that can't be thinned.
pub(super) fn key_frame_bytes(source: &dyn Source, begin: CaptureTime) -> Option<u64> {
    let mut keys = Keys::open(source, begin).ok()?;
    let mut bytes = 0_u64;
    while let Some(group) = keys.next().ok()? {
        let sizes = group.keys.iter().map(|key| u64::from(key.size));
        bytes = bytes.saturating_add(sizes.sum());
    }
    (bytes > 0).then_some(bytes)
}

/// Where the header tells how long the movie is.
#[derive(Debug, Clone, Copy)]
enum Duration {
    Short(u64),
    Long(u64),
}

struct Header {
    bytes: Bytes,
    duration: Option<Duration>,
}

/// Ticks of the movie in a second (`mvhd`, §8.2.2).
fn movie_rate(moov: &[u8]) -> u32 {
    let mvhd = named(moov, b"mvhd").next().unwrap_or_default();
    let at = if mvhd.first() == Some(&1) { 20 } else { 12 };
    word(mvhd, at).unwrap_or(0)
}

fn boxed(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let size = u32::try_from(content.len() + 8).unwrap_or(u32::MAX);
    let mut bytes = Vec::with_capacity(content.len() + 8);
    bytes.extend(size.to_be_bytes());
    bytes.extend(kind);
    bytes.extend(content);
    bytes
}

/// `ftyp` as it is, and `moov` with the track of the pictures alone.
fn header(source: &dyn Source, moov: &[u8], number: u32) -> Result<Header, ThinError> {
    let mut bytes = first_box(source)?;
    let mut content = Vec::with_capacity(moov.len());
    let mut duration = None;
    // Behind the header of `moov`.
    let begin = bytes.len() as u64 + 8;
    for (kind, body) in children(moov).flatten() {
        match &kind {
            b"trak" if !is_track(body, number) => {}
            b"mvex" => {
                let mut extends = Vec::new();
                for (kind, body) in children(body).flatten() {
                    if &kind == b"trex" && word(body, 4) != Some(number) {
                        continue;
                    }
                    if &kind == b"mehd" {
                        // Behind the headers of `mvex` and of this box, version and flags.
                        let at = begin + (content.len() + extends.len()) as u64 + 8 + 8 + 4;
                        duration = match (body.first(), body.len()) {
                            (Some(0), 8..) => Some(Duration::Short(at)),
                            (Some(1), 12..) => Some(Duration::Long(at)),
                            _ => None,
                        };
                    }
                    extends.extend(boxed(&kind, body));
                }
                content.extend(boxed(b"mvex", &extends));
            }
            _ => content.extend(boxed(&kind, body)),
        }
    }
    bytes.extend(boxed(b"moov", &content));
    Ok(Header {
        bytes: bytes.into(),
        duration,
    })
}

fn is_track(trak: &[u8], number: u32) -> bool {
    // Behind two times of 4 (version 0) or 8 bytes: §8.3.2.
    named(trak, b"tkhd").next().is_some_and(|tkhd| {
        let at = if tkhd.first() == Some(&1) { 20 } else { 12 };
        word(tkhd, at) == Some(number)
    })
}

fn first_box(source: &dyn Source) -> Result<Vec<u8>, ThinError> {
    const FIRST_BYTES_MAX: u64 = 4096;
    let damaged = || Fault::Damaged {
        what: "file type",
        offset: 0,
    };
    let first = Walk::new().next(source).map_err(Fault::from)?;
    let end = first.ok_or_else(damaged)?.end;
    if end > FIRST_BYTES_MAX {
        return Err(damaged().into());
    }
    let mut bytes = vec![0; usize::try_from(end).unwrap_or_default()];
    source.read_exact_at(0, &mut bytes).map_err(Fault::from)?;
    Ok(bytes)
}

/// `prft`, `moof` and `mdat` of key frames.
fn fragment(
    source: &dyn Source,
    group: &Group,
    number: u32,
    sequence: u32,
) -> Result<Vec<Bytes>, ThinError> {
    let total: u64 = group.keys.iter().map(|key| u64::from(key.size)).sum();
    if total > GROUP_BYTES_MAX {
        return Err(ThinError::Footage(Fault::Large {
            what: "fragment's key frames",
            bytes: total,
            most: GROUP_BYTES_MAX,
        }));
    }
    let mut head = Vec::new();
    if let Some(reference) = &group.reference {
        head.extend(boxed(b"prft", reference));
    }
    let before = head.len();
    // The offset of the data, which counts from the `moof`, is known with the length of that.
    let size = moof(group, number, sequence, 0).len();
    let offset = u32::try_from(size + 8).unwrap_or(u32::MAX);
    head.extend(moof(group, number, sequence, offset));
    debug_assert_eq!(head.len(), before + size);
    let data = u32::try_from(total + 8).unwrap_or(u32::MAX);
    head.extend(data.to_be_bytes());
    head.extend(b"mdat");
    let mut parts = vec![Bytes::from(head)];
    for key in &group.keys {
        let mut payload = vec![0; usize::try_from(key.size).unwrap_or_default()];
        source
            .read_exact_at(key.offset, &mut payload)
            .map_err(Fault::from)?;
        parts.push(payload.into());
    }
    Ok(parts)
}

fn moof(group: &Group, number: u32, sequence: u32, data_offset: u32) -> Vec<u8> {
    let words = |words: &[u32]| -> Vec<u8> { words.iter().flat_map(|w| w.to_be_bytes()).collect() };
    let first = group.keys.first();
    let decode = first.map_or(0, |key| u64::try_from(key.decode).unwrap_or_default());
    let mfhd = boxed(b"mfhd", &words(&[0, sequence]));
    // Offsets count from the `moof`.
    let tfhd = boxed(b"tfhd", &words(&[0x0002_0000, number]));
    let mut time = words(&[0x0100_0000]);
    time.extend(decode.to_be_bytes());
    let tfdt = boxed(b"tfdt", &time);
    let count = u32::try_from(group.keys.len()).unwrap_or(u32::MAX);
    // Version 1: signed offsets. There are: data offset, duration, size, flags, time offset.
    let mut run = words(&[0x0100_0f01, count, data_offset]);
    for (index, key) in group.keys.iter().enumerate() {
        // Within a fragment samples follow each other, also where the next one came late.
        let next = group
            .keys
            .get(index + 1)
            .map_or(key.end, |next| next.decode);
        let duration = u32::try_from(next.saturating_sub(key.decode)).unwrap_or(u32::MAX);
        let after = i32::try_from(key.shown_after).unwrap_or(i32::MAX);
        run.extend(words(&[duration, key.size, SYNC, after.cast_unsigned()]));
    }
    let trun = boxed(b"trun", &run);
    let traf = boxed(b"traf", &[tfhd, tfdt, trun].concat());
    boxed(b"moof", &[mfhd, traf].concat())
}

#[cfg(test)]
#[path = "thin_tests.rs"]
pub(super) mod tests;
