//! What goes on under a mask takes nothing from what goes on beside it.

use forebay_motion::settings::Settings;

use crate::judge::{RATE, judged};
use crate::scene::{Scene, Thing, Weather};

const SIZE: (usize, usize) = (640, 360);

/// The lower half is water that never looks the same twice, and masked; people pass above it.
#[test]
fn masked_water_hides_nothing_elsewhere() {
    let weather = Weather {
        noise: 2.0,
        ..Weather::default()
    };
    let mut scene = Scene::new(SIZE, 90, weather);
    scene.things = (0..10)
        .map(|n| {
            let begin = 30.0 + 25.0 * n as f32;
            Thing {
                size: (16.0, 44.0),
                contrast: if n % 2 == 0 { 35.0 } else { -35.0 },
                from: (40.0, 120.0),
                to: (600.0, 110.0),
                seconds: (begin, begin + 12.0),
            }
        })
        .collect();
    let settings = r#"{
        "masks": [{"polygon": [[0, 0.5], [1, 0.5], [1, 1], [0, 1]]}],
        "health": {"covered": false, "moved": false, "blurred": false}
    }"#;
    let settings: Settings = serde_json::from_str(settings).unwrap();
    let pictures = (0..(290.0 * RATE) as usize).map(move |at| {
        let at = at as f32 / RATE;
        let mut picture = scene.picture(at);
        let (_, water) = picture.split_at_mut(SIZE.0 * SIZE.1 / 2);
        for wave in water.chunks_exact_mut(SIZE.0 * 10) {
            let levels: Vec<u8> = (0..SIZE.0 / 16)
                .map(|_| scene.chance.between(60.0, 200.0) as u8)
                .collect();
            for row in wave.chunks_exact_mut(SIZE.0) {
                for (pixels, &level) in row.chunks_exact_mut(16).zip(&levels) {
                    pixels.fill(level);
                }
            }
        }
        (picture, scene.truth(at))
    });
    let verdict = judged("masked water", settings, pictures, SIZE, 8);
    assert_eq!(
        (verdict.false_alarms, verdict.faults),
        (0, 0),
        "{verdict:?}"
    );
    assert!(verdict.recall() >= 1.0, "{verdict:?}");
    assert!(verdict.picture_recall() >= 0.9, "{verdict:?}");
}
