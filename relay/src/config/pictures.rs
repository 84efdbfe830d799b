//! `[pictures]`.

use std::path::Path;

use super::fields::Fields;
use super::model::Pictures;
use super::quantity::ByteCount;

/// Reads how pictures are decoded.
pub(super) fn read_pictures(mut fields: Fields<'_, '_>, folder: &Path) -> Pictures {
    let default = Pictures::default();
    let ffmpeg = fields.path("ffmpeg", folder, "\"/usr/bin/ffmpeg\"");
    let pictures = Pictures {
        ffmpeg,
        decoder_memory: fields.bytes(
            "decoder_memory",
            default.decoder_memory,
            ByteCount::mib(16)..=ByteCount::gib(2),
        ),
        decode: fields.seconds("decode_seconds", default.decode.as_secs_f64(), 0.1..=60.0),
        pixels_max: fields.count("pixels_max", default.pixels_max, 16_384..=134_217_728),
        workers: fields.count("workers", default.workers, 1..=64),
    };
    fields.finish(&[]);
    pictures
}
