//! The decoder of a camera's stream: the sandboxed one, and behind it ffmpeg where there is one.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use super::decoded::{DecodeFault, Decoded};
use super::decoder::{Bounds, Instance, Refusal};
use super::ffmpeg;
use crate::config::ByteCount;
use crate::hold::{Codec, Track, TrackKind, Unit};
use crate::sinks::Engine;

/// Pictures that have come out and were not fetched: a decoder gives back several at once, at a
/// random access point, as many as a stream may reorder.
const READY_MAX: usize = 32;

/// What a decoder may take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DecoderOptions {
    /// Memory of the sandbox, at a time. A key frame of 2160p takes about 50 MiB in H.264, 85 in
    /// H.265; every picture of a small stream less.
    pub memory: ByteCount,
    /// Time at work on a picture.
    pub call: Duration,
    /// The largest picture, as coded.
    pub pixels_max: u32,
    /// The program that does what the built-in decoder refuses; nothing is searched for.
    pub ffmpeg: Option<PathBuf>,
}

impl Default for DecoderOptions {
    fn default() -> Self {
        Self {
            memory: ByteCount::mib(192),
            // Twice a 2160p key frame in H.265 takes 0.5 to 2.5 s, by its bytes, on the machine that
            // it was measured on.
            call: Duration::from_secs(5),
            pixels_max: 4096 * 2304,
            ffmpeg: None,
        }
    }
}

/// Decodes one of a camera's streams. Its calls are long: they belong on a runtime of several
/// threads, and not on the one that serves cameras. There they give way at least every 20 ms.
#[derive(Debug)]
pub struct Decoder {
    engine: Arc<Engine>,
    options: DecoderOptions,
    track: Option<Known>,
    /// In the middle of a stream of which every picture is wanted.
    live: Option<Instance>,
    ready: VecDeque<(Decoded, u64)>,
    memory_bytes: usize,
}

/// A track and what is known of it.
#[derive(Debug)]
struct Known {
    track: Arc<Track>,
    refused: Option<Refused>,
    key_frames_only: Option<String>,
}

/// Why a track is not decoded, and by whom.
#[derive(Debug, Clone)]
enum Refused {
    /// The first decoder does not do it.
    ByFirst(String),
    /// None should be let at it; what to do is said with it.
    ByAll(String),
}

impl Decoder {
    /// For one stream of a camera. Nothing is compiled or started yet.
    #[must_use]
    pub fn new(engine: Arc<Engine>, options: DecoderOptions) -> Self {
        Self {
            engine,
            options,
            track: None,
            live: None,
            ready: VecDeque::new(),
            memory_bytes: 0,
        }
    }

    /// Decodes a random access point with a decoder of its own; what it took of memory is free
    /// again afterwards.
    ///
    /// # Errors
    /// [`DecodeFault::Unsupported`] holds for all units of the track.
    pub async fn decode_key(&mut self, unit: &Unit) -> Result<Decoded, DecodeFault> {
        self.look_at(&unit.track)?;
        if let Some(refused) = self.track.as_ref().and_then(|known| known.refused.clone()) {
            return self.refused(unit, refused).await;
        }
        let mut instance = match self.start(&unit.track).await {
            Ok(instance) => instance,
            Err(fault) => return self.refused_or(unit, fault).await,
        };
        let result = instance.key(unit).await;
        self.memory_bytes = instance.memory_bytes();
        drop(instance);
        match result {
            Ok(decoded) => Ok(decoded),
            Err(refusal) => self.otherwise(unit, refusal).await,
        }
    }

    /// Goes on with a stream: each unit of the track must be handed over, in the order in which the
    /// camera sent them. Gives a picture and the sequence number of the unit that it shows, which
    /// may be an earlier one. After a fault, and before the first random access point, there is
    /// none. Where the decoders do only key frames of such a stream, only these come: see
    /// [`Self::key_frames_only`].
    ///
    /// # Errors
    /// [`DecodeFault::Unsupported`] holds for all units of the track.
    pub async fn decode_next(
        &mut self,
        unit: &Unit,
    ) -> Result<Option<(Decoded, u64)>, DecodeFault> {
        self.look_at(&unit.track)?;
        let limited = self
            .track
            .as_ref()
            .is_some_and(|known| known.refused.is_some() || known.key_frames_only.is_some());
        if limited {
            if !unit.random_access {
                return Ok(None);
            }
            let decoded = self.decode_key(unit).await?;
            return Ok(Some((decoded, unit.sequence)));
        }
        if unit.discontinuity {
            // What comes builds on what is missing.
            self.live = None;
        }
        let mut instance = match self.live.take() {
            Some(instance) => instance,
            None if !unit.random_access => return Ok(self.ready.pop_front()),
            None => match self.start(&unit.track).await {
                Ok(instance) => instance,
                Err(fault) => {
                    let decoded = self.refused_or(unit, fault).await?;
                    return Ok(Some((decoded, unit.sequence)));
                }
            },
        };
        let result = instance.next(unit).await;
        self.memory_bytes = instance.memory_bytes();
        match result {
            Ok(pictures) => {
                self.live = Some(instance);
                self.ready.extend(pictures);
                let surplus = self.ready.len().saturating_sub(READY_MAX);
                self.ready.drain(..surplus);
                Ok(self.ready.pop_front())
            }
            Err(Refusal::Fault(fault)) => {
                // The next random access point gets a new one: what a broken stream has made of
                // this one's memory is not needed any more.
                Err(fault)
            }
            Err(refusal) => {
                drop(instance);
                let decoded = match refusal {
                    Refusal::KeyFramesOnly(why) => {
                        if let Some(known) = &mut self.track {
                            known.key_frames_only = Some(why);
                        }
                        if !unit.random_access {
                            return Ok(None);
                        }
                        self.decode_key(unit).await?
                    }
                    refusal if unit.random_access => self.otherwise(unit, refusal).await?,
                    refusal => return Err(refusal.into_fault()),
                };
                Ok(Some((decoded, unit.sequence)))
            }
        }
    }

    /// Linear memory that the last call had; what has ended since is free again.
    #[must_use]
    pub fn memory_bytes(&self) -> usize {
        self.memory_bytes
    }

    /// Why [`Self::decode_next`] gives only key frames of this track, where it does.
    #[must_use]
    pub fn key_frames_only(&self) -> Option<&str> {
        let known = self.track.as_ref()?;
        match (&known.key_frames_only, &known.refused) {
            (Some(why), _) => Some(why),
            (None, Some(Refused::ByFirst(why))) => Some(why),
            _ => None,
        }
    }

    /// Notes a change of the track.
    fn look_at(&mut self, track: &Arc<Track>) -> Result<(), DecodeFault> {
        if track.codec.kind() != TrackKind::Video {
            let codec = track.codec.as_str();
            return Err(DecodeFault::Unsupported(format!("{codec} is sound")));
        }
        let same = |known: &Known| Arc::ptr_eq(&known.track, track) || known.track == *track;
        if !self.track.as_ref().is_some_and(same) {
            self.track = Some(Known {
                track: Arc::clone(track),
                refused: None,
                key_frames_only: None,
            });
            self.live = None;
        }
        Ok(())
    }

    fn bounds(&self) -> Bounds {
        Bounds {
            memory: self.options.memory,
            call: self.options.call,
            pixels_max: self.options.pixels_max,
        }
    }

    /// A new instance that has begun with no track.
    async fn instance(&mut self) -> Result<Instance, DecodeFault> {
        let code = self
            .engine
            .decoder()
            .await
            .map_err(|error| DecodeFault::Ended(error.to_string()))?;
        Instance::new(&self.engine, &code, self.bounds()).await
    }

    /// A new instance that has begun with the track.
    async fn start(&mut self, track: &Arc<Track>) -> Result<Instance, DecodeFault> {
        let mut instance = self.instance().await?;
        match instance.begin(track).await {
            Ok(()) => Ok(instance),
            Err(refusal) => Err(self.refuse_track(refusal)),
        }
    }

    /// Remembers that a track is not done by the first decoder, and why.
    fn refuse_track(&mut self, refusal: Refusal) -> DecodeFault {
        let Some(known) = &mut self.track else {
            return DecodeFault::Ended("no track".to_owned());
        };
        let (refused, why) = match refusal {
            Refusal::Fault(fault) => return fault,
            Refusal::Unsupported(why) if has_second(known.track.codec) => {
                (Refused::ByFirst(why.clone()), why)
            }
            Refusal::Unfit(why) | Refusal::Unsupported(why) | Refusal::KeyFramesOnly(why) => {
                let why = unfit(&why);
                (Refused::ByAll(why.clone()), why)
            }
        };
        known.refused = Some(refused);
        DecodeFault::Unsupported(why)
    }

    /// What becomes of a random access point that the first decoder has refused: what is said of
    /// one picture need not hold for the next.
    async fn otherwise(&mut self, unit: &Unit, refusal: Refusal) -> Result<Decoded, DecodeFault> {
        match refusal {
            Refusal::Unsupported(why) if has_second(unit.track.codec) => {
                self.second(unit, &why, DecodeFault::Refused).await
            }
            refusal => Err(refusal.into_fault()),
        }
    }

    /// The second decoder's turn, if the first one has refused the track.
    async fn refused_or(
        &mut self,
        unit: &Unit,
        fault: DecodeFault,
    ) -> Result<Decoded, DecodeFault> {
        match self.track.as_ref().and_then(|known| known.refused.clone()) {
            Some(refused) => self.refused(unit, refused).await,
            None => Err(fault),
        }
    }

    /// Why a track was refused, and the second decoder's turn where that may help.
    async fn refused(&mut self, unit: &Unit, refused: Refused) -> Result<Decoded, DecodeFault> {
        match refused {
            Refused::ByFirst(why) => {
                let decoded = self.second(unit, &why, DecodeFault::Unsupported).await;
                // What the second one must not be let at either is not told by each unit: of gray in
                // several slices one that lost all but the first looks whole.
                if let (Err(DecodeFault::Refused(why)), Some(known)) = (&decoded, &mut self.track) {
                    known.refused = Some(Refused::ByAll(why.clone()));
                    return Err(DecodeFault::Unsupported(why.clone()));
                }
                decoded
            }
            Refused::ByAll(why) => Err(DecodeFault::Unsupported(why)),
        }
    }

    /// `fault` makes one of `why`: for the track, or for this unit.
    async fn second(
        &mut self,
        unit: &Unit,
        why: &str,
        fault: fn(String) -> DecodeFault,
    ) -> Result<Decoded, DecodeFault> {
        // The second decoder has no such door of its own.
        let mut instance = self.instance().await?;
        let description = instance.describe(unit).await;
        self.memory_bytes = instance.memory_bytes();
        drop(instance);
        let description = match description {
            Ok(description) => description,
            Err(refusal) => return Err(refusal.into_fault()),
        };
        match &self.options.ffmpeg {
            Some(program) => ffmpeg::decode(program, unit, &description, self.options.call).await,
            None => Err(fault(format!(
                "{why}: the built-in decoder does not do it; set `[pictures] ffmpeg` to an ffmpeg \
                 that is installed, or the camera to 8 bits, 4:2:0, progressive"
            ))),
        }
    }
}

impl Refusal {
    /// What it means where it is about one unit, and nobody else is asked.
    fn into_fault(self) -> DecodeFault {
        match self {
            Self::Fault(fault) => fault,
            Self::Unsupported(why) | Self::Unfit(why) | Self::KeyFramesOnly(why) => {
                DecodeFault::Refused(unfit(&why))
            }
        }
    }
}

/// Whether the second decoder knows the codec.
fn has_second(codec: Codec) -> bool {
    matches!(codec, Codec::H264 | Codec::H265)
}

fn unfit(why: &str) -> String {
    format!("{why}; choose another format for this stream in the camera's settings")
}
