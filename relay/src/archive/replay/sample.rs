//! Where samples are, and when: from fragments, or from the tables of the movie header.

use super::Fault;
use super::movie::Stream;
use crate::archive::ledger::footage::{long, named, word};

/// Most samples of a fragment.
const SAMPLES_MAX: usize = 1 << 20;
/// Sample flags (§8.8.3.1): not a sync sample.
const NOT_SYNC: u32 = 0x0001_0000;

/// A coded unit in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sample {
    /// Which of the file's streams.
    pub(super) stream: usize,
    /// Where it lies in the file.
    pub(super) offset: u64,
    pub(super) size: u32,
    /// When it is decoded, and when it is shown; ticks of its stream.
    pub(super) decode: i64,
    pub(super) shown: i64,
    pub(super) duration: u32,
    pub(super) sync: bool,
}

/// The samples of a `moof` (§8.8) that begins at `begin`, in the order of their decode times.
pub(super) fn of_fragment(
    moof: &[u8],
    begin: u64,
    streams: &[Stream],
) -> Result<Vec<Sample>, Fault> {
    let damaged = || Fault::Damaged {
        what: "fragment",
        offset: begin,
    };
    let mut all = Vec::new();
    // Where the data of the part before ended.
    let mut data = begin;
    for traf in named(moof, b"traf") {
        let part = traf_samples(traf, begin, &mut data, streams, &mut all);
        part.ok_or_else(damaged)?;
    }
    all.sort_by_key(|sample: &Sample| {
        let rate = streams.get(sample.stream);
        (
            rate.map_or(0, |stream| stream.nanos(sample.decode)),
            sample.stream,
        )
    });
    Ok(all)
}

fn traf_samples(
    traf: &[u8],
    moof: u64,
    data: &mut u64,
    streams: &[Stream],
    all: &mut Vec<Sample>,
) -> Option<()> {
    let tfhd = named(traf, b"tfhd").next()?;
    let flags = word(tfhd, 0)?;
    let number = word(tfhd, 4)?;
    let index = streams.iter().position(|stream| stream.number == number);
    let mut defaults = index
        .and_then(|i| streams.get(i))
        .map(|s| s.defaults)
        .unwrap_or_default();
    // The optional fields in their order: §8.8.7.
    let mut at = 8;
    let base = match flags & 0x1 {
        0 => None,
        _ => {
            at += 8;
            Some(long(tfhd, 8)?)
        }
    };
    at += if flags & 0x2 != 0 { 4 } else { 0 };
    for (flag, field) in [
        (0x8, &mut defaults.duration),
        (0x10, &mut defaults.size),
        (0x20, &mut defaults.flags),
    ] {
        if flags & flag != 0 {
            *field = word(tfhd, at)?;
            at += 4;
        }
    }
    let base = match base {
        Some(base) => base,
        None if flags & 0x2_0000 != 0 => moof,
        None => *data,
    };
    let mut place = base;
    let start = match named(traf, b"tfdt").next() {
        Some(tfdt) if tfdt.first() == Some(&0) => i64::from(word(tfdt, 4)?),
        Some(tfdt) => i64::try_from(long(tfdt, 4)?).ok()?,
        None => 0,
    };
    let mut decode = start;
    for trun in named(traf, b"trun") {
        let flags = word(trun, 0)?;
        let count = usize::try_from(word(trun, 4)?).ok()?;
        let mut at = 8;
        if flags & 0x1 != 0 {
            let offset = word(trun, at)?.cast_signed();
            place = base.checked_add_signed(offset.into())?;
            at += 4;
        }
        let mut first_flags = None;
        if flags & 0x4 != 0 {
            first_flags = Some(word(trun, at)?);
            at += 4;
        }
        let has = |flag: u32| flags & flag != 0;
        let size = [0x100, 0x200, 0x400, 0x800]
            .into_iter()
            .filter(|f| has(*f))
            .count()
            * 4;
        let table = trun.get(at..)?.get(..count.checked_mul(size)?)?;
        if all.len().checked_add(count)? > SAMPLES_MAX {
            return None;
        }
        for i in 0..count {
            let mut entry = table.get(i * size..(i + 1) * size)?;
            let mut field = |flag: u32| {
                let value = has(flag).then(|| word(entry, 0)).flatten();
                if value.is_some() {
                    entry = entry.get(4..).unwrap_or_default();
                }
                value
            };
            let duration = field(0x100).unwrap_or(defaults.duration);
            let bytes = field(0x200).unwrap_or(defaults.size);
            let first = first_flags.filter(|_| i == 0);
            let sample_flags = field(0x400);
            let sample_flags = first.or(sample_flags).unwrap_or(defaults.flags);
            let offset = match field(0x800) {
                None => 0,
                // Signed from version 1 on.
                Some(offset) if flags >> 24 != 0 => offset.cast_signed().into(),
                Some(offset) => i64::from(offset),
            };
            // What holds nothing is nothing; and a run without sizes must not last for ever.
            if bytes == 0 && size == 0 {
                return None;
            }
            if let (Some(stream), true) = (index, bytes > 0) {
                all.push(Sample {
                    stream,
                    offset: place,
                    size: bytes,
                    decode,
                    shown: decode.checked_add(offset)?,
                    duration,
                    sync: sample_flags & NOT_SYNC == 0,
                });
            }
            place = place.checked_add(bytes.into())?;
            decode = decode.checked_add(duration.into())?;
        }
    }
    *data = place;
    Some(())
}

/// Walks the tables of a `stbl` (§8.6.1, §8.7), one sample at a time.
#[derive(Debug, Clone)]
pub(super) struct Tables<'a> {
    stream: usize,
    times: Runs<'a>,
    offsets: Option<Runs<'a>>,
    offsets_signed: bool,
    chunk_runs: &'a [u8],
    chunks: &'a [u8],
    chunk_size: usize,
    sizes: &'a [u8],
    same_size: u32,
    syncs: Option<&'a [u8]>,
    at: Place,
}

/// How far the walk is: kept apart from the tables, which are borrowed anew for each step.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Place {
    sample: u32,
    decode: i64,
    time_run: (usize, u32),
    offset_run: (usize, u32),
    chunk: u32,
    chunk_run: usize,
    in_chunk: u32,
    byte: u64,
    sync: usize,
}

#[derive(Debug, Clone, Copy)]
struct Runs<'a>(&'a [u8]);

impl Runs<'_> {
    /// The value of the present sample, and one step on: pairs of a number of samples and a value.
    fn step(self, place: &mut (usize, u32)) -> Option<u32> {
        loop {
            let entry = self.0.get(place.0.checked_mul(8)?..)?;
            let (count, value) = (word(entry, 0)?, word(entry, 4)?);
            if place.1 < count {
                place.1 += 1;
                return Some(value);
            }
            *place = (place.0 + 1, 0);
        }
    }
}

impl<'a> Tables<'a> {
    /// None for tables that are not there or are cut.
    pub(super) fn new(stream: usize, stbl: &'a [u8], at: Place) -> Option<Self> {
        let table = |kind: &'static [u8; 4], entry: usize| {
            let body = named(stbl, kind).next()?;
            let count = usize::try_from(word(body, 4)?).ok()?;
            body.get(8..)?.get(..count.checked_mul(entry)?)
        };
        let (chunks, chunk_size) = match table(b"stco", 4) {
            Some(chunks) => (chunks, 4),
            None => (table(b"co64", 8)?, 8),
        };
        let stsz = named(stbl, b"stsz").next()?;
        let same_size = word(stsz, 4)?;
        let count = usize::try_from(word(stsz, 8)?).ok()?;
        let sizes = match same_size {
            0 => stsz.get(12..)?.get(..count.checked_mul(4)?)?,
            _ => &[],
        };
        let ctts = named(stbl, b"ctts").next();
        Some(Self {
            stream,
            times: Runs(table(b"stts", 8)?),
            offsets: table(b"ctts", 8).map(Runs),
            offsets_signed: ctts.and_then(|body| body.first()) == Some(&1),
            chunk_runs: table(b"stsc", 12)?,
            chunks,
            chunk_size,
            sizes,
            same_size,
            syncs: table(b"stss", 4),
            at,
        })
    }

    /// Samples in all.
    pub(super) fn count(stbl: &[u8]) -> u32 {
        let stsz = named(stbl, b"stsz").next();
        stsz.and_then(|stsz| word(stsz, 8)).unwrap_or(0)
    }

    /// The next sample and where the walk is then; none at the end. The outer none: the tables
    /// contradict each other.
    pub(super) fn next(mut self, count: u32) -> Option<Option<(Sample, Place)>> {
        if self.at.sample >= count {
            return Some(None);
        }
        let at = &mut self.at;
        let duration = self.times.step(&mut at.time_run)?;
        let offset = match self.offsets {
            None => 0,
            Some(runs) => {
                let offset = runs.step(&mut at.offset_run)?;
                // ffmpeg and QuickTime write signed ones in version 0, too.
                match self.offsets_signed || offset > i32::MAX.cast_unsigned() {
                    true => i64::from(offset.cast_signed()),
                    false => i64::from(offset),
                }
            }
        };
        let index = usize::try_from(at.sample).ok()?;
        let size = match self.same_size {
            0 => word(self.sizes, index.checked_mul(4)?)?,
            size => size,
        };
        // Which chunk: §8.7.4.
        let run = self.chunk_runs.get(at.chunk_run.checked_mul(12)?..)?;
        let mut per_chunk = word(run, 4)?;
        if at.sample == 0 || at.in_chunk >= per_chunk {
            at.chunk += 1;
            at.in_chunk = 0;
            while let Some(first) = word(self.chunk_runs, (at.chunk_run + 1) * 12) {
                if first > at.chunk {
                    break;
                }
                at.chunk_run += 1;
            }
            per_chunk = word(self.chunk_runs, at.chunk_run * 12 + 4)?;
            let chunk = usize::try_from(at.chunk.checked_sub(1)?).ok()?;
            let place = chunk.checked_mul(self.chunk_size)?;
            at.byte = match self.chunk_size {
                4 => word(self.chunks, place)?.into(),
                _ => long(self.chunks, place)?,
            };
        }
        if per_chunk == 0 {
            return None;
        }
        let number = at.sample + 1;
        let sync = match self.syncs {
            None => true,
            Some(syncs) => {
                while word(syncs, at.sync * 4).is_some_and(|sync| sync < number) {
                    at.sync += 1;
                }
                word(syncs, at.sync * 4) == Some(number)
            }
        };
        let sample = Sample {
            stream: self.stream,
            offset: at.byte,
            size,
            decode: at.decode,
            shown: at.decode.checked_add(offset)?,
            duration,
            sync,
        };
        at.sample = number;
        at.in_chunk += 1;
        at.byte = at.byte.checked_add(size.into())?;
        at.decode = at.decode.checked_add(duration.into())?;
        Some(Some((sample, self.at)))
    }
}
