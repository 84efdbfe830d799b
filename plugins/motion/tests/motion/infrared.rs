//! A camera that sees by daylight, at night by its own infrared lamp, and by day again. With the
//! filter before its sensor all changes at once and for good: brightness, texture, which side of an
//! edge is the brighter, and the noise.

use forebay_motion::frame::Frame;
use forebay_motion::settings::Settings;
use forebay_motion::watcher::{Phase, Watcher};

use crate::chance::Chance;
use crate::judge::{RATE, run};
use crate::scene::{Scene, Weather};

const SIZE: (usize, usize) = (640, 360);
/// A person some 40 m off: width, height, contrast.
const PERSON: (f32, f32, f32) = (16.0, 44.0, 35.0);

/// Nobody is told of but those who walk there, from the first picture on: the background is learned
/// anew within seconds, and the view is known in either light.
#[test]
fn the_switch_to_infrared_and_back_is_no_alarm() {
    for (seed, noise, infrared_noise) in [(90, 2.0, 6.0), (91, 2.0, 2.0), (92, 1.0, 9.0)] {
        let weather = Weather {
            noise,
            infrared: vec![(240.0, 540.0), (840.0, 1140.0)],
            infrared_noise,
            ..Weather::default()
        };
        // None within the quarter of a minute before and after a switch.
        let scene = Scene::new(SIZE, seed, weather).crossed(PERSON, 80.0, 60.0, 12.0, 21);
        let name = format!("infrared, noise {noise} and {infrared_noise}");
        let verdict = run(&name, scene, 1380.0);
        assert_eq!(verdict.faults, 0, "{verdict:?}");
        assert_eq!(
            (verdict.false_alarms, verdict.pictures_false),
            (0, 0),
            "{verdict:?}"
        );
        assert!(
            verdict.recall() >= 0.95 && verdict.picture_recall() >= 0.85,
            "{verdict:?}"
        );
    }
}

/// A relay that is started at night, and a morning whose fog leaves a fifth of the contrast.
#[test]
fn a_morning_in_fog_is_no_cover() {
    let weather = Weather {
        noise: 2.0,
        infrared: vec![(0.0, 300.0)],
        infrared_noise: 4.0,
        fog: Some(|_| 0.8),
        ..Weather::default()
    };
    let verdict = run("morning in fog", Scene::new(SIZE, 93, weather), 600.0);
    assert_eq!((verdict.faults, verdict.alarms), (0, 0), "{verdict:?}");
}

/// Something with a texture of its own before the left `share` of the picture.
fn hung_with_netting(picture: &mut [u8], share: f32) {
    let mut chance = Chance::new(7);
    let knots: Vec<f32> = (0..24 * 40).map(|_| chance.between(40.0, 190.0)).collect();
    for (y, row) in picture.chunks_exact_mut(SIZE.0).enumerate() {
        let end = (share * SIZE.0 as f32) as usize;
        for (x, cell) in row.iter_mut().take(end).enumerate() {
            let grain = f32::from(*cell % 4);
            *cell = (knots[y / 15 * 40 + x / 16] + grain) as u8;
        }
    }
}

/// In either light, what is in front of the lens is told, and a camera that was knocked too; what
/// is seen in another light is not taken for either.
#[test]
fn covers_and_shifts_are_told_in_either_light() {
    let weather = Weather {
        noise: 2.0,
        infrared: vec![(150.0, 560.0)],
        infrared_noise: 5.0,
        pan: Some(|at| if at >= 700.0 { (9.0, 0.0) } else { (0.0, 0.0) }),
        ..Weather::default()
    };
    let mut scene = Scene::new(SIZE, 94, weather);
    let mut watcher = Watcher::new(Settings::default());
    let mut told = Vec::new();
    for at in 0..1480 {
        let time = at as f32 / RATE;
        let mut picture = scene.picture(time);
        if (60.0..90.0).contains(&time) || (400.0..430.0).contains(&time) {
            hung_with_netting(&mut picture, 0.75);
        }
        let nanos = (f64::from(time) * 1e9) as i64;
        let frame = Frame::new(SIZE, SIZE.0, &picture, nanos, at % 8 == 0).unwrap();
        for note in watcher.watch(&frame) {
            println!("{time:7.1} {} {:?} {}", note.kind, note.phase, note.text);
            if note.kind != "motion" {
                told.push((note.kind, note.phase, time));
            }
        }
    }
    let expected = [
        ("covered", Phase::Begin, 60.0),
        ("covered", Phase::End, 90.0),
        ("covered", Phase::Begin, 400.0),
        ("covered", Phase::End, 430.0),
        ("moved", Phase::Begin, 700.0),
    ];
    assert_eq!(told.len(), expected.len(), "{told:?}");
    for ((kind, phase, time), (kind_wanted, phase_wanted, from)) in told.iter().zip(expected) {
        assert_eq!((*kind, *phase), (kind_wanted, phase_wanted), "{told:?}");
        assert!((from..=from + 10.0).contains(time), "{told:?}");
    }
}
