//! What a picture costs: `cargo test --release -p forebay-motion -- --ignored --nocapture cost`.

use std::time::Duration;

use forebay_motion::frame::Frame;
use forebay_motion::health::Health;
use forebay_motion::motion::Motion;
use forebay_motion::settings::Settings;
use forebay_motion::watcher::Watcher;

use crate::scene::{Scene, Weather};

/// Time that this thread has had on a processor; other programs don't count.
fn spent() -> Duration {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    let nanos = text.split(' ').next().unwrap().parse().unwrap();
    Duration::from_nanos(nanos)
}

#[test]
#[ignore = "a measurement"]
fn cost_of_a_picture() {
    for size in [(640, 360), (1920, 1080)] {
        let weather = Weather {
            noise: 2.0,
            ..Weather::default()
        };
        let mut scene =
            Scene::new(size, 1, weather).crossed((16.0, 44.0, 35.0), 2.0, 25.0, 12.0, 1);
        let pictures: Vec<Vec<u8>> = (0..24).map(|at| scene.picture(at as f32 * 0.5)).collect();
        let settings = Settings::default();
        let mut watcher = Watcher::new(settings.clone());
        let mut motion = Motion::new(settings.motion());
        let mut health = Health::new(settings.health());
        let rounds = 10;
        let measure = |name: &str, look: &mut dyn FnMut(&Frame<'_>)| {
            let begin = spent();
            for round in 0..rounds {
                for (at, picture) in pictures.iter().enumerate() {
                    let at = (round * pictures.len() + at) as i64 * 500_000_000;
                    look(&Frame::new(size, size.0, picture, at, at % 8 == 0).unwrap());
                }
            }
            let each = (spent() - begin).as_secs_f64() * 1e3 / (rounds * pictures.len()) as f64;
            println!("{}x{} {name}: {each:.2} ms a picture", size.0, size.1);
        };
        measure("motion", &mut |frame| {
            assert!(motion.look(frame).score >= 0.0)
        });
        measure("health", &mut |frame| assert!(health.look(frame).len() < 7));
        measure("all", &mut |frame| assert!(watcher.watch(frame).len() < 9));
    }
}
