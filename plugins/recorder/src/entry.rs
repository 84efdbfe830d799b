//! Sample entries: what a player must know of a track.

use forebay_plugin_sdk::Track;
use mp4_atom::esds::{DecoderConfig, DecoderSpecific, EsDescriptor, Esds, SLConfig};
use mp4_atom::{Audio, Encode, FixedPoint, Visual};

use crate::mux::{MuxError, nest};

/// The first and only data reference: the file itself.
const HERE: u16 = 1;
/// Object types and stream types of ISO/IEC 14496-1, tables 5 and 6.
const OBJECT_AAC: u8 = 0x40;
const OBJECT_JPEG: u8 = 0x6c;
const STREAM_VISUAL: u8 = 4;
const STREAM_AUDIO: u8 = 5;

/// Appends the entry for `track`.
pub(crate) fn sample_entry(buf: &mut Vec<u8>, track: &Track) -> Result<(), MuxError> {
    let config = &track.decoder_configuration;
    match track.codec.as_str() {
        // ISO/IEC 14496-15 §5.4.2 and §8.4.1: all parameter sets are in the entry.
        "h264" => visual(buf, b"avc1", track, |buf| record(buf, b"avcC", track)),
        "h265" => visual(buf, b"hvc1", track, |buf| record(buf, b"hvcC", track)),
        "jpeg" => visual(buf, b"mp4v", track, |buf| {
            Ok(esds(OBJECT_JPEG, STREAM_VISUAL, &[]).encode(buf)?)
        }),
        "aac" if config.is_empty() => Err(lacks(track, NO_CONFIGURATION)),
        "aac" => audio(buf, b"mp4a", track, |buf| {
            Ok(esds(OBJECT_AAC, STREAM_AUDIO, config).encode(buf)?)
        }),
        // QuickTime's entries for G.711; ISO has none.
        "pcma" => audio(buf, b"alaw", track, |buf| layout(buf, track)),
        "pcmu" => audio(buf, b"ulaw", track, |buf| layout(buf, track)),
        other => Err(MuxError::Codec(other.into())),
    }
}

const NO_CONFIGURATION: &str = "has no decoder configuration";

fn lacks(track: &Track, lacks: &'static str) -> MuxError {
    MuxError::Track {
        id: track.id,
        codec: track.codec.clone(),
        lacks,
    }
}

fn visual(
    buf: &mut Vec<u8>,
    kind: &[u8; 4],
    track: &Track,
    fill: impl FnOnce(&mut Vec<u8>) -> Result<(), MuxError>,
) -> Result<(), MuxError> {
    let (Ok(width), Ok(height)) = (u16::try_from(track.width), u16::try_from(track.height)) else {
        return Err(lacks(track, "is more than 65535 pixels wide or high"));
    };
    if width == 0 || height == 0 {
        return Err(lacks(track, "has no size"));
    }
    nest(buf, kind, |buf| {
        Visual {
            data_reference_index: HERE,
            width,
            height,
            ..Visual::default()
        }
        .encode(buf)?;
        fill(buf)
    })
}

fn audio(
    buf: &mut Vec<u8>,
    kind: &[u8; 4],
    track: &Track,
    fill: impl FnOnce(&mut Vec<u8>) -> Result<(), MuxError>,
) -> Result<(), MuxError> {
    // 16.16 bits can't hold more than 65535; players then go by the time scale.
    let rate = u16::try_from(track.clock_rate).unwrap_or(0);
    let entry = Audio {
        data_reference_index: HERE,
        channel_count: u16::try_from(track.channels).unwrap_or(u16::MAX).max(1),
        // Always 16, whatever the codec: ISO/IEC 14496-12 §12.2.3, and QuickTime for G.711.
        sample_size: 16,
        sample_rate: FixedPoint::from(rate),
    };
    nest(buf, kind, |buf| {
        entry.encode(buf)?;
        fill(buf)
    })
}

/// Apple, QuickTime File Format, "Sound sample description extensions": which channel is which.
/// Without it ffmpeg warns that it had to guess.
fn layout(buf: &mut Vec<u8>, track: &Track) -> Result<(), MuxError> {
    let channels = track.channels.max(1);
    let tag: u32 = match channels {
        1 => 100 << 16 | 1,
        2 => 101 << 16 | 2,
        // In no known order.
        _ => 147 << 16 | channels & 0xffff,
    };
    nest(buf, b"chan", |buf| {
        // Version and flags, tag, bitmap, number of descriptions.
        for field in [0, tag, 0, 0] {
            buf.extend(field.to_be_bytes());
        }
        Ok(())
    })
}

fn record(buf: &mut Vec<u8>, kind: &[u8; 4], track: &Track) -> Result<(), MuxError> {
    if track.decoder_configuration.is_empty() {
        return Err(lacks(track, NO_CONFIGURATION));
    }
    nest(buf, kind, |buf| {
        buf.extend(&track.decoder_configuration);
        Ok(())
    })
}

fn esds(object_type_indication: u8, stream_type: u8, specific: &[u8]) -> Esds {
    let raw = specific.to_vec();
    let dec_specific = (!raw.is_empty()).then(|| DecoderSpecific {
        raw,
        ..Default::default()
    });
    Esds {
        es_desc: EsDescriptor {
            // 0 in a file: ISO/IEC 14496-14 §3.1.2.
            es_id: 0,
            dec_config: DecoderConfig {
                object_type_indication,
                stream_type,
                dec_specific,
                ..DecoderConfig::default()
            },
            sl_config: SLConfig {},
            ..EsDescriptor::default()
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_file_cannot_hold_is_said() {
        let mut track = Track {
            id: 3,
            kind: "video".into(),
            codec: "h264".into(),
            rfc6381: String::new(),
            clock_rate: 90_000,
            width: 640,
            height: 360,
            channels: 0,
            decoder_configuration: vec![1, 2],
        };
        let check = |track: &Track| crate::mux::check(track).map_err(|e| e.to_string());
        assert_eq!(check(&track), Ok(()));
        track.width = 65_536;
        assert!(check(&track).unwrap_err().contains("65535"));
        track.width = 640;
        track.decoder_configuration.clear();
        assert_eq!(
            check(&track).unwrap_err(),
            "track 3 (h264) has no decoder configuration"
        );
        track.codec = "vp8".into();
        assert!(check(&track).unwrap_err().contains("vp8"));
        track.clock_rate = 0;
        assert!(check(&track).unwrap_err().contains("clock rate"));
    }
}
