//! Precision and recall in each kind of weather.

use forebay_motion::settings::Settings;

use crate::health::coded;
use crate::judge::{RATE, Verdict, judged, run};
use crate::scene::{Scene, Weather};

const SIZE: (usize, usize) = (640, 360);
/// A person some 40 m off a camera with a view of 70°: width, height, contrast.
const NORMAL: (f32, f32, f32) = (16.0, 44.0, 35.0);
/// One 90 m off in bad light.
const SMALL: (f32, f32, f32) = (8.0, 20.0, 14.0);
const FAINT: (f32, f32, f32) = (8.0, 18.0, 9.0);

fn day() -> Weather {
    Weather {
        noise: 2.0,
        ..Weather::default()
    }
}

fn scene(seed: u64, weather: Weather) -> Scene {
    Scene::new(SIZE, seed, weather)
}

fn with(seed: u64, weather: Weather, thing: (f32, f32, f32)) -> Scene {
    scene(seed, weather).crossed(thing, 30.0, 25.0, 12.0, 10)
}

/// Nothing false, and at least this share found.
#[track_caller]
fn holds(verdict: Verdict, recall: f64, pictures: f64) {
    assert_eq!(verdict.false_alarms, 0, "{verdict:?}");
    assert!(verdict.pictures_false <= 2, "{verdict:?}");
    assert!(verdict.recall() >= recall, "{verdict:?}");
    assert!(verdict.picture_recall() >= pictures, "{verdict:?}");
    assert_eq!(verdict.faults, 0, "{verdict:?}");
}

#[test]
fn by_day() {
    holds(run("day", with(1, day(), NORMAL), 290.0), 1.0, 0.9);
    holds(run("small by day", with(7, day(), SMALL), 290.0), 0.9, 0.75);
    holds(run("faint by day", with(17, day(), FAINT), 290.0), 0.5, 0.3);
}

#[test]
fn in_rain() {
    let rain = |streaks| Weather {
        rain: streaks,
        ..day()
    };
    holds(run("drizzle", with(22, rain(12), NORMAL), 290.0), 1.0, 0.9);
    holds(run("rain", with(2, rain(60), NORMAL), 290.0), 1.0, 0.9);
    holds(
        run("heavy rain", with(23, rain(400), NORMAL), 290.0),
        0.9,
        0.8,
    );
    holds(
        run("heavy rain, empty", scene(24, rain(400)), 400.0),
        0.0,
        0.0,
    );
    holds(
        run(
            "rain that sets in",
            scene(
                25,
                Weather {
                    rain_begins: 60.0,
                    ..rain(150)
                },
            ),
            400.0,
        ),
        0.0,
        0.0,
    );
    holds(
        run("small in rain", with(26, rain(60), SMALL), 290.0),
        0.5,
        0.3,
    );
}

#[test]
fn by_night() {
    let night = Weather {
        noise: 7.0,
        light: Some(|_| 0.35),
        ..day()
    };
    holds(
        run("night", with(3, night.clone(), NORMAL), 290.0),
        0.9,
        0.8,
    );
    let lights = Weather {
        noise: 4.0,
        light: Some(|_| 0.3),
        headlights: 12.5,
        ..day()
    };
    holds(
        run("headlights", with(8, lights.clone(), NORMAL), 290.0),
        0.9,
        0.8,
    );
    holds(run("headlights, empty", scene(9, lights), 400.0), 0.0, 0.0);
}

#[test]
fn in_changing_light() {
    let slow = Weather {
        light: Some(|t| 0.75 + 0.25 * (t / 5.0).sin()),
        ..day()
    };
    holds(run("light ramps", with(4, slow, NORMAL), 290.0), 1.0, 0.9);
    let flicker = Weather {
        flicker: 0.08,
        ..day()
    };
    holds(run("flicker", with(5, flicker, NORMAL), 290.0), 1.0, 0.9);
    let sudden = Weather {
        light: Some(|t| if (t / 60.0) as i32 % 2 == 1 { 0.5 } else { 1.0 }),
        ..day()
    };
    holds(
        run("sudden light", with(12, sudden, NORMAL), 290.0),
        0.9,
        0.8,
    );
    let clouds = Weather {
        clouds: 0.45,
        ..day()
    };
    holds(
        run("clouds", with(6, clouds.clone(), NORMAL), 290.0),
        0.9,
        0.85,
    );
    holds(
        run("small under clouds", with(16, clouds.clone(), SMALL), 290.0),
        0.5,
        0.3,
    );
    for seed in [6, 13, 14] {
        holds(
            run("clouds, empty", scene(seed, clouds.clone()), 400.0),
            0.0,
            0.0,
        );
    }
}

#[test]
fn with_a_view_that_moves() {
    let shake = Weather {
        shake: 0.5,
        ..day()
    };
    holds(run("shake", with(9, shake, NORMAL), 290.0), 1.0, 0.85);
    let sway = Weather { sway: 3.0, ..day() };
    holds(
        run("bush in the wind", with(10, sway, NORMAL), 290.0),
        1.0,
        0.85,
    );
    // It turns within six seconds, and back.
    let pan = Weather {
        pan: Some(|t| {
            let turned = |at: f32| ((t - at) / 6.0).clamp(0.0, 1.0);
            let share = turned(100.0) - turned(200.0);
            (30.0 * share, -8.0 * share)
        }),
        ..day()
    };
    let things = scene(11, pan).crossed(NORMAL, 30.0, 50.0, 12.0, 5);
    let mut verdict = run("pan", things, 290.0);
    assert_eq!(
        verdict.faults, 1,
        "it is told that the view has moved: {verdict:?}"
    );
    verdict.faults = 0;
    holds(verdict, 0.8, 0.7);
}

/// Through x264 at a low rate, with a key frame every four seconds, and ffmpeg's decoder.
#[test]
fn through_an_encoder() {
    for (name, noise, thing) in [("coded", 2.0, NORMAL), ("coded, noisy", 6.0, NORMAL)] {
        let weather = Weather { noise, ..day() };
        let mut scene = with(30, weather, thing);
        let count = (290.0 * RATE) as usize;
        let times = (0..count).map(|at| at as f32 / RATE);
        let truth: Vec<bool> = times.clone().map(|at| scene.truth(at)).collect();
        let raw: Vec<u8> = times.flat_map(|at| scene.picture(at)).collect();
        let Some(decoded) = coded(&raw, 8) else {
            return;
        };
        let pictures = decoded.chunks_exact(SIZE.0 * SIZE.1).map(<[u8]>::to_vec);
        let pictures = pictures.zip(truth);
        holds(
            judged(name, Settings::default(), pictures, SIZE, 8),
            0.9,
            0.85,
        );
    }
}

/// An hour of a quiet night: 7200 noisy pictures, and not a word.
#[test]
fn a_quiet_night_is_quiet() {
    let size = (320, 180);
    let weather = Weather {
        noise: 6.0,
        light: Some(|_| 0.35),
        ..Weather::default()
    };
    let mut scene = Scene::new(size, 70, weather);
    let still = scene.picture_without_noise(0.0);
    let pictures = (0..7200).map(move |_| (scene.grained(&still, 6.0), false));
    let verdict = judged("an hour of night", Settings::default(), pictures, size, 8);
    assert_eq!((verdict.alarms, verdict.faults), (0, 0));
}
