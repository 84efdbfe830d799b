//! The key frames of a fragmented file, as they lie in it.

use std::collections::VecDeque;

use super::Fault;
use super::movie::{self, Movie};
use super::sample::{Sample, Tables, of_fragment};
use crate::archive::ledger::footage::reference;
use crate::archive::mp4::{MOVIE_BYTES_MAX, Source, read_body};
use crate::hold::TrackKind;
use crate::units::CaptureTime;

/// Longest `prft` that is kept.
const REFERENCE_BYTES_MAX: usize = 64;

/// A key frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::archive) struct Key {
    /// Where it lies in the file.
    pub(in crate::archive) offset: u64,
    pub(in crate::archive) size: u32,
    /// Ticks; when it is decoded.
    pub(in crate::archive) decode: i64,
    /// Ticks from there to when it is shown.
    pub(in crate::archive) shown_after: i64,
    /// Ticks; where the pictures that follow it without a hole end.
    pub(in crate::archive) end: i64,
}

/// The key frames of one fragment, at least one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::archive) struct Group {
    pub(in crate::archive) keys: Vec<Key>,
    /// Content of the `prft` that tells their capture times, where it was not given before.
    pub(in crate::archive) reference: Option<Vec<u8>>,
}

/// Reads the key frames of the pictures of a file, fragment by fragment.
pub(in crate::archive) struct Keys<'a> {
    source: &'a dyn Source,
    movie: Movie,
    /// Which of the file's streams are the pictures.
    stream: usize,
    /// Number of their track.
    number: u32,
    near: CaptureTime,
    reference: Option<Vec<u8>>,
    /// Given once it is known how long its last key frame is shown.
    pending: Option<Group>,
    ready: VecDeque<Group>,
    /// Decode time at which the last sample ended, where a key frame came before it.
    expected: Option<i64>,
    /// Bytes of the key frames so far.
    bytes: u64,
}

impl<'a> Keys<'a> {
    /// Opens a file. `near`: about when it was captured.
    ///
    /// # Errors
    /// [`Fault`] for a file without pictures, or with samples that are not in fragments.
    pub(in crate::archive) fn open(
        source: &'a dyn Source,
        near: CaptureTime,
    ) -> Result<Self, Fault> {
        let movie = movie::read(source)?;
        let mut streams = movie.streams.iter().enumerate();
        let pictures = streams.find(|(_, s)| s.track.codec.kind() == TrackKind::Video);
        let (stream, pictures) = pictures.ok_or_else(|| Fault::NoStream(String::new()))?;
        let tables = movie.body.get(pictures.tables.clone());
        let plain = tables.is_some_and(|stbl| Tables::count(stbl) > 0);
        if plain || !movie.fragmented {
            return Err(Fault::NotFragmented);
        }
        Ok(Self {
            source,
            number: pictures.number,
            stream,
            movie,
            near,
            reference: None,
            pending: None,
            ready: VecDeque::new(),
            expected: None,
            bytes: 0,
        })
    }

    /// The content of the movie header.
    pub(in crate::archive) fn header(&self) -> &[u8] {
        &self.movie.body
    }

    /// Number of the track that has the pictures.
    pub(in crate::archive) fn number(&self) -> u32 {
        self.number
    }

    /// Ticks of that track in a second.
    pub(in crate::archive) fn rate(&self) -> u32 {
        let stream = self.movie.streams.get(self.stream);
        stream.map_or(1, |stream| stream.track.clock_rate.get())
    }

    /// Ticks that are taken off the times of the file before it is shown.
    pub(in crate::archive) fn edit(&self) -> i64 {
        let stream = self.movie.streams.get(self.stream);
        stream.map_or(0, |stream| stream.edit)
    }

    /// The next fragment's key frames; none at the end.
    ///
    /// # Errors
    /// [`Fault`] where the file is damaged or can't be read.
    pub(in crate::archive) fn next(&mut self) -> Result<Option<Group>, Fault> {
        loop {
            if let Some(group) = self.ready.pop_front() {
                return Ok(Some(group));
            }
            let Some(header) = self.movie.walk.next(self.source)? else {
                let offset = self.movie.walk.at();
                if offset < self.source.size() {
                    return Err(Fault::Damaged {
                        what: "end of the file",
                        offset,
                    });
                }
                return Ok(self.pending.take());
            };
            if &header.kind != b"prft" && &header.kind != b"moof" {
                continue;
            }
            let Some(body) = read_body(self.source, &header)? else {
                return Err(Fault::Large {
                    what: "fragment",
                    bytes: header.end - header.body,
                    most: MOVIE_BYTES_MAX,
                });
            };
            if &header.kind == b"prft" {
                let own = reference(&body, self.near).is_some_and(|r| r.track == self.number);
                if own && body.len() <= REFERENCE_BYTES_MAX {
                    self.reference = Some(body);
                }
                continue;
            }
            let mut samples = of_fragment(&body, header.begin, &self.movie.streams)?;
            samples.retain(|sample| sample.stream == self.stream);
            self.take(&samples)?;
        }
    }

    fn take(&mut self, samples: &[Sample]) -> Result<(), Fault> {
        let Some(first) = samples.first() else {
            return Ok(());
        };
        // Half a sample: some writers round.
        let hole = self.expected.is_some_and(|expected| {
            first.decode.saturating_sub(expected).saturating_abs() > i64::from(first.duration / 2)
        });
        if hole {
            self.ready.extend(self.pending.take());
            self.expected = None;
        }
        let mut keys: Vec<Key> = Vec::new();
        for sample in samples {
            let damaged = Fault::Damaged {
                what: "unit",
                offset: sample.offset,
            };
            let end = sample.decode.checked_add(sample.duration.into());
            let Some(end) = end else { return Err(damaged) };
            // Of the key frame before, all up to here is shown.
            let before = self
                .pending
                .as_mut()
                .and_then(|group| group.keys.last_mut());
            if let Some(last) = keys.last_mut().or(before) {
                last.end = if sample.sync { sample.decode } else { end };
            }
            if !sample.sync {
                if self.expected.is_some() || !keys.is_empty() {
                    self.expected = Some(end);
                }
                continue;
            }
            let inside = sample.offset.checked_add(sample.size.into());
            self.bytes = self.bytes.saturating_add(sample.size.into());
            // More than there is: samples that share their bytes, without end.
            if inside.is_none_or(|end| end > self.source.size()) || self.bytes > self.source.size()
            {
                return Err(damaged);
            }
            keys.push(Key {
                offset: sample.offset,
                size: sample.size,
                decode: sample.decode,
                shown_after: sample.shown.saturating_sub(sample.decode),
                end,
            });
            self.expected = Some(end);
        }
        if !keys.is_empty() {
            self.ready.extend(self.pending.take());
            let reference = self.reference.take();
            self.pending = Some(Group { keys, reference });
        }
        Ok(())
    }
}
