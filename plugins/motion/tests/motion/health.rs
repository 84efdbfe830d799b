//! The health of the view against known harm.

use forebay_motion::frame::Frame;
use forebay_motion::health::sharpness::sharpness;
use forebay_motion::health::shift::Reference;
use forebay_motion::settings::Settings;
use forebay_motion::watcher::{Phase, Watcher};

use crate::peers;
use crate::scene::{Scene, Thing, Weather};

const SIZE: (usize, usize) = (640, 360);

fn frame(bytes: &[u8], at: f32, key: bool) -> Frame<'_> {
    Frame::new(SIZE, SIZE.0, bytes, (f64::from(at) * 1e9) as i64, key).unwrap()
}

fn still(seed: u64, noise: f32) -> Scene {
    Scene::new(
        SIZE,
        seed,
        Weather {
            noise,
            ..Weather::default()
        },
    )
}

fn moved(scene: &mut Scene, dx: f32, dy: f32) -> Vec<u8> {
    let grain = scene.weather.noise;
    let size = scene.size;
    let levels = scene.view.seen(size, dx, dy);
    let rows = levels.chunks(size.0);
    let mut picture = Vec::with_capacity(levels.len());
    for row in rows {
        let noise = scene.grain.row(&mut scene.chance, size.0);
        picture.extend(
            row.iter()
                .zip(noise)
                .map(|(l, n)| (l + grain * n).round().clamp(0.0, 255.0) as u8),
        );
    }
    picture
}

const SHIFTS: [(f32, f32); 12] = [
    (0.0, 0.0),
    (0.3, -0.2),
    (1.0, 0.0),
    (-1.5, 0.5),
    (2.25, 1.75),
    (-3.4, 2.6),
    (5.5, -4.5),
    (-12.3, 4.0),
    (20.7, -11.2),
    (-38.0, 25.5),
    (45.25, 0.0),
    (60.4, -52.9),
];

#[test]
fn known_shifts_are_recovered() {
    for noise in [0.0, 2.0, 6.0] {
        let mut scene = still(40, noise);
        let first = moved(&mut scene, 0.0, 0.0);
        let mut reference = Reference::new(&frame(&first, 0.0, false));
        let mut worst = 0.0f32;
        for (dx, dy) in SHIFTS {
            let picture = moved(&mut scene, dx, dy);
            let found = reference.compare(&frame(&picture, 1.0, false));
            let shift = found.shift.unwrap();
            let error = (shift.right - dx).hypot(shift.down - dy);
            println!(
                "noise {noise} moved {dx:6.2} {dy:6.2}: {:7.3} {:7.3}, off {error:.3}, alike {:.2}, lost {:.2}",
                shift.right, shift.down, shift.alike, found.lost
            );
            worst = worst.max(error);
            assert!(error < 0.25, "{dx} {dy}: {shift:?}");
        }
        println!("noise {noise}: worst error {worst:.3} px");
    }
}
