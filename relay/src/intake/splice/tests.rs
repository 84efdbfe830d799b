use proptest::prelude::*;

use super::*;

const RATE: u32 = 90_000;
const STEP: i64 = 3600;
const NANOS: i64 = 40_000_000;
const GROUP: i64 = 25;

/// Picture `number` of the camera's one encoder, as a session hands it over whose media times are
/// `shift` ticks off.
fn picture(number: i64, shift: i64) -> Passed {
    let mut payload = vec![0; 100];
    payload[..8].copy_from_slice(&number.to_be_bytes());
    Passed {
        stream: 0,
        kind: TrackKind::Video,
        media_time: number * STEP + shift,
        clock_rate: RATE,
        duration: 0,
        captured: number * NANOS,
        uncertainty_nanos: 0,
        random_access: number % GROUP == 0,
        discontinuity: false,
        restarted: false,
        packets_lost: 0,
        delayed: 0,
        parameters: None,
        payload: payload.into(),
    }
}

/// 20 ms of sound; two frames a picture.
fn sound(number: i64, shift: i64) -> Passed {
    Passed {
        stream: 1,
        kind: TrackKind::Audio,
        media_time: number * 160 + shift,
        clock_rate: 8000,
        duration: 160,
        captured: number * 20_000_000,
        random_access: true,
        payload: vec![0xff; 160].into(),
        ..picture(0, 0)
    }
}

fn number(unit: &Passed) -> i64 {
    i64::from_be_bytes(unit.payload[..8].try_into().unwrap())
}

fn numbers(out: &[Out]) -> Vec<i64> {
    out.iter()
        .filter(|out| out.unit.kind == TrackKind::Video)
        .map(|out| number(&out.unit))
        .collect()
}

fn unknown(_: TrackKind) -> Option<i64> {
    None
}

/// A splice whose first session has let `0..until` out.
fn begun(until: i64) -> (Splice, Vec<Out>) {
    let mut splice = Splice::new(1 << 20);
    let mut out = Vec::new();
    splice.take_over(true, unknown, &mut out);
    for number in 0..until {
        assert_eq!(splice.kept(picture(number, 0), &mut out), Verdict::GoOn);
    }
    assert_eq!(numbers(&out), (0..until).collect::<Vec<_>>());
    assert!(out[0].discontinuity && out[0].new_timeline);
    assert!(
        !out[1..]
            .iter()
            .any(|out| out.discontinuity || out.new_timeline)
    );
    (splice, out)
}

/// Times on the one axis let out, without a new timeline, are those of the first session.
fn assert_one_axis(out: &[Out]) {
    for out in out {
        assert_eq!(out.unit.media_time, number(&out.unit) * STEP);
    }
}

#[test]
fn what_the_old_session_drains_is_used_up_to_the_new_ones_first_picture() {
    let (mut splice, mut out) = begun(30);
    // The fresh one begins at 75; the kept one still has all from 30 on.
    for number in 75..90 {
        assert_eq!(splice.fresh(picture(number, 777)), Verdict::GoOn);
    }
    for number in 30..75 {
        assert_eq!(splice.kept(picture(number, 0), &mut out), Verdict::GoOn);
    }
    assert_eq!(splice.kept(picture(75, 0), &mut out), Verdict::Reached);
    splice.take_over(true, unknown, &mut out);
    assert_eq!(
        splice.take_tie(),
        Some(Tie {
            kept: (0, 75 * STEP),
            fresh: (0, 75 * STEP + 777)
        })
    );
    for number in 90..100 {
        splice.kept(picture(number, 777), &mut out);
    }
    assert_eq!(numbers(&out), (0..100).collect::<Vec<_>>());
    assert!(
        !out[1..]
            .iter()
            .any(|out| out.discontinuity || out.new_timeline)
    );
    assert_one_axis(&out);
}

#[test]
fn a_session_that_begins_in_the_past_repeats_nothing() {
    let (mut splice, mut out) = begun(60);
    // The camera sends the running group from its key frame, which is out already.
    let mut verdicts: Vec<_> = (50..70).map(|n| splice.fresh(picture(n, -5000))).collect();
    verdicts.dedup();
    assert_eq!(verdicts, [Verdict::Reached]);
    splice.take_over(true, unknown, &mut out);
    assert_eq!(numbers(&out), (0..70).collect::<Vec<_>>());
    assert!(!out[1..].iter().any(|out| out.discontinuity));
    assert_one_axis(&out);
}

#[test]
fn what_neither_has_is_marked() {
    let (mut splice, mut out) = begun(30);
    // The camera dropped 30 to 74; the kept session goes on at 75 and dies.
    for number in 75..80 {
        splice.kept(picture(number, 0), &mut out);
    }
    assert!(out[30].discontinuity && !out[30].new_timeline);
    assert_eq!(out[30].missing_since, Some(30 * NANOS));
    for number in 100..110 {
        splice.fresh(picture(number, 9));
    }
    splice.take_over(true, unknown, &mut out);
    let seam = &out[35];
    assert_eq!(number(&seam.unit), 100);
    assert!(seam.discontinuity && seam.new_timeline);
    assert_eq!(seam.missing_since, Some(80 * NANOS));
}

#[test]
fn wrong_capture_times_hold_nothing_back_for_long() {
    let (mut splice, mut out) = begun(1000);
    splice.take_over(true, unknown, &mut out);
    for number in 1000..1200 {
        let unit = picture(number, 31);
        let captured = unit.captured - 3_600_000_000_000;
        splice.kept(Passed { captured, ..unit }, &mut out);
    }
    let seam = &out[1000];
    assert_eq!(number(&seam.unit), 1100);
    assert!(seam.new_timeline && seam.discontinuity);
    assert_eq!(out.len(), 1100);
}

#[test]
fn sender_reports_tie_what_has_no_picture_in_common() {
    let (mut splice, mut out) = begun(30);
    for number in 50..60 {
        splice.fresh(picture(number, 500));
    }
    // Off by 2 ms.
    splice.take_over(true, |_| Some(-500 + 180), &mut out);
    let seam = &out[30];
    assert!(seam.discontinuity && !seam.new_timeline);
    assert_eq!(seam.unit.media_time, 50 * STEP + 180);
}

#[test]
fn sound_goes_with_its_picture() {
    let mut splice = Splice::new(1 << 20);
    let mut out = Vec::new();
    splice.take_over(true, unknown, &mut out);
    // Before the first picture sound waits: it must not open a timeline of its own.
    splice.kept(sound(0, 0), &mut out);
    assert!(out.is_empty());
    for number in 0..30 {
        splice.kept(picture(number, 0), &mut out);
        for half in [0, 1] {
            splice.kept(sound(2 * number + half, 0), &mut out);
        }
    }
    for number in 25..40 {
        splice.fresh(picture(number, 100));
        for half in [0, 1] {
            splice.fresh(sound(2 * number + half, 31));
        }
    }
    splice.take_over(true, unknown, &mut out);
    assert_eq!(numbers(&out), (0..40).collect::<Vec<_>>());
    let sounds: Vec<_> = out
        .iter()
        .filter(|out| out.unit.kind == TrackKind::Audio)
        .map(|out| out.unit.media_time)
        .collect();
    // The first came twice above.
    assert_eq!(sounds[1..], (0..80).map(|n| n * 160).collect::<Vec<_>>());
}

#[test]
fn pictures_that_stand_still_tie_nothing() {
    let (mut splice, mut out) = begun(1);
    let still = |number: i64, shift| Passed {
        random_access: true,
        payload: vec![7; 100].into(),
        ..picture(number, shift)
    };
    for number in 1..10 {
        splice.kept(still(number, 0), &mut out);
    }
    for number in 8..12 {
        assert_eq!(splice.fresh(still(number, 40)), Verdict::GoOn);
    }
    splice.take_over(true, unknown, &mut out);
    assert_eq!(splice.take_tie(), None);
    let captured: Vec<_> = out.iter().map(|out| out.unit.captured / NANOS).collect();
    assert_eq!(captured, (0..12).collect::<Vec<_>>());
}

#[test]
fn a_camera_that_slows_down_makes_one_hole_or_two() {
    for slower in [3, 8, 12] {
        let (mut splice, mut out) = begun(100);
        let first = out.len();
        for step in 1..200 {
            let number = 99 + step * slower;
            let unit = picture(number, 0);
            let random_access = step % 25 == 0;
            splice.kept(
                Passed {
                    random_access,
                    ..unit
                },
                &mut out,
            );
        }
        let holes = out[first..].iter().filter(|out| out.discontinuity).count();
        assert!(holes <= 2, "{holes} at every {slower}th picture");
    }
}

#[test]
fn a_full_queue_takes_over() {
    let (mut splice, _) = begun(10);
    let mut small = Splice {
        bytes_max: 1000,
        ..Splice::new(0)
    };
    std::mem::swap(&mut splice.marks, &mut small.marks);
    assert_eq!(small.fresh(picture(125, 0)), Verdict::GoOn);
    assert_eq!(small.fresh(picture(126, 0)), Verdict::GoOn);
    assert_eq!(small.fresh(picture(127, 0)), Verdict::Reached);
}

#[derive(Debug, Clone)]
enum Move {
    /// The kept session loses so many pictures at the camera, whole groups.
    Skip(i64),
    /// It sends so many.
    Send(i64),
    /// A fresh one begins at the key frame so many groups from the newest sent, and gets so many.
    Hedge(i64, i64),
    /// The kept one dies, and the fresh one, if any, goes on.
    Die,
    /// A session alone begins.
    Anew(i64),
}

fn moves() -> impl Strategy<Value = Vec<Move>> {
    let one = prop_oneof![
        2 => (1_i64..4).prop_map(Move::Skip),
        6 => (1_i64..80).prop_map(Move::Send),
        3 => ((-1_i64..4), 1_i64..60).prop_map(|(from, count)| Move::Hedge(from, count)),
        2 => Just(Move::Die),
        1 => (-2_i64..3).prop_map(Move::Anew),
    ];
    prop::collection::vec(one, 1..40)
}

/// Drives a splice as a camera's task does, and checks what comes out.
struct Model {
    splice: Splice,
    out: Vec<Out>,
    kept: Option<(i64, i64)>,
    fresh: Option<(i64, i64)>,
    sessions: i64,
}

impl Model {
    fn shift(&mut self) -> i64 {
        self.sessions += 1;
        self.sessions * 1_000_003
    }

    fn take_over(&mut self) {
        self.kept = self.fresh.take();
        self.splice.take_over(true, unknown, &mut self.out);
    }

    fn newest(&self) -> i64 {
        let newest = self.out.iter().map(|out| number(&out.unit)).max();
        newest.unwrap_or(0)
    }

    fn play(&mut self, step: Move) {
        match step {
            Move::Skip(groups) => {
                if let Some((next, _)) = &mut self.kept {
                    *next = (*next / GROUP + groups) * GROUP;
                }
            }
            Move::Send(count) => {
                for _ in 0..count {
                    let Some((next, shift)) = &mut self.kept else {
                        return;
                    };
                    let unit = picture(*next, *shift);
                    *next += 1;
                    if self.splice.kept(unit, &mut self.out) == Verdict::Reached {
                        self.take_over();
                    }
                }
            }
            Move::Hedge(groups, count) => {
                if self.fresh.is_none() && self.kept.is_some() {
                    let begin = (self.newest() / GROUP + groups).max(0) * GROUP;
                    self.fresh = Some((begin, self.shift()));
                }
                for _ in 0..count {
                    let Some((next, shift)) = &mut self.fresh else {
                        return;
                    };
                    let unit = picture(*next, *shift);
                    *next += 1;
                    if self.splice.fresh(unit) == Verdict::Reached {
                        self.take_over();
                    }
                }
            }
            Move::Die if self.fresh.is_some() => self.take_over(),
            Move::Die => self.kept = None,
            Move::Anew(groups) => {
                if self.kept.is_none() {
                    let begin = (self.newest() / GROUP + groups).max(0) * GROUP;
                    self.kept = Some((begin, self.shift()));
                    self.splice.take_over(true, unknown, &mut self.out);
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]
    /// Whatever the sessions do: no picture twice, none out of order, each hole marked, nothing
    /// marked without a hole but a new timeline, and one axis within a timeline.
    #[test]
    fn one_stream(moves in moves()) {
        let mut splice = Splice::new(1 << 20);
        let mut out = Vec::new();
        splice.take_over(true, unknown, &mut out);
        let mut model = Model { splice, out, kept: Some((0, 0)), fresh: None, sessions: 0 };
        for step in moves {
            model.play(step);
        }
        let mut before: Option<&Out> = None;
        for out in &model.out {
            if let Some(before) = before {
                let step = number(&out.unit) - number(&before.unit);
                prop_assert!(step > 0, "{} after {}", number(&out.unit), number(&before.unit));
                // One alone may be a camera that slows down.
                prop_assert!(step <= 2 || out.discontinuity && out.unit.random_access);
                prop_assert!(!out.discontinuity || step > 1 || out.new_timeline);
                if !out.new_timeline {
                    let media = out.unit.media_time - before.unit.media_time;
                    prop_assert_eq!(media, step * STEP);
                }
            }
            before = Some(out);
        }
    }
}
