//! `[carry]`.

use super::fields::Fields;
use super::model::{Carry, WhenFull};
use super::quantity::ByteCount;

/// Reads how finished files come from the spool to the archive.
pub(super) fn read_carry(mut fields: Fields<'_, '_>) -> Carry {
    let (size_min, size_max) = (ByteCount::mib(1), ByteCount::gib(1 << 20));
    let (rate_min, rate_max) = (ByteCount::new(1000), ByteCount::gib(10));
    let carry = Carry {
        waiting_max: fields.optional_bytes("waiting_max", ByteCount::gib(200), size_min..=size_max),
        when_full: fields.choice(
            "when_full",
            ("stop", WhenFull::Stop),
            &[("drop-oldest", WhenFull::DropOldest)],
        ),
        bytes_per_second: fields.optional_bytes(
            "bytes_per_second",
            ByteCount::new(5_000_000),
            rate_min..=rate_max,
        ),
    };
    fields.finish(&[
        ("max", "Did you mean waiting_max?"),
        ("rate", "Did you mean bytes_per_second?"),
    ]);
    carry
}
