//! Packets of one stream to access units, under a bound.
//!
//! The RTSP library's own packet-to-frame path keeps what it collects without limit: a camera
//! that never ends a fragmented unit takes all memory. So the library hands over packets, they
//! are counted here, and only then go to its depacketizers, which are kept under a bound by being
//! thrown away when a unit outgrows it.

use std::num::{NonZeroU16, NonZeroU32};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};

use bytes::Bytes;
use retina::client::Stream;
use retina::codec::{CodecItem, Depacketizer, FrameFormat, ParametersRef};
use retina::rtp::{PacketMeta, ReceivedPacket};
use retina::testutil::DepacketizeBuf;

use super::cause::first_line;
use crate::hold::{Codec, Track};

/// First size of the buffer that packets pass through; it grows to a unit's size.
const BUFFER_BYTES: usize = 64 * 1024;

/// A unit that outgrows the bound by this factor is an attack or a defect, not a large picture.
const ENDLESS_FACTOR: usize = 4;

/// An access unit before it has a capture time.
#[derive(Debug)]
pub(super) struct Frame {
    /// Presentation time in ticks of the stream's clock rate.
    pub(super) media_time: i64,
    /// Length in ticks where the codec fixes it, else 0.
    pub(super) duration: u32,
    pub(super) random_access: bool,
    /// Packets lost between the unit before and this one.
    pub(super) packets_lost: u16,
    /// Its own beginning may be among the lost: it must not count as whole.
    pub(super) headless: bool,
    /// The stream's parameters changed with this unit.
    pub(super) new_parameters: bool,
    pub(super) payload: Bytes,
}

/// A packet that gave no unit but trouble.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum Trouble {
    #[error("an access unit grew beyond {bytes_max} bytes (`access_unit`) and was dropped")]
    Oversize { bytes_max: usize },
    #[error("an access unit has no end: {bytes} bytes so far")]
    Endless { bytes: usize },
    #[error("a malformed packet: {0}")]
    Malformed(String),
}

/// What it takes to make a depacketizer anew.
#[derive(Debug)]
struct Recipe {
    media: String,
    encoding_name: String,
    clock_rate: u32,
    channels: Option<NonZeroU16>,
    format_parameters: Option<String>,
}

impl Recipe {
    fn make(&self) -> Result<Depacketizer, String> {
        let mut depacketizer = Depacketizer::new(
            &self.media,
            &self.encoding_name,
            self.clock_rate,
            self.channels,
            self.format_parameters.as_deref(),
        )?;
        depacketizer.set_frame_format(FrameFormat::MP4);
        Ok(depacketizer)
    }
}

/// The unit being collected: all packets of an access unit have one RTP timestamp (RFC 6184 §5.1,
/// RFC 7798 §4.1, RFC 2435 §3), and the last has the marker bit.
#[derive(Debug, Clone, Copy)]
struct Pending {
    timestamp: i64,
    bytes: usize,
    headless: bool,
    marker: bool,
}

impl Pending {
    /// The unit that a packet belongs to, after the one that was collected before.
    fn with(before: Option<Self>, packet: &ReceivedPacket) -> Self {
        let timestamp = packet.timestamp().timestamp();
        let size = packet.payload().len();
        let marker = packet.mark();
        match before {
            Some(unit) if unit.timestamp == timestamp => Self {
                bytes: unit.bytes + size,
                marker,
                ..unit
            },
            // What is missing before a unit's first packet belongs to the one before it or to its
            // own head; only where exactly the other one's last packet is missing it is whole.
            _ => {
                let tail = packet.loss() == 1 && before.is_some_and(|unit| !unit.marker);
                let headless = packet.loss() > 0 && !tail;
                Self {
                    timestamp,
                    bytes: size,
                    headless,
                    marker,
                }
            }
        }
    }
}

/// Puts the units of one stream together.
pub(super) struct Assembler {
    codec: Codec,
    clock_rate: NonZeroU32,
    recipe: Recipe,
    depacketizer: Depacketizer,
    buffer: DepacketizeBuf,
    pending: Option<Pending>,
    first_packet: Option<retina::Timestamp>,
    /// Units that came out of the packet that brought trouble for the one before it: the trouble
    /// must be told first.
    late: Vec<Frame>,
    unit_bytes_max: usize,
}

impl std::fmt::Debug for Assembler {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Assembler")
            .field("recipe", &self.recipe)
            .finish_non_exhaustive()
    }
}

impl Assembler {
    /// For a stream that was set up; `Ok(None)` when the relay does not take its codec.
    pub(super) fn new(
        stream: &Stream,
        format_parameters: Option<String>,
        unit_bytes_max: usize,
    ) -> Result<Option<Self>, String> {
        let Some(codec) = Codec::from_sdp(stream.media(), stream.encoding_name()) else {
            return Ok(None);
        };
        let clock_rate = NonZeroU32::new(stream.clock_rate_hz()).ok_or("clock rate 0")?;
        let recipe = Recipe {
            media: stream.media().to_owned(),
            encoding_name: stream.encoding_name().to_owned(),
            clock_rate: clock_rate.get(),
            channels: stream.channels(),
            format_parameters,
        };
        let depacketizer = recipe.make()?;
        let buffer = DepacketizeBuf::new(BUFFER_BYTES);
        Ok(Some(Self {
            codec,
            clock_rate,
            recipe,
            depacketizer,
            buffer,
            pending: None,
            first_packet: None,
            late: Vec::new(),
            unit_bytes_max,
        }))
    }

    pub(super) fn codec(&self) -> Codec {
        self.codec
    }

    pub(super) fn clock_rate(&self) -> NonZeroU32 {
        self.clock_rate
    }

    /// The time of the first packet; its elapsed time counts from what the answer to PLAY announced,
    /// or from itself.
    pub(super) fn first_packet(&self) -> Option<retina::Timestamp> {
        self.first_packet
    }

    /// Takes a packet; complete units go to `frames`.
    pub(super) fn push(
        &mut self,
        packet: &ReceivedPacket,
        frames: &mut Vec<Frame>,
    ) -> Result<(), Trouble> {
        frames.append(&mut self.late);
        self.first_packet.get_or_insert(packet.timestamp());
        let unit = Pending::with(self.pending, packet);
        self.pending = Some(unit);
        let (bytes, size) = (unit.bytes, packet.payload().len());
        if bytes > self.unit_bytes_max {
            // Thrown away once, when the bound is crossed; the rest of the unit is passed over.
            if bytes - size <= self.unit_bytes_max {
                self.reset()?;
                return Err(Trouble::Oversize {
                    bytes_max: self.unit_bytes_max,
                });
            }
            if bytes > self.unit_bytes_max.saturating_mul(ENDLESS_FACTOR) {
                return Err(Trouble::Endless { bytes });
            }
            return Ok(());
        }
        let Err(trouble) = self.feed(packet, unit, frames) else {
            return Ok(());
        };
        // The library gives up on the stream here; a fresh start can go on.
        self.reset()?;
        // The first packet of a unit may only tell that the one before it never ended: it is the
        // beginning of a whole unit then, which is lost without it.
        let mut again = Vec::new();
        if bytes == size && self.feed(packet, unit, &mut again).is_ok() {
            self.late = again;
            return Err(trouble);
        }
        self.reset()?;
        if let Some(pending) = &mut self.pending {
            pending.headless = true;
        }
        Err(trouble)
    }

    /// Gives a packet to the depacketizer and takes what that completes. After an error the
    /// depacketizer must be given no more.
    fn feed(
        &mut self,
        packet: &ReceivedPacket,
        unit: Pending,
        frames: &mut Vec<Frame>,
    ) -> Result<(), Trouble> {
        let before = frames.len();
        let meta = PacketMeta::from_received(packet);
        self.buffer
            .push(&mut self.depacketizer, meta, packet.payload())
            .map_err(|error| Trouble::Malformed(first_line(&error)))?;
        loop {
            match self.depacketizer.pull() {
                None => {
                    // A unit is out: what follows, under the same timestamp even, is another.
                    if frames.len() > before
                        && let Some(pending) = &mut self.pending
                    {
                        pending.bytes = 0;
                    }
                    return Ok(());
                }
                Some(Ok(CodecItem::VideoFrame(frame))) => frames.push(Frame {
                    media_time: frame.timestamp().timestamp(),
                    duration: 0,
                    random_access: frame.is_random_access_point(),
                    packets_lost: frame.loss(),
                    headless: unit.headless && frame.timestamp().timestamp() == unit.timestamp,
                    new_parameters: frame.has_new_parameters(),
                    payload: Bytes::from(frame.into_data()),
                }),
                Some(Ok(CodecItem::AudioFrame(frame))) => frames.push(Frame {
                    media_time: frame.timestamp().timestamp(),
                    duration: frame.frame_length().get(),
                    random_access: true,
                    packets_lost: frame.loss(),
                    // Frames of sound come in packets of their own.
                    headless: false,
                    new_parameters: false,
                    payload: Bytes::copy_from_slice(frame.data()),
                }),
                Some(Ok(_)) => {}
                Some(Err(error)) => {
                    return Err(Trouble::Malformed(first_line(&format!("{error:?}"))));
                }
            }
        }
    }

    /// Forgets what is collected. The bytes of the unit stay counted, so that the rest of an
    /// oversize unit is dropped as it comes.
    fn reset(&mut self) -> Result<(), Trouble> {
        self.depacketizer = self.recipe.make().map_err(Trouble::Malformed)?;
        self.buffer = DepacketizeBuf::new(BUFFER_BYTES);
        Ok(())
    }

    /// The stream's track as far as it is known; its id is still to be given.
    pub(super) fn track(&self) -> Option<Track> {
        let mut track = Track {
            id: 0,
            codec: self.codec,
            rfc6381: String::new(),
            clock_rate: self.clock_rate,
            width: 0,
            height: 0,
            channels: 0,
            decoder_configuration: Bytes::new(),
        };
        match self.depacketizer.parameters()? {
            ParametersRef::Video(video) => {
                (track.width, track.height) = video.pixel_dimensions();
                // For JPEG the library has a name of MPEG-4 systems that RFC 6381 readers of a
                // file never need.
                if self.codec != Codec::Jpeg {
                    track.rfc6381 = video.rfc6381_codec().to_owned();
                    track.decoder_configuration = Bytes::copy_from_slice(video.extra_data());
                }
            }
            ParametersRef::Audio(audio) => {
                track.channels = u32::from(audio.channels().get());
                track.rfc6381 = audio.rfc6381_codec().unwrap_or_default().to_owned();
                track.decoder_configuration = Bytes::copy_from_slice(audio.extra_data());
            }
            ParametersRef::Message(_) => return None,
        }
        Some(track)
    }
}

/// Ids are never used again, not even after a task of the relay failed and began anew.
static NEXT_ID: AtomicU32 = AtomicU32::new(1);
static NEXT_GENERATION: AtomicU64 = AtomicU64::new(1);

/// The tracks of a session by stream, with ids that stay while parameters stay: a new session
/// with an unchanged camera goes on with the tracks of the one before.
#[derive(Debug, Default)]
pub(super) struct Tracks {
    known: Vec<Option<Arc<Track>>>,
    set: Arc<crate::hold::TrackSet>,
}

impl Tracks {
    /// Notes what `stream` looks like now.
    pub(super) fn update(&mut self, stream: usize, mut seen: Track) {
        if self.known.len() <= stream {
            self.known.resize(stream + 1, None);
        }
        let Some(slot) = self.known.get_mut(stream) else {
            return;
        };
        if let Some(known) = slot {
            seen.id = known.id;
            if **known == seen {
                return;
            }
        }
        seen.id = NEXT_ID.fetch_add(1, Ordering::Relaxed);
        *slot = Some(Arc::new(seen));
        self.publish();
    }

    /// Forgets what a new session doesn't have: `codec` tells what a stream is coded with, if it is
    /// taken.
    pub(super) fn keep(&mut self, codec: impl Fn(usize) -> Option<Codec>) {
        let mut changed = false;
        for (stream, slot) in self.known.iter_mut().enumerate() {
            if slot
                .as_ref()
                .is_some_and(|track| codec(stream) != Some(track.codec))
            {
                *slot = None;
                changed = true;
            }
        }
        if changed {
            self.publish();
        }
    }

    pub(super) fn of(&self, stream: usize) -> Option<&Arc<Track>> {
        self.known.get(stream)?.as_ref()
    }

    pub(super) fn set(&self) -> &Arc<crate::hold::TrackSet> {
        &self.set
    }

    fn publish(&mut self) {
        self.set = Arc::new(crate::hold::TrackSet {
            generation: NEXT_GENERATION.fetch_add(1, Ordering::Relaxed),
            tracks: self.known.iter().flatten().cloned().collect(),
        });
    }
}
