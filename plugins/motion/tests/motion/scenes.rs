//! Precision and recall in each kind of weather.

use crate::judge::run;
use crate::scene::{Scene, Weather};

const SIZE: (usize, usize) = (640, 360);

#[test]
fn all() {
    let only = std::env::var("FOREBAY_SCENE").ok();
    let go = |name: &str, scene: Scene, seconds: f32| {
        if only
            .as_ref()
            .is_none_or(|only| name.starts_with(only.as_str()))
        {
            run(name, scene, seconds);
        }
    };
    let normal = (16.0, 44.0, 35.0);
    let day = Weather {
        noise: 2.0,
        ..Weather::default()
    };
    let scene = |seed, weather: Weather| Scene::new(SIZE, seed, weather);
    go(
        "day",
        scene(1, day.clone()).crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "rain",
        scene(
            2,
            Weather {
                rain: 60,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "rain light",
        scene(
            22,
            Weather {
                rain: 12,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "rain heavy",
        scene(
            23,
            Weather {
                rain: 400,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "night",
        scene(
            3,
            Weather {
                noise: 7.0,
                light: Some(|_| 0.35),
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "ramp",
        scene(
            4,
            Weather {
                light: Some(|t| 0.75 + 0.25 * (t / 5.0).sin()),
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "flicker",
        scene(
            5,
            Weather {
                flicker: 0.08,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "clouds",
        scene(
            6,
            Weather {
                clouds: 0.45,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "clouds empty",
        scene(
            6,
            Weather {
                clouds: 0.45,
                ..day.clone()
            },
        ),
        290.0,
    );
    go(
        "small",
        scene(7, day.clone()).crossed((8.0, 20.0, 14.0), 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "headlights",
        scene(
            8,
            Weather {
                light: Some(|_| 0.3),
                headlights: 12.5,
                noise: 4.0,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 8.0, 10),
        290.0,
    );
    go(
        "shake",
        scene(
            9,
            Weather {
                shake: 0.5,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "sway",
        scene(
            10,
            Weather {
                sway: 3.0,
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
    go(
        "pan",
        scene(
            11,
            Weather {
                pan: Some(|t| {
                    let s =
                        ((t - 100.0) / 6.0).clamp(0.0, 1.0) - ((t - 200.0) / 6.0).clamp(0.0, 1.0);
                    (30.0 * s, -8.0 * s)
                }),
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 50.0, 12.0, 5),
        290.0,
    );
    go(
        "sudden light",
        scene(
            12,
            Weather {
                light: Some(|t| if (t / 60.0) as i32 % 2 == 1 { 0.5 } else { 1.0 }),
                ..day.clone()
            },
        )
        .crossed(normal, 30.0, 25.0, 12.0, 10),
        290.0,
    );
}
