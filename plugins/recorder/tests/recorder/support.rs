//! A relay in memory, and units to feed it with.

use std::collections::BTreeMap;

use forebay_plugin_sdk::{Instant, Track, UnitInfo};
use forebay_recorder::host::Host;
use mp4_atom::{Decode, Moof, Prft};

pub(crate) const SECOND: i64 = 1_000_000_000;
/// 2026-05-04T07:31:00Z, seconds by GNU date.
pub(crate) const BEGIN: Instant = 1_777_879_860 * SECOND;

/// One file.
#[derive(Debug, Default, Clone)]
pub(crate) struct Stored {
    pub(crate) begin: Instant,
    /// Capture time of the end; none while it is open.
    pub(crate) end: Option<Instant>,
    pub(crate) bytes: Vec<u8>,
    /// Length after each append.
    pub(crate) appends: Vec<usize>,
    /// Payloads of each append.
    pub(crate) payloads: Vec<Vec<Vec<u8>>>,
    pub(crate) patched: bool,
}

/// Keeps what it is given, and fails on demand.
#[derive(Debug, Default)]
pub(crate) struct Memory {
    pub(crate) files: Vec<Stored>,
    pub(crate) counters: BTreeMap<String, u64>,
    pub(crate) warnings: Vec<String>,
    pub(crate) held_units: f64,
    /// Calls that succeed before every other one fails.
    pub(crate) works: Option<u32>,
    pub(crate) creates: u32,
}

impl Memory {
    fn call(&mut self) -> Result<(), String> {
        match &mut self.works {
            Some(0) => Err("storage failed: disk full".into()),
            Some(left) => {
                *left -= 1;
                Ok(())
            }
            None => Ok(()),
        }
    }

    pub(crate) fn counter(&self, name: &str) -> u64 {
        self.counters.get(name).copied().unwrap_or(0)
    }
}

impl Host for Memory {
    type Unit = Vec<u8>;
    type Object = usize;

    fn create(&mut self, begin: Instant) -> Result<usize, String> {
        self.creates += 1;
        self.call()?;
        self.files.push(Stored {
            begin,
            ..Stored::default()
        });
        Ok(self.files.len() - 1)
    }

    fn append(&mut self, object: &usize, head: Vec<u8>, units: &[&Vec<u8>]) -> Result<(), String> {
        self.call()?;
        let file = &mut self.files[*object];
        assert_eq!(file.end, None, "append after finish");
        file.bytes.extend(head);
        units.iter().for_each(|unit| file.bytes.extend(*unit));
        file.appends.push(file.bytes.len());
        file.payloads
            .push(units.iter().map(|unit| unit.to_vec()).collect());
        Ok(())
    }

    fn patch(&mut self, object: &usize, offset: u64, bytes: &[u8]) -> Result<(), String> {
        self.call()?;
        let offset = offset as usize;
        self.files[*object].bytes[offset..offset + bytes.len()].copy_from_slice(bytes);
        self.files[*object].patched = true;
        Ok(())
    }

    fn finish(&mut self, object: usize, end: Instant) -> Result<(), String> {
        self.call()?;
        self.files[object].end = Some(end);
        Ok(())
    }

    fn count(&mut self, name: &str, amount: u64) {
        *self.counters.entry(name.into()).or_default() += amount;
    }

    fn gauge(&mut self, name: &str, value: f64) {
        assert_eq!(name, "held_units");
        self.held_units = value;
    }

    fn warn(&mut self, message: &str) {
        self.warnings.push(message.into());
    }
}

/// A track as the relay describes it.
pub(crate) fn track(id: u32, codec: &str, clock_rate: u32, configuration: &[u8]) -> Track {
    let video = matches!(codec, "h264" | "h265" | "jpeg");
    Track {
        id,
        kind: if video { "video" } else { "audio" }.into(),
        codec: codec.into(),
        rfc6381: String::new(),
        clock_rate,
        width: if video { 320 } else { 0 },
        height: if video { 180 } else { 0 },
        channels: u32::from(!video),
        decoder_configuration: configuration.to_vec(),
    }
}

/// A unit of track `track`; its capture time follows the media time, from [`BEGIN`] on.
pub(crate) fn info(track: &Track, media_time: i64, random_access: bool, size: usize) -> UnitInfo {
    let nanos = i128::from(media_time) * i128::from(SECOND) / i128::from(track.clock_rate);
    UnitInfo {
        track: track.id,
        sequence: 0,
        media_time,
        duration: 0,
        timeline: 1,
        captured: BEGIN.saturating_add(nanos as i64),
        uncertainty: 0,
        random_access,
        discontinuity: false,
        size: size as u32,
    }
}

/// A sample of a file as its boxes tell it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Read {
    pub(crate) decode: u64,
    pub(crate) duration: u32,
    /// Decode time and composition offset.
    pub(crate) shown: i64,
    pub(crate) sync: bool,
    pub(crate) bytes: Vec<u8>,
}

/// A fragment as its boxes tell it.
#[derive(Debug)]
pub(crate) struct Piece {
    pub(crate) prft: Prft,
    /// Samples by track number.
    pub(crate) tracks: BTreeMap<u32, Vec<Read>>,
}

/// Reads a file's fragments; each must be one append of `prft`, `moof`, `mdat`.
pub(crate) fn pieces(file: &Stored) -> Vec<Piece> {
    let bounds = file
        .appends
        .windows(2)
        .map(|two| &file.bytes[two[0]..two[1]]);
    bounds.map(piece).collect()
}

fn piece(bytes: &[u8]) -> Piece {
    let mut rest = bytes;
    let prft = Prft::decode(&mut rest).unwrap();
    let base = bytes.len() - rest.len();
    let moof = Moof::decode(&mut rest).unwrap();
    assert_eq!(&rest[4..8], b"mdat");
    assert_eq!(
        u32::from_be_bytes(rest[..4].try_into().unwrap()) as usize,
        rest.len()
    );
    let mut used = 8;
    let mut tracks = BTreeMap::new();
    for traf in &moof.traf {
        let [trun] = &traf.trun[..] else {
            panic!("one run a track")
        };
        let mut at = base + trun.data_offset.unwrap() as usize;
        let mut decode = traf.tfdt.as_ref().unwrap().base_media_decode_time;
        let mut samples = Vec::new();
        for entry in &trun.samples {
            let (size, duration) = (entry.size.unwrap() as usize, entry.duration.unwrap());
            samples.push(Read {
                decode,
                duration,
                shown: decode as i64 + entry.cts.unwrap_or(0),
                sync: entry.flags == Some(0x0200_0000),
                bytes: bytes[at..at + size].to_vec(),
            });
            decode += u64::from(duration);
            at += size;
            used += size;
        }
        assert!(tracks.insert(traf.tfhd.track_id, samples).is_none());
    }
    assert_eq!(used, rest.len(), "mdat holds the samples and nothing else");
    Piece { prft, tracks }
}

/// The samples of one track of a file.
pub(crate) fn samples(file: &Stored, track: u32) -> Vec<Read> {
    let of = |piece: Piece| piece.tracks.get(&track).cloned().unwrap_or_default();
    pieces(file).into_iter().flat_map(of).collect()
}
