use forebay_site::picture::Picture;
use forebay_site::scene::{Caption, draw};
use forebay_site::{Scene, VideoEncoder, read_strip};

use crate::tools::{Scratch, ffmpeg, has_ffmpeg};

const FRAMES: usize = 30;
const GOP: u32 = 12;

fn psnr(a: &[u8], b: &[u8]) -> f64 {
    let square = |(a, b): (&u8, &u8)| (f64::from(*a) - f64::from(*b)).powi(2);
    let error = a.iter().zip(b).map(square).sum::<f64>() / a.len() as f64;
    10.0 * (255.0_f64.powi(2) / error.max(1e-9)).log10()
}

/// ffmpeg decodes without a word what the encoder wrote, as many pictures, each like its original
/// (so P pictures don't drift), each with its strip.
#[test]
fn ffmpeg_decodes_every_scene() {
    if !has_ffmpeg() {
        return;
    }
    let sizes = [(320, 180), (640, 360), (200, 152)];
    for (scene, (width, height)) in [Scene::Slipway, Scene::Gate, Scene::MastCrane]
        .into_iter()
        .zip(sizes)
    {
        let mut encoder = VideoEncoder::new(width, height, 12.0, GOP).unwrap();
        let mut picture = Picture::new(width, height);
        let (mut stream, mut originals, mut keys) = (Vec::new(), Vec::new(), Vec::new());
        for frame in 0..FRAMES as u64 {
            let capture_ns = 1_777_879_860_000_000_000 + frame as i64 * 250_000_000;
            draw(
                &mut picture,
                scene,
                11.0,
                Caption {
                    camera: "test",
                    frame,
                    capture_ns,
                },
            );
            // One more key picture than the GOP has.
            let coded = encoder.encode(&picture, frame == 17).unwrap();
            keys.extend(coded.key.then_some(frame));
            let sets = encoder.parameters().filter(|_| coded.key);
            for nal in sets
                .iter()
                .flat_map(|sets| [&sets.sps, &sets.pps])
                .chain(&coded.slices)
            {
                stream.extend([0, 0, 0, 1]);
                stream.extend(nal);
            }
            originals.push(picture.planes()[0].to_vec());
        }
        assert_eq!(keys[..3], [0, 12, 17]);
        let (coded, raw) = (Scratch::new("scene.h264"), Scratch::new("scene.yuv"));
        std::fs::write(&coded.0, &stream).unwrap();
        let complaints = ffmpeg(&["-i", coded.path(), "-f", "rawvideo", raw.path()]);
        assert_eq!(complaints, "");
        let decoded = raw.read();
        let size = width * height;
        assert_eq!(decoded.len(), FRAMES * size * 3 / 2);
        for (number, (frame, original)) in decoded.chunks(size * 3 / 2).zip(&originals).enumerate()
        {
            let quality = psnr(&frame[..size], original);
            assert!(quality > 36.0, "{scene:?} {number}: {quality} dB");
            let stamp = read_strip(&frame[..size], width, height).unwrap();
            assert_eq!(stamp.frame as usize, number);
            assert_eq!(stamp.capture_ms, 1_777_879_860_000 + number as i64 * 250);
        }
    }
}
