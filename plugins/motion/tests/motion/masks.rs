//! What goes on under a mask takes nothing from what goes on beside it.

use forebay_motion::settings::Settings;

use crate::chance::Chance;
use crate::judge::{RATE, judged};
use crate::scene::{Scene, Thing, Weather};

const SIZE: (usize, usize) = (640, 360);

/// Waves over the lower half, of which none looks like another.
fn waves(picture: &mut [u8], chance: &mut Chance) {
    let (_, water) = picture.split_at_mut(SIZE.0 * SIZE.1 / 2);
    for rows in water.chunks_exact_mut(SIZE.0 * 10) {
        let levels: Vec<u8> = (0..SIZE.0 / 16)
            .map(|_| chance.between(60.0, 200.0) as u8)
            .collect();
        for row in rows.chunks_exact_mut(SIZE.0) {
            for (pixels, &level) in row.chunks_exact_mut(16).zip(&levels) {
                pixels.fill(level);
            }
        }
    }
}

/// The lower half is masked water, into which a gust goes with each that passes above it.
#[test]
fn masked_water_hides_nothing_elsewhere() {
    let weather = Weather {
        noise: 2.0,
        ..Weather::default()
    };
    let mut scene = Scene::new(SIZE, 90, weather);
    scene.things = (0..4)
        .map(|n| {
            let begin = 30.0 + 65.0 * n as f32;
            Thing {
                size: (16.0, 44.0),
                contrast: if n % 2 == 0 { 35.0 } else { -35.0 },
                from: (240.0, 120.0),
                to: (400.0, 110.0),
                seconds: (begin, begin + 4.0),
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
        if scene.truth(at) {
            waves(&mut picture, &mut scene.chance);
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
    assert!(verdict.picture_recall() >= 0.8, "{verdict:?}");
}
