//! Payloads as the hold has them: NAL units behind four bytes of length, without parameter sets.

use bytes::{BufMut, Bytes, BytesMut};

use crate::hold::Codec;

/// Brings a sample into the form that `wit/media.wit` lays down; none for one whose lengths don't
/// fit it.
pub(super) fn normal(codec: Codec, length_size: usize, sample: Bytes) -> Option<Bytes> {
    if length_size == 0 {
        return Some(sample);
    }
    let mut as_is = length_size == 4;
    for unit in units(&sample, length_size) {
        as_is &= !is_parameters(codec, unit?);
    }
    if as_is {
        return Some(sample);
    }
    let mut normal = BytesMut::with_capacity(sample.len() + 64);
    for unit in units(&sample, length_size).flatten() {
        if !is_parameters(codec, unit) {
            normal.put_u32(u32::try_from(unit.len()).ok()?);
            normal.put_slice(unit);
        }
    }
    Some(normal.freeze())
}

/// The NAL units of a sample; a none at the end where they don't fill it.
fn units(mut bytes: &[u8], length_size: usize) -> impl Iterator<Item = Option<&[u8]>> {
    std::iter::from_fn(move || {
        if bytes.is_empty() {
            return None;
        }
        let unit = bytes
            .split_at_checked(length_size)
            .and_then(|(length, rest)| {
                let length = length
                    .iter()
                    .fold(0, |sum, byte| sum << 8 | usize::from(*byte));
                rest.split_at_checked(length)
            });
        bytes = unit.map_or(&[], |(_, rest)| rest);
        Some(unit.map(|(unit, _)| unit))
    })
}

/// H.264 table 7-1: 7 and 8. H.265 table 7-1: 32 to 34.
fn is_parameters(codec: Codec, unit: &[u8]) -> bool {
    match (codec, unit.first()) {
        (Codec::H264, Some(byte)) => matches!(byte & 0x1f, 7 | 8),
        (Codec::H265, Some(byte)) => matches!(byte >> 1 & 0x3f, 32..=34),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameter_sets_go_and_lengths_grow() {
        // Lengths of two bytes: an SPS, a slice.
        let sample = Bytes::from_static(&[0, 2, 0x67, 1, 0, 3, 0x65, 2, 3]);
        let normal = normal(Codec::H264, 2, sample).unwrap();
        assert_eq!(&normal[..], [0, 0, 0, 3, 0x65, 2, 3]);
    }

    #[test]
    fn what_is_normal_stays_and_what_is_cut_is_none() {
        let sample = Bytes::from_static(&[0, 0, 0, 2, 0x65, 1]);
        let same = normal(Codec::H264, 4, sample.clone()).unwrap();
        assert_eq!(same.as_ptr(), sample.as_ptr());
        assert_eq!(normal(Codec::H264, 4, sample.slice(..5)), None);
        assert_eq!(normal(Codec::H264, 4, sample.slice(..3)), None);
        assert_eq!(
            normal(Codec::Jpeg, 0, sample.slice(..3)),
            Some(sample.slice(..3))
        );
    }
}
