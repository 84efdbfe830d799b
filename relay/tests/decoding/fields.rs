//! Interlaced pictures whose fields are coded apart. No encoder at hand makes them of H.264, so the
//! streams are written here: of macroblocks that hold their samples as they are (I_PCM), so that
//! what must come out is known. ffmpeg is asked whether they are what they should be.

use forebay::hold::Codec;
use forebay::pictures::DecodeFault;

use crate::clips::{self, Clip};
use crate::{assert_same, decoder};

/// Both sides of a frame.
const SIDE: usize = 64;

/// Bits of a raw byte sequence payload (H.264, 7.2).
#[derive(Default)]
struct Writer {
    bytes: Vec<u8>,
    bits: usize,
}

impl Writer {
    fn put(&mut self, value: u32, count: u32) {
        for bit in (0..count).rev() {
            if self.bits.is_multiple_of(8) {
                self.bytes.push(0);
            }
            *self.bytes.last_mut().unwrap() |= ((value >> bit & 1) as u8) << (7 - self.bits % 8);
            self.bits += 1;
        }
    }

    /// ue(v), once for each value.
    fn codes(&mut self, values: &[u32]) {
        for value in values {
            let length = 32 - (value + 1).leading_zeros();
            self.put(0, length - 1);
            self.put(value + 1, length);
        }
    }

    fn align(&mut self) {
        self.bits = 8 * self.bytes.len();
    }

    /// The NAL unit, with its stop bit and emulation prevention.
    fn nal(mut self, head: u8) -> Vec<u8> {
        self.put(1, 1);
        let mut nal = vec![0, 0, 0, 1, head];
        let mut zeros = 0;
        for byte in self.bytes {
            if zeros == 2 && byte <= 3 {
                nal.push(3);
                zeros = 0;
            }
            zeros = if byte == 0 { zeros + 1 } else { 0 };
            nal.push(byte);
        }
        nal
    }
}

/// Planes of a frame.
struct Frame {
    gray: bool,
    planes: Vec<Vec<u8>>,
}

impl Frame {
    fn new(gray: bool) -> Self {
        let mut random = fastrand::Rng::with_seed(31);
        let sides = if gray {
            vec![SIDE]
        } else {
            vec![SIDE, SIDE / 2, SIDE / 2]
        };
        let plane = |side: usize| (0..side * side).map(|_| random.u8(1..)).collect();
        Self {
            gray,
            planes: sides.into_iter().map(plane).collect(),
        }
    }

    /// The parameter sets. `pairs`: frames may consist of macroblock pairs.
    fn sets(&self, pairs: bool) -> Vec<u8> {
        let mut sps = Writer::default();
        // profile_idc High or Main, no constraints, level 3.
        sps.put(if self.gray { 100 } else { 77 }, 8);
        sps.put(30, 16);
        sps.codes(&[0]);
        if self.gray {
            // Monochrome, eight bits, no bypass, no matrices.
            sps.codes(&[0, 0, 0]);
            sps.put(0, 2);
        }
        // Numbers of four bits, order counts of four, one reference, no gaps.
        sps.codes(&[0, 0, 0, 1]);
        sps.put(0, 1);
        sps.codes(&[SIDE as u32 / 16 - 1, SIDE as u32 / 32 - 1]);
        // Not frames only; pairs; direct_8x8_inference_flag; no cropping, nothing on usability.
        sps.put(0, 1);
        sps.put(u32::from(pairs), 1);
        sps.put(0b100, 3);
        let mut pps = Writer::default();
        pps.codes(&[0, 0]);
        pps.put(0, 2); // CAVLC, no order of the bottom field
        pps.codes(&[0, 0, 0]);
        pps.put(0, 3); // no weights
        pps.codes(&[0, 0, 0]);
        pps.put(0b100, 3); // slices say what the loop filter does
        [sps.nal(0x67), pps.nal(0x68)].concat()
    }

    /// One slice with one field; the first one of a key frame is an IDR picture.
    fn field(&self, bottom: bool) -> Vec<u8> {
        let mut slice = Writer::default();
        slice.codes(&[0, 7, 0]); // from the first macroblock on, intra
        slice.put(0, 4);
        slice.put(0b10 | u32::from(bottom), 2); // a field, which
        if !bottom {
            slice.codes(&[0]); // idr_pic_id
        }
        slice.put(u32::from(bottom), 4); // order
        slice.put(0, if bottom { 1 } else { 2 }); // references are marked as always
        slice.codes(&[0, 1]); // quantiser, no loop filter
        for row in 0..SIDE / 32 {
            for column in 0..SIDE / 16 {
                slice.codes(&[25]); // I_PCM
                slice.align();
                for (number, plane) in self.planes.iter().enumerate() {
                    let block = if number == 0 { 16 } else { 8 };
                    let side = if number == 0 { SIDE } else { SIDE / 2 };
                    for y in row * block..(row + 1) * block {
                        let begin = (2 * y + usize::from(bottom)) * side + column * block;
                        for sample in &plane[begin..begin + block] {
                            slice.put(u32::from(*sample), 8);
                        }
                    }
                }
            }
        }
        slice.nal(if bottom { 0x61 } else { 0x65 })
    }
}

/// A delimiter begins a unit.
const DELIMITER: [u8; 6] = [0, 0, 0, 1, 9, 0x10];

async fn refused(clip: &Clip, ffmpeg: Option<std::path::PathBuf>, word: &str) {
    let mut decoder = decoder(ffmpeg);
    let unit = &clip.units[0];
    for _ in 0..2 {
        match decoder.decode_key(unit).await {
            Err(DecodeFault::Refused(text) | DecodeFault::Unsupported(text)) => {
                assert!(text.contains(word), "{text}");
                assert!(text.contains("choose another format"), "{text}");
            }
            other => panic!("{other:?}"),
        }
    }
    match decoder.decode_next(unit).await {
        Err(DecodeFault::Refused(text) | DecodeFault::Unsupported(text)) => {
            assert!(text.contains(word), "{text}");
        }
        other => panic!("{other:?}"),
    }
}

/// By the first decoder, and by the second one where the first has another reason to refuse the
/// stream.
#[tokio::test(flavor = "multi_thread")]
async fn fields_apart_are_refused_by_name() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    for (gray, pairs) in [(false, false), (false, true), (true, false), (true, true)] {
        let frame = Frame::new(gray);
        let (sets, top, bottom) = (frame.sets(pairs), frame.field(false), frame.field(true));
        let together = [&DELIMITER[..], &sets, &top, &bottom].concat();
        let apart = [&DELIMITER[..], &sets, &top, &DELIMITER, &bottom].concat();
        for (stream, units) in [(together, 1), (apart, 2)] {
            let clip = clips::made(Codec::H264, &stream);
            assert_eq!(clip.units.len(), units);
            // Of gray it may make gray chroma, too.
            let (by_ffmpeg, wanted) = (clip.shown(), frame.planes.concat());
            let by_ffmpeg = &by_ffmpeg[..wanted.len()];
            assert_same("the fields by ffmpeg", by_ffmpeg, &wanted);
            refused(&clip, Some(ffmpeg.clone()), "fields apart").await;
            if !gray && !pairs {
                refused(&clip, None, "fields apart").await;
            }
        }
    }
}

/// x265 codes fields as pictures of their own.
#[tokio::test(flavor = "multi_thread")]
async fn fields_of_h265_are_refused_by_name() {
    let Some(ffmpeg) = clips::ffmpeg() else {
        return;
    };
    for format in ["yuv420p", "yuv422p", "gray"] {
        let more = format!("-pix_fmt {format}");
        let clip = clips::h265("320x240", 2, "keyint=2:bframes=0:interlace=tff", &more);
        refused(&clip, Some(ffmpeg.clone()), "fields apart").await;
    }
}
