//! The decoder of one stream.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use super::decoded::{DecodeFault, Decoded};
use crate::hold::Unit;
use crate::sinks::Engine;

/// What a decoder may use.
#[derive(Debug, Clone)]
pub struct DecoderOptions {
    /// Most memory.
    pub memory: crate::config::ByteCount,
    /// Longest call.
    pub call: Duration,
    /// Most pixels of a picture.
    pub pixels_max: u32,
    /// The program ffmpeg.
    pub ffmpeg: Option<PathBuf>,
}

/// The decoder of one stream.
#[derive(Debug)]
pub struct Decoder;

impl Decoder {
    /// A decoder.
    pub fn new(_engine: Arc<Engine>, _options: DecoderOptions) -> Self {
        Self
    }

    /// Decodes a random access point.
    pub async fn decode_key(&mut self, _unit: &Unit) -> Result<Decoded, DecodeFault> {
        Err(DecodeFault::Unsupported("no decoder".to_owned()))
    }

    /// Decodes the next unit.
    pub async fn decode_next(
        &mut self,
        _unit: &Unit,
    ) -> Result<Option<(Decoded, u64)>, DecodeFault> {
        Err(DecodeFault::Unsupported("no decoder".to_owned()))
    }

    /// Bytes held.
    pub fn memory_bytes(&self) -> usize {
        0
    }
}
