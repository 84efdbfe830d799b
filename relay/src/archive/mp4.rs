//! Box walking for repair: how much of a fragmented MP4 is whole.
//!
//! Box and file layout: ISO/IEC 14496-12 (ISO base media file format), §4.2 (boxes), §8.8 (movie
//! fragments). Reads headers, and the bodies of `moov` and `moof`; media data is never read. Memory
//! is bounded by [`MOVIE_BYTES_MAX`], time by [`BOXES_MAX`]. This file stands alone so that a fuzzer
//! can include it.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;

/// Largest `moov` or `moof` that is looked into: 16 MiB. A fragment of an hour at 60 pictures a
/// second has a `moof` of 3.5 MB (16 bytes a sample); more is damage.
pub const MOVIE_BYTES_MAX: u64 = 16 << 20;

/// Most boxes on the top level that are walked; what comes after is not counted as whole. A day in
/// fragments of a tenth of a second with four boxes each has 3.5 million.
pub const BOXES_MAX: u64 = 4_000_000;

/// Bytes at rest, read at any place.
pub trait Source {
    /// Number of bytes.
    fn size(&self) -> u64;

    /// Fills the buffer from `offset`.
    ///
    /// # Errors
    /// [`io::ErrorKind::UnexpectedEof`] when there are fewer bytes; whatever the storage reports.
    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()>;
}

impl Source for [u8] {
    fn size(&self) -> u64 {
        self.len() as u64
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        let bytes = usize::try_from(offset)
            .ok()
            .and_then(|start| self.get(start..start.checked_add(buffer.len())?))
            .ok_or(io::ErrorKind::UnexpectedEof)?;
        buffer.copy_from_slice(bytes);
        Ok(())
    }
}

/// A file, of the length that it had when it was opened.
#[derive(Debug)]
pub(crate) struct FileSource {
    file: File,
    size: u64,
}

impl FileSource {
    /// Of an open file.
    ///
    /// # Errors
    /// What the disk says.
    pub(crate) fn new(file: File) -> io::Result<Self> {
        let size = file.metadata()?.len();
        Ok(Self { file, size })
    }
}

impl Source for FileSource {
    fn size(&self) -> u64 {
        self.size
    }

    fn read_exact_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.file.read_exact_at(buffer, offset)
    }
}

/// What [`whole_prefix`] found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WholePrefix {
    /// Length of the longest prefix that ends with a whole fragment (or with a whole `mfra`,
    /// `free` or `skip` right behind one), in bytes.
    pub bytes: u64,
    /// Whole fragments in it; at least 1.
    pub fragments: u64,
}

/// Why nothing of a file can be played.
#[derive(Debug, thiserror::Error)]
pub enum Unrepairable {
    /// The first box is no `ftyp`.
    #[error("it does not begin with an MP4 file type box")]
    NotMp4,
    /// No whole `moov` of a fragmented movie before the first media data.
    #[error("its movie header is missing, cut or damaged")]
    NoHeader,
    /// Not one `moof` with its whole `mdat`.
    #[error("it holds no whole fragment")]
    NoFragment,
    /// The storage failed; the file itself may be good.
    #[error("it can't be read")]
    Read(#[from] io::Error),
}

/// Some bytes to put in place of others of the same number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patch {
    /// Where, in bytes from the begin of the file.
    pub offset: u64,
    /// What.
    pub bytes: Vec<u8>,
}

/// Finds the longest prefix that plays: `ftyp`, `moov`, and fragments, each a `moof` with its whole
/// `mdat` and what precedes it (`styp`, `prft`, `emsg`, `sidx` …).
///
/// Running it again on that prefix gives the same. A box "to the end of the file" (size 0) never
/// counts as whole: after a crash nothing tells where its end was meant to be.
///
/// # Errors
/// [`Unrepairable`] when there is no such prefix, or when the source can't be read.
pub fn whole_prefix<S: Source + ?Sized>(source: &S) -> Result<WholePrefix, Unrepairable> {
    let movie = find_movie(source)?;
    let mut whole = WholePrefix {
        bytes: 0,
        fragments: 0,
    };
    // A `moof` was seen whose `mdat` has not come yet.
    let mut awaits_data = false;
    // Boxes were seen that belong to a fragment yet to come: alone they are worth nothing.
    let mut lead_in = false;
    let mut walk = Walk::behind(&movie);
    while let Some(header) = walk.next(source)? {
        match &header.kind {
            b"moof" => {
                if !is_fragment(source, &header)? {
                    break;
                }
                awaits_data = true;
            }
            b"mdat" if awaits_data => {
                whole = WholePrefix {
                    bytes: header.end,
                    fragments: whole.fragments + 1,
                };
                (awaits_data, lead_in) = (false, false);
            }
            b"mdat" | b"mfra" | b"free" | b"skip" => {
                if whole.fragments > 0 && !awaits_data && !lead_in {
                    whole.bytes = header.end;
                }
            }
            _ => lead_in = true,
        }
    }
    if whole.fragments == 0 {
        Err(Unrepairable::NoFragment)
    } else {
        Ok(whole)
    }
}

/// Patches that take durations out of the movie header which a recorder wrote for fragments that
/// may be gone: `mehd` becomes `free` (then the length follows from the fragments, §8.8.2), and
/// `mvhd`, `tkhd` and `mdhd` tell 0 again where the movie header itself describes no sample.
///
/// # Errors
/// As [`whole_prefix`], for a file without a movie header.
pub fn stale_durations<S: Source + ?Sized>(source: &S) -> Result<Vec<Patch>, Unrepairable> {
    let Movie { header, body, .. } = find_movie(source)?;
    let body_start = header.body;
    let mut fields = Vec::new();
    let mut patches = Vec::new();
    let mut samples_in_header = false;
    // The containers on the way to the durations, in the order of the file; `moov` is depth 0.
    let mut open: Vec<&[u8]> = vec![&body];
    while let Some(container) = open.pop() {
        for child in children(container) {
            let Some((kind, child)) = child else { break };
            match &kind {
                b"mvex" | b"trak" | b"mdia" | b"minf" | b"stbl" => open.push(child),
                b"mehd" if field(child, 4, 4).is_some_and(|duration| !is_unset(duration)) => {
                    // The type is the four bytes before the body (a large size is refused).
                    let offset = body_start + distance(&body, child) - 4;
                    patches.push(Patch {
                        offset,
                        bytes: b"free".to_vec(),
                    });
                }
                // Offsets in the body, versions 0 and 1: §8.2.2, §8.3.2, §8.4.2.
                b"mvhd" | b"mdhd" => fields.extend(field(child, 16, 24)),
                b"tkhd" => fields.extend(field(child, 20, 28)),
                b"stts" => samples_in_header |= child.get(4..8).is_some_and(|n| !is_unset(n)),
                _ => {}
            }
        }
    }
    if !samples_in_header {
        patches.extend(
            fields
                .into_iter()
                .filter(|duration| !is_unset(duration))
                .map(|duration| Patch {
                    offset: body_start + distance(&body, duration),
                    bytes: vec![0; duration.len()],
                }),
        );
    }
    Ok(patches)
}

/// The duration of a full box: four bytes at `offset_0` in version 0, eight at `offset_1` in
/// version 1.
fn field(body: &[u8], offset_0: usize, offset_1: usize) -> Option<&[u8]> {
    match body.first()? {
        0 => body.get(offset_0..offset_0 + 4),
        1 => body.get(offset_1..offset_1 + 8),
        _ => None,
    }
}

/// 0, or all ones: "unknown" (§8.2.2.3).
fn is_unset(number: &[u8]) -> bool {
    number.iter().all(|byte| *byte == 0) || number.iter().all(|byte| *byte == 0xff)
}

/// How far into `whole` its part begins.
fn distance(whole: &[u8], part: &[u8]) -> u64 {
    (part.as_ptr() as usize).saturating_sub(whole.as_ptr() as usize) as u64
}

#[derive(Debug, Clone, Copy)]
pub(crate) struct Header {
    pub(crate) kind: [u8; 4],
    /// Where the box begins, in the file.
    pub(crate) begin: u64,
    /// Where the content begins, in the file.
    pub(crate) body: u64,
    /// Where the box ends.
    pub(crate) end: u64,
}

pub(crate) struct Movie {
    header: Header,
    pub(crate) body: Vec<u8>,
    /// Boxes up to it.
    boxes: u64,
}

/// The boxes of the top level, as far as they are whole.
#[derive(Debug)]
pub(crate) struct Walk {
    boxes: u64,
    at: u64,
}

impl Walk {
    /// From the beginning of the file.
    pub(crate) fn new() -> Self {
        Self { boxes: 0, at: 0 }
    }

    /// Where the next box begins, or would.
    pub(crate) fn at(&self) -> u64 {
        self.at
    }

    /// What stands behind a movie header.
    pub(crate) fn behind(movie: &Movie) -> Self {
        Self {
            boxes: movie.boxes,
            at: movie.header.end,
        }
    }

    /// The next box; none where the file ends, or where what follows is cut or no box.
    pub(crate) fn next<S: Source + ?Sized>(&mut self, source: &S) -> io::Result<Option<Header>> {
        let left = source.size().saturating_sub(self.at);
        if left < 8 || self.boxes == BOXES_MAX {
            return Ok(None);
        }
        let mut bytes = [0; 16];
        let known = bytes
            .get_mut(..if left < 16 { 8 } else { 16 })
            .unwrap_or_default();
        source.read_exact_at(self.at, known)?;
        let Some((kind, header_len, size)) = box_size(known) else {
            return Ok(None);
        };
        if size > left {
            return Ok(None);
        }
        let header = Header {
            kind,
            begin: self.at,
            body: self.at + header_len,
            end: self.at + size,
        };
        self.at = header.end;
        self.boxes += 1;
        Ok(Some(header))
    }
}

/// Type, header length and size of the box that begins here; none for a size that can't be (less
/// than the header) or that is left open (0: to the end of the file).
fn box_size(bytes: &[u8]) -> Option<([u8; 4], u64, u64)> {
    let (size, rest) = bytes.split_first_chunk::<4>()?;
    let (kind, rest) = rest.split_first_chunk::<4>()?;
    let (header_len, size) = match u32::from_be_bytes(*size) {
        1 => (16, u64::from_be_bytes(*rest.first_chunk::<8>()?)),
        size => (8, size.into()),
    };
    (size >= header_len).then_some((*kind, header_len, size))
}

/// The boxes in a container; a none at the end where they don't fill it exactly.
pub(crate) fn children(mut bytes: &[u8]) -> impl Iterator<Item = Option<([u8; 4], &[u8])>> {
    std::iter::from_fn(move || {
        if bytes.is_empty() {
            return None;
        }
        let parsed = box_size(bytes).and_then(|(kind, header_len, size)| {
            let (child, rest) = bytes.split_at_checked(usize::try_from(size).ok()?)?;
            // Inside of `moov` and `moof` (at most 16 MiB) no writer uses the large size.
            let body = child.get(8..).filter(|_| header_len == 8)?;
            Some((kind, body, rest))
        });
        let (child, rest) = match parsed {
            Some((kind, body, rest)) => (Some((kind, body)), rest),
            None => (None, Default::default()),
        };
        bytes = rest;
        Some(child)
    })
}

pub(crate) fn find_movie<S: Source + ?Sized>(source: &S) -> Result<Movie, Unrepairable> {
    let mut walk = Walk::new();
    match walk.next(source)? {
        Some(first) if &first.kind == b"ftyp" => {}
        _ => return Err(Unrepairable::NotMp4),
    }
    while let Some(header) = walk.next(source)? {
        match &header.kind {
            b"moov" => {
                let body = read_body(source, &header)?.ok_or(Unrepairable::NoHeader)?;
                let has = |kind: &[u8; 4]| children(&body).flatten().any(|(k, _)| &k == kind);
                // Without `mvex` there can be no fragments (§8.8.1).
                let fragmented = has(b"mvhd") && has(b"trak") && has(b"mvex");
                if !fragmented || children(&body).any(|child| child.is_none()) {
                    return Err(Unrepairable::NoHeader);
                }
                return Ok(Movie {
                    header,
                    body,
                    boxes: walk.boxes,
                });
            }
            b"moof" => return Err(Unrepairable::NoHeader),
            _ => {}
        }
    }
    Err(Unrepairable::NoHeader)
}

/// Whether a `moof` is built as one: exactly filled with boxes, among them an `mfhd` and a `traf`
/// with its `tfhd` (§8.8.4 to §8.8.7).
fn is_fragment<S: Source + ?Sized>(source: &S, header: &Header) -> io::Result<bool> {
    let Some(body) = read_body(source, header)? else {
        return Ok(false);
    };
    let (mut headers, mut tracks) = (0, 0);
    for child in children(&body) {
        match child {
            // Version and flags, then a number: the sequence, or the track.
            Some((kind, mfhd)) if &kind == b"mfhd" && mfhd.len() >= 8 => headers += 1,
            Some((kind, traf)) if &kind == b"traf" => {
                let mut has_header = false;
                for child in children(traf) {
                    let Some((kind, body)) = child else {
                        return Ok(false);
                    };
                    has_header |= &kind == b"tfhd" && body.len() >= 8;
                }
                if !has_header {
                    return Ok(false);
                }
                tracks += 1;
            }
            Some(_) => {}
            None => return Ok(false),
        }
    }
    Ok(headers == 1 && tracks > 0)
}

pub(crate) fn read_body<S: Source + ?Sized>(
    source: &S,
    header: &Header,
) -> io::Result<Option<Vec<u8>>> {
    let size = header.end.saturating_sub(header.body);
    if size > MOVIE_BYTES_MAX {
        return Ok(None);
    }
    let mut body = vec![0; usize::try_from(size).unwrap_or_default()];
    source.read_exact_at(header.body, &mut body)?;
    Ok(Some(body))
}

#[cfg(test)]
#[path = "mp4_tests.rs"]
pub(super) mod tests;
