//! A stretch of footage as a file that is nowhere written: its header is made, its media lies where it
//! was recorded.

use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;

use sha2::{Digest as _, Sha256};

use super::ClipError;
use super::manifest::NewFile;
use super::part::{Part, Piece};
use super::sources::{Place, SourceFile, each_block, hex};
use super::union::Union;
use crate::archive::Disk;
use crate::archive::ledger::Span;
use crate::units::{CameraName, CaptureTime};

/// Where a camera's footage lies.
#[derive(Debug, Clone)]
pub(crate) struct Shelf {
    pub(crate) disk: Arc<dyn Disk>,
    pub(crate) archive: PathBuf,
    pub(crate) spool: PathBuf,
    pub(crate) camera: CameraName,
}

impl Shelf {
    pub(super) fn place(&self) -> Place<'_> {
        Place {
            disk: &*self.disk,
            archive: &self.archive,
            spool: &self.spool,
            camera: &self.camera,
        }
    }

    /// The groups of a stretch.
    pub(super) fn union(&self, asked: Span) -> Result<Union<'_>, ClipError> {
        let place = self.place();
        let listed = place.candidates(asked);
        let folder = || self.archive.join(self.camera.as_str());
        let candidates = listed.map_err(|source| ClipError::List(folder(), source))?;
        Ok(Union::new(place, asked, true, candidates))
    }

    pub(super) fn nothing(&self, asked: Span) -> ClipError {
        ClipError::Nothing {
            camera: self.camera.clone(),
            asked,
            why: Vec::new(),
        }
    }
}

/// A file that is nowhere written.
#[derive(Debug)]
pub(crate) struct Film {
    shelf: Shelf,
    header: Vec<u8>,
    /// With where each begins, from the begin of the file.
    pieces: Vec<(u64, Piece)>,
    sources: Vec<SourceFile>,
    length: u64,
    /// What it holds, from first to last.
    pub(crate) span: Span,
    /// Where the next film would have to begin, as this one can't go on: the camera's parameters have
    /// changed, nothing was recorded for long, or its tables are full.
    pub(crate) next: Option<CaptureTime>,
    /// Other bytes have another one.
    pub(crate) tag: String,
}

impl Film {
    /// Plans the film of a stretch, or of its beginning where it takes several. Blocks on disks.
    ///
    /// # Errors
    /// Where there is no footage, or it can't be listed; interrupted where `is_stopped` says so.
    pub(crate) fn plan(
        shelf: &Shelf,
        asked: Span,
        is_stopped: &dyn Fn() -> bool,
    ) -> Result<Self, ClipError> {
        let mut union = shelf.union(asked)?;
        let mut part: Option<Part> = None;
        let mut next = None;
        while let Some(group) = union.next()? {
            if is_stopped() {
                return Err(ClipError::Interrupted);
            }
            match &mut part {
                None => part = Part::new(NewFile::Begin, group),
                Some(part) if part.break_before(&group).is_none() => part.push(&group),
                Some(_) => {
                    next = Some(group.span.begin);
                    break;
                }
            }
        }
        let mut part = part.ok_or_else(|| shelf.nothing(asked))?;
        part.finish();
        let header = part.header();
        let sources = std::mem::take(&mut union.sources);
        let mut at = header.len() as u64;
        let mut pieces = Vec::with_capacity(part.pieces().len());
        let mut hash = Sha256::new();
        hash.update(&header);
        for source in &sources {
            hash.update(source.path.as_os_str().as_encoded_bytes());
            hash.update(source.bytes.to_be_bytes());
        }
        for piece in part.pieces() {
            pieces.push((at, *piece));
            at = at.saturating_add(piece.bytes);
            hash.update((piece.source as u64).to_be_bytes());
            hash.update(piece.offset.to_be_bytes());
        }
        let mut tag = hex(hash);
        tag.truncate(24);
        Ok(Self {
            shelf: shelf.clone(),
            header,
            pieces,
            sources,
            length: at,
            span: part.span(),
            next,
            tag,
        })
    }

    /// Bytes of the file.
    pub(crate) fn length(&self) -> u64 {
        self.length
    }

    /// The bytes of a range. Blocks on disks.
    ///
    /// # Errors
    /// Where a file of the archive can't be read any more.
    pub(crate) fn read(&self, range: Range<u64>) -> Result<Vec<u8>, ClipError> {
        let mut bytes = Vec::with_capacity(usize::try_from(range.end - range.start).unwrap_or(0));
        let header = self.header.len() as u64;
        let index = |at: u64| usize::try_from(at.min(header)).unwrap_or(usize::MAX);
        let of_header = self.header.get(index(range.start)..index(range.end));
        bytes.extend(of_header.unwrap_or_default());
        let first = self
            .pieces
            .partition_point(|(at, piece)| at + piece.bytes <= range.start);
        let place = self.shelf.place();
        let mut open = None;
        for (at, piece) in self.pieces.iter().skip(first) {
            let begin = range.start.max(*at);
            let end = range.end.min(at + piece.bytes);
            if begin >= end {
                break;
            }
            let Some(source) = self.sources.get(piece.source) else {
                continue;
            };
            if open
                .as_ref()
                .is_none_or(|(number, _)| *number != piece.source)
            {
                open = Some((piece.source, place.reopen(source)?));
            }
            if let Some((_, file)) = &open {
                let of_file = piece.offset + (begin - at)..piece.offset + (end - at);
                each_block(&source.path, file, of_file, &mut |block| {
                    bytes.extend(block);
                    Ok(())
                })?;
            }
        }
        Ok(bytes)
    }
}
