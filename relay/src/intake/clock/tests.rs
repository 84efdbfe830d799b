use proptest::prelude::*;

use super::reports::NTP_TO_UNIX_SECONDS;
use super::*;

const RATE: u32 = 90_000;
/// Monotonic time counts from anywhere.
const START: i64 = 86_400_000_000_000;
const MS: i64 = 1_000_000;

fn rate(hz: u32) -> NonZeroU32 {
    NonZeroU32::new(hz).unwrap()
}

/// A clock with one session.
struct One(Clock, SessionId);

impl One {
    fn new<const N: usize>(streams: [(usize, u32); N]) -> Self {
        let mut clock = Clock::new();
        let id = clock.begin(streams.map(|(stream, hz)| (stream, rate(hz))));
        Self(clock, id)
    }

    fn stamp(&mut self, stream: usize, ticks: i64, arrival: i64) -> Option<Stamp> {
        self.0.stamp(self.1, stream, ticks, arrival)
    }

    fn announced(&mut self, stream: usize, ticks: i64) {
        self.0.announced(self.1, stream, ticks);
    }

    fn sender_report(&mut self, stream: usize, ticks: i64, ntp: u64, arrival: i64) {
        self.0.sender_report(self.1, stream, ticks, ntp, arrival);
    }
}

fn clock() -> One {
    One::new([(0, RATE)])
}

fn at(nanos: i64) -> i64 {
    START + nanos
}

fn error(stamp: Option<Stamp>, truth: i64) -> i64 {
    stamp.unwrap().captured - START - truth
}

#[test]
fn units_that_waited_out_an_outage_get_their_true_time() {
    let mut clock = clock();
    for frame in 0..3000_i64 {
        let truth = frame * 40 * MS;
        // 30 ms on the way; everything captured in 10 s of outage arrives at its end.
        let outage = (1000..1250).contains(&frame);
        let arrival = truth.max(if outage { 50_000 * MS } else { 0 });
        let stamp = clock.stamp(0, frame * 3600, at(arrival + 30 * MS));
        let error = error(stamp, truth);
        assert!((0..=32 * MS).contains(&error), "frame {frame}: {error}");
        assert!(!stamp.unwrap().restarted);
    }
}

#[test]
fn skew_is_followed_both_ways() {
    for ppm in [-150_i64, 150] {
        let mut clock = clock();
        for second in 0..36_000_i64 {
            let truth = second * 1_000 * MS;
            let media = second * i64::from(RATE) * (1_000_000 + ppm) / 1_000_000;
            let error = error(clock.stamp(0, media, at(truth)), truth);
            assert!(error.abs() < MS, "{ppm} ppm, second {second}: {error}");
        }
    }
}

#[test]
fn a_jump_of_media_time_restarts_the_clock() {
    for jump in [-3_600_i64, 3_600, i64::from(u32::MAX), i64::MAX / 2_000_000] {
        let mut clock = clock();
        assert!(!clock.stamp(0, 0, at(0)).unwrap().restarted);
        assert!(!clock.stamp(0, 3600, at(40 * MS)).unwrap().restarted);
        let ticks = jump.saturating_mul(i64::from(RATE));
        let stamp = clock.stamp(0, ticks, at(80 * MS)).unwrap();
        assert!(stamp.restarted, "{jump}");
        assert_eq!(stamp.captured, at(80 * MS));
    }
}

#[test]
fn reordered_pictures_are_no_jump() {
    let mut clock = clock();
    for ticks in [0, 10_800, 3_600, 7_200, 21_600, 14_400, 18_000] {
        let arrival = at(ticks * 1_000_000_000 / i64::from(RATE));
        assert!(!clock.stamp(0, ticks, arrival).unwrap().restarted);
    }
}

/// A 64-bit NTP timestamp of `nanos` after an instant in 1970: the camera's clock was never
/// set.
fn ntp(nanos: i64) -> u64 {
    let nanos = (nanos + 5_000 * 1_000 * MS) as u64;
    let (seconds, rest) = (nanos / 1_000_000_000, nanos % 1_000_000_000);
    ((seconds + NTP_TO_UNIX_SECONDS as u64) << 32) | ((rest << 32) / 1_000_000_000)
}

#[test]
fn sender_reports_bring_sound_and_picture_together() {
    let mut clock = One::new([(0, RATE), (2, 8000)]);
    for step in 0..1000_i64 {
        let truth = step * 20 * MS;
        // Sound waits 180 ms longer, always; its media time begins anywhere.
        let picture = clock.stamp(0, step * 1800, at(truth + 30 * MS));
        let sound = clock.stamp(2, 77_777 + step * 160, at(truth + 210 * MS));
        let apart = error(sound, truth) - error(picture, truth);
        if step == 250 {
            clock.sender_report(0, step * 1800, ntp(truth), at(truth + 30 * MS));
            assert!((apart - 180 * MS).abs() < MS, "{apart}");
            clock.sender_report(2, 77_777 + step * 160, ntp(truth), at(truth + 30 * MS));
        }
        if step > 250 {
            assert!(apart.abs() < MS, "step {step}: {apart}");
            assert!((error(picture, truth) - 30 * MS).abs() < 3 * MS);
        }
    }
}

#[test]
fn what_play_announces_counts_from_the_first_unit() {
    let mut clock = One::new([(0, RATE), (1, 8000)]);
    clock.announced(0, 500);
    clock.announced(1, 77_777);
    for step in 0..100_i64 {
        let truth = step * 20 * MS;
        let picture = clock.stamp(0, 500 + step * 1800, at(truth + 30 * MS));
        let sound = clock.stamp(1, 77_777 + step * 160, at(truth + 210 * MS));
        assert!((error(picture, truth) - 30 * MS).abs() < MS);
        assert!((error(sound, truth) - 30 * MS).abs() < MS);
    }
}

#[test]
fn nonsense_in_the_answer_to_play_moves_nothing() {
    let mut clock = One::new([(0, RATE), (1, 8000)]);
    clock.announced(0, 500);
    clock.announced(1, 77_777 - 8000 * 300);
    for step in 0..100_i64 {
        let truth = step * 20 * MS;
        for stamp in [
            clock.stamp(0, 500 + step * 1800, at(truth + 30 * MS)),
            clock.stamp(1, 77_777 + step * 160, at(truth + 30 * MS)),
        ] {
            assert!((error(stamp, truth) - 30 * MS).abs() < MS);
        }
    }
}

#[test]
fn a_camera_clock_that_is_set_tears_nothing() {
    let mut clock = One::new([(0, RATE), (1, 8000)]);
    for second in 0..60_i64 {
        let truth = second * 1_000 * MS;
        // Set between the reports of the two tracks, by an hour and back.
        let set = |from: i64| {
            if (from..40).contains(&second) {
                3_600_000 * MS
            } else {
                0
            }
        };
        clock.sender_report(
            0,
            second * 90_000,
            ntp(truth + set(20)),
            at(truth + 30 * MS),
        );
        clock.sender_report(1, second * 8_000, ntp(truth + set(21)), at(truth + 30 * MS));
        for stamp in [
            clock.stamp(0, second * 90_000, at(truth + 30 * MS)),
            clock.stamp(1, second * 8_000, at(truth + 30 * MS)),
        ] {
            let error = error(stamp, truth);
            assert!(
                (29 * MS..42 * MS).contains(&error),
                "second {second}: {error}"
            );
        }
    }
}

/// Pictures of these seconds, 15 in each, with up to 20 ms of waiting; the errors of the stamps,
/// and how many restarted.
fn run(
    clock: &mut One,
    seconds: std::ops::Range<i64>,
    media: impl Fn(i64) -> i64,
    arrival: impl Fn(i64) -> i64,
) -> (Vec<i64>, usize) {
    let mut random = fastrand::Rng::with_seed(3);
    let mut errors = Vec::new();
    let mut restarts = 0;
    for frame in seconds.start * 15..seconds.end * 15 {
        let truth = frame * 1_000 * MS / 15;
        let ticks = media(truth) / 1000 * i64::from(RATE) / 1_000_000;
        let wait = random.i64(0..20 * MS);
        let stamp = clock.stamp(0, ticks, at(arrival(truth) + wait));
        restarts += usize::from(stamp.unwrap().restarted);
        errors.push(error(stamp, truth));
    }
    (errors, restarts)
}

fn same(truth: i64) -> i64 {
    truth
}

/// A clock that has seen ten minutes.
fn taught() -> One {
    let mut clock = clock();
    run(&mut clock, 0..600, same, same);
    clock
}

#[test]
fn small_jumps_of_media_time_are_seen_at_once() {
    for jump in [-1_000, -300, 300, 1_000] {
        let mut clock = taught();
        let (errors, restarts) = run(&mut clock, 600..900, |truth| truth + jump * MS, same);
        assert_eq!(restarts, 1, "{jump}");
        let (first, rest) = errors.split_at(30);
        assert!(first.iter().all(|error| (-MS..20 * MS).contains(error)));
        assert!(rest.iter().all(|error| error.abs() < 3 * MS), "{jump}");
    }
}

#[test]
fn a_jump_back_that_an_outage_hides_is_found_in_half_a_minute() {
    let mut clock = taught();
    let (errors, restarts) = run(&mut clock, 605..900, |truth| truth - 1_000 * MS, same);
    assert_eq!(restarts, 1);
    assert!(errors[..15 * 20].iter().all(|error| *error < -970 * MS));
    assert!(errors[15 * 40..].iter().all(|error| error.abs() < 5 * MS));
}

#[test]
fn reports_that_agree_keep_a_standing_delay_from_being_a_jump() {
    let mut clock = taught();
    clock.sender_report(0, 600 * 90_000, ntp(600_000 * MS), at(600_000 * MS));
    let late = |truth: i64| truth + 1_000 * MS;
    run(&mut clock, 605..610, same, late);
    clock.sender_report(0, 610 * 90_000, ntp(610_000 * MS), at(611_000 * MS));
    let (errors, restarts) = run(&mut clock, 610..900, same, late);
    assert_eq!(restarts, 0);
    assert!(errors.iter().all(|error| error.abs() < 20 * MS));
}

#[test]
fn a_queue_that_drains_slowly_is_no_jump() {
    let mut clock = taught();
    // 60 s behind, and five minutes until that is made up.
    let late = |truth: i64| truth + (60_000 * MS - (truth - 600_000 * MS) / 5).max(0);
    let (errors, restarts) = run(&mut clock, 600..1200, same, late);
    assert_eq!(restarts, 0);
    assert!(errors.iter().all(|error| error.abs() < 5 * MS));
}

#[test]
fn what_follows_on_a_queue_that_lost_its_rest_is_no_jump() {
    let mut clock = taught();
    // Of an outage of three minutes only the first two seconds were buffered.
    let end = 780_000 * MS;
    let burst = |truth: i64| end + (truth - 600_000 * MS) / 10;
    let (_, buffered) = run(&mut clock, 600..602, same, burst);
    let (errors, restarts) = run(&mut clock, 780..900, same, |truth| {
        truth.max(end + 250 * MS)
    });
    assert_eq!((buffered, restarts), (0, 0));
    assert!(errors.iter().all(|error| error.abs() < 5 * MS));
}

#[test]
fn a_session_that_is_tied_knows_what_the_one_before_learnt() {
    let mut one = taught();
    let old = one.1;
    one.1 = one.0.begin([(0, rate(RATE))]);
    let new = one.1;
    // Its media time begins elsewhere, and everything waits 400 ms.
    let elsewhere = |truth: i64| truth + 7_000_000 * MS;
    let late = |truth: i64| truth + 400 * MS;
    let (errors, _) = run(&mut one, 600..601, elsewhere, late);
    assert!(errors.iter().all(|error| *error >= 400 * MS));
    assert_eq!(one.0.offset(0, new, old), None);
    let ticks = 600 * 90_000;
    one.0.same(0, (old, ticks), (new, ticks + 7_000 * 90_000));
    one.0.end(old);
    let (errors, restarts) = run(&mut one, 601..700, elsewhere, late);
    assert!(errors.iter().all(|error| error.abs() < 3 * MS));
    assert_eq!(restarts, 0);
    let exactly = |ticks| {
        Some(AxisOffset {
            ticks,
            source: OffsetSource::Identity,
        })
    };
    assert_eq!(one.0.offset(0, new, old), exactly(-7_000 * 90_000));
    assert_eq!(one.0.offset(0, old, new), exactly(7_000 * 90_000));
    // And on to a third.
    let third = one.0.begin([(0, rate(RATE))]);
    one.0.same(0, (new, 500), (third, 200));
    assert_eq!(one.0.offset(0, third, old), exactly(300 - 7_000 * 90_000));
    // A claim that contradicts the first ties nothing, and the first is void.
    one.0.same(0, (new, 500), (third, 201));
    assert_eq!(one.0.offset(0, third, new), None);
}

#[test]
fn units_that_only_look_the_same_tie_nothing() {
    let mut one = taught();
    let old = one.1;
    one.1 = one.0.begin([(0, rate(RATE))]);
    run(&mut one, 600..601, same, same);
    // As if it had been captured five minutes earlier, or later.
    for apart in [-300, 300] {
        let claimed = (old, (600 + apart) * 90_000);
        one.0.same(0, claimed, (one.1, 600 * 90_000));
        assert_eq!(one.0.offset(0, one.1, old), None);
    }
}

#[test]
fn reports_tie_sessions_unless_the_clock_was_set() {
    for set in [0, 3_600_000 * MS, -5_000 * MS] {
        let mut one = clock();
        for minute in 0..10 {
            run(&mut one, minute * 60..minute * 60 + 60, same, same);
            let truth = (minute + 1) * 60_000 * MS;
            one.sender_report(0, truth / 100_000 * 9, ntp(truth), at(truth));
        }
        let old = one.1;
        one.0.end(old);
        one.1 = one.0.begin([(0, rate(RATE))]);
        let base = 40_000 * MS;
        let elsewhere = |truth: i64| truth + base;
        let waited = |truth: i64| if truth < 725_000 * MS { 400 * MS } else { 0 };
        let late = |truth: i64| truth + waited(truth);
        let report = |one: &mut One, truth: i64| {
            let ticks = (truth + base) / 100_000 * 9;
            one.sender_report(0, ticks, ntp(truth + set), at(late(truth)));
        };
        run(&mut one, 700..701, elsewhere, late);
        report(&mut one, 701_000 * MS);
        let (errors, _) = run(&mut one, 701..720, elsewhere, late);
        report(&mut one, 720_000 * MS);
        run(&mut one, 720..740, elsewhere, late);
        let clock = one.0.camera_clock(-START).unwrap();
        // `ntp` counts from 5000 s after 1970.
        let error = clock.offset_nanos - 5_000_000 * MS - set;
        assert!(error.abs() < 20 * MS, "{set}: {error}");
        assert!(clock.plausible);
        assert_eq!(clock.steps, u64::from(set != 0), "{set}");
        let tied = one.0.offset(0, one.1, old);
        if set == 0 {
            assert!(errors.iter().all(|error| error.abs() < 3 * MS));
            let tied = tied.unwrap();
            assert_eq!(tied.source, OffsetSource::Reports);
            assert!((tied.ticks + 40 * 90_000).abs() < 90, "{tied:?}");
        } else {
            assert_eq!(tied, None);
        }
    }
}

#[test]
fn sound_follows_the_picture_into_the_next_session() {
    let mut one = One::new([(0, RATE), (1, 8000)]);
    // Sound waits 180 ms longer, always. Media times begin elsewhere in the second session.
    let step = |one: &mut One, base: i64, truth: i64| {
        let picture = one.stamp(0, base + truth / 100_000 * 9, at(truth + 30 * MS));
        let sound = one.stamp(1, 77 * base + truth / 125_000, at(truth + 210 * MS));
        (error(picture, truth), error(sound, truth))
    };
    for frame in 0..5000 {
        step(&mut one, 0, frame * 40 * MS);
    }
    let old = one.1;
    one.1 = one.0.begin([(0, rate(RATE)), (1, rate(8000))]);
    let (new, base) = (one.1, 900_000);
    one.announced(0, base);
    one.announced(1, 77 * base);
    let begin = 200_000 * MS;
    step(&mut one, base, begin);
    let ticks = begin / 100_000 * 9;
    one.0.same(0, (old, ticks), (new, base + ticks));
    one.0.end(old);
    for frame in 1..500 {
        let (picture, sound) = step(&mut one, base, begin + frame * 40 * MS);
        assert!((picture - 30 * MS).abs() < MS, "{frame}: {picture}");
        assert!((sound - 30 * MS).abs() < MS, "{frame}: {sound}");
    }
}

#[test]
fn reports_carry_sound_and_picture_into_the_next_session() {
    let mut one = One::new([(0, RATE), (1, 8000)]);
    let step = |one: &mut One, base: i64, truth: i64| {
        let ticks = [base + truth / 100_000 * 9, 77 * base + truth / 125_000];
        let picture = one.stamp(0, ticks[0], at(truth + 30 * MS));
        let sound = one.stamp(1, ticks[1], at(truth + 210 * MS));
        if truth % (5_000 * MS) == 0 {
            one.sender_report(0, ticks[0], ntp(truth), at(truth + 30 * MS));
            one.sender_report(1, ticks[1], ntp(truth), at(truth + 30 * MS));
        }
        (error(picture, truth), error(sound, truth))
    };
    for frame in 0..5000 {
        step(&mut one, 0, frame * 40 * MS);
    }
    let old = one.1;
    one.0.end(old);
    one.1 = one.0.begin([(0, rate(RATE)), (1, rate(8000))]);
    for frame in 0..2500 {
        let (picture, sound) = step(&mut one, 900_000, 300_000 * MS + frame * 40 * MS);
        assert!((picture - 30 * MS).abs() < MS, "{frame}: {picture}");
        assert!(
            frame == 0 || (sound - 30 * MS).abs() < MS,
            "{frame}: {sound}"
        );
    }
    assert_eq!(one.0.camera_clock(0).unwrap().steps, 0);
    for stream in [0, 1] {
        let offset = one.0.offset(stream, one.1, old).unwrap();
        assert_eq!(offset.source, OffsetSource::Reports);
    }
}

#[test]
fn the_next_era_of_ntp_is_no_step() {
    let mut clock = clock();
    // Era 1 begins 300 s after the first report (RFC 5905 §6).
    for second in (0..600_i64).step_by(5) {
        let truth = second * 1_000 * MS;
        clock.stamp(0, second * 90_000, at(truth));
        let seconds = (u64::from(u32::MAX) + 1 - 300 + second as u64) & 0xffff_ffff;
        // 0 itself means that there is no clock: half a second is put on.
        clock.sender_report(0, second * 90_000, (seconds << 32) | 1 << 31, at(truth));
    }
    let camera = clock.0.camera_clock(-START).unwrap();
    // 2036-02-07 06:28:16 UTC is 2 085 978 496 s after 1970.
    let offset = (2_085_978_496 - 300) * 1_000 * MS + 500 * MS;
    assert!((camera.offset_nanos - offset).abs() < MS, "{camera:?}");
    assert_eq!((camera.steps, camera.plausible), (0, true));
}

#[test]
fn a_stamp_tells_what_it_rests_on() {
    let mut clock = clock();
    let first = clock.stamp(0, 0, at(0)).unwrap();
    assert_eq!(first.source, StampSource::Arrival);
    assert_eq!(first.uncertainty_nanos, 2_050_000_000);
    run(&mut clock, 0..600, same, same);
    let learnt = clock.stamp(0, 600 * 90_000, at(600_000 * MS)).unwrap();
    assert_eq!(learnt.source, StampSource::Envelope);
    assert!((50_000_000..51_000_000).contains(&learnt.uncertainty_nanos));
    assert_eq!(clock.stamp(1, 0, 0), None);
}

#[test]
fn old_sessions_are_forgotten() {
    let mut clock = Clock::new();
    let ids = [(); 10].map(|()| {
        let id = clock.begin([(0, rate(RATE)), (1, rate(8000))]);
        clock.end(id);
        id
    });
    assert_eq!(clock.stamp(ids[0], 0, 0, 0), None);
    assert!(clock.stamp(ids[9], 0, 0, 0).is_some());
    assert_eq!((clock.sessions.len(), clock.axes.len()), (4, 8));
}

#[derive(Debug, Clone)]
enum Event {
    Begin,
    End(u64),
    Stamp(u64, usize, i64, i64),
    Announced(u64, usize, i64),
    Report(u64, usize, i64, u64, i64),
    Same(usize, (u64, i64), (u64, i64)),
}

fn events() -> impl Strategy<Value = Vec<Event>> {
    let time = || {
        prop_oneof![
            4 => -100_000_000_i64..100_000_000,
            2 => any::<i64>(),
            1 => Just(i64::MAX),
            1 => Just(i64::MIN),
        ]
    };
    let one = || (0_u64..6, time());
    let event = prop_oneof![
        1 => Just(Event::Begin),
        1 => (0_u64..6).prop_map(Event::End),
        9 => (one(), 0_usize..3, time())
            .prop_map(|((id, ticks), stream, at)| Event::Stamp(id, stream, ticks, at)),
        1 => (one(), 0_usize..3)
            .prop_map(|((id, ticks), stream)| Event::Announced(id, stream, ticks)),
        3 => (one(), 0_usize..3, any::<u64>(), time())
            .prop_map(|((id, ticks), stream, ntp, at)| Event::Report(id, stream, ticks, ntp, at)),
        2 => (0_usize..3, one(), one())
            .prop_map(|(stream, old, new)| Event::Same(stream, old, new)),
    ];
    prop::collection::vec(event, 0..120)
}

proptest! {
    /// Whatever comes, in whatever order: nothing panics, no unit is captured after it arrived,
    /// and what is kept is bounded.
    #[test]
    fn anything_may_come(events in events()) {
        let mut clock = Clock::new();
        let id = SessionId;
        for event in events {
            match event {
                Event::Begin => {
                    clock.begin([(0, rate(RATE)), (1, rate(8000)), (2, rate(1))]);
                }
                Event::End(session) => clock.end(id(session)),
                Event::Stamp(session, stream, ticks, arrival) => {
                    if let Some(stamp) = clock.stamp(id(session), stream, ticks, arrival) {
                        prop_assert!(stamp.captured <= arrival);
                        prop_assert!(stamp.uncertainty_nanos >= UNCERTAINTY_NANOS_MIN);
                    }
                }
                Event::Announced(session, stream, ticks) => {
                    clock.announced(id(session), stream, ticks);
                }
                Event::Report(session, stream, ticks, ntp, arrival) => {
                    clock.sender_report(id(session), stream, ticks, ntp, arrival);
                }
                Event::Same(stream, old, new) => {
                    clock.same(stream, (id(old.0), old.1), (id(new.0), new.1));
                }
            }
            if let Some(offset) = clock.offset(0, id(0), id(1)) {
                let back = clock.offset(0, id(1), id(0));
                prop_assert_eq!(back.map(|back| back.source), Some(offset.source));
            }
            let steps = clock.camera_clock(0).map_or(0, |camera| camera.steps);
            prop_assert!(steps <= clock.steps);
            prop_assert!(clock.sessions.len() <= SESSIONS_MAX);
            prop_assert!(clock.axes.len() <= 3 * SESSIONS_MAX);
        }
    }

    /// Media time that goes on steadily gives stamps that go on, but for what the line falls where
    /// a unit waits less than all before; and none is before its capture by more than the skew
    /// that is not known yet.
    #[test]
    fn stamps_follow_media_time(
        waits in prop::collection::vec(0_i64..40, 2..600),
        ppm in -190_i64..190,
    ) {
        let mut clock = clock();
        let mut before = i64::MIN;
        for (frame, wait) in waits.into_iter().enumerate() {
            let truth = frame as i64 * 200 * MS;
            let media = truth + truth / 1_000_000 * ppm;
            let stamp = clock.stamp(0, media / 100_000 * 9, at(truth + wait * MS)).unwrap();
            prop_assert!(!stamp.restarted);
            prop_assert!(stamp.captured > before.saturating_sub(45 * MS), "frame {}", frame);
            let early = truth - (stamp.captured - START);
            prop_assert!(early < 30 * MS, "frame {}: {}", frame, early);
            before = stamp.captured;
        }
    }
}

#[test]
fn a_camera_that_restarts_with_its_clock_set_back_is_not_in_the_past() {
    for back_seconds in [25, 3_600, 1_700_000_000_i64] {
        let mut clock = Clock::new();
        for (session, begin) in [(0, 0), (1, 100)] {
            let id = clock.begin([(0, rate(RATE))]);
            let set_back = session * back_seconds * 1_000 * MS;
            for frame in 0..500_i64 {
                let truth = begin * 1_000 * MS + frame * 40 * MS;
                if frame % 125 == 0 {
                    let camera = 1_800_000_000_000 * MS + truth - set_back;
                    let (seconds, rest) = (camera / 1_000_000_000, camera % 1_000_000_000);
                    let seconds = (seconds + NTP_TO_UNIX_SECONDS) as u64;
                    let ntp = (seconds << 32) | (((rest as u64) << 32) / 1_000_000_000);
                    clock.sender_report(id, 0, frame * 3600, ntp, at(truth + 30 * MS));
                }
                let stamp = clock.stamp(id, 0, frame * 3600, at(truth + 30 * MS));
                let error = error(stamp, truth);
                assert!((0..=32 * MS).contains(&error), "{back_seconds} s: {error}");
            }
            clock.end(id);
        }
    }
}
