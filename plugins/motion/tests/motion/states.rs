//! When states begin and end, and that they do.

use forebay_motion::frame::Frame;
use forebay_motion::watcher::{Note, Phase, Watcher};

use crate::health::{SIZE, blurred, frame, moved, noisy, still};
use crate::scene::Scene;

/// Half seconds between key frames.
const GROUP: usize = 8;
/// Grey levels: a good camera by day.
const NOISE: f32 = 0.8;

/// A camera, its watcher and the time.
struct Site {
    scene: Scene,
    watcher: Watcher,
    /// Half seconds.
    now: usize,
}

impl Site {
    fn new(seed: u64, settings: &str) -> Self {
        Self {
            scene: still(seed, NOISE),
            watcher: Watcher::new(serde_json::from_str(settings).unwrap()),
            now: 0,
        }
    }

    fn view(&self) -> Vec<f32> {
        self.scene.view.seen(SIZE, 0.0, 0.0)
    }

    fn watch(&mut self, picture: &[u8], key: bool) -> Vec<Note> {
        let notes = self
            .watcher
            .watch(&frame(picture, self.now as f32 * 0.5, key));
        for note in &notes {
            println!(
                "{:6.1} {:?} {} at {:.1}: {}",
                self.now as f32 * 0.5,
                note.phase,
                note.kind,
                seconds(note),
                note.text
            );
        }
        self.now += 1;
        notes
    }

    /// What is said while a view is shown for some seconds.
    fn show(&mut self, levels: &[f32], seconds: usize) -> Vec<Note> {
        let mut notes = Vec::new();
        for _ in 0..seconds * 2 {
            let picture = noisy(&mut self.scene, levels, NOISE);
            notes.extend(self.watch(&picture, self.now.is_multiple_of(GROUP)));
        }
        notes
    }
}

fn seconds(note: &Note) -> f64 {
    note.at_nanos as f64 / 1e9
}

/// Findings of a kind, as phase and text.
fn of<'a>(notes: &'a [Note], kind: &str) -> Vec<(Phase, &'a str)> {
    let own = notes.iter().filter(|note| note.kind == kind);
    own.map(|note| (note.phase, note.text.as_str())).collect()
}

fn phases(notes: &[Note], kind: &str) -> Vec<Phase> {
    of(notes, kind).iter().map(|(phase, _)| *phase).collect()
}

const RELEARN: &str = r#"{"health": {"relearn_minutes": 1}}"#;

/// A camera is knocked: it looks elsewhere, and out of focus. Both are got used to, and a worse
/// focus is seen after that.
#[test]
fn a_view_that_is_learned_anew_is_blurred_no_more() {
    let mut site = Site::new(80, RELEARN);
    let sharp = site.view();
    assert_eq!(site.show(&sharp, 60), []);
    let knocked = site.scene.view.seen(SIZE, -9.0, 2.0);
    let soft = blurred(&knocked, 1.0);
    let notes = site.show(&soft, 150);
    let both = [Phase::Begin, Phase::End];
    assert_eq!(phases(&notes, "moved"), both);
    assert_eq!(phases(&notes, "blurred"), both);
    let text = "after 1 min this is taken for the view from now on";
    assert_eq!(of(&notes, "blurred")[1].1, text);
    let notes = site.show(&blurred(&knocked, 4.0), 40);
    assert_eq!(phases(&notes, "blurred"), [Phase::Begin]);
}

#[test]
fn pictures_of_another_size_are_another_view() {
    let mut site = Site::new(81, "{}");
    let sharp = site.view();
    assert_eq!(site.show(&sharp, 60), []);
    let notes = site.show(&blurred(&sharp, 2.0), 20);
    assert_eq!(phases(&notes, "blurred"), [Phase::Begin]);
    let small: Vec<u8> = noisy(&mut site.scene, &sharp, NOISE)[..320 * 180].to_vec();
    let frame = Frame::new((320, 180), 320, &small, 90_000_000_000, true).unwrap();
    let notes = site.watcher.watch(&frame);
    let end = (Phase::End, "pictures of another size come");
    assert_eq!(of(&notes, "blurred"), [end]);
    assert_eq!(notes.last().unwrap().at_nanos, 90_000_000_000);
}

/// While a blur was about to be told, the light changes to one that has never been.
#[test]
fn a_new_kind_of_light_is_learned_after_a_blur() {
    let mut site = Site::new(82, "{}");
    let sharp = site.view();
    let dim: Vec<f32> = sharp.iter().map(|level| level * 0.4).collect();
    assert_eq!(site.show(&sharp, 60), []);
    let notes = site.show(&blurred(&sharp, 2.0), 6);
    assert_eq!(phases(&notes, "blurred"), []);
    assert_eq!(phases(&site.show(&dim, 60), "blurred"), []);
    let notes = site.show(&blurred(&dim, 2.0), 30);
    assert_eq!(phases(&notes, "blurred"), [Phase::Begin]);
}

/// As an encoder that is set to a lower rate, or a lens that nobody cleans.
#[test]
fn a_blur_that_stays_is_got_used_to() {
    let mut site = Site::new(83, RELEARN);
    let sharp = site.view();
    let soft = blurred(&sharp, 1.0);
    assert_eq!(site.show(&sharp, 60), []);
    let notes = site.show(&soft, 180);
    let text = "after 1 min this is taken for the usual sharpness from now on";
    assert_eq!(phases(&notes, "blurred"), [Phase::Begin, Phase::End]);
    assert_eq!(of(&notes, "blurred")[1].1, text);
    let notes = site.show(&blurred(&sharp, 4.0), 40);
    assert_eq!(phases(&notes, "blurred"), [Phase::Begin]);
}

#[test]
fn snow_is_got_used_to_and_a_white_picture_is_not() {
    for (gain, offset, lasting) in [(1.0, 135.0, false), (0.0, 255.0, true)] {
        let mut site = Site::new(84, RELEARN);
        let clear = site.view();
        assert_eq!(site.show(&clear, 60), []);
        let white: Vec<f32> = clear.iter().map(|level| level * gain + offset).collect();
        let notes = site.show(&white, 180);
        let ends = [Phase::Begin, Phase::End];
        let expected = &ends[..2 - usize::from(lasting)];
        assert_eq!(phases(&notes, "blinded"), expected);
        if !lasting {
            let text = "after 1 min this is taken for the usual light from now on";
            assert_eq!(of(&notes, "blinded")[1].1, text);
        }
    }
}

/// Each begins with the first picture that shows it and ends with the first that doesn't, as far
/// as it is looked for each two seconds.
#[test]
fn findings_carry_the_instant_of_the_turn() {
    let mut site = Site::new(85, "{}");
    let sharp = site.view();
    let harms: [(&str, Vec<f32>, f64); 5] = [
        ("dark", sharp.iter().map(|l| l * 0.06).collect(), 0.0),
        (
            "blinded",
            sharp.iter().map(|l| l * 1.5 + 90.0).collect(),
            0.0,
        ),
        ("blurred", blurred(&sharp, 2.0), 2.0),
        ("covered", vec![110.0; sharp.len()], 2.0),
        ("moved", site.scene.view.seen(SIZE, 12.0, -4.0), 2.0),
    ];
    assert_eq!(site.show(&sharp, 60), []);
    for (kind, harmed, late) in harms {
        for (levels, phase) in [(&harmed, Phase::Begin), (&sharp, Phase::End)] {
            let turned = site.now as f64 * 0.5;
            let notes = site.show(levels, 40);
            let own: Vec<_> = notes.iter().filter(|note| note.kind == kind).collect();
            assert_eq!(own.len(), 1, "{kind} {phase:?}");
            assert_eq!(own[0].phase, phase, "{kind}");
            let off = seconds(own[0]) - turned;
            assert!((0.0..=late).contains(&off), "{kind} {phase:?}: {off}");
        }
    }
    // Frozen: the same picture from the first one on, which is no key frame.
    site.show(&sharp, 1);
    let last = noisy(&mut site.scene, &sharp, NOISE);
    let frozen = site.now as f64 * 0.5;
    let mut notes = Vec::new();
    for _ in 0..40 {
        notes.extend(site.watch(&last, site.now.is_multiple_of(GROUP)));
    }
    let live = site.now as f64 * 0.5;
    notes.extend(site.show(&sharp, 1));
    let own = notes.iter().filter(|note| note.kind == "frozen");
    let told: Vec<_> = own.map(|note| (note.phase, seconds(note))).collect();
    assert_eq!(told, [(Phase::Begin, frozen), (Phase::End, live)]);
}

/// A still view without much noise, of which nothing is coded between key frames.
#[test]
fn a_still_view_is_not_frozen_however_far_key_frames_are_apart() {
    for group in [20, 50, 100] {
        let mut site = Site::new(86, "{}");
        let sharp = site.view();
        let mut shown = Vec::new();
        for at in 0..5 * group {
            if at % group == 0 {
                shown = noisy(&mut site.scene, &sharp, 0.6);
            }
            let notes = site.watch(&shown, at % group == 0);
            assert_eq!(notes, [], "group of {group}");
        }
        // It freezes.
        let begin = site.now;
        let mut found = None;
        while found.is_none() && site.now < begin + 10 * group {
            let notes = site.watch(&shown, site.now.is_multiple_of(group));
            found = notes
                .iter()
                .find(|note| note.kind == "frozen")
                .map(|_| site.now);
        }
        // Two key frames of the run tell.
        let took = found.unwrap() - begin;
        assert!(took <= 2 * group, "{took} of a group of {group}");
    }
}

#[test]
fn without_key_frames_a_frozen_camera_gets_a_minute() {
    let mut site = Site::new(87, "{}");
    for _ in 0..60 {
        let picture = moved(&mut site.scene, 0.0, 0.0);
        assert_eq!(site.watch(&picture, false), []);
    }
    let last = moved(&mut site.scene, 0.0, 0.0);
    let mut told = Vec::new();
    for _ in 0..160 {
        let now = site.now;
        told.extend(site.watch(&last, false).into_iter().map(|note| (now, note)));
    }
    assert_eq!(told.len(), 1);
    let (now, note) = &told[0];
    assert_eq!((note.kind, note.phase), ("frozen", Phase::Begin));
    assert_eq!((*now, note.at_nanos), (180, 30_000_000_000));
}

/// Clipped pictures are equal to the bit.
#[test]
fn black_and_white_pictures_are_not_frozen() {
    for (offset, kind) in [(-255.0, "dark"), (255.0, "blinded")] {
        for told in [true, false] {
            let settings = format!(r#"{{"health": {{"{kind}": {told}}}}}"#);
            let mut site = Site::new(88, &settings);
            let clear = site.view();
            assert_eq!(site.show(&clear, 60), []);
            let clipped: Vec<f32> = clear.iter().map(|level| level + offset).collect();
            let notes = site.show(&clipped, 60);
            let expected = if told {
                vec![(kind, Phase::Begin)]
            } else {
                vec![]
            };
            let said: Vec<_> = notes.iter().map(|note| (note.kind, note.phase)).collect();
            assert_eq!(said, expected);
        }
    }
}
