//! Real footage: `vtest.avi` of OpenCV's samples (Debian's package opencv-doc; pedestrians on a path
//! beside a lawn, 768 × 576, 79 s), marked by hand each half second.

use forebay_motion::frame::Frame;
use forebay_motion::settings::Settings;
use forebay_motion::watcher::{Phase, Watcher};

use crate::peers;

const SIZE: (usize, usize) = (640, 480);
/// Motion is over after so many seconds of quiet.
const QUIET: f32 = 1.0;

struct Zone {
    name: &'static str,
    polygon: &'static str,
    /// Somebody is in it, from the first picture to the last one.
    marked: &'static [(f32, f32)],
    /// A foot on the edge: may be told or not.
    either: &'static [(f32, f32)],
}

const ZONES: [Zone; 2] = [
    Zone {
        name: "lawn",
        polygon: "[[0, 0.55], [0.3, 0.62], [0.55, 0.72], [0.8, 1], [0, 1]]",
        marked: &[(52.0, 71.0)],
        either: &[(51.0, 52.0), (71.0, 72.0)],
    },
    Zone {
        name: "path",
        polygon: "[[0.8, 0.5], [1, 0.5], [1, 0.95], [0.8, 0.83]]",
        marked: &[
            (20.0, 25.0),
            (34.0, 40.0),
            (42.0, 44.5),
            (46.0, 63.5),
            (65.5, 66.5),
            (69.0, 71.0),
            (74.5, 76.5),
            (78.5, 79.0),
        ],
        either: &[
            (25.0, 25.5),
            (33.0, 34.0),
            (45.0, 46.0),
            (63.5, 64.5),
            (76.5, 78.5),
        ],
    },
];

#[test]
fn marked_intervals_are_found() {
    let Some(clip) = peers::clip("vtest.avi") else {
        return;
    };
    let scale = format!("fps=2:round=near,scale={}:{}:flags=area", SIZE.0, SIZE.1);
    let arguments = ["-i", clip.to_str().unwrap(), "-vf", &scale];
    let Some(pictures) = peers::ffmpeg(&arguments, &[]) else {
        return;
    };
    let pictures: Vec<&[u8]> = pictures.chunks_exact(SIZE.0 * SIZE.1).collect();
    assert!(pictures.len() >= 158, "{}", pictures.len());
    for zone in &ZONES {
        let settings = format!(
            r#"{{"zones": [{{"name": "{}", "polygon": {}}}], "quiet_seconds": {QUIET}, "warm_up_seconds": 19}}"#,
            zone.name, zone.polygon
        );
        let settings: Settings = serde_json::from_str(&settings).unwrap();
        let mut watcher = Watcher::new(settings.checked().unwrap());
        let mut told = Vec::new();
        let mut faults = Vec::new();
        for (at, picture) in pictures.iter().enumerate() {
            let time = at as f32 * 0.5;
            let nanos = (f64::from(time) * 1e9) as i64;
            let frame = Frame::new(SIZE, SIZE.0, picture, nanos, false).unwrap();
            for note in watcher.watch(&frame) {
                if note.kind != "motion" && note.phase == Phase::Begin {
                    faults.push((time, note.kind, note.text.clone()));
                }
                if note.phase != Phase::Mark {
                    println!(
                        "{:6.1} {:?} {:?} {}",
                        time, note.phase, note.region, note.text
                    );
                }
            }
            if watcher.moving() {
                told.push(time);
            }
        }
        let found = |&&(from, to): &&(f32, f32)| told.iter().any(|t| (from..=to).contains(t));
        let recall = zone.marked.iter().filter(found).count();
        // Told: a second later than it ends, and by the picture that follows upon quiet.
        let right = |&&time: &&f32| {
            let mut spans = zone.marked.iter().chain(zone.either);
            spans.any(|(from, to)| (from - 0.5..=to + QUIET + 1.0).contains(&time))
        };
        let precision = told.iter().filter(right).count();
        let marked = |time: &&f32| {
            zone.marked
                .iter()
                .any(|(from, to)| (from..=to).contains(time))
        };
        let times: Vec<f32> = (40..pictures.len()).map(|at| at as f32 * 0.5).collect();
        let pictures_marked = times.iter().filter(marked).count();
        let pictures_found = told.iter().filter(marked).count();
        println!(
            "{}: {recall} of {} intervals, {pictures_found} of their {pictures_marked} pictures; \
             {precision} of {} pictures told are right",
            zone.name,
            zone.marked.len(),
            told.len()
        );
        assert_eq!(precision, told.len(), "{told:?}");
        assert!(recall + 1 >= zone.marked.len() && recall > 0);
        assert!(pictures_found as f32 >= 0.65 * pictures_marked as f32);
        assert!(faults.is_empty(), "{faults:?}");
    }
}
