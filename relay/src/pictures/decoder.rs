//! The first decoder: a guest in the sandbox.

use std::time::Duration;

use bytes::Bytes;
use wasmtime::{Store, Trap, UpdateDeadline};

use super::decoded::{DecodeFault, Decoded, Matrix, Range, Samples};
use super::guest::{Cell, Decoder, DecoderCode, Description, Fault, Frame};
use crate::config::ByteCount;
use crate::hold::{Track, Unit};
use crate::sinks::{EPOCH, Engine, one_line};

/// How many times longer than its work a call may take in all: more is a guest that sleeps, where
/// epochs don't reach, or a machine that has no time for it.
const IDLE_FACTOR: u32 = 8;

/// The bounds of an instance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Bounds {
    pub(super) memory: ByteCount,
    /// Time that a call may be at work.
    pub(super) call: Duration,
    pub(super) pixels_max: u32,
}

/// What a decoder says no to, and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Refusal {
    /// No decoder should be let at this stream.
    Unfit(String),
    /// This decoder does not do this stream.
    Unsupported(String),
    /// Of this stream, it does key frames.
    KeyFramesOnly(String),
    /// It has been ended, or the unit is damaged: the stream goes on.
    Fault(DecodeFault),
}

/// A guest that decodes one track. After [`DecodeFault::Ended`] it is of no more use: drop it.
pub(super) struct Instance {
    store: Store<Cell>,
    guest: Decoder,
    bounds: Bounds,
}

impl std::fmt::Debug for Instance {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Instance")
            .field("memory", &self.store.data().memory)
            .finish_non_exhaustive()
    }
}

impl Instance {
    /// Makes an instance that has not begun with any stream.
    pub(super) async fn new(
        engine: &Engine,
        code: &DecoderCode,
        bounds: Bounds,
    ) -> Result<Self, DecodeFault> {
        let mut store = Store::new(engine.wasmtime(), Cell::new(bounds.memory.as_usize()));
        store.limiter(|cell| &mut cell.memory);
        // At every tick the running guest gives way to other tasks. What is counted are ticks at
        // which it was at work, so that a busy machine doesn't look like a hung guest.
        store.epoch_deadline_callback(|mut context| {
            let cell = context.data_mut();
            match cell.ticks_left.checked_sub(1) {
                Some(left) => {
                    cell.ticks_left = left;
                    Ok(UpdateDeadline::Yield(1))
                }
                None => Ok(UpdateDeadline::Interrupt),
            }
        });
        wind_up(&mut store, bounds.call);
        let making = code.pre.instantiate_async(&mut store);
        let guest = match tokio::time::timeout(bounds.call * IDLE_FACTOR, making).await {
            Ok(Ok(guest)) => guest,
            Ok(Err(error)) => return Err(ended(&store, bounds, &error)),
            Err(_) => return Err(too_slow(bounds)),
        };
        Ok(Self {
            store,
            guest,
            bounds,
        })
    }

    /// Begins with a track.
    pub(super) async fn begin(&mut self, track: &Track) -> Result<(), Refusal> {
        let (codec, configuration) = (track.codec.as_str(), &track.decoder_configuration);
        let pixels_max = self.bounds.pixels_max;
        self.call(async |guest, store| {
            guest
                .call_begin(store, codec, configuration, pixels_max)
                .await
        })
        .await?
        .map_err(Refusal::from)
    }

    /// What the headers of a unit say, also of a track that was refused. A refusal holds for any
    /// decoder.
    pub(super) async fn describe(&mut self, unit: &Unit) -> Result<Description, Refusal> {
        let (codec, track) = (unit.track.codec.as_str(), &unit.track);
        let pixels_max = self.bounds.pixels_max;
        self.call(async |guest, store| {
            let configuration = &track.decoder_configuration;
            guest
                .call_describe(store, codec, configuration, &unit.payload, pixels_max)
                .await
        })
        .await?
        .map_err(Refusal::from)
    }

    /// A random access point for itself.
    pub(super) async fn key(&mut self, unit: &Unit) -> Result<Decoded, Refusal> {
        let frame = self
            .call(async |guest, store| {
                guest
                    .call_decode_key(store, unit.sequence, &unit.payload)
                    .await
            })
            .await??;
        self.checked(frame)
    }

    /// The next unit of a stream: pictures and the units that they show.
    pub(super) async fn next(&mut self, unit: &Unit) -> Result<Vec<(Decoded, u64)>, Refusal> {
        let frames = self
            .call(async |guest, store| {
                let random_access = unit.random_access;
                guest
                    .call_decode_next(store, unit.sequence, &unit.payload, random_access)
                    .await
            })
            .await??;
        frames
            .into_iter()
            .map(|frame| {
                let number = frame.unit;
                Ok((self.checked(frame)?, number))
            })
            .collect()
    }

    /// Linear memory. It never shrinks.
    pub(super) fn memory_bytes(&self) -> usize {
        self.store.data().memory.bytes
    }

    async fn call<T>(
        &mut self,
        call: impl AsyncFnOnce(&Decoder, &mut Store<Cell>) -> wasmtime::Result<T>,
    ) -> Result<T, Refusal> {
        wind_up(&mut self.store, self.bounds.call);
        let calling = call(&self.guest, &mut self.store);
        let fault = match tokio::time::timeout(self.bounds.call * IDLE_FACTOR, calling).await {
            Ok(Ok(value)) => return Ok(value),
            Ok(Err(error)) => ended(&self.store, self.bounds, &error),
            Err(_) => too_slow(self.bounds),
        };
        Err(Refusal::Fault(fault))
    }

    /// What a guest says of its picture is believed as far as it holds together.
    fn checked(&self, frame: Frame) -> Result<Decoded, Refusal> {
        let (width, height) = (frame.width, frame.height);
        let matrix = match frame.matrix.as_str() {
            "bt601" => Some(Matrix::Bt601),
            "bt709" => Some(Matrix::Bt709),
            "bt2020" => Some(Matrix::Bt2020),
            _ => None,
        };
        let pixels = u64::from(width) * u64::from(height);
        let bytes = picture_bytes(width, height, frame.gray);
        match matrix {
            Some(matrix)
                if (1..=u64::from(self.bounds.pixels_max)).contains(&pixels)
                    && u64::try_from(frame.samples.len()) == Ok(bytes) =>
            {
                let samples = Bytes::from(frame.samples);
                Ok(Decoded {
                    width,
                    height,
                    samples: match frame.gray {
                        true => Samples::Gray(samples),
                        false => Samples::Yuv420 {
                            planes: samples,
                            chroma_left: frame.chroma_left,
                        },
                    },
                    range: if frame.full_range {
                        Range::Full
                    } else {
                        Range::Limited
                    },
                    matrix,
                })
            }
            _ => Err(Refusal::Fault(DecodeFault::Ended(
                "it gave a picture that does not hold together".to_owned(),
            ))),
        }
    }
}

/// Bytes of the planes of a picture.
pub(super) fn picture_bytes(width: u32, height: u32, gray: bool) -> u64 {
    let luma = u64::from(width) * u64::from(height);
    let chroma = u64::from(width.div_ceil(2)) * u64::from(height.div_ceil(2));
    if gray { luma } else { luma + 2 * chroma }
}

impl From<Fault> for Refusal {
    fn from(fault: Fault) -> Self {
        match fault {
            Fault::Unfit(text) => Self::Unfit(one_line(&text)),
            Fault::Unsupported(text) => Self::Unsupported(one_line(&text)),
            Fault::KeyFramesOnly(text) => Self::KeyFramesOnly(one_line(&text)),
            Fault::Damaged(text) => Self::Fault(DecodeFault::Damaged(one_line(&text))),
        }
    }
}

/// Sets the clock of a call.
fn wind_up(store: &mut Store<Cell>, limit: Duration) {
    let ticks = limit.as_nanos().div_ceil(EPOCH.as_nanos());
    store.data_mut().ticks_left = u64::try_from(ticks).unwrap_or(u64::MAX);
    store.set_epoch_deadline(1);
}

fn too_slow(bounds: Bounds) -> DecodeFault {
    let seconds = bounds.call.as_secs_f64();
    DecodeFault::Ended(format!(
        "a picture took it more than {seconds} s (`[pictures] decode_seconds`)"
    ))
}

/// Why a call trapped, as far as can be told.
fn ended(store: &Store<Cell>, bounds: Bounds, error: &wasmtime::Error) -> DecodeFault {
    let cell = store.data();
    let trap = error.downcast_ref::<Trap>();
    if trap == Some(&Trap::Interrupt) {
        return too_slow(bounds);
    }
    if cell.memory.denied {
        let memory = bounds.memory;
        return DecodeFault::Ended(format!(
            "it wanted more memory than {memory} (`[pictures] decoder_memory`)"
        ));
    }
    let detail = match trap {
        Some(trap) => trap.to_string(),
        None => one_line(&error.root_cause().to_string()),
    };
    let said = cell.said();
    DecodeFault::Ended(match said.is_empty() {
        true => detail,
        false => format!("{detail}; it said: {said}"),
    })
}
