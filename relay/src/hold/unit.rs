//! What flows from intake to sinks.

use std::num::NonZeroU32;
use std::sync::Arc;

use bytes::Bytes;

use crate::units::CaptureTime;

/// Whether a track is pictures or sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TrackKind {
    /// Coded pictures.
    Video,
    /// Coded sound.
    Audio,
}

impl TrackKind {
    /// The word of the plugin interface.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Video => "video",
            Self::Audio => "audio",
        }
    }
}

/// The codecs that the relay takes from a camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Codec {
    /// ITU-T H.264, payload format RFC 6184.
    H264,
    /// ITU-T H.265, payload format RFC 7798.
    H265,
    /// JPEG pictures, payload format RFC 2435.
    Jpeg,
    /// AAC, payload format RFC 3640 (`mpeg4-generic`).
    Aac,
    /// G.711 A-law.
    Pcma,
    /// G.711 mu-law.
    Pcmu,
}

impl Codec {
    /// The codec of an SDP media type and (lower-case) encoding name; `None` for one that the
    /// relay does not take.
    #[must_use]
    pub fn from_sdp(media: &str, encoding_name: &str) -> Option<Self> {
        match (media, encoding_name) {
            ("video", "h264") => Some(Self::H264),
            ("video", "h265") => Some(Self::H265),
            ("video" | "image", "jpeg") => Some(Self::Jpeg),
            ("audio", "mpeg4-generic") => Some(Self::Aac),
            ("audio", "pcma") => Some(Self::Pcma),
            ("audio", "pcmu") => Some(Self::Pcmu),
            _ => None,
        }
    }

    /// Pictures or sound.
    #[must_use]
    pub fn kind(self) -> TrackKind {
        match self {
            Self::H264 | Self::H265 | Self::Jpeg => TrackKind::Video,
            Self::Aac | Self::Pcma | Self::Pcmu => TrackKind::Audio,
        }
    }

    /// The word of the plugin interface.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::H264 => "h264",
            Self::H265 => "h265",
            Self::Jpeg => "jpeg",
            Self::Aac => "aac",
            Self::Pcma => "pcma",
            Self::Pcmu => "pcmu",
        }
    }
}

/// One elementary stream with fixed parameters; a change of parameters makes a new track.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Track {
    /// Unique for the camera as long as the relay runs.
    pub id: u32,
    /// How the payload is coded.
    pub codec: Codec,
    /// The codec in the notation of RFC 6381; empty where that has no name.
    pub rfc6381: String,
    /// Ticks a second of the media times.
    pub clock_rate: NonZeroU32,
    /// Width of the picture in pixels after cropping; 0 for sound.
    pub width: u32,
    /// Height of the picture in pixels after cropping; 0 for sound.
    pub height: u32,
    /// Channels of sound; 0 for pictures.
    pub channels: u32,
    /// avcC or hvcC record (ISO/IEC 14496-15), AudioSpecificConfig (ISO/IEC 14496-3), or empty.
    pub decoder_configuration: Bytes,
}

/// All tracks that a camera has at a time.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TrackSet {
    /// Rises with each change.
    pub generation: u64,
    /// In the order of the session description.
    pub tracks: Vec<Arc<Track>>,
}

impl TrackSet {
    /// Whether any of the tracks is pictures: then groups begin at key frames, else anywhere.
    #[must_use]
    pub fn has_video(&self) -> bool {
        self.tracks
            .iter()
            .any(|track| track.codec.kind() == TrackKind::Video)
    }
}

/// One access unit: a coded picture, or one frame of sound.
#[derive(Debug, Clone)]
pub struct Unit {
    /// Set by the hold: rises by one with each unit of the camera.
    pub sequence: u64,
    /// The track that it belongs to.
    pub track: Arc<Track>,
    /// The camera's tracks when it arrived.
    pub tracks: Arc<TrackSet>,
    /// Presentation time in ticks of the track's clock rate; comparable within a timeline.
    pub media_time: i64,
    /// Length in ticks where the codec fixes it, else 0.
    pub duration: u32,
    /// Changes when media times begin anew.
    pub timeline: u32,
    /// When the light or sound reached the camera.
    pub captured: CaptureTime,
    /// Half-width of the interval around `captured` that holds the truth.
    pub uncertainty_nanos: u64,
    /// Decoding can begin here.
    pub random_access: bool,
    /// Something that the camera sent before this unit is missing.
    pub discontinuity: bool,
    /// The coded bytes, as `wit/media.wit` lays down.
    pub payload: Bytes,
}

impl Unit {
    /// Whether a group of pictures begins here. A camera without pictures has groups of one unit.
    #[must_use]
    pub fn starts_group(&self) -> bool {
        match self.track.codec.kind() {
            TrackKind::Video => self.random_access,
            TrackKind::Audio => !self.tracks.has_video(),
        }
    }
}
