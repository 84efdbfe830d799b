//! What a still costs.

use std::time::Instant;

use forebay_stills::still::{file, findings};

use crate::support::{Picture, origin};

/// `cargo test --release -p forebay-stills -- --ignored --nocapture cost`: prints milliseconds.
#[test]
#[ignore = "prints figures"]
fn cost_of_a_still() {
    for (width, height) in [(640, 360), (1920, 1080), (3840, 2160)] {
        let picture = Picture::scene(width, height);
        let frame = picture.frame(0, Some(0));
        let origin = origin("Europe/Oslo");
        let mut milliseconds = Vec::new();
        let mut bytes = 0;
        for _ in 0..15 {
            let begin = Instant::now();
            bytes = file(&frame, 0, &origin, 90).unwrap().len();
            let encoded = begin.elapsed().as_secs_f64() * 1e3;
            assert_eq!(findings(&frame, 0, &origin, bytes).len(), 3);
            milliseconds.push((begin.elapsed().as_secs_f64() * 1e3, encoded));
        }
        milliseconds.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The least: what else the machine does is no cost of ours.
        let (all, encoded) = milliseconds[0];
        println!(
            "{width}x{height}: {all:.1} ms a still, {encoded:.1} of them the JPEG, {bytes} bytes"
        );
    }
}
