//! TEMPORARY: until the reader of archives is there. Pictures of the recorder's files alone.
#![allow(
    clippy::all,
    clippy::pedantic,
    clippy::indexing_slicing,
    clippy::unwrap_used,
    missing_docs
)]
use crate::hold::{Codec, Track, TrackSet, Unit};
use crate::units::{CameraName, CaptureTime};
use bytes::Bytes;
use std::path::Path;
use std::sync::Arc;
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct ReplayError(String);
#[derive(Debug)]
pub struct Replay(std::vec::IntoIter<Arc<Unit>>);
fn u32_at(b: &[u8], at: usize) -> u32 {
    u32::from_be_bytes(b[at..at + 4].try_into().unwrap())
}
fn u64_at(b: &[u8], at: usize) -> u64 {
    u64::from_be_bytes(b[at..at + 8].try_into().unwrap())
}
fn boxes(b: &[u8]) -> Vec<(String, usize, usize)> {
    let (mut at, mut found) = (0, Vec::new());
    while at + 8 <= b.len() {
        let mut size = u32_at(b, at) as usize;
        let mut head = 8;
        if size == 1 {
            size = u64_at(b, at + 8) as usize;
            head = 16;
        }
        if size < head || at + size > b.len() {
            break;
        }
        found.push((
            String::from_utf8_lossy(&b[at + 4..at + 8]).into_owned(),
            at + head,
            at + size,
        ));
        at += size;
    }
    found
}
fn child<'a>(b: &'a [u8], path: &[&str]) -> Option<&'a [u8]> {
    let mut b = b;
    for name in path {
        let (_, from, to) = boxes(b).into_iter().find(|(kind, ..)| kind == name)?;
        b = &b[from..to];
    }
    Some(b)
}
impl Replay {
    pub fn archive(
        root: &Path,
        camera: &CameraName,
        from: Option<CaptureTime>,
        to: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        let mut files = Vec::new();
        for day in std::fs::read_dir(root.join(camera.as_str()).join("footage"))
            .map_err(|e| ReplayError(e.to_string()))?
        {
            for file in std::fs::read_dir(day.unwrap().path()).unwrap() {
                files.push(file.unwrap().path());
            }
        }
        files.sort();
        let mut all: Vec<Arc<Unit>> = Vec::new();
        for file in files {
            for unit in Self::file(&file, from, to)?.0 {
                let mut unit = Unit::clone(&unit);
                unit.sequence = all.len() as u64;
                all.push(Arc::new(unit));
            }
        }
        Ok(Self(all.into_iter()))
    }
    pub fn file(
        path: &Path,
        from: Option<CaptureTime>,
        to: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        let b = Bytes::from(std::fs::read(path).map_err(|e| ReplayError(e.to_string()))?);
        let moov = child(&b, &["moov"]).ok_or_else(|| ReplayError("no MP4".into()))?;
        let (mut id, mut rate, mut track) = (0, 0, None);
        for (kind, f, t) in boxes(moov) {
            if kind != "trak" {
                continue;
            }
            let trak = &moov[f..t];
            let hdlr = child(trak, &["mdia", "hdlr"]).unwrap();
            if &hdlr[8..12] != b"vide" {
                continue;
            }
            let tkhd = child(trak, &["tkhd"]).unwrap();
            id = u32_at(tkhd, if tkhd[0] == 1 { 20 } else { 12 });
            let mdhd = child(trak, &["mdia", "mdhd"]).unwrap();
            rate = u32_at(mdhd, if mdhd[0] == 1 { 20 } else { 12 });
            let stsd = child(trak, &["mdia", "minf", "stbl", "stsd"]).unwrap();
            let (kind, f, t) = boxes(&stsd[8..])[0].clone();
            let entry = &stsd[8..][f..t];
            let config = if kind == "avc1" { "avcC" } else { "hvcC" };
            track = Some(Arc::new(Track {
                id: 1,
                codec: if kind == "avc1" {
                    Codec::H264
                } else {
                    Codec::H265
                },
                rfc6381: String::new(),
                clock_rate: rate.try_into().unwrap(),
                width: u32::from(u16::from_be_bytes([entry[24], entry[25]])),
                height: u32::from(u16::from_be_bytes([entry[26], entry[27]])),
                channels: 0,
                decoder_configuration: Bytes::copy_from_slice(
                    child(&entry[78..], &[config]).unwrap(),
                ),
            }));
        }
        let track = track.ok_or_else(|| ReplayError("no pictures".into()))?;
        let tracks = Arc::new(TrackSet {
            generation: 1,
            tracks: vec![Arc::clone(&track)],
        });
        let mut units = Vec::new();
        let (mut anchor_time, mut anchor_media) = (0_i128, 0_i128);
        for (kind, f, t) in boxes(&b) {
            if kind == "prft" {
                let p = &b[f..t];
                let ntp = u64_at(p, 8);
                anchor_time = (i128::from(ntp >> 32) - 2_208_988_800) * 1_000_000_000
                    + i128::from(((ntp & 0xffff_ffff) * 1_000_000_000) >> 32);
                anchor_media = if p[0] == 1 {
                    i128::from(u64_at(p, 16))
                } else {
                    i128::from(u32_at(p, 16))
                };
            }
            if kind != "moof" {
                continue;
            }
            for (kind, a, z) in boxes(&b[f..t]) {
                if kind != "traf" {
                    continue;
                }
                let traf = &b[f..t][a..z];
                let tfhd = child(traf, &["tfhd"]).unwrap();
                if u32_at(tfhd, 4) != id {
                    continue;
                }
                let flags = u32_at(tfhd, 0) & 0xff_ffff;
                let mut at =
                    8 + if flags & 1 != 0 { 8 } else { 0 } + if flags & 2 != 0 { 4 } else { 0 };
                let mut take = |bit: u32| {
                    (flags & bit != 0).then(|| {
                        at += 4;
                        u32_at(tfhd, at - 4)
                    })
                };
                let (duration, size, sample_flags) = (take(8), take(16), take(32));
                let tfdt = child(traf, &["tfdt"]).unwrap();
                let mut decode = if tfdt[0] == 1 {
                    u64_at(tfdt, 4) as i128
                } else {
                    i128::from(u32_at(tfdt, 4))
                };
                for (kind, a, z) in boxes(traf) {
                    if kind != "trun" {
                        continue;
                    }
                    let trun = &traf[a..z];
                    let flags = u32_at(trun, 0) & 0xff_ffff;
                    let count = u32_at(trun, 4);
                    let mut at = 8;
                    let mut next = |bit: u32| {
                        (flags & bit != 0).then(|| {
                            at += 4;
                            u32_at(trun, at - 4)
                        })
                    };
                    let mut data = (f - 8) + next(1).unwrap_or(0) as usize;
                    let first = next(4);
                    for index in 0..count {
                        let d = next(0x100).or(duration).unwrap_or(0);
                        let s = next(0x200).or(size).unwrap_or(0) as usize;
                        let fl = next(0x400)
                            .or(first.filter(|_| index == 0))
                            .or(sample_flags)
                            .unwrap_or(0);
                        let offset = next(0x800).unwrap_or(0) as i32;
                        let shown = decode + i128::from(offset);
                        let captured = CaptureTime::from_unix_nanos(
                            (anchor_time
                                + (shown - anchor_media) * 1_000_000_000 / i128::from(rate))
                                as i64,
                        );
                        if from.is_none_or(|from| captured >= from)
                            && to.is_none_or(|to| captured < to)
                        {
                            units.push(Arc::new(Unit {
                                sequence: units.len() as u64,
                                track: Arc::clone(&track),
                                tracks: Arc::clone(&tracks),
                                media_time: shown as i64,
                                duration: 0,
                                timeline: 1,
                                captured,
                                uncertainty_nanos: 0,
                                random_access: fl & 0x1_0000 == 0,
                                discontinuity: false,
                                payload: b.slice(data..data + s),
                            }));
                        }
                        decode += i128::from(d);
                        data += s;
                    }
                }
            }
        }
        Ok(Self(units.into_iter()))
    }
}
impl Iterator for Replay {
    type Item = Result<Arc<Unit>, ReplayError>;
    fn next(&mut self) -> Option<Self::Item> {
        self.0.next().map(Ok)
    }
}
