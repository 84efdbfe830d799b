//! Boxes of a fragmented MP4 file (ISO/IEC 14496-12).
//!
//! The boxes are `mp4-atom`'s, but for two things. Sample entries hold the decoder configuration
//! byte for byte as it came, where `mp4-atom` would parse it and write what it understood of it;
//! and it has no entries for G.711 and for JPEG in `mp4v`. The containers above them follow by
//! hand, which also puts them in their customary order, and so do `moof` and `traf`: `mp4-atom`'s
//! can hold any box, and brought 120 kB of code for boxes that are never here.
//!
//! There is no index (`sidx`, `mfra`): ffmpeg finds durations and seeks without, by the fragments
//! themselves, and a file must be whole after each of them.

use forebay_plugin_sdk::{Instant, Track};
use mp4_atom::{
    BufMut, Dinf, Dref, DrefEntry, Edts, Elst, ElstEntry, Encode, FourCC, Ftyp, Hdlr, Mdhd, Mehd,
    Mfhd, Mvhd, Prft, ReferenceTime, Smhd, Stco, Stsc, Stsz, StszSamples, Stts, Tfdt, Tfhd, Tkhd,
    Trex, Trun, TrunEntry, Url, Vmhd,
};

use crate::entry::sample_entry;

/// Ticks a second of durations of the whole file.
pub const MOVIE_RATE: u32 = 1000;
/// From 1904-01-01, where ISO/IEC 14496-12 counts from, to 1970-01-01; seconds.
const EPOCH_1904: i64 = 2_082_844_800;
/// From 1900-01-01, where NTP (RFC 5905) counts from, to 1970-01-01; seconds.
const EPOCH_1900: i64 = 2_208_988_800;
const SECOND: i64 = 1_000_000_000;
/// Sample flags (§8.8.3.1): depends on no other; a sync sample.
const FLAGS_SYNC: u32 = 0x0200_0000;
/// Sample flags: depends on others; not a sync sample.
const FLAGS_OTHER: u32 = 0x0101_0000;
/// Size of the header of an `mdat` with a size of 32 bits.
const MDAT_HEADER: usize = 8;

/// Why boxes can't be made.
#[derive(Debug, thiserror::Error)]
pub enum MuxError {
    /// A codec that has no place in the file.
    #[error("the recorder does not know the codec {0:?}")]
    Codec(String),
    /// A track that lacks what its sample entry must say.
    #[error("track {id} ({codec}) {lacks}")]
    Track {
        /// The track's id.
        id: u32,
        /// Its codec.
        codec: String,
        /// What it lacks.
        lacks: &'static str,
    },
    /// More bytes than offsets in a fragment can count.
    #[error("a fragment of {0} bytes is too large")]
    Large(u64),
    /// A field does not fit.
    #[error("box: {0}")]
    Field(#[from] mp4_atom::Error),
}

/// The beginning of a file.
#[derive(Debug)]
pub struct Header {
    /// `ftyp` and `moov`.
    pub bytes: Vec<u8>,
    /// Where in them the duration of the whole is (u64, big endian, in ticks of [`MOVIE_RATE`]);
    /// unknown until the end, hence 0 here.
    pub duration_at: u64,
}

/// A track and how many ticks its presentation times are ahead of what should be shown: an edit
/// list takes that back.
pub type Delayed<'a> = (&'a Track, u64);

/// Makes the beginning of a file. Tracks are numbered from 1.
///
/// # Errors
/// [`MuxError`] when a track can't be described.
pub fn header(tracks: &[Delayed<'_>], created: Instant) -> Result<Header, MuxError> {
    let created = u64::try_from(created.div_euclid(SECOND) + EPOCH_1904).unwrap_or(0);
    let mut buf = Vec::with_capacity(2048);
    // iso6 brings `prft`, iso5 offsets that count from the `moof`.
    let brands: [&[u8; 4]; 3] = [b"iso6", b"iso5", b"mp41"];
    let compatible_brands = brands.map(FourCC::new).into();
    let major_brand = FourCC::new(b"iso6");
    Ftyp {
        major_brand,
        minor_version: 0,
        compatible_brands,
    }
    .encode(&mut buf)?;

    let mut duration_at = 0;
    nest(&mut buf, b"moov", |buf| {
        Mvhd {
            creation_time: created,
            modification_time: created,
            timescale: MOVIE_RATE,
            rate: 1.into(),
            volume: 1.into(),
            next_track_id: u32::try_from(tracks.len())
                .unwrap_or(u32::MAX)
                .saturating_add(1),
            ..Mvhd::default()
        }
        .encode(buf)?;
        for (track, number) in tracks.iter().zip(1..) {
            trak(buf, track, number, created)?;
        }
        nest(buf, b"mvex", |buf| {
            Mehd {
                fragment_duration: 0,
            }
            .encode(buf)?;
            duration_at = buf.len() - size_of::<u64>();
            for (_, track_id) in tracks.iter().zip(1..) {
                Trex {
                    track_id,
                    default_sample_description_index: 1,
                    ..Trex::default()
                }
                .encode(buf)?;
            }
            Ok(())
        })
    })?;
    Ok(Header {
        bytes: buf,
        duration_at: duration_at as u64,
    })
}

/// Whether a file can hold the track.
///
/// # Errors
/// [`MuxError`] says why it can't.
pub fn check(track: &Track) -> Result<(), MuxError> {
    let lacks = |lacks| MuxError::Track {
        id: track.id,
        codec: track.codec.clone(),
        lacks,
    };
    if track.clock_rate == 0 {
        return Err(lacks("has a clock rate of 0"));
    }
    sample_entry(&mut Vec::new(), track)
}

pub(crate) fn nest(
    buf: &mut Vec<u8>,
    kind: &[u8; 4],
    fill: impl FnOnce(&mut Vec<u8>) -> Result<(), MuxError>,
) -> Result<(), MuxError> {
    let mut filled = Ok(());
    buf.encode_atom(FourCC::new(kind), |buf| {
        filled = fill(buf);
        Ok(())
    })?;
    filled
}

fn trak(
    buf: &mut Vec<u8>,
    &(track, delay): &Delayed<'_>,
    number: u32,
    created: u64,
) -> Result<(), MuxError> {
    let video = track.kind == "video";
    let pixels = |n: u32| u16::try_from(n).unwrap_or(u16::MAX).into();
    nest(buf, b"trak", |buf| {
        Tkhd {
            creation_time: created,
            modification_time: created,
            track_id: number,
            enabled: true,
            in_movie: true,
            volume: u8::from(!video).into(),
            width: pixels(track.width),
            height: pixels(track.height),
            ..Tkhd::default()
        }
        .encode(buf)?;
        if delay > 0 {
            // A duration of 0 lasts over all fragments (§8.6.6.1).
            let edit = ElstEntry {
                segment_duration: 0,
                media_time: Some(delay),
                media_rate: 1.into(),
            };
            Edts {
                elst: Some(Elst {
                    entries: vec![edit],
                }),
            }
            .encode(buf)?;
        }
        nest(buf, b"mdia", |buf| {
            Mdhd {
                creation_time: created,
                modification_time: created,
                timescale: track.clock_rate,
                duration: 0,
                language: "und".into(),
            }
            .encode(buf)?;
            let (handler, name) = if video {
                (b"vide", "video")
            } else {
                (b"soun", "audio")
            };
            Hdlr {
                handler: FourCC::new(handler),
                name: name.into(),
            }
            .encode(buf)?;
            nest(buf, b"minf", |buf| {
                if video {
                    Vmhd::default().encode(buf)?;
                } else {
                    Smhd::default().encode(buf)?;
                }
                let here = DrefEntry::Url(Url::default());
                Dinf {
                    dref: Dref {
                        entries: vec![here],
                    },
                }
                .encode(buf)?;
                nest(buf, b"stbl", |buf| {
                    nest(buf, b"stsd", |buf| {
                        buf.extend([0; 4]); // version and flags
                        buf.extend(1u32.to_be_bytes()); // entries
                        sample_entry(buf, track)
                    })?;
                    // All samples are in fragments.
                    Stts::default().encode(buf)?;
                    Stsc::default().encode(buf)?;
                    let samples = StszSamples::Different { sizes: Vec::new() };
                    Stsz { samples }.encode(buf)?;
                    Ok(Stco::default().encode(buf)?)
                })
            })
        })
    })
}

/// A sample of a fragment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// Ticks.
    pub duration: u32,
    /// Bytes.
    pub size: u32,
    /// Decoding can begin here.
    pub sync: bool,
    /// Presentation time − decode time, ticks.
    pub offset: i64,
}

/// Samples of one track, in decode order.
#[derive(Debug)]
pub struct Run {
    /// Number of the track in the file.
    pub track: u32,
    /// Decode time of the first; ticks.
    pub start: u64,
    /// Not empty.
    pub samples: Vec<Sample>,
}

/// Ties a fragment to the world's time.
#[derive(Debug, Clone, Copy)]
pub struct Anchor {
    /// Number of the track in the file.
    pub track: u32,
    /// Presentation time of a sample of the fragment; ticks.
    pub time: u64,
    /// When that was captured.
    pub captured: Instant,
}

/// Makes what stands before the payloads of a fragment: `prft`, `moof` and the header of `mdat`.
/// The payloads follow run by run.
///
/// # Errors
/// [`MuxError`] when a number does not fit.
pub fn fragment(sequence: u32, anchor: Anchor, runs: &[Run]) -> Result<Vec<u8>, MuxError> {
    let mut buf = Vec::with_capacity(1024);
    Prft {
        reference_track_id: anchor.track,
        ntp_timestamp: ntp(anchor.captured),
        media_time: anchor.time,
        // Flags 24: "a consistent, small (ideally zero), offset from the real-time of the
        // experience depicted in the media" (§8.16.5), which is what a capture time is.
        utc_time_semantics: ReferenceTime::RealTime,
    }
    .encode(&mut buf)?;

    let size = |run: &Run| run.samples.iter().map(|s| u64::from(s.size)).sum::<u64>();
    let total: u64 = runs.iter().map(size).sum();
    let large = || MuxError::Large(total);

    // Offsets have a fixed size, so a first pass tells the length that they depend on.
    let mut measured = Vec::with_capacity(1024);
    moof(&mut measured, sequence, runs.iter().map(|run| (run, 0)))?;
    let mut offset = (measured.len() + MDAT_HEADER) as u64;
    let mut placed = Vec::with_capacity(runs.len());
    for run in runs {
        placed.push((run, i32::try_from(offset).map_err(|_| large())?));
        offset += size(run);
    }
    moof(&mut buf, sequence, placed.into_iter())?;

    let mdat = u32::try_from(total + MDAT_HEADER as u64).map_err(|_| large())?;
    buf.extend(mdat.to_be_bytes());
    buf.extend(b"mdat");
    Ok(buf)
}

/// The `moof` for runs, each with the distance from its beginning to the run's payloads.
fn moof<'a>(
    buf: &mut Vec<u8>,
    sequence: u32,
    mut runs: impl Iterator<Item = (&'a Run, i32)>,
) -> Result<(), MuxError> {
    nest(buf, b"moof", |buf| {
        Mfhd {
            sequence_number: sequence,
        }
        .encode(buf)?;
        runs.try_for_each(|(run, data_offset)| {
            nest(buf, b"traf", |buf| traf(buf, run, data_offset))
        })
    })
}

fn traf(buf: &mut Vec<u8>, run: &Run, data_offset: i32) -> Result<(), MuxError> {
    Tfhd {
        track_id: run.track,
        default_base_is_moof: true,
        ..Tfhd::default()
    }
    .encode(buf)?;
    Tfdt {
        base_media_decode_time: run.start,
    }
    .encode(buf)?;
    let offsets = run.samples.iter().any(|s| s.offset != 0);
    let entry = |s: &Sample| TrunEntry {
        duration: Some(s.duration),
        size: Some(s.size),
        flags: Some(if s.sync { FLAGS_SYNC } else { FLAGS_OTHER }),
        cts: offsets.then_some(s.offset),
    };
    let samples = run.samples.iter().map(entry).collect::<Vec<_>>().into();
    Ok(Trun {
        data_offset: Some(data_offset),
        samples,
    }
    .encode(buf)?)
}

/// 64 bits of NTP. The upper half wraps around in 2036; the creation time in `mvhd`, which does
/// not, tells the era.
fn ntp(instant: Instant) -> u64 {
    let seconds = instant.div_euclid(SECOND).wrapping_add(EPOCH_1900) as u32;
    let fraction = ((instant.rem_euclid(SECOND) as u64) << 32) / SECOND as u64;
    u64::from(seconds) << 32 | fraction
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ntp_of_rfc_3550() {
        // RFC 3550 §6.4.1: 10 November 1995 11:33:25.125 UTC is b44d:b705:2000:0000.
        // Unix seconds by GNU date.
        assert_eq!(ntp(816_003_205_125_000_000), 0xb44d_b705_2000_0000);
        // RFC 5905 §6, figure 4: era 1 begins at 2036-02-07 06:28:16.
        assert_eq!(ntp(2_085_978_496 * SECOND), 0);
        assert_eq!(
            ntp(i64::MIN) & 0xffff_ffff,
            ((SECOND as u64 - 854_775_808) << 32) / SECOND as u64
        );
    }

    #[test]
    fn offsets_point_at_the_payloads() {
        let sample = |size| Sample {
            duration: 1,
            size,
            sync: true,
            offset: 0,
        };
        let runs = [
            Run {
                track: 1,
                start: 0,
                samples: vec![sample(10), sample(20)],
            },
            Run {
                track: 2,
                start: 0,
                samples: vec![sample(5)],
            },
        ];
        let anchor = Anchor {
            track: 1,
            time: 0,
            captured: 0,
        };
        let bytes = fragment(1, anchor, &runs).unwrap();
        assert_eq!(&bytes[bytes.len() - 8..], b"\0\0\0\x2bmdat"); // 8 + 35 = 0x2b
        let word = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        let prft = word(0);
        let truns: Vec<usize> = (0..bytes.len() - 4)
            .filter(|i| &bytes[*i..*i + 4] == b"trun")
            .collect();
        // trun: type, version and flags, sample count, data offset (ISO/IEC 14496-12 §8.8.8.2).
        assert_eq!(prft + word(truns[0] + 12), bytes.len());
        assert_eq!(prft + word(truns[1] + 12), bytes.len() + 30);

        let huge = [Run {
            track: 1,
            start: 0,
            samples: vec![sample(u32::MAX)],
        }];
        assert!(matches!(
            fragment(1, anchor, &huge),
            Err(MuxError::Large(_))
        ));
    }
}
