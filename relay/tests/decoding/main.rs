//! Pictures against those of ffmpeg, bit for bit; streams that must be refused; broken ones.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    unreachable_pub,
    reason = "tests"
)]

mod clips;
mod damaged;
mod exact;
mod fields;
mod figures;
mod refused;

use std::path::PathBuf;
use std::sync::{Arc, LazyLock};

use forebay::pictures::{Decoded, Decoder, DecoderOptions, Samples};
use forebay::sinks::Engine;

static ENGINE: LazyLock<Arc<Engine>> = LazyLock::new(|| {
    let cache = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("decoding-cache");
    Engine::new(Some(&cache)).unwrap()
});

pub fn decoder(ffmpeg: Option<PathBuf>) -> Decoder {
    let options = DecoderOptions {
        ffmpeg,
        // Other tests run beside.
        call: std::time::Duration::from_secs(30),
        ..DecoderOptions::default()
    };
    Decoder::new(Arc::clone(&ENGINE), options)
}

pub fn samples(decoded: &Decoded) -> &[u8] {
    match &decoded.samples {
        Samples::Gray(samples) => samples,
        Samples::Yuv420 { planes, .. } => planes,
    }
}

/// The first sample that differs, for a message that helps.
pub fn assert_same(what: &str, got: &[u8], wanted: &[u8]) {
    assert_eq!(got.len(), wanted.len(), "{what}: bytes of a picture");
    let differing = got
        .iter()
        .zip(wanted)
        .filter(|(one, other)| one != other)
        .count();
    if let Some(place) = got.iter().zip(wanted).position(|(one, other)| one != other) {
        panic!("{what}: {differing} samples differ, the first one is number {place}");
    }
}
