//! For readers of recordings: which frame of which instant an access unit is, and whether it is
//! byte for byte what the camera sent.

use crate::h264::{self, PPS, SPS};

/// Number and capture time (nanoseconds since 1970 UTC) of an access unit in the byte stream
/// format (ITU-T H.264 annex B). `None` if a simulated camera's SEI message is not in it.
#[must_use]
pub fn from_annex_b(unit: &[u8]) -> Option<(u64, i64)> {
    find(h264::split_annex_b(unit).into_iter())
}

/// The same for an access unit whose NAL units stand behind their lengths in four bytes
/// (ISO/IEC 14496-15). Reading ends at a length that leaves the unit.
#[must_use]
pub fn from_length_prefixed(unit: &[u8]) -> Option<(u64, i64)> {
    find(length_prefixed(unit))
}

fn find<'a>(nals: impl Iterator<Item = &'a [u8]>) -> Option<(u64, i64)> {
    nals.filter(|nal| h264::nal_type(nal) == h264::SEI)
        .find_map(h264::read_frame_sei)
}

fn length_prefixed(unit: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut rest = unit;
    std::iter::from_fn(move || {
        let (length, after) = rest.split_first_chunk::<4>()?;
        let (nal, after) = after.split_at_checked(u32::from_be_bytes(*length) as usize)?;
        rest = after;
        Some(nal)
    })
}

/// A number that differs, but for chance, where two access units differ: to compare what was
/// recorded with [`SentFrame::fingerprint`](crate::SentFrame). Parameter sets are left out, since
/// recordings keep them elsewhere.
#[must_use]
pub fn fingerprint_length_prefixed(unit: &[u8]) -> u64 {
    fingerprint(length_prefixed(unit))
}

/// The same for a byte stream.
#[must_use]
pub fn fingerprint_annex_b(unit: &[u8]) -> u64 {
    fingerprint(h264::split_annex_b(unit).into_iter())
}

pub(crate) fn fingerprint<'a>(nals: impl Iterator<Item = &'a [u8]>) -> u64 {
    // The multiply-xor scheme of FNV-1a over words, not bytes: eight times as fast.
    const PRIME: u64 = 0x0000_0100_0000_01B3;
    let step = |sum: u64, word: u64| (sum ^ word).wrapping_mul(PRIME).rotate_left(23);
    nals.filter(|nal| ![SPS, PPS].contains(&h264::nal_type(nal)))
        .fold(0xCBF2_9CE4_8422_2325, |sum, nal| {
            let (words, rest) = nal.as_chunks::<8>();
            let sum = words
                .iter()
                .fold(sum, |sum, word| step(sum, u64::from_le_bytes(*word)));
            let sum = rest
                .iter()
                .fold(sum, |sum, byte| step(sum, u64::from(*byte)));
            step(sum, nal.len() as u64)
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_formats_say_the_same() {
        let nals = [
            &[0x67, 1, 2][..],
            &h264::frame_sei(77, -5),
            &[0x65, 9, 9, 9],
        ];
        let (mut stream, mut prefixed) = (Vec::new(), Vec::new());
        for nal in nals {
            stream.extend([0, 0, 0, 1]);
            stream.extend(nal);
            prefixed.extend((nal.len() as u32).to_be_bytes());
            prefixed.extend(nal);
        }
        assert_eq!(from_annex_b(&stream), Some((77, -5)));
        assert_eq!(from_length_prefixed(&prefixed), Some((77, -5)));
        let sum = fingerprint_annex_b(&stream);
        assert_eq!(fingerprint_length_prefixed(&prefixed), sum);
        assert_eq!(fingerprint(nals[1..].iter().copied()), sum);
        *stream.last_mut().unwrap() ^= 1;
        assert_ne!(fingerprint_annex_b(&stream), sum);
    }

    #[test]
    fn damaged_units_have_no_number() {
        for unit in [
            &[][..],
            &[0, 0, 0, 9, 6, 5],
            &[0xFF; 40],
            &[0, 0, 0, 1, 6, 5, 255, 255],
        ] {
            assert_eq!(from_length_prefixed(unit), None);
            assert_eq!(from_annex_b(unit), None);
        }
    }
}
