//! Pieces of a film put together: H.264 in MP4 with its index before the media, so that it begins to
//! play at once, and with its colours told (ISO/IEC 14496-12 §12.1.5, 14496-15 §5.3.3).

use std::fs::File;
use std::io::{self, BufRead as _, BufReader, Read, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::encode::Piece;
use crate::clip::group::StreamKind;
use crate::clip::movie::{Chunk, Track, header};
use crate::clip::table::{Sample, Table};
use crate::hold::Codec;
use crate::units::CaptureTime;

/// Ticks of a frame.
const TICKS: u32 = 1000;

/// The first line of a piece's file; its frames follow.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Index {
    /// What it was made of.
    origin: String,
    sps: Vec<u8>,
    pps: Vec<u8>,
    sizes: Vec<u32>,
    syncs: Vec<bool>,
}

/// Writes a piece to its file.
///
/// # Errors
/// The disk's words.
pub(super) fn write_piece(out: &mut dyn Write, piece: &Piece, origin: &str) -> io::Result<()> {
    let sizes: Result<Vec<u32>, _> = piece
        .frames
        .iter()
        .map(|f| u32::try_from(f.bytes.len()))
        .collect();
    let index = Index {
        origin: origin.to_owned(),
        sps: piece.sps.clone(),
        pps: piece.pps.clone(),
        sizes: sizes.map_err(io::Error::other)?,
        syncs: piece.frames.iter().map(|frame| frame.sync).collect(),
    };
    serde_json::to_writer(&mut *out, &index)?;
    out.write_all(b"\n")?;
    for frame in &piece.frames {
        out.write_all(&frame.bytes)?;
    }
    Ok(())
}

fn read_index(path: &Path) -> io::Result<(Index, u64)> {
    let mut reader = BufReader::new(File::open(path)?);
    let mut line = String::new();
    reader.read_line(&mut line)?;
    Ok((serde_json::from_str(&line)?, line.len() as u64))
}

/// Whether a piece's file is whole, has so many frames, and was made of the same.
pub(super) fn is_whole(path: &Path, frames: usize, origin: &str) -> bool {
    let Ok((index, begin)) = read_index(path) else {
        return false;
    };
    let media: u64 = index.sizes.iter().map(|size| u64::from(*size)).sum();
    index.origin == origin
        && index.sizes.len() == frames
        && std::fs::metadata(path).is_ok_and(|metadata| metadata.len() == begin + media)
}

/// Writes a film of pieces.
///
/// # Errors
/// The disk's words, or that pieces don't belong together.
pub(super) fn write(
    out: &mut dyn Write,
    pieces: &[PathBuf],
    (width, height): (usize, usize),
    frames_per_second: u32,
) -> io::Result<()> {
    let mut table = Table::default();
    let mut chunks = Vec::new();
    let mut parameters = None;
    let mut media = 0u64;
    let mut decode = 0;
    for path in pieces {
        let (index, _) = read_index(path)?;
        let own = (index.sps, index.pps);
        if *parameters.get_or_insert_with(|| own.clone()) != own {
            return Err(io::Error::other(format!(
                "{} has other parameters than the pieces before it: another encoder was at work",
                path.display()
            )));
        }
        chunks.push(Chunk {
            offset: media,
            samples: index.sizes.len() as u32,
        });
        for (size, sync) in index.sizes.iter().zip(index.syncs) {
            table.push(Sample {
                decode,
                shown: decode,
                duration: TICKS,
                size: *size,
                sync,
            });
            decode += i64::from(TICKS);
            media += u64::from(*size);
        }
    }
    table.finish();
    let (sps, pps) = parameters.ok_or_else(|| io::Error::other("no pieces"))?;
    let kind = StreamKind {
        codec: Codec::H264,
        rfc6381: String::new(),
        rate: frames_per_second * TICKS,
        width: width as u32,
        height: height as u32,
        channels: 0,
        entry: entry(&sps, &pps, (width, height)),
    };
    let track = Track {
        kind: &kind,
        table: &table,
        chunks: &chunks,
    };
    // The film is of no moment: its creation time would only make two runs differ.
    out.write_all(&header(&[track], CaptureTime::from_unix_nanos(0), media))?;
    let mut buffer = Buffer::default();
    for path in pieces {
        let (_, begin) = read_index(path)?;
        let mut file = File::open(path)?;
        file.seek(SeekFrom::Start(begin))?;
        let copied = buffer.copy(&mut file, out, u64::MAX);
        copied.map_err(|(Side::From(error) | Side::To(error))| error)?;
    }
    Ok(())
}

/// Which side of copying has failed.
pub(super) enum Side {
    From(io::Error),
    To(io::Error),
}

/// What goes from file to file, in steps that disks like: `io::copy` takes 8 KiB where it does not know
/// what it writes to.
pub(super) struct Buffer(Vec<u8>);

impl Default for Buffer {
    fn default() -> Self {
        Self(vec![0; 256 << 10])
    }
}

impl Buffer {
    /// Copies so many bytes, or as many as there are; gives their number.
    pub(super) fn copy(
        &mut self,
        from: &mut dyn Read,
        to: &mut dyn Write,
        bytes: u64,
    ) -> Result<u64, Side> {
        let mut copied = 0;
        while copied < bytes {
            let wanted = usize::try_from(bytes - copied).unwrap_or(usize::MAX);
            let room = self.0.len().min(wanted);
            let part = self.0.get_mut(..room).unwrap_or_default();
            let read = match from.read(part) {
                Ok(0) => break,
                Ok(read) => read,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(Side::From(error)),
            };
            let part = part.get(..read).unwrap_or_default();
            to.write_all(part).map_err(Side::To)?;
            copied += read as u64;
        }
        Ok(copied)
    }
}

/// The sample entry, with its header.
fn entry(sps: &[u8], pps: &[u8], (width, height): (usize, usize)) -> Vec<u8> {
    let short = |value: usize| u16::try_from(value).unwrap_or(u16::MAX).to_be_bytes();
    let mut body = vec![0; 6];
    body.extend(1u16.to_be_bytes()); // data reference
    body.extend([0; 16]);
    body.extend(short(width));
    body.extend(short(height));
    body.extend([0, 0x48, 0, 0, 0, 0x48, 0, 0]); // 72 dpi
    body.extend([0; 4]);
    body.extend(1u16.to_be_bytes()); // frames in a sample
    body.extend([0; 32]); // compressor
    body.extend([0, 24, 0xff, 0xff]);
    let mut config = vec![1];
    config.extend(sps.get(1..4).unwrap_or(&[100, 0, 40]));
    config.extend([0xff, 0xe1]);
    config.extend(short(sps.len()));
    config.extend(sps);
    config.push(1);
    config.extend(short(pps.len()));
    config.extend(pps);
    if sps
        .get(1)
        .is_some_and(|profile| [100, 110, 122, 144].contains(profile))
    {
        // 4:2:0, eight bits of luma and chroma, no extensions.
        config.extend([0xfd, 0xf8, 0xf8, 0]);
    }
    boxed(&mut body, b"avcC", &config);
    // BT.709 primaries, transfer and matrix; limited range.
    boxed(&mut body, b"colr", b"nclx\0\x01\0\x01\0\x01\0");
    boxed(&mut body, b"pasp", &[0, 0, 0, 1, 0, 0, 0, 1]);
    let mut entry = Vec::with_capacity(body.len() + 8);
    boxed(&mut entry, b"avc1", &body);
    entry
}

fn boxed(out: &mut Vec<u8>, kind: &[u8; 4], body: &[u8]) {
    out.extend((body.len() as u32 + 8).to_be_bytes());
    out.extend(kind);
    out.extend(body);
}
