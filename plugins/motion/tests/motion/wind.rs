//! What moves to and fro and is nobody: a tarpaulin in the wind, a reflection that swings.

use std::f32::consts::TAU;

use forebay_motion::settings::Settings;

use crate::judge::{RATE, Told, told, verdict};
use crate::scene::{Scene, Weather};

const SIZE: (usize, usize) = (640, 360);
/// A person some 40 m off: width, height, contrast.
const PERSON: (f32, f32, f32) = (16.0, 44.0, 35.0);

/// What moves to and fro. Its periods are no multiples of the distance of the pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Swinging {
    /// A tarpaulin over a boat, 170 × 80 pixels: folds run over it to and fro, and its lower edge
    /// flaps, in gusts.
    Tarpaulin,
    /// The sun's reflection from a window that swings, on the wall of the hall: a patch of 36 × 20
    /// pixels that goes 40 to either side.
    Reflection,
}

impl Swinging {
    pub(crate) fn draw(
        self,
        picture: &mut [f32],
        (width, height): (usize, usize),
        at: f32,
        windy: bool,
    ) {
        let wind = if windy { 1.0 } else { 0.0 };
        for (y, row) in picture.chunks_exact_mut(width).enumerate().take(height) {
            for (x, cell) in row.iter_mut().enumerate() {
                let (x, y) = (x as f32, y as f32);
                match self {
                    Self::Tarpaulin => {
                        let gust = wind * (0.6 + 0.4 * (TAU * at / 41.0).sin());
                        let swing = (TAU * at / 2.7).sin() + 0.4 * (TAU * at / 1.13).sin();
                        let (u, v) = ((x - 410.0) / 170.0, (y - 215.0) / 80.0);
                        let flap = 0.1 * gust * (TAU * (2.0 * u + at / 1.7)).sin();
                        if (0.0..1.0).contains(&u) && (0.0..1.0 + flap).contains(&v) {
                            let fold = TAU * (3.0 * u + 0.3 * v) + 1.2 * gust * swing * v;
                            *cell = 110.0 + 30.0 * fold.sin() + 8.0 * (3.0 * fold).cos();
                        }
                    }
                    Self::Reflection => {
                        let middle = 140.0 + 40.0 * wind * (TAU * at / 3.3).sin();
                        let (u, v) = ((x - middle) / 18.0, (y - 115.0) / 10.0);
                        let within = (1.3 - u.hypot(v)).clamp(0.0, 0.3) / 0.3;
                        *cell += 70.0 * within;
                    }
                }
            }
        }
    }
}

const SPELLS: [(f32, f32); 2] = [(60.0, 400.0), (640.0, 900.0)];
/// After so many seconds of wind a part of the background is known to move. A bar, not a setting.
const LEARNED_SECONDS: f32 = 120.0;

fn windy(swinging: Swinging, people: usize, settings: &str) -> Told {
    let weather = Weather {
        noise: 2.0,
        swinging: Some(swinging),
        wind: SPELLS.to_vec(),
        ..Weather::default()
    };
    let mut scene = Scene::new(SIZE, 95, weather).crossed(PERSON, 90.0, 50.0, 12.0, people);
    let pictures = (0..(SPELLS[1].1 * RATE) as usize).map(move |at| {
        let at = at as f32 / RATE;
        (scene.picture(at), scene.truth(at))
    });
    let settings: Settings = serde_json::from_str(settings).unwrap();
    told("wind", settings.checked().unwrap(), pictures, SIZE, 8)
}

/// Whoever walks there is found. Wind that gets up is told as motion, until it is learned; a mask
/// keeps it out from the begin.
#[test]
fn what_moves_to_and_fro_is_learned() {
    for (swinging, mask) in [
        (
            Swinging::Tarpaulin,
            "[[0.63, 0.58], [0.92, 0.58], [0.92, 0.85], [0.63, 0.85]]",
        ),
        (
            Swinging::Reflection,
            "[[0.1, 0.25], [0.35, 0.25], [0.35, 0.4], [0.1, 0.4]]",
        ),
    ] {
        let open = windy(swinging, 16, "{}");
        let found = verdict(&open.held, &open.truth, open.faults);
        let learning = |at: usize| {
            let at = at as f32 / RATE;
            let mut spells = SPELLS.iter();
            spells.any(|(from, _)| (*from..from + LEARNED_SECONDS).contains(&at))
        };
        let excused = open.truth.iter().enumerate();
        let excused: Vec<bool> = excused.map(|(at, &on)| on || learning(at)).collect();
        let later = verdict(&open.held, &excused, open.faults);
        println!(
            "{swinging:?}: precision {:.3}, recall {:.2}, {:.2} of their pictures; false: {} of {} \
             findings, {:.0} s in the first {LEARNED_SECONDS} s of {} spells of wind, {} s later",
            found.precision(),
            found.recall(),
            found.picture_recall(),
            found.false_alarms,
            found.alarms,
            found.pictures_false as f32 / RATE,
            SPELLS.len(),
            later.pictures_false as f32 / RATE,
        );
        assert!(found.precision() >= 0.75, "{found:?}");
        assert!(
            found.recall() >= 1.0 && found.picture_recall() >= 0.75,
            "{found:?}"
        );
        assert_eq!(
            (later.false_alarms, later.pictures_false),
            (0, 0),
            "{later:?}"
        );
        assert_eq!(found.faults, 0);

        let mask = format!(r#"{{"masks": [{{"polygon": {mask}}}]}}"#);
        let masked = windy(swinging, 16, &mask);
        let found = verdict(&masked.held, &masked.truth, masked.faults);
        println!(
            "{swinging:?}, masked: precision {:.3}, recall {:.2}, {:.2} of their pictures",
            found.precision(),
            found.recall(),
            found.picture_recall()
        );
        assert_eq!(
            (found.false_alarms, found.pictures_false),
            (0, 0),
            "{found:?}"
        );
        assert!(
            found.recall() >= 1.0 && found.picture_recall() >= 0.7,
            "{found:?}"
        );
    }
}
