//! Headers that encoders wrote, against what ffprobe says of the same streams.

use super::{avc, hevc};

/// x264, 1920x1080, `colormatrix=bt709:chromaloc=1:ref=4:slices=2`, full range. ffprobe:
/// 1920x1080, yuvj420p, pc, bt709, center.
const AVC_SPS: &str = "67641028acb80f0044fcb80b7020201a500000030010000003032040";
const AVC_PPS: &str = "68ee0f2c8b";
/// The begins of the two slices of its first picture.
const AVC_SLICES: [&str; 2] = [
    "65888427d9674cf87af49169b9360eb33b021cec0cd94db7",
    "65001fe2221012fffee8c9fccb2b2fe3d437b34629b349a7",
];
/// x265, 322x246, Main 10, `colormatrix=bt2020nc`. ffprobe: 322x246 (coded 328x248), yuv420p10le,
/// tv, bt2020nc, left.
const HEVC_SPS: &str = "42010102200000030090000003000003003ca00a480f9c94d96565924caf01\
                        6a04041208000003000800000300c840";
const HEVC_PPS: &str = "4401c172b46240";
const HEVC_SLICE: &str = "2801af1d20bc3ecf5bacc4bc2307d3a9969180467f67d285";

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap())
        .collect()
}

fn avc_record() -> Vec<u8> {
    let (sps, pps) = (bytes(AVC_SPS), bytes(AVC_PPS));
    let mut record = vec![1, sps[1], sps[2], sps[3], 0xff, 0xe1, 0, sps.len() as u8];
    record.extend(&sps);
    record.extend([1, 0, pps.len() as u8]);
    record.extend(&pps);
    record
}

fn hevc_record() -> Vec<u8> {
    let (sps, pps) = (bytes(HEVC_SPS), bytes(HEVC_PPS));
    let mut record = vec![0; 23];
    (record[0], record[21], record[22]) = (1, 3, 2);
    record.extend([33, 0, 1, 0, sps.len() as u8]);
    record.extend(&sps);
    record.extend([34, 0, 1, 0, pps.len() as u8]);
    record.extend(&pps);
    record
}

#[test]
fn h264_of_x264() {
    let sets = avc::Sets::parse(&avc_record()).unwrap();
    let (sps, pps) = sets.of(0).unwrap();
    assert_eq!(
        (sps.size(), sps.chroma_format, sps.depth_luma),
        ((1920, 1080), 1, 8)
    );
    assert_eq!(
        (sps.width_mbs, sps.height_mbs, sps.frames_only),
        (120, 68, true)
    );
    assert!(sps.signal.full_range && !sps.signal.chroma_left());
    assert_eq!(sps.signal.matrix(480), Ok(super::Matrix::Bt709));
    assert!(pps.cabac && pps.transform_8x8 && !pps.constrained_intra);
    let slices = AVC_SLICES.map(|slice| avc::Slice::parse(&bytes(slice), &sets).unwrap());
    assert_eq!(slices.map(|slice| slice.first_mb), [0, 34 * 120]);
    for slice in slices {
        assert!(slice.idr && slice.reference && slice.kind == avc::SliceKind::Intra);
        assert_eq!(slice.frame_num, 0);
    }
}

#[test]
fn h265_of_x265() {
    let sets = hevc::Sets::parse(&hevc_record()).unwrap();
    let (sps, _) = sets.of(0).unwrap();
    assert_eq!((sps.size(), sps.width, sps.height), ((322, 246), 328, 248));
    assert_eq!((sps.profile, sps.chroma_format, sps.depth_luma), (2, 1, 10));
    assert!(!sps.signal.full_range && sps.signal.chroma_left() && !sps.fields);
    assert_eq!(sps.signal.matrix(246), Ok(super::Matrix::Bt2020));
    assert_eq!((sps.block_side, sps.blocks()), (64, 24));
    let segment = hevc::Segment::parse(&bytes(HEVC_SLICE), &sets).unwrap();
    assert!(segment.first && !segment.dependent && segment.address == 0);
}

/// A generator that needs no crate (Knuth, MMIX's constants).
struct Random(u64);

impl Random {
    fn below(&mut self, bound: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % bound
    }
}

/// Whatever becomes of them, records and slices give values within bounds, or an error.
#[test]
fn changed_headers_never_panic() {
    let mut random = Random(5);
    let mut read = [0; 2];
    for _ in 0..60_000 {
        let mut records = [avc_record(), hevc_record()];
        let mut slices = [bytes(AVC_SLICES[0]), bytes(HEVC_SLICE)];
        for bytes in records.iter_mut().chain(&mut slices) {
            for _ in 0..random.below(4) {
                let at = random.below(bytes.len());
                bytes[at] ^= 1 << random.below(8);
            }
            if random.below(8) == 0 {
                bytes.truncate(random.below(bytes.len()));
            }
        }
        if let Ok(sets) = avc::Sets::parse(&records[0]) {
            for (sps, _) in &sets.sps {
                let (width, height) = sps.size();
                assert!((1..=1 << 16).contains(&width) && (1..=1 << 17).contains(&height));
            }
            read[0] += usize::from(avc::Slice::parse(&slices[0], &sets).is_ok());
        }
        if let Ok(sets) = hevc::Sets::parse(&records[1]) {
            for sps in &sets.sps {
                let (width, height) = sps.size();
                assert!((1..=16_888).contains(&width) && (1..=16_888).contains(&height));
            }
            read[1] += usize::from(hevc::Segment::parse(&slices[1], &sets).is_ok());
        }
    }
    assert!(read.iter().all(|read| *read > 1000), "{read:?}");
}
