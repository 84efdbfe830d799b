//! NAL units: taken apart, escaped, and the SEI message that carries a frame's number.
//!
//! ITU-T H.264 is the standard meant by bare clause numbers.

use bytes::Bytes;

/// Type of a coded slice of an IDR picture (table 7-1).
pub(crate) const IDR: u8 = 5;
/// Type of supplemental enhancement information.
pub(crate) const SEI: u8 = 6;
pub(crate) const SPS: u8 = 7;
pub(crate) const PPS: u8 = 8;

/// Payload type `user_data_unregistered` (D.1.7).
const USER_DATA_UNREGISTERED: u8 = 5;

/// Marks the SEI message with number and capture time of its frame.
///
/// Payload (D.1.7): this UUID, frame number (u64, big endian), capture time in nanoseconds since
/// 1970-01-01T00:00:00 UTC (i64, big endian).
pub const FRAME_SEI_UUID: [u8; 16] = [
    0x6f, 0x72, 0x65, 0x62, 0x61, 0x79, 0x4d, 0x1e, 0x9c, 0x41, 0x5a, 0xe3, 0x07, 0xb2, 0xd8, 0x60,
];
/// Marks an SEI message that only fills the bit rate.
const PADDING_SEI_UUID: [u8; 16] = [
    0x6f, 0x72, 0x65, 0x62, 0x61, 0x79, 0x4d, 0x1e, 0x9c, 0x41, 0x5a, 0xe3, 0x07, 0xb2, 0xd8, 0x61,
];

/// The type of a NAL unit, from its first byte; 0 for an empty one.
pub(crate) fn nal_type(nal: &[u8]) -> u8 {
    nal.first().map_or(0, |header| header & 0x1F)
}

/// The NAL units of a byte stream (annex B), without start codes and trailing zeros.
pub(crate) fn split_annex_b(stream: &[u8]) -> Vec<&[u8]> {
    let code = |at: usize| stream.get(at..at + 3) == Some(&[0, 0, 1]);
    let mut starts = (0..stream.len()).filter(|at| code(*at)).peekable();
    let mut nals = Vec::new();
    while let Some(start) = starts.next() {
        let end = starts.peek().copied().unwrap_or(stream.len());
        let nal = stream.get(start + 3..end).unwrap_or_default();
        let zeros = nal.iter().rev().take_while(|byte| **byte == 0).count();
        nals.push(nal.get(..nal.len() - zeros).unwrap_or_default());
    }
    nals
}

/// Appends with emulation prevention: no three bytes look like a start code (7.4.1.1).
fn escape(payload: &[u8], nal: &mut Vec<u8>) {
    let mut zeros = 0;
    for byte in payload {
        if zeros == 2 && *byte <= 3 {
            nal.push(3);
            zeros = 0;
        }
        zeros = if *byte == 0 { zeros + 1 } else { 0 };
        nal.push(*byte);
    }
}

/// Takes emulation prevention bytes out.
fn unescape(nal: &[u8]) -> Vec<u8> {
    let mut raw = Vec::with_capacity(nal.len());
    let mut zeros = 0;
    for byte in nal {
        if zeros >= 2 && *byte == 3 {
            zeros = 0;
            continue;
        }
        zeros = if *byte == 0 { zeros + 1 } else { 0 };
        raw.push(*byte);
    }
    raw
}

fn sei(uuid: [u8; 16], payload: &[u8]) -> Vec<u8> {
    let size = uuid.len() + payload.len();
    let mut body = vec![USER_DATA_UNREGISTERED];
    // A size is written as a run of 255 and a rest (7.3.2.3.1).
    body.resize(1 + size / 255, 255);
    body.push((size % 255) as u8);
    body.extend(uuid);
    body.extend(payload);
    body.push(0x80);
    let mut nal = vec![SEI];
    escape(&body, &mut nal);
    nal
}

/// The SEI unit of one frame.
pub(crate) fn frame_sei(number: u64, capture_ns: i64) -> Bytes {
    let mut payload = number.to_be_bytes().to_vec();
    payload.extend(capture_ns.to_be_bytes());
    sei(FRAME_SEI_UUID, &payload).into()
}

/// An SEI unit of about this many bytes (24 at the least) that says nothing and does not compress.
pub(crate) fn padding_sei(bytes: usize) -> Bytes {
    // No zero among them: nothing to escape, so the size is as asked.
    let noise: Vec<u8> = std::iter::repeat_with(|| fastrand::u8(1..))
        .take(bytes.saturating_sub(20 + bytes / 255))
        .collect();
    sei(PADDING_SEI_UUID, &noise).into()
}

/// Number and capture time in an SEI unit, if it is one of [`frame_sei`].
pub(crate) fn read_frame_sei(nal: &[u8]) -> Option<(u64, i64)> {
    let raw = unescape(nal.get(1..)?);
    let mut rest = raw.as_slice();
    // At least two bytes are a message, less is the trailing bits (7.3.2.3).
    while rest.len() > 2 {
        let kind = read_run(&mut rest)?;
        let size = read_run(&mut rest)?;
        let (message, after) = rest.split_at_checked(size)?;
        rest = after;
        if kind == usize::from(USER_DATA_UNREGISTERED)
            && let Some(data) = message.strip_prefix(&FRAME_SEI_UUID)
        {
            let (number, time) = data.split_first_chunk::<8>()?;
            return Some((
                u64::from_be_bytes(*number),
                i64::from_be_bytes(*time.first_chunk::<8>()?),
            ));
        }
    }
    None
}

fn read_run(bytes: &mut &[u8]) -> Option<usize> {
    let mut sum = 0;
    loop {
        let (byte, rest) = bytes.split_first()?;
        *bytes = rest;
        sum += usize::from(*byte);
        if *byte != 255 {
            return Some(sum);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn escaping_as_the_standard_has_it() {
        // 7.4.1: the four forbidden patterns, and the byte sequence 00 00 03.
        for last in 0..=3 {
            let mut nal = Vec::new();
            escape(&[9, 0, 0, last, 9], &mut nal);
            assert_eq!(nal, [9, 0, 0, 3, last, 9]);
            assert_eq!(unescape(&nal), [9, 0, 0, last, 9]);
        }
        let mut nal = Vec::new();
        escape(&[0; 7], &mut nal);
        assert_eq!(nal, [0, 0, 3, 0, 0, 3, 0, 0, 3, 0]);
        assert_eq!(unescape(&nal), [0; 7]);
    }

    #[test]
    fn frame_seis_read_back() {
        for (number, time) in [
            (0, 0),
            (1, -1),
            (u64::MAX, i64::MIN),
            (0x0000_0100_0003, 1 << 40),
        ] {
            let nal = frame_sei(number, time);
            assert!(
                !nal.windows(3).any(|w| w[..2] == [0, 0] && w[2] < 3),
                "{nal:?}"
            );
            assert_eq!(read_frame_sei(&nal), Some((number, time)));
            for cut in 0..nal.len() - 1 {
                assert_eq!(read_frame_sei(&nal[..cut]), None);
            }
        }
    }

    #[test]
    fn padding_has_its_size() {
        for bytes in [24, 270, 271, 272, 1000, 20_000] {
            let nal = padding_sei(bytes);
            assert!(nal.len().abs_diff(bytes) <= 1, "{} {bytes}", nal.len());
            assert_eq!(read_frame_sei(&nal), None);
        }
    }

    #[test]
    fn byte_streams_come_apart() {
        let stream = [0, 0, 0, 1, 0x67, 1, 2, 0, 0, 1, 0x68, 3, 0, 0, 0, 1, 0x65];
        let nals: [&[u8]; 3] = [&[0x67, 1, 2], &[0x68, 3], &[0x65]];
        assert_eq!(split_annex_b(&stream), nals);
        assert!(split_annex_b(&[0, 0]).is_empty());
    }
}
