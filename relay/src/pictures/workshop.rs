//! What the lanes of all cameras share: the engine, the workers, and who is told.

use std::sync::Arc;

use tokio::sync::Semaphore;

use super::both::{Decoder, DecoderOptions};
use crate::archive::findings::Finding;
use crate::config::Pictures;
use crate::sinks::Engine;
use crate::units::CameraName;

/// Takes a finding about a camera's stream. Must not wait.
pub type NoteFinding = Arc<dyn Fn(&CameraName, Finding) + Send + Sync>;

/// What all lanes share.
pub struct Workshop {
    engine: Arc<Engine>,
    options: DecoderOptions,
    /// Decodings at a time.
    pub(super) workers: Semaphore,
    pub(super) note: NoteFinding,
}

impl std::fmt::Debug for Workshop {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Workshop").finish_non_exhaustive()
    }
}

impl Workshop {
    /// Decodes as the configuration says; `note` gets what is found meanwhile.
    #[must_use]
    pub fn new(engine: &Arc<Engine>, pictures: &Pictures, note: NoteFinding) -> Arc<Self> {
        Arc::new(Self {
            engine: Arc::clone(engine),
            options: DecoderOptions {
                memory: pictures.decoder_memory,
                call: pictures.decode,
                pixels_max: pictures.pixels_max,
                ffmpeg: pictures.ffmpeg.clone(),
            },
            workers: Semaphore::new(pictures.workers as usize),
            note,
        })
    }

    /// One that has not begun with any stream.
    pub(super) fn decoder(&self) -> Decoder {
        Decoder::new(Arc::clone(&self.engine), self.options.clone())
    }
}
