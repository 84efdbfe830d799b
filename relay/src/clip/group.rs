//! A file of footage as groups: what begins where decoding can begin, and all that needs it.

use std::sync::Arc;

use crate::archive::ledger::Span;
use crate::archive::replay::{Fault, Film, Spot, Stream};
use crate::hold::{Codec, TrackKind};
use crate::units::CaptureTime;

/// A sample is not taken to last longer, whatever the file says.
const SAMPLE_NANOS_MAX: i64 = 60_000_000_000;

/// What a player must know of a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct StreamKind {
    pub(crate) codec: Codec,
    /// In the notation of RFC 6381; may be empty.
    pub(crate) rfc6381: String,
    /// Ticks a second; not 0.
    pub(crate) rate: u32,
    /// In pixels; 0 for sound.
    pub(crate) width: u32,
    pub(crate) height: u32,
    /// 0 for pictures.
    pub(crate) channels: u32,
    /// The sample entry of the source, byte for byte.
    pub(crate) entry: Vec<u8>,
}

impl StreamKind {
    fn new(film: &Film, stream: &Stream) -> Self {
        let track = &stream.track;
        Self {
            codec: track.codec,
            rfc6381: track.rfc6381.clone(),
            rate: track.clock_rate.get(),
            width: track.width,
            height: track.height,
            channels: track.channels,
            entry: film.entry(stream).to_vec(),
        }
    }

    pub(crate) fn is_video(&self) -> bool {
        self.codec.kind() == TrackKind::Video
    }

    /// Each unit of it can be decoded alone.
    fn is_every_sync(&self) -> bool {
        !self.is_video() || self.codec == Codec::Jpeg
    }

    /// When what a sample shows ends.
    fn end_of(&self, spot: &Spot) -> CaptureTime {
        let nanos = self.nanos(spot.duration.into()).clamp(1, SAMPLE_NANOS_MAX);
        CaptureTime::from_unix_nanos(spot.captured.unix_nanos().saturating_add(nanos))
    }

    /// From the first of some samples to the end of the last, in capture time.
    fn span_of(&self, spots: &[Spot]) -> Option<Span> {
        let begin = spots.iter().map(|spot| spot.captured).min()?;
        Span::new(begin, spots.iter().map(|spot| self.end_of(spot)).max()?)
    }

    pub(super) fn nanos(&self, ticks: i64) -> i64 {
        scaled(ticks, 1_000_000_000, self.rate.into())
    }

    pub(super) fn ticks(&self, nanos: i64) -> i64 {
        scaled(nanos, self.rate.into(), 1_000_000_000)
    }
}

/// Rounded to the nearest.
fn scaled(value: i64, by: i128, of: i128) -> i64 {
    let scaled = (i128::from(value) * by + of / 2).div_euclid(of.max(1));
    scaled.clamp(i64::MIN.into(), i64::MAX.into()) as i64
}

/// The streams of a file: the one that it is for, and sound beside pictures.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Streams {
    pub(super) main: StreamKind,
    pub(super) side: Option<StreamKind>,
}

/// Samples of a group that follow each other without a hole.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slice<'a> {
    /// In decode order, not empty.
    pub(super) spots: &'a [Spot],
    /// In capture time.
    pub(super) span: Span,
    /// When the first of them is shown; ticks of the source.
    pub(super) first: i64,
}

/// Samples of one file that belong together.
#[derive(Debug, Clone)]
pub(super) struct Group {
    /// Which of the sources.
    pub(super) source: usize,
    pub(super) streams: Arc<Streams>,
    /// In decode order, not empty; decoding can begin at the first.
    pub(super) main: Vec<Spot>,
    pub(super) side: Vec<Spot>,
    /// In capture time.
    pub(super) span: Span,
}

impl Group {
    fn new(
        source: usize,
        streams: &Arc<Streams>,
        main: Vec<Spot>,
        side: Vec<Spot>,
    ) -> Option<Self> {
        let span = streams.main.span_of(&main)?;
        Some(Self {
            source,
            streams: Arc::clone(streams),
            main,
            side,
            span,
        })
    }

    /// The pieces of its main stream between which decode times leave something out.
    pub(super) fn pieces(&self) -> impl Iterator<Item = Slice<'_>> {
        let whole = self.main.chunk_by(|_, next| !next.discontinuity);
        whole.filter_map(|spots| {
            Some(Slice {
                spots,
                span: self.streams.main.span_of(spots)?,
                first: spots.iter().map(|spot| spot.media_time).min()?,
            })
        })
    }

    /// Without what is captured at `to` or later, as far as what is left can be decoded. None where
    /// nothing is left.
    pub(super) fn before(mut self, to: CaptureTime) -> Option<Self> {
        let kept = self.main.iter().rposition(|spot| spot.captured < to)?;
        self.main.truncate(kept + 1);
        self.side.retain(|spot| spot.captured < to);
        Self::new(self.source, &self.streams, self.main, self.side)
    }

    /// Without pictures that are shown before the one where decoding begins: they depend on what is
    /// not there.
    pub(super) fn without_leading(mut self) -> Option<Self> {
        let first = self.main.first()?.media_time;
        self.main.retain(|spot| spot.media_time >= first);
        Self::new(self.source, &self.streams, self.main, self.side)
    }
}

/// Reads a file's groups, one at a time.
#[derive(Debug)]
pub(super) struct Groups {
    film: Film,
    source: usize,
    streams: Arc<Streams>,
    main: usize,
    /// The unit that begins the next group.
    next: Option<Spot>,
    ended: bool,
    fault: Option<Fault>,
}

impl Groups {
    /// None for a file that has nothing left without its sound.
    pub(super) fn new(film: Film, source: usize, with_sound: bool) -> Option<Self> {
        let kinds: Vec<_> = film
            .streams()
            .iter()
            .map(|stream| StreamKind::new(&film, stream))
            .collect();
        let video = kinds.iter().position(StreamKind::is_video);
        let sound = kinds.iter().position(|kind| !kind.is_video());
        let sound = sound.filter(|_| with_sound);
        let main = video.or(sound)?;
        let side = sound.filter(|sound| *sound != main);
        let streams = Streams {
            main: kinds.get(main)?.clone(),
            side: side.and_then(|side| kinds.get(side)).cloned(),
        };
        Some(Self {
            film,
            source,
            streams: Arc::new(streams),
            main,
            next: None,
            ended: false,
            fault: None,
        })
    }

    /// The next group; none at the end. An error comes behind what could be read.
    pub(super) fn next(&mut self) -> Result<Option<Group>, Fault> {
        while !self.ended {
            let (main, side) = self.gather();
            if let Some(group) = Group::new(self.source, &self.streams, main, side) {
                return Ok(Some(group));
            }
        }
        self.fault.take().map_or(Ok(None), Err)
    }

    fn gather(&mut self) -> (Vec<Spot>, Vec<Spot>) {
        let mut main: Vec<Spot> = self.next.take().into_iter().collect();
        let mut side = Vec::new();
        loop {
            let spot = match self.film.next_spot() {
                Ok(Some(spot)) => spot,
                end => {
                    self.ended = true;
                    self.fault = end.err();
                    return (main, side);
                }
            };
            if spot.stream != self.main {
                if self.streams.side.is_some() {
                    side.push(spot);
                }
                continue;
            }
            let sync = spot.sync || self.streams.main.is_every_sync();
            match (sync, main.is_empty()) {
                (true, false) => {
                    self.next = Some(spot);
                    return (main, side);
                }
                // Nothing to decode it with.
                (false, true) => {}
                _ => main.push(spot),
            }
        }
    }
}
