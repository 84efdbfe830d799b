//! `[scrub]`.

use super::fields::Fields;
use super::model::Scrub;
use super::quantity::ByteCount;

/// Reads how the archive is read again.
pub(super) fn read_scrub(mut fields: Fields<'_, '_>) -> Scrub {
    let default = Scrub::default();
    let scrub = Scrub {
        enabled: fields.flag("enabled", default.enabled),
        first_after: fields.seconds(
            "first_after_seconds",
            default.first_after.as_secs_f64(),
            1.0..=86_400.0,
        ),
        bytes_per_second: fields.bytes(
            "bytes_per_second",
            default.bytes_per_second,
            ByteCount::new(1000)..=ByteCount::gib(10),
        ),
        quarantine: fields.flag("quarantine", default.quarantine),
    };
    fields.finish(&[]);
    scrub
}
