//! One file of a clip: gathered group by group, then copied together.

use std::collections::BTreeMap;

use super::ClipError;
use super::group::{Group, StreamKind, Streams};
use super::line::{MAIN_NANOS, MainLine, SIDE_NANOS, SideLine};
use super::manifest::NewFile;
use super::movie::{Chunk, Track, header};
use super::sources::{Place, SourceFile, each_block};
use super::table::{Sample, Table};
use crate::archive::ledger::Span;
use crate::archive::replay::Spot;
use crate::units::CaptureTime;

/// A file's tables do not grow beyond this by much, so that memory is bounded and the clip's own
/// reader takes them (16 MiB).
const TABLES_BYTES_MAX: usize = 12 << 20;
/// Over a longer gap a file does not go on: nobody looks at a frozen picture for an hour.
const PAUSE_NANOS_MAX: i64 = 3_600_000_000_000;
/// What lies together in the source stays together up to this.
const CHUNK_BYTES_MAX: u64 = 4 << 20;
/// Beyond a picture's usual duration: more is a gap, as in the ledger.
const PAUSE_NANOS_MIN: i64 = 20_000_000;

/// Bytes to copy.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    pub(super) source: usize,
    pub(super) offset: u64,
    pub(super) bytes: u64,
    is_main: bool,
    samples: u32,
}

/// A time without a gap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    /// In capture time.
    pub(super) span: Span,
    /// Where it begins in the file; nanoseconds.
    pub(super) file_nanos: i64,
}

/// From one to the other; nanoseconds.
fn nanos(from: CaptureTime, to: CaptureTime) -> i64 {
    to.unix_nanos().saturating_sub(from.unix_nanos())
}

/// A file that is being gathered.
#[derive(Debug)]
pub(super) struct Part {
    /// Why it was begun.
    pub(super) reason: NewFile,
    streams: Streams,
    /// What time 0 of the file is.
    zero: CaptureTime,
    main_line: MainLine,
    side_line: Option<SideLine>,
    pub(super) main: Table,
    pub(super) side: Table,
    pieces: Vec<Piece>,
    pub(super) stretches: Vec<Stretch>,
    /// What was taken of each source.
    pub(super) taken: BTreeMap<usize, Span>,
    /// How far a picture is from where its capture time puts it, at the most; nanoseconds.
    pub(super) off_nanos: i64,
    /// Frames of sound that had no room.
    pub(super) side_left_out: u64,
    media: u64,
}

impl Part {
    /// A file that begins with a group.
    pub(super) fn new(reason: NewFile, group: Group) -> Option<Self> {
        let group = group.without_leading()?;
        let main = &group.streams.main;
        let mut part = Self {
            reason,
            streams: Streams::clone(&group.streams),
            zero: group.span.begin,
            main_line: MainLine::new(main.ticks(MAIN_NANOS)),
            side_line: None,
            main: Table::default(),
            side: Table::default(),
            pieces: Vec::new(),
            stretches: Vec::new(),
            taken: BTreeMap::new(),
            off_nanos: 0,
            side_left_out: 0,
            media: 0,
        };
        part.push(&group);
        Some(part)
    }

    /// Why a group can't go on in this file; none where it can.
    pub(super) fn break_before(&self, group: &Group) -> Option<NewFile> {
        let Streams { main, side } = &*group.streams;
        let other_sound = side
            .as_ref()
            .zip(self.streams.side.as_ref())
            .is_some_and(|(a, b)| a != b);
        let end = self
            .stretches
            .last()
            .map_or(self.zero, |last| last.span.end);
        let pause = nanos(end, group.span.begin);
        if *main != self.streams.main || other_sound {
            Some(NewFile::Parameters)
        } else if pause > PAUSE_NANOS_MAX {
            Some(NewFile::Gap)
        } else if self.tables_bytes() > TABLES_BYTES_MAX {
            Some(NewFile::Size)
        } else {
            None
        }
    }

    fn tables_bytes(&self) -> usize {
        self.main.bytes() + self.side.bytes() + 24 * self.pieces.len()
    }

    /// Adds a group.
    pub(super) fn push(&mut self, group: &Group) {
        let kind = &group.streams.main;
        let usual = group.main.iter().map(|spot| i64::from(spot.duration)).max();
        let usual = kind.nanos(usual.unwrap_or(0));
        let least = usual.saturating_add(MAIN_NANOS + PAUSE_NANOS_MIN);
        // From which time of the source on it is shifted, and by how much; nanoseconds.
        let mut shifts = Vec::new();
        for slice in group.pieces() {
            let by_capture = kind.ticks(nanos(self.zero, slice.span.begin));
            let shift = self.main_line.place(group.source, slice.first, by_capture);
            shifts.push((kind.nanos(slice.first), kind.nanos(shift)));
            self.note(
                slice.span,
                kind.nanos(slice.first.saturating_add(shift)),
                least,
            );
            for spot in slice.spots {
                self.push_main(kind, spot, shift);
            }
        }
        let taken = self.taken.entry(group.source).or_insert(group.span);
        taken.begin = taken.begin.min(group.span.begin);
        taken.end = taken.end.max(group.span.end);
        let mut chosen: Vec<(Spot, bool)> = group.main.iter().map(|spot| (*spot, true)).collect();
        self.push_side(group, &shifts, &mut chosen);
        self.arrange(group.source, chosen);
    }

    fn push_main(&mut self, kind: &StreamKind, spot: &Spot, shift: i64) {
        let shown = spot.media_time.saturating_add(shift);
        self.main.push(Sample {
            decode: spot.decode.saturating_add(shift),
            shown,
            duration: spot.duration,
            size: spot.size,
            sync: spot.sync || !kind.is_video(),
        });
        self.main_line
            .show(shown, shown.saturating_add(spot.duration.into()));
        let off = kind
            .nanos(shown)
            .saturating_sub(nanos(self.zero, spot.captured));
        self.off_nanos = self.off_nanos.max(off.saturating_abs());
    }

    /// Places the sound of a group; its times are those of the pictures in the source.
    fn push_side(&mut self, group: &Group, shifts: &[(i64, i64)], chosen: &mut Vec<(Spot, bool)>) {
        let Some(kind) = &group.streams.side else {
            return;
        };
        self.streams.side.get_or_insert_with(|| kind.clone());
        let tolerance = kind.ticks(SIDE_NANOS);
        let line = self
            .side_line
            .get_or_insert_with(|| SideLine::new(tolerance));
        for spot in &group.side {
            let at = kind.nanos(spot.media_time);
            let beside = shifts.iter().rfind(|(from, _)| *from <= at);
            let (_, shift) = beside.or(shifts.first()).copied().unwrap_or_default();
            let time = spot.media_time.saturating_add(kind.ticks(shift));
            if time < 0 {
                // From before the film.
                continue;
            }
            let Some(time) = line.place(time, spot.duration) else {
                self.side_left_out += 1;
                continue;
            };
            self.side.push(Sample {
                decode: time,
                shown: time,
                duration: spot.duration,
                size: spot.size,
                sync: true,
            });
            chosen.push((*spot, false));
        }
    }

    /// Notes when something is of that begins at `file_nanos`. Where it begins more than `least`
    /// nanoseconds after what came before it ended, there is a gap.
    fn note(&mut self, span: Span, file_nanos: i64, least: i64) {
        match self.stretches.last_mut() {
            Some(last) if nanos(last.span.end, span.begin) <= least => {
                last.span.end = last.span.end.max(span.end);
            }
            _ => self.stretches.push(Stretch { span, file_nanos }),
        }
    }

    /// Notes where a group's bytes lie. As in the source: what lies together there stays together, as
    /// long as each track's samples lie in the order in which they are decoded.
    fn arrange(&mut self, source: usize, mut chosen: Vec<(Spot, bool)>) {
        let in_order = [true, false].into_iter().all(|main| {
            let own = chosen.iter().filter(|(_, is_main)| *is_main == main);
            own.map(|(spot, _)| spot.offset).is_sorted()
        });
        if in_order {
            chosen.sort_by_key(|(spot, _)| spot.offset);
        }
        for (spot, is_main) in chosen {
            let bytes = u64::from(spot.size);
            self.media = self.media.saturating_add(bytes);
            match self.pieces.last_mut() {
                Some(last)
                    if last.source == source
                        && last.is_main == is_main
                        && last.offset.saturating_add(last.bytes) == spot.offset
                        && last.bytes + bytes <= CHUNK_BYTES_MAX =>
                {
                    last.bytes += bytes;
                    last.samples += 1;
                }
                _ => self.pieces.push(Piece {
                    source,
                    offset: spot.offset,
                    bytes,
                    is_main,
                    samples: 1,
                }),
            }
        }
    }

    /// Nothing more comes.
    pub(super) fn finish(&mut self) {
        self.main.finish();
        self.side.finish();
    }

    /// What it holds, from first to last.
    pub(super) fn span(&self) -> Span {
        let end = self
            .stretches
            .last()
            .map_or(self.zero, |last| last.span.end);
        Span {
            begin: self.zero,
            end,
        }
    }

    /// Its streams, with the number of their samples.
    pub(super) fn streams(&self) -> impl Iterator<Item = (&StreamKind, &Table)> {
        let side = self.streams.side.as_ref().map(|kind| (kind, &self.side));
        let side = side.filter(|(_, table)| table.samples() > 0);
        [(&self.streams.main, &self.main)].into_iter().chain(side)
    }

    /// Bytes of media.
    pub(super) fn media_bytes(&self) -> u64 {
        self.media
    }

    /// What the media data is copied from, in order.
    pub(super) fn pieces(&self) -> &[Piece] {
        &self.pieces
    }

    /// All before the media data.
    pub(super) fn header(&self) -> Vec<u8> {
        let (mut main, mut side) = (Vec::new(), Vec::new());
        let mut offset = 0;
        for piece in &self.pieces {
            let chunks = if piece.is_main { &mut main } else { &mut side };
            chunks.push(Chunk {
                offset,
                samples: piece.samples,
            });
            offset += piece.bytes;
        }
        let tracks = self.streams().zip([&main, &side]);
        let tracks: Vec<_> = tracks
            .map(|((kind, table), chunks)| Track {
                kind,
                table,
                chunks,
            })
            .collect();
        header(&tracks, self.zero, self.media)
    }

    /// Writes the file.
    pub(super) fn write(
        &self,
        place: &Place<'_>,
        sources: &[SourceFile],
        out: &mut dyn FnMut(&[u8]) -> Result<(), ClipError>,
    ) -> Result<(), ClipError> {
        out(&self.header())?;
        let mut open = None;
        for piece in &self.pieces {
            let Some(source) = sources.get(piece.source) else {
                continue;
            };
            if open
                .as_ref()
                .is_none_or(|(number, _)| *number != piece.source)
            {
                open = Some((piece.source, place.reopen(source)?));
            }
            if let Some((_, file)) = &open {
                let range = piece.offset..piece.offset + piece.bytes;
                each_block(&source.path, file, range, out)?;
            }
        }
        Ok(())
    }
}
