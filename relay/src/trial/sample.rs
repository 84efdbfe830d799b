//! An outcome for the tests of what tells it.

use std::sync::Arc;

use bytes::Bytes;

use super::outcome::Outcome;
use crate::archive::findings::{Finding, Phase, Region};
use crate::pictures::{Picture, PixelFormat, Plane, Source};
use crate::sinks::{Told, World};
use crate::units::{CaptureTime, Name};

pub(super) fn at(seconds: f64) -> CaptureTime {
    // 2026-05-04T07:31:00.120Z, seconds by GNU date.
    CaptureTime::from_unix_nanos(1_777_879_860_120_000_000 + (seconds * 1e9) as i64)
}

/// A gradient.
pub(super) fn picture(seconds: f64, format: PixelFormat) -> Arc<Picture> {
    let (width, height) = (64_u32, 36_u32);
    let plane = |width: u32, height: u32, bytes: u32| {
        let stride = width * bytes + 3;
        let samples = (0..stride * height).map(|index| (index % stride) as u8);
        Plane {
            width,
            height,
            stride,
            bytes: samples.collect::<Vec<_>>().into(),
        }
    };
    let planes = match format {
        PixelFormat::Gray8 => vec![plane(width, height, 1)],
        PixelFormat::Rgb8 => vec![plane(width, height, 3)],
        PixelFormat::I420 => vec![plane(64, 36, 1), plane(32, 18, 1), plane(32, 18, 1)],
    };
    Arc::new(Picture {
        sequence: seconds as u64,
        captured: at(seconds),
        uncertainty_nanos: 0,
        asked: None,
        source: Source::Analysis,
        random_access: true,
        width,
        height,
        camera_width: 1280,
        camera_height: 720,
        format,
        planes,
    })
}

pub(super) fn finding(kind: &str, seconds: f64, score: f64, phase: Phase) -> Finding {
    Finding {
        sink: Name::new("trial").unwrap(),
        kind: kind.to_owned(),
        score,
        at: at(seconds),
        phase,
        source: Source::Analysis,
        region: None,
        text: String::new(),
    }
}

/// A minute with a state, marks with regions, faint scores, and texts that want to be markup.
pub(super) fn outcome() -> Outcome {
    let mut outcome = Outcome {
        world: Some(World::Analyzer),
        plugin: "<gate>.wasm".to_owned(),
        input: "slipway & gate.mp4".to_owned(),
        span: Some((at(0.0), at(60.0))),
        units: 1500,
        calls: [("analyze", 120), ("tick", 61)].into(),
        memory_bytes: 1_376_256,
        memory_bytes_max: 64 << 20,
        objects: vec![("slipway/stills/a.jpg".to_owned(), 20_480)],
        metrics: vec![(
            "forebay_plugin_level{name=\"score\"}".to_owned(),
            "0.5".to_owned(),
        )],
        ..Outcome::default()
    };
    outcome.seen.pictures = 120;
    for half_seconds in 0..120 {
        let seconds = f64::from(half_seconds) / 2.0;
        outcome.album.show(&picture(seconds, PixelFormat::Gray8));
        let score = f64::from(half_seconds % 20) / 20.0;
        let finding = finding("motion", seconds, score, Phase::Mark);
        outcome.told(if score > 0.9 {
            Told::Finding(Finding {
                region: Some(Region {
                    left: 0.25,
                    top: 0.5,
                    width: 0.125,
                    height: 0.25,
                }),
                text: "a <boat> & \"crew\"\u{fffe}".to_owned(),
                ..finding
            })
        } else {
            Told::Score(finding)
        });
    }
    for second in 0..60 {
        let value = f64::from(second % 30);
        outcome.gauge("brightness_mean".to_owned(), at(f64::from(second)), value);
    }
    outcome.gauge("brightness_mean".to_owned(), at(60.0), f64::NAN);
    outcome.told(Told::Finding(finding("dark", 20.0, 0.8, Phase::Begin)));
    outcome.told(Told::Finding(finding("dark", 40.0, 0.0, Phase::End)));
    outcome.error(at(3.0), "no <picture>".to_owned());
    outcome.ended = Some((at(60.0), "wasm trap: unreachable (trap)".to_owned()));
    outcome
}

/// A JPEG file, by its first and last bytes (ITU-T T.81 B.2.1: SOI, EOI).
pub(super) fn is_jpeg(bytes: &Bytes) -> bool {
    bytes.starts_with(&[0xff, 0xd8]) && bytes.ends_with(&[0xff, 0xd9])
}
