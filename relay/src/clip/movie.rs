//! The beginning of a clip's file: `ftyp` and `moov` with all sample tables, before the media.
//!
//! ISO/IEC 14496-12. No fragments: a table of samples is what every player knows, it can be searched
//! at once, and a gap is simply the duration of the last sample before it. Sample entries are those of
//! the sources, byte for byte. Tables are of the first versions; times of 64 bits only where they are
//! needed.

use super::group::StreamKind;
use super::table::{Run, Table};
use crate::boxes::{
    MOVIE_RATE, TrackHeader, UNITY, Wide, boxed, entry_here, full, movie_header, since_1904, track,
    word,
};
use crate::units::CaptureTime;

/// Samples that lie together in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Chunk {
    /// From the begin of the media data.
    pub(crate) offset: u64,
    pub(crate) samples: u32,
}

/// A track to be described.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Track<'a> {
    pub(crate) kind: &'a StreamKind,
    pub(crate) table: &'a Table,
    pub(crate) chunks: &'a [Chunk],
}

/// All before the media data, its `mdat` header included. `media`: its length in bytes.
pub(crate) fn header(tracks: &[Track<'_>], created: CaptureTime, media: u64) -> Vec<u8> {
    let mut header = Vec::new();
    boxed(&mut header, b"ftyp", |buf| {
        buf.extend(b"isom");
        word(buf, 0x200);
        buf.extend(b"isomiso2mp41");
    });
    let mdat = if media > u64::from(u32::MAX) - 8 {
        16
    } else {
        8
    };
    // The length does not depend on the offsets, but whether they fit 32 bits on the length.
    let mut moov = moov(tracks, created, 0, false);
    let begin = |moov: &[u8]| (header.len() + moov.len() + mdat) as u64;
    let wide = begin(&moov).saturating_add(media) > u32::MAX.into();
    if wide {
        moov = self::moov(tracks, created, 0, true);
    }
    let base = begin(&moov);
    header.extend(self::moov(tracks, created, base, wide));
    if mdat == 16 {
        word(&mut header, 1);
        header.extend(b"mdat");
        header.extend((media + 16).to_be_bytes());
    } else {
        word(&mut header, u32::try_from(media + 8).unwrap_or(u32::MAX));
        header.extend(b"mdat");
    }
    header
}

/// Ticks of a track in those of the file, rounded up: what is a little too long cuts nothing off.
fn of_movie(ticks: u64, rate: u32) -> u64 {
    let scaled = (u128::from(ticks) * u128::from(MOVIE_RATE)).div_ceil(u128::from(rate.max(1)));
    u64::try_from(scaled).unwrap_or(u64::MAX)
}

/// What is shown of a track: nothing for a while, then all from a time of its own on.
struct Edit {
    /// Before it begins; ticks of the movie.
    empty: u64,
    /// Of the track.
    media_time: u64,
    /// Ticks of the movie.
    length: u64,
}

impl Edit {
    fn of(track: &Track<'_>) -> Self {
        let (decoded, begin, end) = track.table.times();
        let (_, delay) = track.table.offsets();
        let unsigned = |ticks: i64| u64::try_from(ticks).unwrap_or(0);
        let rate = track.kind.rate;
        Self {
            empty: of_movie(unsigned(begin), rate),
            media_time: unsigned(begin.saturating_sub(decoded).saturating_add(delay)),
            length: of_movie(unsigned(end.saturating_sub(begin)), rate),
        }
    }

    fn total(&self) -> u64 {
        self.empty.saturating_add(self.length)
    }
}

fn moov(tracks: &[Track<'_>], created: CaptureTime, base: u64, wide_offsets: bool) -> Vec<u8> {
    let created = since_1904(created);
    let duration = tracks.iter().map(|track| Edit::of(track).total()).max();
    let duration = duration.unwrap_or(0);
    let mut moov = Vec::new();
    boxed(&mut moov, b"moov", |buf| {
        movie_header(buf, created, duration, tracks.len());
        for (track, number) in tracks.iter().zip(1..) {
            trak(buf, track, number, created, (base, wide_offsets));
        }
    });
    moov
}

fn trak(buf: &mut Vec<u8>, of: &Track<'_>, number: u32, created: u64, offsets: (u64, bool)) {
    let edit = Edit::of(of);
    let header = TrackHeader {
        number,
        created,
        video: of.kind.is_video(),
        width: of.kind.width,
        height: of.kind.height,
        rate: of.kind.rate,
        shown: edit.total(),
        duration: of.table.duration(),
    };
    let edits = |buf: &mut Vec<u8>| edits(buf, &edit);
    track(buf, &header, Some(&edits), |buf| stbl(buf, of, offsets));
}

fn edits(buf: &mut Vec<u8>, edit: &Edit) {
    let wide = Wide::of(&[edit.empty, edit.length, edit.media_time]);
    full(buf, b"elst", wide.version(), 0, |buf| {
        word(buf, if edit.empty > 0 { 2 } else { 1 });
        if edit.empty > 0 {
            wide.put(buf, edit.empty);
            // −1: nothing is shown.
            let nothing = if wide.0 { u64::MAX } else { u32::MAX.into() };
            wide.put(buf, nothing);
            word(buf, UNITY);
        }
        wide.put(buf, edit.length);
        wide.put(buf, edit.media_time);
        word(buf, UNITY);
    });
}

fn stbl(buf: &mut Vec<u8>, track: &Track<'_>, (base, wide): (u64, bool)) {
    let Track {
        kind,
        table,
        chunks,
    } = *track;
    full(buf, b"stsd", 0, 0, |buf| {
        word(buf, 1);
        entry_here(buf, &kind.entry);
    });
    let pairs = |buf: &mut Vec<u8>, runs: &[Run<u32>]| {
        word(buf, runs.len() as u32);
        for run in runs {
            word(buf, run.samples);
            word(buf, run.value);
        }
    };
    full(buf, b"stts", 0, 0, |buf| pairs(buf, &table.durations));
    let (offsets, _) = table.offsets();
    if offsets.iter().any(|run| run.value != 0) {
        full(buf, b"ctts", 0, 0, |buf| pairs(buf, &offsets));
    }
    if !table.is_all_sync() {
        full(buf, b"stss", 0, 0, |buf| {
            word(buf, table.syncs.len() as u32);
            table.syncs.iter().for_each(|sync| word(buf, *sync));
        });
    }
    full(buf, b"stsc", 0, 0, |buf| {
        // Chunk numbers at which the number of samples in a chunk changes.
        let mut changes: Vec<(u32, u32)> = Vec::new();
        for (chunk, number) in chunks.iter().zip(1..) {
            if changes.last().map(|(_, samples)| *samples) != Some(chunk.samples) {
                changes.push((number, chunk.samples));
            }
        }
        word(buf, changes.len() as u32);
        for (number, samples) in changes {
            word(buf, number);
            word(buf, samples);
            word(buf, 1); // the sample entry
        }
    });
    full(buf, b"stsz", 0, 0, |buf| {
        word(buf, 0);
        word(buf, table.sizes.len() as u32);
        table.sizes.iter().for_each(|size| word(buf, *size));
    });
    let places = chunks.iter().map(|chunk| base.saturating_add(chunk.offset));
    let kind = if wide { b"co64" } else { b"stco" };
    full(buf, kind, 0, 0, |buf| {
        word(buf, chunks.len() as u32);
        for place in places {
            match wide {
                true => buf.extend(place.to_be_bytes()),
                false => word(buf, u32::try_from(place).unwrap_or(u32::MAX)),
            }
        }
    });
}
