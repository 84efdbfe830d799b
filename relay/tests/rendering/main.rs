//! Scaled and converted pictures beside those of ffmpeg (libswscale, and zimg's `zscale` filter).
//!
//! The input is drawn here: noise over slopes and edges. Tolerances are stated at each check: they
//! are for what the two do differently by design (rounding between steps, the filter for chroma).
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stderr,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test reports by panicking"
)]

use std::io::Write as _;
use std::process::{Command, Stdio};

use forebay::pictures::render::Renderer;
use forebay::pictures::{Decoded, Matrix, PixelFormat, Plane, Range, Request, Samples, Source};

/// What ffmpeg's filter makes of a raw picture; nothing where ffmpeg is not installed.
fn ffmpeg(raw: &[u8], size: (u32, u32), format: &str, filter: &str, out: &str) -> Option<Vec<u8>> {
    let size = format!("{}x{}", size.0, size.1);
    let child = Command::new("ffmpeg")
        .args([
            "-v", "error", "-f", "rawvideo", "-pix_fmt", format, "-s", &size,
        ])
        .args([
            "-i", "-", "-vf", filter, "-f", "rawvideo", "-pix_fmt", out, "-",
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        assert!(
            std::env::var("CI").as_deref() != Ok("true"),
            "ffmpeg is not installed, and with CI=true nothing is skipped"
        );
        eprintln!("skipped: ffmpeg is not installed");
        return None;
    };
    let (mut input, raw) = (child.stdin.take().unwrap(), raw.to_vec());
    let writing = std::thread::spawn(move || input.write_all(&raw));
    let output = child.wait_with_output().unwrap();
    writing.join().unwrap().unwrap();
    assert!(output.status.success(), "ffmpeg failed");
    Some(output.stdout)
}

/// Planes of luma and chroma: slopes, edges and noise, within `luma` and `chroma`.
fn draw((width, height): (u32, u32), luma: (u8, u8), chroma: (u8, u8), seed: u64) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut plane = |width: u32, height: u32, (low, high): (u8, u8), noise: f64| {
        let span = f64::from(high - low);
        (0..height)
            .flat_map(|y| (0..width).map(move |x| (x, y)))
            .map(|(x, y)| {
                let (u, v) = (
                    f64::from(x) / f64::from(width),
                    f64::from(y) / f64::from(height),
                );
                let wave = 0.5 + 0.3 * (9.0 * u + 5.0 * v).sin() * (3.0 - 7.0 * v).cos();
                let edge = if (x / 37 + y / 23) % 2 == 0 {
                    0.15
                } else {
                    0.0
                };
                let level = wave + edge + noise * (random.f64() - 0.5);
                low + (level.clamp(0.0, 1.0) * span) as u8
            })
            .collect::<Vec<u8>>()
    };
    let mut planes = plane(width, height, luma, 0.3);
    for _ in 0..2 {
        planes.extend(plane(width.div_ceil(2), height.div_ceil(2), chroma, 0.05));
    }
    planes
}

fn decoded(size: (u32, u32), planes: Vec<u8>, range: Range, matrix: Matrix) -> Decoded {
    Decoded {
        width: size.0,
        height: size.1,
        samples: Samples::Yuv420 {
            planes: planes.into(),
            chroma_left: true,
        },
        range,
        matrix,
    }
}

fn render(decoded: &Decoded, format: PixelFormat, longest_side: u32) -> Vec<Plane> {
    let request = Request {
        rate: 1.0,
        longest_side,
        format,
        source: Source::Main,
    };
    Renderer::new().render(decoded, &request).0
}

/// Largest and mean difference.
fn differences(found: &[u8], wanted: &[u8]) -> (u8, f64) {
    assert_eq!(found.len(), wanted.len());
    let off = || found.iter().zip(wanted).map(|(a, b)| a.abs_diff(*b));
    let sum: u64 = off().map(u64::from).sum();
    (off().max().unwrap_or(0), sum as f64 / found.len() as f64)
}

#[track_caller]
fn assert_near(what: &str, found: &[u8], wanted: &[u8], (most, mean): (u8, f64)) {
    let (largest, average) = differences(found, wanted);
    println!("{what}: largest difference {largest}, mean {average:.3}");
    assert!(
        largest <= most && average <= mean,
        "{what}: {largest} {average:.3}"
    );
}

/// Area average of luma.
#[test]
fn luma_is_scaled_as_swscale_does() {
    let full = (1920, 1080);
    let planes = draw(full, (0, 255), (20, 235), 1);
    let luma = &planes[..1920 * 1080];
    let picture = Decoded {
        samples: Samples::Gray(luma.to_vec().into()),
        ..decoded(full, planes.clone(), Range::Full, Matrix::Bt601)
    };
    for (side, size) in [
        (640, (640, 360)),
        (480, (480, 270)),
        (777, (777, 437)),
        (1280, (1280, 720)),
    ] {
        let filter = format!("scale={}:{}:flags=area+accurate_rnd", size.0, size.1);
        let Some(wanted) = ffmpeg(luma, full, "gray", &filter, "gray") else {
            return;
        };
        let found = render(&picture, PixelFormat::Gray8, side);
        let what = format!("gray {}x{}", size.0, size.1);
        assert_near(&what, &found[0].bytes, &wanted, (1, 0.05));
    }
}

/// RGB at full size beside zimg, which interpolates chroma linearly too and knows where it stands.
#[test]
fn colours_are_those_of_zimg() {
    let size = (640, 360);
    for (range, matrix, limits, words) in [
        (
            Range::Limited,
            Matrix::Bt601,
            (16, 235),
            "rin=limited:min=170m",
        ),
        (
            Range::Limited,
            Matrix::Bt709,
            (16, 235),
            "rin=limited:min=709",
        ),
        (
            Range::Limited,
            Matrix::Bt2020,
            (16, 235),
            "rin=limited:min=2020_ncl",
        ),
        (Range::Full, Matrix::Bt709, (0, 255), "rin=full:min=709"),
    ] {
        // Colours that red, green and blue have room for.
        let planes = draw(size, limits, (90, 166), 2);
        let picture = decoded(size, planes.clone(), range, matrix);
        // Primaries and transfer are said to be the same on both sides, so that nothing but the
        // matrix is converted.
        let common = "pin=709:tin=709:p=709:t=709:cin=left:filter=bilinear:dither=none";
        let to_rgb = format!("zscale={words}:m=gbr:r=full:{common},format=gbrp");
        let Some(gbr) = ffmpeg(&planes, size, "yuv420p", &to_rgb, "gbrp") else {
            return;
        };
        let plane = 640 * 360;
        let wanted: Vec<u8> = (0..plane)
            .flat_map(|at| [gbr[2 * plane + at], gbr[at], gbr[plane + at]])
            .collect();
        let found = render(&picture, PixelFormat::Rgb8, 0);
        assert_near(&format!("rgb {words}"), &found[0].bytes, &wanted, (2, 0.05));

        let to_601 = format!("zscale={words}:m=170m:r=full:{common}:c=center,format=yuv420p");
        let wanted = ffmpeg(&planes, size, "yuv420p", &to_601, "yuv420p").unwrap();
        let found = render(&picture, PixelFormat::I420, 0);
        let found: Vec<u8> = found
            .iter()
            .flat_map(|plane| plane.bytes.to_vec())
            .collect();
        // zimg filters chroma twice, up to the size of luma for the matrix and down again; here it
        // stays as small as it is.
        assert_near(&format!("i420 {words}"), &found, &wanted, (6, 0.4));
    }
}

/// The whole way at a usual ratio: limited BT.709 of 1080p to RGB of 640 × 360, beside swscale.
#[test]
fn a_scaled_colour_picture_is_that_of_swscale() {
    let full = (1920, 1080);
    let planes = draw(full, (16, 235), (90, 166), 3);
    let picture = decoded(full, planes.clone(), Range::Limited, Matrix::Bt709);
    let filter = "scale=640:360:flags=area+accurate_rnd+full_chroma_int+full_chroma_inp:\
                  in_color_matrix=bt709:in_range=limited:in_v_chr_pos=128:in_h_chr_pos=0";
    let Some(wanted) = ffmpeg(&planes, full, "yuv420p", filter, "rgb24") else {
        return;
    };
    let found = render(&picture, PixelFormat::Rgb8, 640);
    assert_near("rgb 640x360", &found[0].bytes, &wanted, (2, 0.05));
}
