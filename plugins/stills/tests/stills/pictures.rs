//! The files, read by Pillow, and the measures, beside OpenCV's.

use forebay_stills::exif::{Position, Tags, tiff};
use forebay_stills::jpeg::encode;
use forebay_stills::measure::{laplacian_variance, mean_luma, sharpness_score};
use forebay_stills::still::{Origin, file, findings, span_text};

use crate::support::{Dir, Picture, SECOND, at, origin, python, script};

/// Decodes a JPEG without converting its colours and compares it with the planes it is of; chroma
/// is doubled by the decoder, so the mean of four samples stands against one of ours.
const COMPARE: &str = r#"
import json, sys
import numpy as np
from PIL import Image
path, raw = sys.argv[1:3]
width, height = map(int, sys.argv[3:5])
image = Image.open(path)
image.draft("YCbCr", None)
image.load()
y, cb, cr = (np.asarray(p, dtype=float) for p in image.split())
data = np.fromfile(raw, dtype=np.uint8).astype(float)
w2, h2 = (width + 1) // 2, (height + 1) // 2
n, m = width * height, w2 * h2
planes = [data[:n].reshape(height, width), data[n:n+m].reshape(h2, w2), data[n+m:].reshape(h2, w2)]
def halved(p):
    p = np.pad(p, ((0, height % 2), (0, width % 2)), mode="edge")
    return (p[::2, ::2] + p[1::2, ::2] + p[::2, 1::2] + p[1::2, 1::2]) / 4
def psnr(a, b):
    mse = float(np.mean((a - b) ** 2))
    return 99.0 if mse == 0 else 10 * float(np.log10(255.0 ** 2 / mse))
decoded = [y, halved(cb), halved(cr)]
rgb = Image.open(path).convert("RGB")
print(json.dumps({
    "size": image.size, "mode": Image.open(path).mode, "layers": Image.open(path).layer,
    "psnr": [psnr(a, b) for a, b in zip(decoded, planes)],
    "middle": rgb.getpixel((width // 2, height // 2)),
}))
"#;

const EXIF: &str = r#"
import json, sys
from PIL import Image, ExifTags
image = Image.open(sys.argv[1])
image.load()
exif = image.getexif()
def plain(v):
    if isinstance(v, bytes): return v.decode("latin-1")
    if isinstance(v, tuple): return [plain(x) for x in v]
    if isinstance(v, (int, str)): return v
    return float(v)
out = {ExifTags.TAGS[k]: plain(v) for k, v in exif.items()}
out.update({ExifTags.TAGS[k]: plain(v) for k, v in exif.get_ifd(0x8769).items()})
out.update({ExifTags.GPSTAGS[k]: plain(v) for k, v in exif.get_ifd(0x8825).items()})
print(json.dumps(out))
"#;

fn compare(python: &str, dir: &Dir, picture: &Picture, quality: u8) -> (serde_json::Value, usize) {
    let jpeg = encode(&picture.frame(0, None), quality, &[]).unwrap();
    let path = dir.file("still.jpg", &jpeg);
    let raw = dir.file("still.yuv", &picture.planes.concat());
    let size = [picture.width, picture.height].map(|n| n.to_string());
    let seen = script(python, COMPARE, &[&path, &raw, &size[0], &size[1]]);
    assert_eq!(
        seen["size"],
        serde_json::json!([picture.width, picture.height])
    );
    (seen, jpeg.len())
}

#[test]
fn pillow_decodes_what_was_encoded() {
    let Some(python) = python("PIL, numpy") else {
        return;
    };
    let dir = Dir::new("psnr");
    // Odd sides, sides that fill no block, and one that is smaller than a block.
    for (width, height) in [(640, 360), (333, 251), (5, 3), (1, 1)] {
        let picture = Picture::scene(width, height);
        let mut bytes_before = 0;
        let mut luma_before = 0.0;
        for (quality, bound) in [(30, 28.0), (60, 30.0), (90, 36.0), (100, 45.0)] {
            let (seen, bytes) = compare(&python, &dir, &picture, quality);
            let psnr: Vec<f64> = serde_json::from_value(seen["psnr"].clone()).unwrap();
            println!("{width}x{height} q{quality}: {bytes} bytes, PSNR {psnr:.1?} dB");
            // Of 4:2:0, luma first.
            let layers = &seen["layers"];
            assert_eq!((&layers[0][1], &layers[0][2]), (&2.into(), &2.into()));
            assert_eq!((&layers[1][1], &layers[1][2]), (&1.into(), &1.into()));
            // A picture of a few samples has no average to speak of.
            if width > 100 {
                assert!(psnr.iter().all(|psnr| *psnr > bound), "{quality}: {psnr:?}");
                assert!(bytes > bytes_before && psnr[0] > luma_before);
            }
            (bytes_before, luma_before) = (bytes, psnr[0]);
        }
    }
}

/// Red, green, blue of ITU-R BT.601 in full range, as in JFIF (ISO/IEC 10918-5, section 7).
#[test]
fn colours_are_those_of_jfif() {
    let Some(python) = python("PIL, numpy") else {
        return;
    };
    let dir = Dir::new("colour");
    for (ycc, rgb) in [
        ([76, 85, 255], [255, 0, 0]),
        ([150, 44, 21], [0, 255, 0]),
        ([29, 255, 107], [0, 0, 255]),
        ([0, 128, 128], [0, 0, 0]),
        ([255, 128, 128], [255, 255, 255]),
    ] {
        let (seen, _) = compare(&python, &dir, &Picture::plain(64, 48, ycc), 100);
        let middle: Vec<i32> = serde_json::from_value(seen["middle"].clone()).unwrap();
        let near = middle
            .iter()
            .zip(rgb)
            .all(|(a, b): (&i32, i32)| (a - b).abs() <= 3);
        assert!(near, "{ycc:?}: {middle:?} for {rgb:?}");
    }
}

#[test]
fn pillow_reads_the_exif() {
    let Some(python) = python("PIL") else { return };
    let dir = Dir::new("exif");
    let picture = Picture::scene(640, 360);
    let wanted = at("2026-10-25T02:30:00+01:00");
    let mut frame = picture.frame(wanted + 1_234_000_000, Some(wanted));
    frame.uncertainty_nanos = 15_000_000;
    let there = Origin {
        site: "Båtverft \"Sør\"".into(),
        position: Some(Position {
            latitude_degrees: -33.856_789,
            longitude_degrees: -151.2153,
        }),
        ..origin("Europe/Oslo")
    };
    let path = dir.file("still.jpg", &file(&frame, wanted, &there, 90).unwrap());
    let seen = script(&python, EXIF, &[&path]);
    println!("{seen:#}");
    let software = concat!("Forebay ", env!("CARGO_PKG_VERSION"));
    for (tag, text) in [
        // The second half past two of that night.
        ("DateTimeOriginal", "2026:10:25 02:30:01"),
        ("DateTimeDigitized", "2026:10:25 02:30:01"),
        ("DateTime", "2026:10:25 02:30:01"),
        ("OffsetTimeOriginal", "+01:00"),
        ("OffsetTime", "+01:00"),
        ("SubsecTimeOriginal", "234"),
        ("ImageDescription", "slipway, B?tverft \"S?r\""),
        ("Software", software),
        ("ExifVersion", "0232"),
        ("GPSLatitudeRef", "S"),
        ("GPSLongitudeRef", "W"),
    ] {
        assert_eq!(seen[tag], text, "{tag}");
    }
    assert_eq!(
        (&seen["ExifImageWidth"], &seen["ExifImageHeight"]),
        (&640.into(), &360.into())
    );
    for (tag, degrees) in [("GPSLatitude", 33.856_789), ("GPSLongitude", 151.2153)] {
        let parts: Vec<f64> = serde_json::from_value(seen[tag].clone()).unwrap();
        let read = parts[0] + parts[1] / 60.0 + parts[2] / 3600.0;
        assert!((read - degrees).abs() < 2e-7, "{tag}: {parts:?}");
    }
    let comment = seen["UserComment"].as_str().unwrap();
    let comment: serde_json::Value =
        serde_json::from_str(comment.strip_prefix("ASCII\0\0\0").unwrap()).unwrap();
    let expected = serde_json::json!({
        "camera": "slipway",
        "site": "Båtverft \"Sør\"",
        "captured": "2026-10-25T01:30:01.234Z",
        "uncertainty_seconds": 0.015,
        "wanted": "2026-10-25T01:30:00Z",
    });
    assert_eq!(comment, expected);
}

/// All offsets lie in the structure, are even, and overlap nothing, for texts of any length.
#[test]
fn exif_is_a_sound_tiff() {
    for length in 0..70 {
        let text = "x".repeat(length);
        let position = (length % 2 == 0).then_some(Position {
            latitude_degrees: 60.0,
            longitude_degrees: 5.0,
        });
        let bytes = tiff(&Tags {
            description: &text,
            software: "Forebay",
            local: "2026:05:04 09:31:00",
            subsecond: "120",
            offset: "+02:00",
            comment: &text,
            size: (1920, 1080),
            position,
        });
        let long = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        let short = |at: usize| usize::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]));
        assert_eq!(&bytes[..8], b"II*\0\x08\0\0\0");
        let mut taken = vec![false; bytes.len()];
        let mut take = |from: usize, length: usize| {
            assert_eq!(from % 2, 0);
            for byte in &mut taken[from..from + length] {
                assert!(!std::mem::replace(byte, true), "two at {from}");
            }
        };
        take(0, 8);
        let mut directories = vec![8];
        while let Some(at) = directories.pop() {
            let entries = short(at);
            take(at, 2 + 12 * entries + 4);
            let mut tag_before = None;
            for entry in (0..entries).map(|n| at + 2 + 12 * n) {
                let tag = short(entry);
                assert!(tag_before < Some(tag), "tags are in order");
                tag_before = Some(tag);
                let size = match short(entry + 2) {
                    1 | 2 | 7 => 1,
                    3 => 2,
                    4 => 4,
                    5 => 8,
                    kind => panic!("type {kind}"),
                };
                if size * long(entry + 4) > 4 {
                    take(long(entry + 8), size * long(entry + 4));
                }
                if tag == 0x8769 || tag == 0x8825 {
                    directories.push(long(entry + 8));
                }
            }
            assert_eq!(long(at + 2 + 12 * entries), 0);
        }
        // What is left is the byte that makes an odd length even.
        let rest: Vec<u8> = bytes
            .iter()
            .zip(&taken)
            .filter(|(_, t)| !**t)
            .map(|(b, _)| *b)
            .collect();
        assert!(
            rest.len() <= 20 && rest.iter().all(|byte| *byte == 0),
            "{rest:?}"
        );
    }
}

#[test]
fn sharpness_orders_blurs() {
    let scene = Picture::scene(320, 180);
    let measure = |picture: &Picture| laplacian_variance(picture.frame(0, None).luma());
    let mut before = measure(&scene);
    println!("sharp: {before:.2}");
    for sigma in [0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0] {
        let variance = measure(&scene.blurred(sigma));
        println!(
            "sigma {sigma}: {variance:.2}, score {:.3}",
            sharpness_score(variance)
        );
        assert!(
            variance < before,
            "sigma {sigma}: {variance} after {before}"
        );
        assert!(sharpness_score(variance) < sharpness_score(before));
        before = variance;
    }
    assert_eq!(measure(&Picture::plain(64, 64, [90, 128, 128])), 0.0);
    for (width, height) in [(1, 1), (2, 5), (5, 2)] {
        assert_eq!(measure(&Picture::plain(width, height, [90, 128, 128])), 0.0);
    }
    assert_eq!((sharpness_score(0.0), sharpness_score(100.0)), (0.0, 0.5));
}

const LAPLACIAN: &str = r#"
import json, sys
import cv2, numpy as np
luma = np.fromfile(sys.argv[1], dtype=np.uint8).reshape(int(sys.argv[3]), int(sys.argv[2]))
inner = cv2.Laplacian(luma, cv2.CV_64F, ksize=1)[1:-1, 1:-1]
print(json.dumps([float(inner.var()), float(luma.mean())]))
"#;

#[test]
fn measures_are_those_of_opencv() {
    let Some(python) = python("cv2, numpy") else {
        return;
    };
    let dir = Dir::new("measure");
    for picture in [
        Picture::scene(333, 251),
        Picture::scene(333, 251).blurred(1.3),
        Picture::scene(3, 3),
    ] {
        let size = [picture.width, picture.height].map(|n| n.to_string());
        let path = dir.file("luma", &picture.planes[0]);
        let seen = script(&python, LAPLACIAN, &[&path, &size[0], &size[1]]);
        let frame = picture.frame(0, None);
        let ours = [laplacian_variance(frame.luma()), mean_luma(frame.luma())];
        for (ours, theirs) in ours.iter().zip(seen.as_array().unwrap()) {
            let theirs = theirs.as_f64().unwrap();
            assert!(
                (ours - theirs).abs() <= 1e-9 * theirs.max(1.0),
                "{ours} for {theirs}"
            );
        }
    }
}

#[test]
fn a_still_has_its_findings() {
    let picture = Picture::plain(64, 48, [51, 128, 128]);
    let wanted = at("2026-05-04T08:10:00+02:00");
    let frame = picture.frame(wanted - 1_300_000_000, Some(wanted));
    let found = findings(&frame, wanted, &origin("Europe/Oslo"), 412_345);
    let told: Vec<_> = found
        .iter()
        .map(|f| (f.kind.as_str(), f.score, f.text.as_str()))
        .collect();
    let expected = [
        (
            "still",
            1.0,
            "64x48, 413 kB, 1.3 s before 2026-05-04T08:10:00+02:00",
        ),
        ("sharpness", 0.0, "variance of the Laplacian 0.0"),
        ("brightness", 0.2, "mean luma 51.0 of 255"),
    ];
    assert_eq!(told, expected);
    assert!(
        found
            .iter()
            .all(|f| f.at == frame.captured && f.phase.is_empty())
    );

    for (nanos, text) in [
        (0, "0.0 s"),
        (59_990_000_000, "59.9 s"),
        (-750 * SECOND, "12 min 30 s"),
        (11_100 * SECOND, "3 h 5 min"),
        (i64::MIN, "2562047 h 47 min"),
    ] {
        assert_eq!(span_text(nanos), text);
    }
}
