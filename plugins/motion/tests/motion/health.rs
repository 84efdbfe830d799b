//! The health of the view against known harm.

use forebay_motion::frame::Frame;
use forebay_motion::health::sharpness::sharpness;
use forebay_motion::health::shift::Reference;
use forebay_motion::settings::Settings;
use forebay_motion::watcher::{Phase, Watcher};

use crate::peers;
use crate::scene::{Scene, Thing, Weather};

pub(crate) const SIZE: (usize, usize) = (640, 360);

pub(crate) fn frame(bytes: &[u8], at: f32, key: bool) -> Frame<'_> {
    Frame::new(SIZE, SIZE.0, bytes, (f64::from(at) * 1e9) as i64, key).unwrap()
}

pub(crate) fn still(seed: u64, noise: f32) -> Scene {
    Scene::new(
        SIZE,
        seed,
        Weather {
            noise,
            ..Weather::default()
        },
    )
}

pub(crate) fn moved(scene: &mut Scene, dx: f32, dy: f32) -> Vec<u8> {
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
        }
        println!("noise {noise}: worst error {worst:.3} px");
        // The reference is a single picture here: its own noise is in every comparison.
        let bar = if noise > 2.0 { 0.25 } else { 0.1 };
        assert!(worst < bar, "noise {noise}: {worst}");
    }
}

/// Against OpenCV's `phaseCorrelate` (Hann window, peak by weighted centroid) on the same pictures.
#[test]
fn shifts_agree_with_opencv() {
    let mut scene = still(41, 2.0);
    let mut input = moved(&mut scene, 0.0, 0.0);
    let first = input.clone();
    let mut reference = Reference::new(&frame(&first, 0.0, false));
    let shifts = SHIFTS.iter().filter(|(dx, dy)| dx.hypot(*dy) < 30.0);
    let mut found = Vec::new();
    for &(dx, dy) in shifts {
        let picture = moved(&mut scene, dx, dy);
        let shift = reference
            .compare(&frame(&picture, 1.0, false))
            .shift
            .unwrap();
        found.push(((dx, dy), (shift.right, shift.down)));
        input.extend_from_slice(&picture);
    }
    let script = "
import sys, numpy, cv2
pictures = numpy.frombuffer(sys.stdin.buffer.read(), numpy.uint8).reshape(-1, 360, 640)
window = cv2.createHanningWindow((640, 360), cv2.CV_32F)
first = pictures[0].astype(numpy.float32)
for picture in pictures[1:]:
    (x, y), _ = cv2.phaseCorrelate(first, picture.astype(numpy.float32), window)
    print(x, y)
";
    let Some(output) = peers::python(script, &input) else {
        return;
    };
    let text = String::from_utf8(output).unwrap();
    assert_eq!(text.lines().count(), found.len());
    for (line, ((dx, dy), (right, down))) in text.lines().zip(found) {
        let mut numbers = line.split(' ').map(|n| n.parse::<f32>().unwrap());
        let (x, y) = (numbers.next().unwrap(), numbers.next().unwrap());
        println!("moved {dx:6.2} {dy:6.2}: here {right:7.3} {down:7.3}, OpenCV {x:7.3} {y:7.3}");
        assert!((x - right).hypot(y - down) < 0.5);
    }
}

/// What a watcher says of a row of pictures: kind, phase, time, text.
fn said(
    watcher: &mut Watcher,
    begin: f32,
    count: usize,
    mut picture: impl FnMut(usize) -> (Vec<u8>, bool),
) -> Vec<(&'static str, Phase, f32, String)> {
    let mut all = Vec::new();
    for at in 0..count {
        let time = begin + at as f32 * 0.5;
        let (picture, key) = picture(at);
        for note in watcher.watch(&frame(&picture, time, key)) {
            println!(
                "{time:7.1} {} {:?} {:.2} {}",
                note.kind, note.phase, note.score, note.text
            );
            all.push((note.kind, note.phase, time, note.text));
        }
    }
    all
}

fn times(all: &[(&'static str, Phase, f32, String)], kind: &str, phase: Phase) -> Vec<f32> {
    let of = all.iter().filter(|(k, p, ..)| *k == kind && *p == phase);
    of.map(|(_, _, time, _)| *time).collect()
}

/// Nothing but these kinds was said.
fn only(all: &[(&'static str, Phase, f32, String)], kinds: &[&str]) {
    for (kind, phase, time, text) in all {
        assert!(kinds.contains(kind), "{kind} {phase:?} at {time}: {text}");
    }
}

#[test]
fn a_frozen_camera_is_found_within_ten_seconds() {
    // Noise of 0.6 levels is a good camera by day.
    let mut scene = still(50, 0.6);
    let mut watcher = Watcher::new(Settings::default());
    let live = said(&mut watcher, 0.0, 120, |at| {
        (moved(&mut scene, 0.0, 0.0), at % 8 == 0)
    });
    only(&live, &[]);
    let last = moved(&mut scene, 0.0, 0.0);
    let frozen = said(&mut watcher, 60.0, 60, |at| (last.clone(), at % 8 == 0));
    only(&frozen, &["frozen"]);
    let begin = times(&frozen, "frozen", Phase::Begin);
    assert!(begin.len() == 1 && begin[0] <= 70.0, "{begin:?}");
    let live = said(&mut watcher, 90.0, 20, |at| {
        (moved(&mut scene, 0.0, 0.0), at % 8 == 0)
    });
    only(&live, &["frozen"]);
    assert_eq!(times(&live, "frozen", Phase::End), [90.0]);
}

/// An encoder that gets the same picture again and again still codes key frames anew, and one that
/// gets a still view hardly codes anything between key frames: as by x264 with a fixed quantizer,
/// decoded by ffmpeg.
#[test]
fn a_frozen_camera_is_found_through_its_encoder_and_a_still_one_is_not() {
    let mut scene = still(51, 1.5);
    let mut input = Vec::new();
    for _ in 0..80 {
        input.extend(moved(&mut scene, 0.0, 0.0));
    }
    let last = moved(&mut scene, 0.0, 0.0);
    for _ in 0..60 {
        input.extend_from_slice(&last);
    }
    let Some(decoded) = coded(&input, 8) else {
        return;
    };
    let pictures: Vec<&[u8]> = decoded.chunks_exact(SIZE.0 * SIZE.1).collect();
    assert_eq!(pictures.len(), 140);
    let mut watcher = Watcher::new(Settings::default());
    let all = said(&mut watcher, 0.0, 140, |at| {
        (pictures[at].to_vec(), at % 8 == 0)
    });
    only(&all, &["frozen"]);
    let begin = times(&all, "frozen", Phase::Begin);
    assert!(
        begin.len() == 1 && (40.0..=51.0).contains(&begin[0]),
        "{begin:?}"
    );
}

/// Pictures as they come out of an encoder with a key frame every so many.
pub(crate) fn coded(input: &[u8], group: usize) -> Option<Vec<u8>> {
    let folder =
        std::env::temp_dir().join(format!("forebay-motion-{}-{group}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let file = folder.join("coded.mkv");
    let (size, group) = (format!("{}x{}", SIZE.0, SIZE.1), group.to_string());
    let mut command = std::process::Command::new("ffmpeg");
    command.args([
        "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "gray", "-s", &size,
    ]);
    command.args([
        "-r", "2", "-i", "-", "-pix_fmt", "yuv420p", "-c:v", "libx264",
    ]);
    command.args([
        "-preset",
        "veryfast",
        "-tune",
        "zerolatency",
        "-qp",
        "28",
        "-g",
        &group,
    ]);
    command
        .args(["-sc_threshold", "0", "-threads", "1"])
        .arg(&file);
    let made = peers::fed(command, input, "ffmpeg with libx264");
    let decoded = made.and_then(|_| peers::ffmpeg(&["-i", file.to_str().unwrap()], &[]));
    std::fs::remove_dir_all(&folder).unwrap();
    decoded
}

#[test]
fn a_camera_that_was_never_seen_to_change_gets_a_minute() {
    let mut scene = still(52, 0.0);
    let picture = moved(&mut scene, 0.0, 0.0);
    let mut watcher = Watcher::new(Settings::default());
    let all = said(&mut watcher, 0.0, 150, |at| (picture.clone(), at % 8 == 0));
    only(&all, &["frozen"]);
    assert_eq!(times(&all, "frozen", Phase::Begin), [60.0]);
}

#[test]
fn a_clock_in_the_picture_is_no_sign_of_life_where_it_is_masked() {
    let mut scene = still(53, 1.0);
    let mask = r#"{"masks": [{"polygon": [[0, 0], [0.3, 0], [0.3, 0.1], [0, 0.1]]}]}"#;
    let settings: Settings = serde_json::from_str(mask).unwrap();
    let mut watcher = Watcher::new(settings.checked().unwrap());
    let live = said(&mut watcher, 0.0, 60, |at| {
        (moved(&mut scene, 0.0, 0.0), at % 8 == 0)
    });
    only(&live, &[]);
    let last = moved(&mut scene, 0.0, 0.0);
    let frozen = said(&mut watcher, 30.0, 40, |at| {
        let mut picture = last.clone();
        for row in picture.chunks_exact_mut(SIZE.0).skip(8).take(14) {
            row[20 + at * 3 % 100..60 + at * 3 % 100].fill(if at % 2 == 0 { 255 } else { 0 });
        }
        (picture, at % 8 == 0)
    });
    assert_eq!(times(&frozen, "frozen", Phase::Begin).len(), 1);
}

/// Gaussian blur by its definition, separable, cut at four deviations.
pub(crate) fn blurred(picture: &[f32], sigma: f32) -> Vec<f32> {
    let reach = (4.0 * sigma).ceil() as isize;
    let weight = |d: isize| (-0.5 * (d as f32 / sigma).powi(2)).exp();
    let total: f32 = (-reach..=reach).map(weight).sum();
    let (width, height) = (SIZE.0 as isize, SIZE.1 as isize);
    let pass = |from: &[f32], across: bool| -> Vec<f32> {
        let value = |x: isize, y: isize| {
            let sum: f32 = (-reach..=reach)
                .map(|d| {
                    let (x, y) = if across { (x + d, y) } else { (x, y + d) };
                    let (x, y) = (x.clamp(0, width - 1), y.clamp(0, height - 1));
                    weight(d) * from[(y * width + x) as usize]
                })
                .sum();
            sum / total
        };
        (0..width * height)
            .map(|at| value(at % width, at / width))
            .collect()
    };
    pass(&pass(picture, true), false)
}

pub(crate) fn noisy(scene: &mut Scene, levels: &[f32], deviation: f32) -> Vec<u8> {
    let mut picture = Vec::with_capacity(levels.len());
    for row in levels.chunks(SIZE.0) {
        let noise = scene.grain.row(&mut scene.chance, SIZE.0);
        picture.extend(
            row.iter()
                .zip(noise)
                .map(|(l, n)| (l + deviation * n).round().clamp(0.0, 255.0) as u8),
        );
    }
    picture
}

#[test]
fn known_blurs_are_ordered() {
    let mut scene = still(60, 0.0);
    let sharp = scene.view.seen(SIZE, 0.0, 0.0);
    for deviation in [0.0, 3.0] {
        let mut before = f32::INFINITY;
        for sigma in [0.0, 0.5, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0] {
            let levels = if sigma == 0.0 {
                sharp.clone()
            } else {
                blurred(&sharp, sigma)
            };
            let picture = noisy(&mut scene, &levels, deviation);
            let found = sharpness(&frame(&picture, 0.0, false), deviation * deviation);
            println!("noise {deviation}, blur {sigma}: {found:?}");
            if let Some(found) = found {
                assert!(found < before, "{sigma}: {found} after {before}");
                before = found;
            } else {
                // Noise alone is left of the fine structure.
                assert!(deviation > 0.0 && sigma >= 3.0);
            }
        }
    }
}

#[test]
fn blur_darkness_glare_and_covers_are_told_apart() {
    let mut scene = still(61, 1.5);
    let sharp = scene.view.seen(SIZE, 0.0, 0.0);
    let soft = blurred(&sharp, 2.0);
    let mut watcher = Watcher::new(Settings::default());
    let mut now = 0.0;
    let mut phase = |name: &str, seconds: usize, scene: &mut Scene, levels: &[f32]| {
        println!("{name}");
        let all = said(&mut watcher, now, seconds * 2, |at| {
            (noisy(scene, levels, 1.5), at % 8 == 0)
        });
        now += seconds as f32;
        all
    };
    only(&phase("clear", 60, &mut scene, &sharp), &[]);
    for (kind, levels) in [
        ("blurred", soft),
        ("dark", sharp.iter().map(|l| l * 0.06).collect()),
        ("blinded", sharp.iter().map(|l| l * 1.5 + 90.0).collect()),
        // A tarpaulin with folds.
        (
            "covered",
            (0..sharp.len())
                .map(|at| 110.0 + 12.0 * ((at % SIZE.0) as f32 / 70.0).sin())
                .collect(),
        ),
    ] {
        let harmed = phase(kind, 40, &mut scene, &levels);
        only(&harmed, &[kind, "motion"]);
        assert_eq!(times(&harmed, kind, Phase::Begin).len(), 1, "{kind}");
        let clear = phase("clear", 60, &mut scene, &sharp);
        only(&clear, &[kind, "motion"]);
        assert_eq!(times(&clear, kind, Phase::End).len(), 1, "{kind}");
    }
}

#[test]
fn a_moved_view_is_told_in_pixels_and_learned_in_the_end() {
    let mut scene = still(62, 2.0);
    let settings = r#"{"health": {"relearn_minutes": 1}}"#;
    let mut watcher = Watcher::new(serde_json::from_str(settings).unwrap());
    only(
        &said(&mut watcher, 0.0, 120, |_| {
            (moved(&mut scene, 0.0, 0.0), false)
        }),
        &[],
    );
    let pushed = said(&mut watcher, 60.0, 60, |_| {
        (moved(&mut scene, 12.3, -4.0), false)
    });
    only(&pushed, &["moved"]);
    let text = &pushed[0].3;
    assert_eq!(
        text,
        "the view has moved by 12.3 px right, 4.0 px up in a picture of 640 × 360"
    );
    // Back again, before it is learned.
    let back = said(&mut watcher, 90.0, 60, |_| {
        (moved(&mut scene, 0.2, 0.0), false)
    });
    only(&back, &["moved"]);
    assert_eq!(back[0].3, "the view is where it was");
    let pushed = said(&mut watcher, 120.0, 180, |_| {
        (moved(&mut scene, -9.0, 2.0), false)
    });
    only(&pushed, &["moved"]);
    assert_eq!(pushed.len(), 2);
    assert_eq!(
        pushed[1].3,
        "after 1 min this is taken for the view from now on"
    );
    assert_eq!(watcher.place().unwrap().split(' ').next(), Some("0.0"));
}

/// A mast that leans a pixel in five minutes, by less at a time than is told at once.
#[test]
fn a_view_that_creeps_away_is_not_followed() {
    let mut scene = still(63, 2.0);
    let mut watcher = Watcher::new(Settings::default());
    let all = said(&mut watcher, 0.0, 2400, |at| {
        (moved(&mut scene, (at as f32 / 600.0).min(4.0), 0.0), false)
    });
    only(&all, &["moved"]);
    let begin = times(&all, "moved", Phase::Begin);
    assert!(
        begin.len() == 1 && (590.0..660.0).contains(&begin[0]),
        "{begin:?}"
    );
}

#[test]
fn people_that_pass_do_not_move_the_view() {
    let mut scene = still(64, 2.0);
    scene.things = (0..20)
        .map(|n| {
            let begin = 10.0 + 9.0 * n as f32;
            Thing {
                size: (60.0, 150.0),
                contrast: -50.0,
                from: (-40.0, 220.0),
                to: (680.0, 230.0),
                seconds: (begin, begin + 8.0),
            }
        })
        .collect();
    let mut watcher = Watcher::new(Settings::default());
    let all = said(&mut watcher, 0.0, 400, |at| {
        (scene.picture(at as f32 * 0.5), false)
    });
    only(&all, &["motion"]);
}
