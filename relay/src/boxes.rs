//! Boxes of MP4 files (ISO/IEC 14496-12) as the relay itself writes them: films of clips, and
//! fragments for those who look on.

use bytes::Bytes;

use crate::hold::{Codec, Track, TrackKind};
use crate::units::CaptureTime;

/// Ticks a second of durations of the whole file.
pub(crate) const MOVIE_RATE: u32 = 1000;
/// From 1904-01-01, where the format counts from, to 1970-01-01; seconds.
const EPOCH_1904: i64 = 2_082_844_800;
/// From 1900-01-01, where NTP (RFC 5905) counts from, to 1970-01-01; seconds.
const EPOCH_1900: i64 = 2_208_988_800;
const SECOND: i64 = 1_000_000_000;
pub(crate) const UNITY: u32 = 0x0001_0000;
const MATRIX: [u32; 9] = [UNITY, 0, 0, 0, UNITY, 0, 0, 0, 0x4000_0000];
/// `und`, undetermined, in three times five bits.
const LANGUAGE: u16 = 0x55c4;
/// Sample flags (§8.8.3.1): depends on no other; a sync sample.
const FLAGS_SYNC: u32 = 0x0200_0000;
/// Sample flags: depends on others; not a sync sample.
const FLAGS_OTHER: u32 = 0x0101_0000;

pub(crate) fn word(buf: &mut Vec<u8>, value: u32) {
    buf.extend(value.to_be_bytes());
}

pub(crate) fn half(buf: &mut Vec<u8>, value: u16) {
    buf.extend(value.to_be_bytes());
}

pub(crate) fn boxed(buf: &mut Vec<u8>, kind: &[u8; 4], fill: impl FnOnce(&mut Vec<u8>)) {
    let begin = buf.len();
    word(buf, 0);
    buf.extend(kind);
    fill(buf);
    let size = u32::try_from(buf.len() - begin).unwrap_or(u32::MAX);
    if let Some(field) = buf.get_mut(begin..begin + 4) {
        field.copy_from_slice(&size.to_be_bytes());
    }
}

/// A box with a version and flags.
pub(crate) fn full(
    buf: &mut Vec<u8>,
    kind: &[u8; 4],
    version: u8,
    flags: u32,
    fill: impl FnOnce(&mut Vec<u8>),
) {
    boxed(buf, kind, |buf| {
        word(buf, u32::from(version) << 24 | flags);
        fill(buf);
    });
}

/// Whether times need 64 bits, and how each is written then.
#[derive(Clone, Copy)]
pub(crate) struct Wide(pub(crate) bool);

impl Wide {
    pub(crate) fn of(values: &[u64]) -> Self {
        // All ones stand for "unknown".
        Self(values.iter().any(|value| *value >= u32::MAX.into()))
    }

    pub(crate) fn version(self) -> u8 {
        self.0.into()
    }

    pub(crate) fn put(self, buf: &mut Vec<u8>, value: u64) {
        match self.0 {
            true => buf.extend(value.to_be_bytes()),
            false => word(buf, u32::try_from(value).unwrap_or(u32::MAX)),
        }
    }
}

/// As the format counts: seconds since 1904.
pub(crate) fn since_1904(time: CaptureTime) -> u64 {
    u64::try_from(time.unix_nanos().div_euclid(SECOND) + EPOCH_1904).unwrap_or(0)
}

/// 64 bits of NTP. The upper half wraps around in 2036.
fn ntp(time: CaptureTime) -> u64 {
    let nanos = time.unix_nanos();
    let seconds = nanos.div_euclid(SECOND).wrapping_add(EPOCH_1900) as u32;
    let fraction = ((nanos.rem_euclid(SECOND) as u64) << 32) / SECOND as u64;
    u64::from(seconds) << 32 | fraction
}

/// The header of a movie; `created` and `duration` as they are written.
pub(crate) fn movie_header(buf: &mut Vec<u8>, created: u64, duration: u64, tracks: usize) {
    let wide = Wide::of(&[created, duration]);
    full(buf, b"mvhd", wide.version(), 0, |buf| {
        wide.put(buf, created);
        wide.put(buf, created);
        word(buf, MOVIE_RATE);
        wide.put(buf, duration);
        word(buf, UNITY); // rate
        half(buf, 0x0100); // volume
        buf.extend([0; 10]);
        MATRIX.iter().for_each(|value| word(buf, *value));
        buf.extend([0; 24]);
        word(buf, u32::try_from(tracks + 1).unwrap_or(u32::MAX));
    });
}

/// What stands of a track beside its samples.
pub(crate) struct TrackHeader {
    /// From 1.
    pub(crate) number: u32,
    /// Seconds since 1904.
    pub(crate) created: u64,
    pub(crate) video: bool,
    /// In pixels; 0 for sound.
    pub(crate) width: u32,
    pub(crate) height: u32,
    /// Ticks a second.
    pub(crate) rate: u32,
    /// Ticks of the movie.
    pub(crate) shown: u64,
    /// Ticks of the track.
    pub(crate) duration: u64,
}

/// Writes what is in a box.
type Fill<'a> = &'a dyn Fn(&mut Vec<u8>);

/// A track: its edits, if any, and its table of samples are the caller's.
pub(crate) fn track(
    buf: &mut Vec<u8>,
    header: &TrackHeader,
    edits: Option<Fill<'_>>,
    samples: impl FnOnce(&mut Vec<u8>),
) {
    let TrackHeader {
        number,
        created,
        video,
        width,
        height,
        rate,
        shown,
        duration,
    } = *header;
    boxed(buf, b"trak", |buf| {
        let wide = Wide::of(&[created, shown]);
        // Enabled, and part of what is played.
        full(buf, b"tkhd", wide.version(), 7, |buf| {
            wide.put(buf, created);
            wide.put(buf, created);
            word(buf, number);
            word(buf, 0);
            wide.put(buf, shown);
            buf.extend([0; 12]); // reserved, layer, alternate group
            half(buf, if video { 0 } else { 0x0100 });
            half(buf, 0);
            MATRIX.iter().for_each(|value| word(buf, *value));
            for pixels in [width, height] {
                word(buf, pixels.min(0xffff) << 16);
            }
        });
        if let Some(edits) = edits {
            boxed(buf, b"edts", edits);
        }
        boxed(buf, b"mdia", |buf| {
            let wide = Wide::of(&[created, duration]);
            full(buf, b"mdhd", wide.version(), 0, |buf| {
                wide.put(buf, created);
                wide.put(buf, created);
                word(buf, rate);
                wide.put(buf, duration);
                half(buf, LANGUAGE);
                half(buf, 0);
            });
            let (handler, name): (_, &[u8]) = match video {
                true => (b"vide", b"video\0"),
                false => (b"soun", b"audio\0"),
            };
            full(buf, b"hdlr", 0, 0, |buf| {
                word(buf, 0);
                buf.extend(handler);
                buf.extend([0; 12]);
                buf.extend(name);
            });
            boxed(buf, b"minf", |buf| {
                match video {
                    true => full(buf, b"vmhd", 0, 1, |buf| buf.extend([0; 8])),
                    false => full(buf, b"smhd", 0, 0, |buf| buf.extend([0; 4])),
                }
                boxed(buf, b"dinf", |buf| {
                    full(buf, b"dref", 0, 0, |buf| {
                        word(buf, 1);
                        // In this file.
                        full(buf, b"url ", 0, 1, |_| {});
                    });
                });
                boxed(buf, b"stbl", samples);
            });
        });
    });
}

/// A sample entry, byte for byte, but with the first and only data reference, whichever it was in
/// the source (§8.5.2).
pub(crate) fn entry_here(buf: &mut Vec<u8>, entry: &[u8]) {
    let begin = buf.len();
    buf.extend(entry);
    if let Some(reference) = buf.get_mut(begin + 14..begin + 16) {
        reference.copy_from_slice(&1u16.to_be_bytes());
    }
}

/// The sample entry of a track (ISO/IEC 14496-15 §5.4.2 and §8.4.1, 14496-14 §5.6): all parameter
/// sets are in it. None for a codec that browsers play in no MP4, or without its configuration.
pub(crate) fn sample_entry(track: &Track) -> Option<Vec<u8>> {
    let (entry, configuration): (_, &[u8; 4]) = match track.codec {
        Codec::H264 => (b"avc1", b"avcC"),
        Codec::H265 => (b"hvc1", b"hvcC"),
        Codec::Aac => (b"mp4a", b"esds"),
        Codec::Jpeg | Codec::Pcma | Codec::Pcmu => return None,
    };
    let record = &track.decoder_configuration;
    if record.is_empty() {
        return None;
    }
    let pixels = |side: u32| u16::try_from(side).ok().filter(|side| *side > 0);
    let sides = match track.codec.kind() {
        TrackKind::Video => Some((pixels(track.width)?, pixels(track.height)?)),
        TrackKind::Audio => None,
    };
    let mut buf = Vec::new();
    boxed(&mut buf, entry, |buf| {
        buf.extend([0; 6]);
        half(buf, 1); // data reference: this file
        if let Some((width, height)) = sides {
            buf.extend([0; 16]);
            half(buf, width);
            half(buf, height);
            word(buf, 72 << 16); // dots an inch, as everybody writes
            word(buf, 72 << 16);
            word(buf, 0);
            half(buf, 1); // frames in a sample
            buf.extend([0; 32]); // name of the compressor
            half(buf, 24); // depth
            half(buf, 0xffff);
            boxed(buf, configuration, |buf| buf.extend(record));
        } else {
            buf.extend([0; 8]);
            half(
                buf,
                u16::try_from(track.channels).unwrap_or(u16::MAX).max(1),
            );
            half(buf, 16); // whatever the codec (§12.2.3)
            buf.extend([0; 4]);
            // 16.16 bits hold no more than 65535; players then go by the time scale.
            let rate = u16::try_from(track.clock_rate.get()).unwrap_or(0);
            word(buf, u32::from(rate) << 16);
            full(buf, configuration, 0, 0, |buf| descriptors(buf, record));
        }
    });
    Some(buf)
}

/// The descriptors of AAC (ISO/IEC 14496-1 §7.2.6) around an AudioSpecificConfig.
fn descriptors(buf: &mut Vec<u8>, specific: &[u8]) {
    let descriptor = |tag: u8, body: &[u8]| {
        let mut out = vec![tag];
        // Seven bits a byte, always four of them.
        let size = u32::try_from(body.len()).unwrap_or(0);
        for shift in [21, 14, 7, 0] {
            let more = if shift > 0 { 0x80 } else { 0 };
            out.push((size >> shift & 0x7f) as u8 | more);
        }
        out.extend(body);
        out
    };
    let mut decoder = vec![0x40, 5 << 2 | 1]; // audio of 14496-3, a stream of sound
    decoder.extend([0; 11]); // buffer size, bit rates: not known
    decoder.extend(descriptor(5, specific));
    let mut stream = vec![0, 0, 0]; // ES_ID, flags
    stream.extend(descriptor(4, &decoder));
    stream.extend(descriptor(6, &[2])); // as MP4 files have it
    buf.extend(descriptor(3, &stream));
}

/// A track of a fragmented film.
pub(crate) struct InitTrack<'a> {
    pub(crate) video: bool,
    /// In pixels; 0 for sound.
    pub(crate) width: u32,
    pub(crate) height: u32,
    /// Ticks a second.
    pub(crate) rate: u32,
    pub(crate) entry: &'a [u8],
}

/// The beginning of a fragmented film. Tracks are numbered from 1.
pub(crate) fn init(tracks: &[InitTrack<'_>], created: CaptureTime) -> Bytes {
    let created = since_1904(created);
    let mut buf = Vec::with_capacity(1536);
    // iso6 brings `prft`, iso5 offsets that count from the `moof`.
    boxed(&mut buf, b"ftyp", |buf| {
        buf.extend(b"iso6");
        word(buf, 0);
        buf.extend(b"iso6iso5mp41");
    });
    boxed(&mut buf, b"moov", |buf| {
        movie_header(buf, created, 0, tracks.len());
        for (track, number) in tracks.iter().zip(1..) {
            let header = TrackHeader {
                number,
                created,
                video: track.video,
                width: track.width,
                height: track.height,
                rate: track.rate,
                shown: 0,
                duration: 0,
            };
            self::track(buf, &header, None, |buf| {
                full(buf, b"stsd", 0, 0, |buf| {
                    word(buf, 1);
                    entry_here(buf, track.entry);
                });
                // All samples are in fragments.
                for kind in [b"stts", b"stsc", b"stco"] {
                    full(buf, kind, 0, 0, |buf| word(buf, 0));
                }
                full(buf, b"stsz", 0, 0, |buf| buf.extend([0; 8]));
            });
        }
        boxed(buf, b"mvex", |buf| {
            for (_, number) in tracks.iter().zip(1..) {
                full(buf, b"trex", 0, 0, |buf| {
                    word(buf, number);
                    word(buf, 1); // the sample entry
                    buf.extend([0; 12]);
                });
            }
        });
    });
    buf.into()
}

/// A sample of a fragment; ticks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Sample {
    pub(crate) duration: u32,
    pub(crate) size: u32,
    pub(crate) sync: bool,
    /// Presentation time − decode time.
    pub(crate) offset: i64,
}

/// Samples of one track, in decode order.
#[derive(Debug)]
pub(crate) struct Run {
    /// Number of the track in the film.
    pub(crate) track: u32,
    /// Decode time of the first; ticks.
    pub(crate) start: u64,
    /// Not empty.
    pub(crate) samples: Vec<Sample>,
}

impl Run {
    fn bytes(&self) -> u64 {
        self.samples
            .iter()
            .map(|sample| u64::from(sample.size))
            .sum()
    }
}

/// Ties a fragment to the world's time (§8.16.5).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Anchor {
    /// Number of the track in the film.
    pub(crate) track: u32,
    /// Presentation time of a sample of the fragment; ticks.
    pub(crate) time: u64,
    /// When that was captured.
    pub(crate) captured: CaptureTime,
}

/// What stands before the payloads of a fragment: `prft`, `moof` and the header of `mdat`. The
/// payloads follow run by run, less than 2 GiB of them.
pub(crate) fn fragment(sequence: u32, anchor: Option<Anchor>, runs: &[Run]) -> Bytes {
    let mut buf = Vec::with_capacity(256);
    if let Some(anchor) = anchor {
        // Flags 24: a small offset from the time of what is depicted, which a capture time is.
        full(&mut buf, b"prft", 1, 24, |buf| {
            word(buf, anchor.track);
            buf.extend(ntp(anchor.captured).to_be_bytes());
            buf.extend(anchor.time.to_be_bytes());
        });
    }
    // Offsets have a fixed size, so a first pass tells the length that they depend on.
    let mut measured = Vec::with_capacity(256);
    moof(&mut measured, sequence, runs, 0);
    let payloads = u32::try_from(measured.len() + 8).unwrap_or(u32::MAX);
    moof(&mut buf, sequence, runs, payloads);
    let total: u64 = runs.iter().map(Run::bytes).sum();
    word(&mut buf, u32::try_from(total + 8).unwrap_or(u32::MAX));
    buf.extend(b"mdat");
    buf.into()
}

/// `payloads`: from its begin to the first run's payloads.
fn moof(buf: &mut Vec<u8>, sequence: u32, runs: &[Run], payloads: u32) {
    let mut offset = payloads;
    boxed(buf, b"moof", |buf| {
        full(buf, b"mfhd", 0, 0, |buf| word(buf, sequence));
        for run in runs {
            boxed(buf, b"traf", |buf| traf(buf, run, offset));
            offset = offset.saturating_add(u32::try_from(run.bytes()).unwrap_or(u32::MAX));
        }
    });
}

fn traf(buf: &mut Vec<u8>, run: &Run, offset: u32) {
    // Offsets count from the `moof`.
    full(buf, b"tfhd", 0, 0x02_0000, |buf| word(buf, run.track));
    full(buf, b"tfdt", 1, 0, |buf| {
        buf.extend(run.start.to_be_bytes())
    });
    let offsets = run.samples.iter().any(|sample| sample.offset != 0);
    // Of each sample duration, size, flags, and its offset if any has one; version 1: they may be
    // negative.
    let flags = 0x701 | if offsets { 0x800 } else { 0 };
    full(buf, b"trun", 1, flags, |buf| {
        word(buf, u32::try_from(run.samples.len()).unwrap_or(u32::MAX));
        word(buf, offset);
        for sample in &run.samples {
            word(buf, sample.duration);
            word(buf, sample.size);
            word(buf, if sample.sync { FLAGS_SYNC } else { FLAGS_OTHER });
            if offsets {
                let bounds = i64::from(i32::MIN)..=i64::from(i32::MAX);
                let offset = sample.offset.clamp(*bounds.start(), *bounds.end());
                word(buf, offset as i32 as u32);
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ntp_of_rfc_3550() {
        // RFC 3550 §6.4.1: 10 November 1995 11:33:25.125 UTC is b44d:b705:2000:0000.
        let time = CaptureTime::from_unix_nanos(816_003_205_125_000_000);
        assert_eq!(ntp(time), 0xb44d_b705_2000_0000);
    }

    #[test]
    fn offsets_point_at_the_payloads() {
        let sample = |size| Sample {
            duration: 1,
            size,
            sync: true,
            offset: 0,
        };
        let runs = [(1, vec![sample(10), sample(20)]), (2, vec![sample(5)])];
        let runs = runs.map(|(track, samples)| Run {
            track,
            start: 0,
            samples,
        });
        let bytes = fragment(1, None, &runs);
        assert_eq!(&bytes[bytes.len() - 8..], b"\0\0\0\x2bmdat"); // 8 + 35 = 0x2b
        let word = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        let truns: Vec<usize> = (0..bytes.len() - 4)
            .filter(|i| &bytes[*i..*i + 4] == b"trun")
            .collect();
        // trun: type, version and flags, sample count, data offset (ISO/IEC 14496-12 §8.8.8.2).
        assert_eq!(word(truns[0] + 12), bytes.len());
        assert_eq!(word(truns[1] + 12), bytes.len() + 30);
    }
}
