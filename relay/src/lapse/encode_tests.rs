//! Who codes films, held against ffmpeg's decoder, and what is told where one can't.

#![allow(clippy::unwrap_used, clippy::indexing_slicing)]
#![expect(clippy::print_stdout, reason = "a test says what it skipped")]

use std::process::Command;

use forebay_darkroom::calendar::{Pace, Window};
use forebay_darkroom::frame::Frame;
use jiff::civil::time;

use super::*;
use crate::lapse::tests::{HOUR, cards, film, probe, request, yard};

/// The colours of a film are those of its frames, whoever codes it: Y'CbCr as JPEG has it (JFIF 1.02) against
/// what ffmpeg decodes by BT.709.
#[test]
fn colours_stay_whoever_codes_them() {
    let (folder, stills) = cards();
    let colours = [
        [82u8, 90, 240],
        [145, 54, 34],
        [41, 240, 110],
        [210, 16, 146],
    ];
    for (colour, hour) in colours.iter().zip(10..) {
        let frame = Frame::filled(128, 96, *colour).to_jpeg(95).unwrap();
        std::fs::write(stills.join(format!("yard_20260601_{hour}0000.jpg")), frame).unwrap();
    }
    let mut request = request(&folder.path().join("own"), 0);
    request.window = Window::Clock(time(10, 0, 0, 0), time(14, 0, 0, 0));
    request.pace = Pace::Every(HOUR);
    request.taste.least = 0.0;
    (request.level, request.align, request.date) = (0.0, None, None);
    let ffmpeg = find_ffmpeg();
    if ffmpeg.is_none() {
        assert_ne!(
            std::env::var("CI").as_deref(),
            Ok("true"),
            "ffmpeg is missing"
        );
        println!("skipped: ffmpeg is missing");
        return;
    }
    for coder in [Coder::BuiltIn, Coder::Ffmpeg(ffmpeg.unwrap())] {
        request.coder = coder;
        request.again = true;
        let made = film(&request, &stills).unwrap();
        assert_eq!(made.taken.len(), 4);
        let path = request.out.join("film.mp4");
        let stream = probe(&path).unwrap();
        for tag in ["color_space", "color_transfer", "color_primaries"] {
            assert_eq!(stream[tag], "bt709", "{tag} of {:?}", request.coder);
        }
        assert_eq!(stream["color_range"], "tv", "{:?}", request.coder);
        let decoded = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-i"])
            .arg(&path)
            .args([
                "-vf",
                "scale=in_color_matrix=bt709:in_range=tv",
                "-pix_fmt",
                "rgb24",
            ])
            .args(["-f", "rawvideo", "-"])
            .output()
            .unwrap();
        let frames: Vec<&[u8]> = decoded.stdout.chunks_exact(128 * 96 * 3).collect();
        assert!(
            frames.len() >= 4,
            "{}",
            String::from_utf8_lossy(&decoded.stderr)
        );
        for (frame, [y, cb, cr]) in frames.iter().zip(colours) {
            let (y, cb, cr) = (f64::from(y), f64::from(cb) - 128.0, f64::from(cr) - 128.0);
            let rgb = [
                y + 1.402 * cr,
                y - 0.344_136 * cb - 0.714_136 * cr,
                y + 1.772 * cb,
            ];
            let middle = &frame[(48 * 128 + 64) * 3..][..3];
            for (got, wanted) in middle.iter().zip(rgb) {
                let off = f64::from(*got) - wanted.clamp(0.0, 255.0);
                assert!(
                    off.abs() < 6.0,
                    "{:?}: {middle:?} for {rgb:?}",
                    request.coder
                );
            }
        }
    }
}

#[test]
fn what_a_coder_says_is_told() {
    use std::os::unix::fs::PermissionsExt as _;
    let (folder, stills) = cards();
    yard(&stills, 1);
    let program = folder.path().join("coder");
    std::fs::write(
        &program,
        "#!/bin/sh\necho first >&2\necho 'no room left' >&2\nexit 3\n",
    )
    .unwrap();
    std::fs::set_permissions(&program, std::fs::Permissions::from_mode(0o755)).unwrap();
    let mut request = request(&folder.path().join("film"), 8);
    request.coder = Coder::Ffmpeg(program.clone());
    let mut fault: &dyn std::error::Error = &film(&request, &stills).unwrap_err();
    while let Some(source) = fault.source() {
        fault = source;
    }
    let wanted = format!(
        "{}: it ended with exit status: 3: no room left",
        program.display()
    );
    assert_eq!(fault.to_string(), wanted);
}
