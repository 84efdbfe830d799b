//! One file, sample by sample.

use std::collections::VecDeque;
use std::fs::File;

use bytes::Bytes;

use super::Fault;
use super::movie::{self, Movie, Stream};
use super::payload::normal;
use super::sample::{Place, Sample, Tables, of_fragment};
use crate::archive::ledger::footage::reference;
use crate::archive::mp4::{FileSource, MOVIE_BYTES_MAX, Source as _, read_body};
use crate::units::CaptureTime;

/// Larger samples are damage: an access unit of the relay is far smaller.
const SAMPLE_BYTES_MAX: u32 = 64 << 20;

/// Where a coded unit lies, and what the file tells of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Spot {
    /// Which of the file's streams.
    pub(crate) stream: usize,
    /// Where it lies in the file, in bytes; all of it is there.
    pub(crate) offset: u64,
    pub(crate) size: u32,
    /// When it is decoded; ticks of the stream.
    pub(crate) decode: i64,
    /// When it is shown, edits counted in; ticks of the stream.
    pub(crate) media_time: i64,
    /// Ticks of the stream.
    pub(crate) duration: u32,
    pub(crate) captured: CaptureTime,
    pub(crate) sync: bool,
    /// Decode times leave something out before it.
    pub(crate) discontinuity: bool,
}

/// The capture time that belongs to a time of the file.
#[derive(Debug, Clone, Copy)]
struct Anchor {
    file_nanos: i64,
    captured: CaptureTime,
}

#[derive(Debug)]
enum Way {
    /// The samples of the present fragment.
    Fragments(VecDeque<Sample>),
    /// For each stream the next sample, and where the walk through its tables is behind it.
    Tables(Vec<Option<(Sample, Place)>>),
}

/// A file that is being read.
#[derive(Debug)]
pub(crate) struct Film {
    source: FileSource,
    movie: Movie,
    way: Way,
    /// Where a file does not tell capture times: that of its beginning.
    base: CaptureTime,
    anchor: Option<Anchor>,
    /// For each stream: decode time at which the last fragment ended.
    expected: Vec<Option<i64>>,
    /// For each stream: a hole was seen before its next sample.
    holes: Vec<bool>,
    /// Bytes of the samples handed out.
    handed: u64,
}

impl Film {
    /// Begins to read a file. `base`: capture time of its beginning, where the caller knows it.
    ///
    /// # Errors
    /// What is wrong with it.
    pub(crate) fn open(file: File, base: Option<CaptureTime>) -> Result<Self, Fault> {
        let source = FileSource::new(file)?;
        let movie = movie::read(&source)?;
        let base = base.or(movie.created);
        let streams = movie.streams.len();
        let mut film = Self {
            source,
            way: Way::Fragments(VecDeque::new()),
            base: base.unwrap_or(CaptureTime::from_unix_nanos(0)),
            anchor: None,
            expected: vec![None; streams],
            holes: vec![false; streams],
            handed: 0,
            movie,
        };
        // A header with samples of its own: only then the tables are the way, to begin with.
        let tables = |stream: &Stream| film.movie.body.get(stream.tables.clone());
        let any = film
            .movie
            .streams
            .iter()
            .filter_map(tables)
            .any(|stbl| Tables::count(stbl) > 0);
        if any {
            let begun: Result<Vec<_>, _> = (0..streams)
                .map(|stream| film.table_step(stream, Place::default()))
                .collect();
            film.way = Way::Tables(begun?);
        } else if !film.movie.fragmented {
            return Err(Fault::Empty);
        }
        Ok(film)
    }

    /// Its streams, at most one of each kind.
    pub(crate) fn streams(&self) -> &[Stream] {
        &self.movie.streams
    }

    /// The sample entry of a stream, byte for byte with its header.
    pub(crate) fn entry(&self, stream: &Stream) -> &[u8] {
        self.movie
            .body
            .get(stream.entry.clone())
            .unwrap_or_default()
    }

    /// Bytes of the file, and how many of them were handed out.
    pub(crate) fn progress(&self) -> (u64, u64) {
        (self.source.size(), self.handed.min(self.source.size()))
    }

    /// The next unit; none at the end.
    pub(super) fn next(&mut self) -> Result<Option<(Spot, Bytes)>, Fault> {
        let Some(spot) = self.next_spot()? else {
            return Ok(None);
        };
        let payload = self.read(spot)?;
        Ok(Some((spot, payload)))
    }

    /// Where the next unit lies; none at the end. Media data is not read.
    ///
    /// # Errors
    /// What is wrong with the file.
    pub(crate) fn next_spot(&mut self) -> Result<Option<Spot>, Fault> {
        let Some(sample) = self.next_sample()? else {
            return Ok(None);
        };
        let end = sample.offset.checked_add(sample.size.into());
        let inside = end.is_some_and(|end| end <= self.source.size());
        self.handed = self.handed.saturating_add(sample.size.into());
        // More than there is: samples that share their bytes, without end.
        if !inside || sample.size > SAMPLE_BYTES_MAX || self.handed > self.source.size() {
            return Err(damaged(sample.offset));
        }
        self.spot(sample).map(Some)
    }

    fn next_sample(&mut self) -> Result<Option<Sample>, Fault> {
        match &mut self.way {
            Way::Fragments(_) => self.fragment_sample(),
            Way::Tables(nexts) => {
                let streams = &self.movie.streams;
                let time = |index: usize, sample: &Sample| {
                    streams.get(index).map(|stream| stream.nanos(sample.decode))
                };
                let heads = nexts.iter().enumerate();
                let heads = heads.filter_map(|(i, next)| Some((time(i, &next.as_ref()?.0)?, i)));
                let Some((_, index)) = heads.min() else {
                    if !self.movie.fragmented {
                        return Ok(None);
                    }
                    // Only what came first is in the tables; the rest are fragments.
                    self.way = Way::Fragments(VecDeque::new());
                    return self.fragment_sample();
                };
                let Some((sample, place)) = nexts.get_mut(index).and_then(Option::take) else {
                    return Ok(None);
                };
                let next = self.table_step(index, place)?;
                if let Way::Tables(nexts) = &mut self.way
                    && let Some(slot) = nexts.get_mut(index)
                {
                    *slot = next;
                }
                Ok(Some(sample))
            }
        }
    }

    fn table_step(&self, index: usize, at: Place) -> Result<Option<(Sample, Place)>, Fault> {
        let damaged = Fault::Damaged {
            what: "table of samples",
            offset: 0,
        };
        let stream = self.movie.streams.get(index);
        let stbl = stream.and_then(|stream| self.movie.body.get(stream.tables.clone()));
        let Some(stbl) = stbl else {
            return Err(damaged);
        };
        let tables = Tables::new(index, stbl, at);
        tables
            .and_then(|tables| tables.next(Tables::count(stbl)))
            .ok_or(damaged)
    }

    fn fragment_sample(&mut self) -> Result<Option<Sample>, Fault> {
        loop {
            if let Way::Fragments(queue) = &mut self.way
                && let Some(sample) = queue.pop_front()
            {
                return Ok(Some(sample));
            }
            let Some(header) = self.movie.walk.next(&self.source)? else {
                let offset = self.movie.walk.at();
                if offset < self.source.size() {
                    return Err(Fault::Damaged {
                        what: "end of the file",
                        offset,
                    });
                }
                return Ok(None);
            };
            if &header.kind != b"prft" && &header.kind != b"moof" {
                continue;
            }
            let Some(body) = read_body(&self.source, &header)? else {
                return Err(Fault::Large {
                    what: "fragment",
                    bytes: header.end - header.body,
                    most: MOVIE_BYTES_MAX,
                });
            };
            if &header.kind == b"prft" {
                self.anchor = self.anchor_of(&body).or(self.anchor);
                continue;
            }
            let samples = of_fragment(&body, header.begin, &self.movie.streams)?;
            self.look_for_holes(&samples);
            self.way = Way::Fragments(samples.into());
        }
    }

    fn anchor_of(&self, prft: &[u8]) -> Option<Anchor> {
        let reference = reference(prft, self.base)?;
        let mut streams = self.movie.streams.iter();
        let stream = streams.find(|stream| stream.number == reference.track)?;
        let ticks = i64::try_from(reference.ticks)
            .ok()?
            .checked_sub(stream.edit)?;
        Some(Anchor {
            file_nanos: stream.nanos(ticks),
            captured: reference.captured,
        })
    }

    fn look_for_holes(&mut self, samples: &[Sample]) {
        let slots = self.expected.iter_mut().zip(&mut self.holes);
        for (index, (expected, hole)) in slots.enumerate() {
            let mut own = samples.iter().filter(|sample| sample.stream == index);
            let Some(first) = own.next() else { continue };
            let last = own.next_back().unwrap_or(first);
            // Half a sample: some writers round.
            let tolerance = i64::from(first.duration / 2);
            let off = expected.map_or(0, |e: i64| first.decode.saturating_sub(e).saturating_abs());
            *hole |= off > tolerance;
            *expected = last.decode.checked_add(last.duration.into());
        }
    }

    /// The bytes of a unit, as the relay has them.
    pub(crate) fn read(&self, spot: Spot) -> Result<Bytes, Fault> {
        let mut payload = vec![0; usize::try_from(spot.size).unwrap_or_default()];
        self.source.read_exact_at(spot.offset, &mut payload)?;
        let stream = self.movie.streams.get(spot.stream);
        let payload = stream
            .and_then(|stream| normal(stream.track.codec, stream.length_size, payload.into()));
        payload.ok_or_else(|| damaged(spot.offset))
    }

    fn spot(&mut self, sample: Sample) -> Result<Spot, Fault> {
        let Some(stream) = self.movie.streams.get(sample.stream) else {
            return Err(Fault::Empty);
        };
        let media_time = sample.shown.saturating_sub(stream.edit);
        let file_nanos = stream.nanos(media_time);
        let base = self.base;
        let anchor = self.anchor.unwrap_or(Anchor {
            file_nanos: 0,
            captured: base,
        });
        let distance = file_nanos.saturating_sub(anchor.file_nanos);
        let captured = anchor.captured.unix_nanos().saturating_add(distance);
        let hole = self.holes.get_mut(sample.stream);
        Ok(Spot {
            stream: sample.stream,
            offset: sample.offset,
            size: sample.size,
            decode: sample.decode,
            media_time,
            duration: sample.duration,
            captured: CaptureTime::from_unix_nanos(captured),
            sync: sample.sync,
            discontinuity: hole.is_some_and(std::mem::take),
        })
    }
}

fn damaged(offset: u64) -> Fault {
    Fault::Damaged {
        what: "unit",
        offset,
    }
}
