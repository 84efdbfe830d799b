//! What the built-in decoder does is what ffmpeg does.

use std::collections::BTreeMap;

use forebay::pictures::{DecodeFault, Decoder, Matrix, Range, Samples};

use crate::clips::{self, Clip};
use crate::{assert_same, decoder, samples};

/// Decodes all key frames, then the whole stream, and compares with ffmpeg; more than eight bits
/// are rounded. Returns how many pictures were compared.
async fn check(name: &str, clip: &Clip, depth: u32) -> usize {
    let mut keys = 0;
    let mut decoder = decoder(None);
    for index in clip.keys() {
        let decoded = decoder
            .decode_key(&clip.units[index])
            .await
            .unwrap_or_else(|fault| {
                panic!("{name}, key frame {index}: {fault}");
            });
        let wanted = eight_bits(&clip.alone(index), depth);
        assert_same(
            &format!("{name}, key frame {index}"),
            samples(&decoded),
            &wanted,
        );
        keys += 1;
    }
    let (shown, missing) = stream(name, &mut decoder, clip).await;
    let wanted = eight_bits(&clip.shown(), depth);
    let mut wanted: Vec<&[u8]> = wanted.chunks_exact(shown[0].len()).collect();
    // A picture may be shown later than it is decoded: compare as sets. None is twice the same.
    assert!(
        missing <= wanted.len() / 4,
        "{name}: {missing} missing of {}",
        wanted.len()
    );
    assert_eq!(wanted.len(), shown.len() + missing, "{name}: pictures");
    for (number, picture) in shown.iter().enumerate() {
        let place = wanted.iter().position(|other| *other == picture.as_slice());
        match place {
            Some(place) => drop(wanted.remove(place)),
            None => {
                let nearest = wanted.get(number).or(wanted.first()).unwrap();
                assert_same(&format!("{name}, picture {number}"), picture, nearest);
            }
        }
    }
    println!("{name}: {keys} key frames, {} pictures", shown.len());
    keys + shown.len()
}

/// All pictures, and how many units gave none (the last ones: nothing came after them).
async fn stream(name: &str, decoder: &mut Decoder, clip: &Clip) -> (Vec<Vec<u8>>, usize) {
    let mut shown = Vec::new();
    for unit in &clip.units {
        match decoder.decode_next(unit).await {
            Ok(Some((decoded, _))) => shown.push(samples(&decoded).to_vec()),
            Ok(None) => {}
            Err(fault) => panic!("{name}, unit {}: {fault}", unit.sequence),
        }
    }
    let missing = clip.units.len() - shown.len();
    (shown, missing)
}

fn eight_bits(bytes: &[u8], depth: u32) -> Vec<u8> {
    if depth == 8 {
        return bytes.to_vec();
    }
    let half = 1_u32 << (depth - 9);
    bytes
        .chunks_exact(2)
        .map(|pair| {
            let word = u32::from(u16::from_le_bytes([pair[0], pair[1]]));
            ((word + half) >> (depth - 8)).min(255) as u8
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn h264_is_exact() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let cases = [
        (
            "High",
            "640x360",
            60,
            "keyint=25:bframes=2:ref=4:8x8dct=1:weightp=2",
            "",
        ),
        (
            "Main",
            "640x360",
            40,
            "keyint=20:bframes=3",
            "-profile:v main",
        ),
        (
            "Baseline",
            "640x360",
            40,
            "keyint=20",
            "-profile:v baseline",
        ),
        (
            "High without CABAC",
            "640x360",
            30,
            "keyint=15:cabac=0:bframes=0",
            "",
        ),
        ("slices", "640x360", 30, "keyint=15:slices=4:bframes=0", ""),
        ("1080p, cropped", "1920x1080", 8, "keyint=4:bframes=0", ""),
        (
            "full range",
            "320x240",
            20,
            "keyint=10:fullrange=on",
            "-color_range pc",
        ),
        (
            "open GOP",
            "640x360",
            60,
            "keyint=20:open-gop=1:bframes=2",
            "",
        ),
        (
            "intra refresh",
            "640x360",
            60,
            "keyint=30:intra-refresh=1:bframes=0",
            "",
        ),
        (
            "no loop filter",
            "320x240",
            20,
            "keyint=10:no-deblock=1",
            "",
        ),
        ("matrices", "320x240", 20, "keyint=10:cqm=jvt", ""),
        (
            "fake interlace",
            "320x240",
            20,
            "keyint=10:fake-interlaced=1",
            "",
        ),
        ("odd size", "322x242", 20, "keyint=10", ""),
    ];
    let mut pictures = 0;
    for (name, size, frames, options, more) in cases {
        pictures += check(name, &clips::h264(size, frames, options, more), 8).await;
    }
    let window = "-bsf:v h264_metadata=crop_left=6:crop_top=10:crop_right=4:crop_bottom=2";
    let clip = clips::h264("320x240", 20, "keyint=10", window);
    pictures += check("cropped on all sides", &clip, 8).await;
    println!("H.264: {pictures} pictures equal");
}

#[tokio::test(flavor = "multi_thread")]
async fn h265_is_exact() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let cases = [
        ("Main", "640x360", 40, "keyint=20:bframes=3", "", 8),
        (
            "Main without B",
            "640x360",
            40,
            "keyint=20:bframes=0:slices=3",
            "",
            8,
        ),
        (
            "Main 10",
            "640x360",
            20,
            "keyint=10",
            "-pix_fmt yuv420p10le",
            10,
        ),
        ("open GOP", "320x240", 60, "keyint=20:open-gop=1", "", 8),
        ("odd size", "322x246", 20, "keyint=10", "", 8),
        (
            "full range",
            "320x240",
            20,
            "keyint=10:range=full",
            "-color_range pc",
            8,
        ),
        ("1080p", "1920x1080", 4, "keyint=2:bframes=0", "", 8),
        // Key frames alone are of another profile.
        ("Main Intra", "640x360", 6, "keyint=1", "", 8),
        ("Main Intra, odd size", "322x246", 4, "keyint=1", "", 8),
        (
            "Main Intra, slices",
            "640x360",
            4,
            "keyint=1:slices=3",
            "",
            8,
        ),
        (
            "Main Intra, smaller blocks",
            "640x360",
            4,
            "keyint=1:ctu=32:min-cu-size=16:aq-mode=3",
            "",
            8,
        ),
        (
            "Main Intra, lossless",
            "320x240",
            4,
            "keyint=1:lossless=1",
            "",
            8,
        ),
        (
            "Main Intra, unlike x265 by default",
            "640x360",
            4,
            "keyint=1:tskip=1:scaling-list=default:constrained-intra=1:no-signhide=1",
            "",
            8,
        ),
        (
            "Main Intra, full range",
            "320x240",
            4,
            "keyint=1:range=full",
            "-color_range pc",
            8,
        ),
        ("Main Intra, 1080p", "1920x1080", 4, "keyint=1", "", 8),
        (
            "Main 10 Intra",
            "322x246",
            4,
            "keyint=1",
            "-pix_fmt yuv420p10le",
            10,
        ),
    ];
    let mut pictures = 0;
    for (name, size, frames, options, more, depth) in cases {
        let name = format!("H.265 {name}");
        pictures += check(&name, &clips::h265(size, frames, options, more), depth).await;
    }
    let window = "-bsf:v hevc_metadata=crop_left=6:crop_top=10:crop_right=4:crop_bottom=2";
    let clip = clips::h265("320x240", 20, "keyint=5", window);
    pictures += check("H.265 cropped on all sides", &clip, 8).await;
    println!("H.265: {pictures} pictures equal");
}

/// What the encoder says of its own pictures: in blocks of 16, some versions of ffmpeg are off by a
/// few samples of chroma.
#[tokio::test(flavor = "multi_thread")]
async fn h265_is_what_the_encoder_saw() {
    if clips::ffmpeg().is_none() {
        return;
    }
    for options in [
        "keyint=1:ctu=16:crf=20",
        "keyint=1:ctu=16:crf=24:slices=2",
        "keyint=1:ctu=64",
        "keyint=4:ctu=16:crf=20:bframes=2",
    ] {
        let clip = clips::h265("640x360", 12, &format!("{options}:hash=3"), "");
        let told: BTreeMap<u64, [u32; 3]> = clip
            .units
            .iter()
            .map(|unit| (unit.sequence, told_checksums(&unit.payload)))
            .collect();
        let mut decoder = decoder(None);
        let mut shown = 0;
        for unit in &clip.units {
            let Some((decoded, number)) = decoder.decode_next(unit).await.unwrap() else {
                continue;
            };
            assert_eq!(
                checksums(samples(&decoded), 640, 360),
                told[&number],
                "{options}, unit {number}"
            );
            shown += 1;
        }
        assert!(shown > 8, "{options}: {shown}");
        let first = decoder.decode_key(&clip.units[0]).await.unwrap();
        assert_eq!(checksums(samples(&first), 640, 360), told[&0], "{options}");
    }
}

/// A decoded picture hash of the third kind (H.265, D.2.19).
fn told_checksums(payload: &[u8]) -> [u32; 3] {
    let nals = clips::nals_of(payload);
    let message = nals.iter().find_map(|nal| match nal {
        [80, 1, message @ ..] => Some(message),
        _ => None,
    });
    let mut plain = Vec::new();
    for byte in message.expect("a message behind the picture") {
        if !(*byte == 3 && plain.ends_with(&[0, 0])) {
            plain.push(*byte);
        }
    }
    let [132, 13, 2, sums @ ..] = plain.as_slice() else {
        panic!("another message: {plain:?}")
    };
    [0, 4, 8].map(|at| u32::from_be_bytes(sums[at..at + 4].try_into().unwrap()))
}

/// H.265, D.3.19, of eight bits.
fn checksums(samples: &[u8], width: usize, height: usize) -> [u32; 3] {
    let (luma, chroma) = samples.split_at(width * height);
    let (cb, cr) = chroma.split_at(chroma.len() / 2);
    [(luma, width), (cb, width / 2), (cr, width / 2)].map(|(plane, width)| {
        let mut sum = 0_u32;
        for (at, sample) in plane.iter().enumerate() {
            let (x, y) = (at % width, at / width);
            let mask = (x & 0xff) ^ (y & 0xff) ^ (x >> 8) ^ (y >> 8);
            sum = sum.wrapping_add(u32::from(*sample) ^ mask as u32);
        }
        sum
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn real_clips_are_exact() {
    if clips::ffmpeg().is_none() {
        return;
    }
    for name in ["bikes.mp4", "carphone_pristine.mp4"] {
        if let Some(file) = clips::real(name) {
            check(name, &clips::copied(&file), 8).await;
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_change_of_size_is_a_new_track() {
    if clips::ffmpeg().is_none() {
        return;
    }
    let small = clips::h264("320x240", 6, "keyint=3:bframes=0", "");
    let large = clips::h265("640x360", 6, "keyint=3:bframes=0", "");
    let mut decoder = decoder(None);
    for (clip, size) in [
        (&small, (320, 240)),
        (&large, (640, 360)),
        (&small, (320, 240)),
    ] {
        let mut pictures = 0;
        for unit in &clip.units {
            if let Some((decoded, _)) = decoder.decode_next(unit).await.unwrap() {
                assert_eq!((decoded.width, decoded.height), size);
                pictures += 1;
            }
        }
        assert!(pictures >= 5, "{size:?}: {pictures}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_samples_mean_is_told() {
    if clips::ffmpeg().is_none() {
        return;
    }
    // x264 names the matrices after FFmpeg's and the standards' own words.
    let cases = [
        ("320x240", "", Range::Limited, Matrix::Bt601, true),
        ("1280x720", "", Range::Limited, Matrix::Bt709, true),
        (
            "320x240",
            ":colormatrix=bt709:chromaloc=1",
            Range::Full,
            Matrix::Bt709,
            false,
        ),
        (
            "1280x720",
            ":colormatrix=smpte170m",
            Range::Limited,
            Matrix::Bt601,
            true,
        ),
        (
            "320x240",
            ":colormatrix=bt2020nc:chromaloc=2",
            Range::Limited,
            Matrix::Bt2020,
            true,
        ),
    ];
    for (size, options, range, matrix, left) in cases {
        let more = if range == Range::Full {
            "-color_range pc"
        } else {
            ""
        };
        let clip = clips::h264(size, 1, &format!("keyint=1{options}"), more);
        let decoded = decoder(None).decode_key(&clip.units[0]).await.unwrap();
        let Samples::Yuv420 { chroma_left, .. } = decoded.samples else {
            panic!("gray")
        };
        let got = (decoded.range, decoded.matrix, chroma_left);
        assert_eq!(got, (range, matrix, left), "{size}{options}");
    }
}

/// Two decoders of JPEG may differ: the inverse transform is bound in exactness, not in bits.
#[tokio::test(flavor = "multi_thread")]
async fn jpeg_is_near() {
    if clips::ffmpeg().is_none() {
        return;
    }
    for format in ["yuvj420p", "yuvj422p", "yuvj444p"] {
        let clip = clips::jpeg("642x362", format);
        let wanted = clip.shown();
        let decoded = decoder(None).decode_key(&clip.units[0]).await.unwrap();
        assert_eq!((decoded.width, decoded.height), (642, 362), "{format}");
        assert_eq!(
            (decoded.range, decoded.matrix),
            (Range::Full, Matrix::Bt601)
        );
        let luma = 642 * 362;
        let got = samples(&decoded);
        let most = |one: &[u8], other: &[u8]| {
            assert_eq!(one.len(), other.len(), "{format}");
            let differences = one.iter().zip(other).map(|(a, b)| a.abs_diff(*b));
            differences.max().unwrap_or(0)
        };
        let luma_most = most(&got[..luma], &wanted[..luma]);
        let chroma = halved(&wanted[luma..], format);
        let chroma_most = most(&got[luma..], &chroma);
        println!("JPEG {format}: luma differs by {luma_most}, chroma by {chroma_most} at the most");
        assert!(luma_most <= 2 && chroma_most <= 2, "{format}");
    }
}

/// Luma alone, beside two other decoders.
#[tokio::test(flavor = "multi_thread")]
async fn gray_jpeg_is_near() {
    if clips::ffmpeg().is_none() {
        return;
    }
    for (size, options, factors) in [
        ((321, 243), "quality=90", 0x11),
        ((640, 360), "quality=35, progressive=True", 0x11),
        ((640, 360), "quality=80, optimize=True", 0x11),
        ((322, 242), "quality=80, restart_marker_blocks=7", 0x11),
        ((321, 243), "quality=80", 0x22),
        ((328, 248), "quality=80", 0x21),
    ] {
        let Some((clip, by_pillow)) = clips::gray_jpeg(size, options, factors) else {
            return;
        };
        let name = format!("{size:?}, {options}, {factors:#x}");
        let decoded = decoder(None).decode_key(&clip.units[0]).await.unwrap();
        let (width, height) = (decoded.width as usize, decoded.height as usize);
        assert_eq!((width, height), size, "{name}");
        assert_eq!(decoded.range, Range::Full, "{name}");
        let Samples::Gray(luma) = &decoded.samples else {
            panic!("{name}: chroma out of nothing")
        };
        let by_ffmpeg = clips::decoded(clip.codec, &clip.file, &["-pix_fmt", "gray"]);
        for (who, other) in [("Pillow", &by_pillow), ("ffmpeg", &by_ffmpeg)] {
            assert_eq!(luma.len(), other.len(), "{name}, {who}");
            let differences = luma.iter().zip(other).map(|(a, b)| a.abs_diff(*b));
            let most = differences.max().unwrap();
            println!("gray JPEG {name}: at most {most} from {who}");
            assert!(most <= 1, "{name}: {most} from {who}");
        }
        // Cut off, with an end put behind it.
        let whole = &clip.units[0].payload;
        for cut in [3, 60, whole.len() / 3] {
            let mut payload = whole[..whole.len() - cut].to_vec();
            payload.extend([0xff, 0xd9]);
            let unit = clips::unit(&clip.units[0].track, 1, payload.into(), true);
            match decoder(None).decode_key(&unit).await {
                Err(DecodeFault::Damaged(_)) => {}
                Ok(same) if same == decoded && cut == 3 => {}
                other => panic!("{name}, {cut} bytes less: {other:?}"),
            }
        }
    }
}

/// Chroma planes of 642x362 in JPEG's formats as the mean of what 4:2:0 has one sample for.
fn halved(chroma: &[u8], format: &str) -> Vec<u8> {
    let (columns, rows) = match format {
        "yuvj422p" => (1, 2),
        "yuvj444p" => (2, 2),
        _ => return chroma.to_vec(),
    };
    let (width, height) = (321 * columns, 181 * rows);
    let mut planes = Vec::new();
    for plane in chroma.chunks_exact(width * height) {
        for (y, x) in (0..181).flat_map(|y| (0..321).map(move |x| (y, x))) {
            let places = (0..rows).flat_map(|dy| (0..columns).map(move |dx| (dy, dx)));
            let sum: usize = places
                .map(|(dy, dx)| usize::from(plane[(y * rows + dy) * width + x * columns + dx]))
                .sum();
            planes.push(((sum + rows * columns / 2) / (rows * columns)) as u8);
        }
    }
    planes
}
