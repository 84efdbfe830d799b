//! A drawn gate of bars that slides open, in all sorts of light.

use forebay_plugin_sdk::Plane;

use super::*;

const WIDTH: usize = 320;
const HEIGHT: usize = 180;
const SECOND: Instant = 1_000_000_000;
const ZONE: &str = r#""zone":{"left":0.25,"top":0.25,"width":0.5,"height":0.5}"#;

/// How a picture is lit.
#[derive(Clone, Copy)]
struct Light {
    gain: f64,
    offset: f64,
    /// Amplitude of noise, in levels.
    noise: f64,
}

const DAY: Light = Light {
    gain: 1.0,
    offset: 0.0,
    noise: 2.0,
};

/// Luma of the scene: a road between dark hedges, and before it a gate of bright boards, of which
/// the share `open` is slid away to the right.
fn scene(x: usize, y: usize, open: f64) -> f64 {
    let (left, right, top, bottom) = (88.0, 232.0, 52.0, 128.0);
    let (across, down) = (x as f64, y as f64);
    let gate = left + (right - left) * open;
    if across > gate && across < right && down > top && down < bottom {
        let board = (y / 12).is_multiple_of(2);
        return if board { 190.0 } else { 120.0 };
    }
    let road = (across - 160.0).abs() < 20.0 + (down - 40.0) * 0.5;
    if road {
        110.0 + down * 0.4
    } else {
        45.0 + across * 0.05
    }
}

/// The picture of an instant. `what` gives the luma of a pixel.
fn picture(second: Instant, light: Light, what: impl Fn(usize, usize) -> f64) -> Picture {
    // A linear congruential generator: the same noise in every run.
    let mut state = second.unsigned_abs() * 7919 + 1;
    let mut noise = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        ((state >> 33) as f64 / f64::from(1_u32 << 31) * 2.0 - 1.0) * light.noise
    };
    let pixels = (0..HEIGHT).flat_map(|y| (0..WIDTH).map(move |x| (x, y)));
    let bytes = pixels
        .map(|(x, y)| (what(x, y) * light.gain + light.offset + noise()).round() as u8)
        .collect();
    let size = [WIDTH as u32, HEIGHT as u32];
    Picture {
        camera: "gate".into(),
        sequence: second.unsigned_abs(),
        captured: second * SECOND,
        uncertainty: 0,
        asked: None,
        source: "analysis".into(),
        random_access: true,
        width: size[0],
        height: size[1],
        camera_width: size[0],
        camera_height: size[1],
        format: "gray8".into(),
        planes: vec![Plane {
            width: size[0],
            height: size[1],
            stride: size[0],
            bytes,
        }],
    }
}

fn gate(settings: &str) -> Result<Gate, String> {
    let configuration = Configuration {
        camera: "gate".into(),
        sink: "gate".into(),
        site: "boatyard".into(),
        time_zone: "Europe/Oslo".into(),
        latitude: None,
        longitude: None,
        settings: format!("{{{settings}}}"),
    };
    Gate::configure(configuration).map(|(gate, _)| gate)
}

/// What the plugin learns of a gate that is open by that share.
fn view(open: f64, light: Light) -> String {
    let mut learner = gate(&format!("{ZONE},\"learn\":true")).unwrap();
    let found = learner.analyze(picture(0, light, |x, y| scene(x, y, open)));
    let [finding] = <[Finding; 1]>::try_from(found.unwrap()).unwrap();
    assert_eq!(finding.kind, "view");
    finding.text
}

fn learnt() -> Gate {
    let (open, closed) = (view(1.0, DAY), view(0.0, DAY));
    gate(&format!(
        r#"{ZONE},"open":["{open}"],"closed":["{closed}"]"#
    ))
    .unwrap()
}

fn sight(gate: &Gate, picture: &Picture) -> Sight {
    let zone = picture.luma().unwrap().crop(&gate.zone);
    gate.judge.look(&View::of(zone).unwrap())
}

fn openness(gate: &Gate, open: f64, light: Light) -> f64 {
    let sight = sight(gate, &picture(1, light, |x, y| scene(x, y, open)));
    let Sight::Gate { openness, .. } = sight else {
        panic!("{sight:?}");
    };
    openness
}

#[test]
fn light_makes_no_difference() {
    let gate = learnt();
    // From dusk to glare, as far as the sensor does not clip.
    for (gain, offset) in [
        (1.0, 0.0),
        (0.15, 5.0),
        (0.4, 0.0),
        (0.7, 60.0),
        (1.2, 10.0),
    ] {
        for noise in [0.0, 8.0] {
            let light = Light {
                gain,
                offset,
                noise,
            };
            let (open, closed) = (openness(&gate, 1.0, light), openness(&gate, 0.0, light));
            assert!(
                open > 0.95 && closed < 0.05,
                "{gain} {offset} {noise}: {open} {closed}"
            );
        }
    }
}

#[test]
fn a_sliding_gate_opens_by_and_by() {
    let gate = learnt();
    let steps: Vec<f64> = (0..=10)
        .map(|step| openness(&gate, f64::from(step) / 10.0, DAY))
        .collect();
    // Not backwards, but for the noise: the road is as bright as the boards.
    let forward = steps.windows(2).all(|pair| pair[1] > pair[0] - 0.01);
    assert!(forward, "{steps:?}");
    assert!((0.3..0.7).contains(&steps[5]), "{steps:?}");
}

#[test]
fn what_is_no_gate_is_unclear() {
    let gate = learnt();
    let lorry = |x: usize, y: usize| {
        let cab = (90..230).contains(&x) && (40..140).contains(&y);
        let window = (110..210).contains(&x) && (50..80).contains(&y);
        match (cab, window) {
            (_, true) => 25.0,
            (true, _) => 70.0 + (x as f64) * 0.3,
            _ => scene(x, y, 1.0),
        }
    };
    let fog = |x: usize, y: usize| 180.0 + 0.01 * scene(x, y, 0.0);
    let night = |x: usize, y: usize| 4.0 + 0.01 * scene(x, y, 0.0);
    let checks = |x: usize, y: usize| {
        if (x / 20 + y / 20).is_multiple_of(2) {
            30.0
        } else {
            220.0
        }
    };
    for (name, picture) in [
        ("lorry", picture(1, DAY, lorry)),
        ("fog", picture(1, DAY, fog)),
        ("night", picture(1, DAY, night)),
        ("checks", picture(1, DAY, checks)),
    ] {
        let sight = sight(&gate, &picture);
        assert!(matches!(sight, Sight::Unclear { .. }), "{name}: {sight:?}");
    }
}

#[test]
fn a_delivery_from_begin_to_end() {
    let mut gate = learnt();
    // Opens from 10 s to 14 s, a lorry in it from 20 s to 29 s, closes from 40 s to 44 s.
    let mut told = Vec::new();
    for second in 0..60 {
        let open = match second {
            0..10 => 0.0,
            10..14 => (second - 10) as f64 / 4.0,
            14..40 => 1.0,
            40..44 => 1.0 - (second - 40) as f64 / 4.0,
            _ => 0.0,
        };
        let picture = if (20..30).contains(&second) {
            picture(second, DAY, |x, y| {
                if (x / 40 + y / 30).is_multiple_of(2) {
                    20.0
                } else {
                    90.0
                }
            })
        } else {
            picture(second, DAY, |x, y| scene(x, y, open))
        };
        let found = gate.analyze(picture).unwrap();
        assert!(found.iter().all(|f| f.region == Some(gate.zone)));
        told.extend(found.into_iter().map(|f| (f.kind, f.phase, f.at / SECOND)));
    }
    let expected = [
        ("gate-open", "begin", 14),
        ("gate-unclear", "begin", 20),
        ("gate-unclear", "end", 30),
        ("gate-open", "end", 44),
    ];
    let told: Vec<_> = told
        .iter()
        .map(|(kind, phase, at)| (kind.as_str(), phase.as_str(), *at))
        .collect();
    assert_eq!(told, expected);
}

#[test]
fn several_views_of_a_state() {
    // By lamplight the boards throw shadows that the day doesn't know.
    let lamp = |x: usize, y: usize, open: f64| {
        let near = 1.0 - (x as f64 - 120.0).hypot(y as f64 - 60.0) / 240.0;
        scene(x, y, open) * near.max(0.1)
    };
    let learn = |open: f64| {
        let mut learner = gate(&format!("{ZONE},\"learn\":true")).unwrap();
        let found = learner.analyze(picture(0, DAY, |x, y| lamp(x, y, open)));
        found.unwrap().remove(0).text
    };
    let (open, closed) = (view(1.0, DAY), view(0.0, DAY));
    let (open_lit, closed_lit) = (learn(1.0), learn(0.0));
    let settings =
        format!(r#"{ZONE},"open":["{open}","{open_lit}"],"closed":["{closed}","{closed_lit}"]"#);
    let gate = gate(&settings).unwrap();
    for open in [0.0, 1.0] {
        let sight = sight(&gate, &picture(3, DAY, |x, y| lamp(x, y, open)));
        let Sight::Gate {
            openness, likeness, ..
        } = sight
        else {
            panic!("{sight:?}");
        };
        assert!(
            (openness - open).abs() < 0.05 && likeness > 0.98,
            "{sight:?}"
        );
    }
}

#[test]
fn views_are_told_now_and_then() {
    let mut learner = gate(&format!("{ZONE},\"learn\":true")).unwrap();
    let told = (0..20).filter(|&second| {
        let found = learner.analyze(picture(second, DAY, |x, y| scene(x, y, 0.0)));
        !found.unwrap().is_empty()
    });
    assert_eq!(told.collect::<Vec<_>>(), [0, 5, 10, 15]);
}

#[test]
fn settings_are_refused_with_a_word() {
    let (open, closed) = (view(1.0, DAY), view(0.0, DAY));
    for (settings, word) in [
        (String::new(), "`learn = true`"),
        (
            format!(r#""open":["{open}"]"#),
            "each needs at least one view",
        ),
        (
            format!(r#""open":["{open}"],"closed":["12"]"#),
            "closed, view 1: has 2 characters; a view has 192",
        ),
        (
            format!(r#""open":["{open}"],"closed":["{open}"]"#),
            "open, view 1 and closed, view 1 are too alike (1.000 of 1)",
        ),
        (
            format!(
                r#""open":["{open}"],"closed":["{closed}","{}"]"#,
                "40".repeat(96)
            ),
            "closed, view 2: shows next to nothing",
        ),
        (
            r#""zone":{"left":0.9,"top":0,"width":0.2,"height":1}"#.into(),
            "must lie in the picture",
        ),
        (
            r#""zone":{"left":0,"top":0,"width":0,"height":1}"#.into(),
            "must lie in the picture",
        ),
        (
            r#""learn":true,"likeness":7"#.into(),
            "likeness = 7: 0 to 1 is allowed",
        ),
        (
            r#""learn":true,"seconds":-1"#.into(),
            "seconds = -1: 0 to 3600",
        ),
        (r#""lern":true"#.into(), "unknown field `lern`"),
    ] {
        let refused = gate(&settings).unwrap_err();
        assert!(refused.contains(word), "{settings}: {refused}");
    }
}
