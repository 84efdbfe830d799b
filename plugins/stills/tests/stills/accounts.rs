//! Every wanted instant has a still, a late one, or is told to be missed.

use proptest::prelude::*;

use crate::support::{ARCTIC, DAY, HOUR, MINUTE, SECOND, at, schedule};
use crate::world::World;

const ZONE: &str = "Europe/Oslo";

fn world(json: &str, begin: &str) -> World {
    World::new(schedule(json, ZONE, None), ZONE, begin)
}

fn ten_minutes() -> World {
    world("{}", "2026-05-04T08:01:00+02:00")
}

fn time(clock: &str) -> i64 {
    at(&format!("2026-05-04T{clock}+02:00"))
}

#[test]
fn every_instant_gets_the_nearest_key_frame() {
    let mut world = ten_minutes();
    world.run_to(time("10:05:00"));
    assert_eq!(world.taken().len(), 12);
    assert_eq!(world.taken()[0], time("08:10:00"));
    for (wanted, captured) in world.taken().iter().zip(&world.relay().stored) {
        assert!(
            (captured - wanted).abs() <= SECOND,
            "{captured} for {wanted}"
        );
    }
    assert_eq!(
        (world.missed().len(), world.of_kind("still-late").len()),
        (0, 0)
    );
    assert_eq!(world.relay().asked.len(), 12);
    assert_eq!(world.count("stills"), 12);
    assert_eq!(world.count("stills_missed"), 0);
    let gauge = world.relay().gauges["still_timestamp_seconds"];
    assert!((gauge - time("10:00:00") as f64 / 1e9).abs() <= 1.0);
    world.stop();
    assert_eq!(world.missed(), [0; 0]);
}

#[test]
fn a_missed_instant_is_taken_as_soon_as_there_is_a_picture() {
    let mut world = ten_minutes();
    world.outages = vec![(time("08:09:00"), time("08:13:20"))];
    world.run_to(time("08:35:00"));
    let wanted = [time("08:10:00"), time("08:20:00"), time("08:30:00")];
    assert_eq!(world.taken(), wanted);
    let late = world.of_kind("still-late");
    assert_eq!(late.len(), 1);
    assert!(late[0].at >= time("08:13:20") && late[0].at < time("08:13:22"));
    assert!(
        late[0].text.starts_with("3 min 20 s late") || late[0].text.starts_with("3 min 21 s late")
    );
    assert!(
        late[0].text.ends_with("near 2026-05-04T08:10:00+02:00"),
        "{}",
        late[0].text
    );
    assert!(
        (0.33..0.34).contains(&late[0].score),
        "a third of ten minutes"
    );
    assert_eq!(world.count("stills_late"), 1);
    assert_eq!(world.missed(), [0; 0]);
}

#[test]
fn of_a_long_outage_each_instant_is_told_and_the_last_is_late() {
    let mut world = ten_minutes();
    world.outages = vec![(time("08:05:00"), time("08:37:00"))];
    world.run_to(time("08:45:00"));
    assert_eq!(world.missed(), [time("08:10:00"), time("08:20:00")]);
    assert_eq!(world.taken(), [time("08:30:00"), time("08:40:00")]);
    assert_eq!(world.of_kind("still-late").len(), 1);
    let text = &world.of_kind("still-missed")[0].text;
    assert_eq!(text, "no still of 2026-05-04T08:10:00+02:00");
    assert_eq!(world.count("stills_missed"), 2);
}

#[test]
fn a_picture_near_the_next_instant_is_that_ones() {
    let mut world = ten_minutes();
    world.outages = vec![(time("08:05:00"), time("08:19:45"))];
    world.run_to(time("08:25:00"));
    assert_eq!(world.missed(), [time("08:10:00")]);
    assert_eq!(world.taken(), [time("08:20:00")]);
    assert_eq!(world.of_kind("still-late").len(), 0);
}

#[test]
fn a_question_that_the_relay_forgot_is_asked_again() {
    let mut world = world(r#"{"every_minutes":240}"#, "2026-05-04T07:30:00+02:00");
    world.outages = vec![(time("07:45:00"), time("10:40:00"))];
    world.run_to(time("11:00:00"));
    assert_eq!(world.taken(), [time("08:00:00")]);
    let late = world.of_kind("still-late");
    assert!(
        late[0].text.starts_with("2 h 40 min late"),
        "{}",
        late[0].text
    );
    assert!(world.relay().asked.len() <= 5);
}

#[test]
fn nothing_is_taken_after_the_schedule_has_closed() {
    let json = r#"{"between":["07:00","18:00"]}"#;
    let mut world = world(json, "2026-05-04T17:45:00+02:00");
    world.outages = vec![(time("17:55:00"), time("18:05:00"))];
    world.run_to(time("18:30:00"));
    assert_eq!(world.taken(), [time("17:50:00")]);
    assert_eq!(world.missed(), [time("18:00:00")]);

    // With the sun: one that the sun left meanwhile is not taken at night.
    let sun = schedule(
        r#"{"every_minutes":720,"sun_above":0}"#,
        "UTC",
        Some(ARCTIC),
    );
    let mut world = World::new(sun, "UTC", "2026-10-20T11:50:00Z");
    world.outages = vec![(at("2026-10-20T11:55:00Z"), at("2026-10-20T20:00:00Z"))];
    world.run_to(at("2026-10-20T21:00:00Z"));
    assert_eq!(
        (world.taken(), world.missed()),
        (vec![], vec![at("2026-10-20T12:00:00Z")])
    );
}

#[test]
fn what_is_not_wanted_is_not_missed() {
    let mut world = ten_minutes();
    world.shutter.host_mut().pauses = vec![(time("08:15:00"), time("08:45:00"))];
    world.outages = vec![(time("08:15:00"), time("08:45:00"))];
    world.run_to(time("09:05:00"));
    let wanted = [time("08:10:00"), time("08:50:00"), time("09:00:00")];
    assert_eq!(
        (world.taken().as_slice(), world.missed().len()),
        (&wanted[..], 0)
    );
    assert_eq!(world.relay().asked, wanted);

    // One that was late when the pause began.
    let mut world = ten_minutes();
    world.shutter.host_mut().pauses = vec![(time("08:12:00"), time("09:00:00"))];
    world.outages = vec![(time("08:09:00"), time("08:15:00"))];
    world.run_to(time("08:55:00"));
    assert_eq!(
        (world.taken().len(), world.missed()),
        (0, vec![time("08:10:00")])
    );
}

#[test]
fn what_can_not_be_stored_is_tried_again_and_told() {
    let mut world = ten_minutes();
    world.shutter.host_mut().failures = 3;
    world.run_to(time("08:25:00"));
    assert_eq!(world.taken(), [time("08:10:00"), time("08:20:00")]);
    assert_eq!(world.errors.len(), 3);
    assert_eq!(world.errors[0], "the disk is full");

    let mut world = ten_minutes();
    world.shutter.host_mut().failures = usize::MAX;
    world.run_to(time("08:25:00"));
    assert_eq!(world.missed(), [time("08:10:00")]);
    let text = &world.of_kind("still-missed")[0].text;
    assert_eq!(
        text,
        "no still of 2026-05-04T08:10:00+02:00: the disk is full"
    );
    // Not each second.
    assert!(world.errors.len() < 12, "{}", world.errors.len());
}

#[test]
fn one_key_frame_is_one_still() {
    // A camera whose key frames are four minutes apart, and a still each minute.
    let mut world = world(r#"{"every_minutes":1}"#, "2026-05-04T08:00:30+02:00");
    world.gop = 4 * MINUTE;
    world.run_to(time("09:00:30"));
    world.stop();
    let mut stored = world.relay().stored.clone();
    let before = stored.len();
    stored.dedup();
    assert_eq!(stored.len(), before);
    assert!((14..=15).contains(&before), "{before}");
    assert_eq!(world.taken().len() + world.missed().len(), 60);
}

#[test]
fn after_a_leap_of_the_clock_findings_are_bounded() {
    let mut world = world(r#"{"every_minutes":1}"#, "2026-05-04T08:00:30+02:00");
    world.run_to(time("08:05:30"));
    let before = world.findings.len();
    world.now += DAY;
    world.step();
    let missed = world.of_kind("still-missed");
    // One by one, those that waited at the relay, and one that sums up for each of both days.
    assert!(missed.len() <= 16 + 16 + 2, "{}", missed.len());
    let sums: Vec<(i64, u64)> = missed
        .iter()
        .filter_map(|f| Some((f.at, f.text.split_once(" instants: ")?.0.parse().unwrap())))
        .collect();
    // Of the first day from 08:22; of the second up to 07:59, whose grace is just over.
    let midnight = time("23:59:00") + MINUTE;
    assert_eq!(sums, [(time("08:22:00"), 938), (midnight, 480)]);
    let one_by_one = missed.len() - sums.len();
    let told = sums.iter().map(|(_, number)| number).sum::<u64>() + one_by_one as u64;
    assert_eq!(told, world.count("stills_missed"));
    assert!(world.findings.len() - before < 120, "a minute's findings");
    world.run_to(world.now + 5 * MINUTE);
    let end = world.now;
    assert!(world.taken().contains(&(end - 30 * SECOND)));
    // 1440 minutes of that day, less those that were taken after it.
    let all = world.count("stills_missed") + world.count("stills");
    assert!((1444..=1450).contains(&all), "{all}");

    // Of what lies further apart than that nothing is known.
    let told = world.of_kind("still-missed").len();
    world.now += 30 * DAY;
    world.step();
    let leap = world.of_kind("clock-leap");
    assert_eq!((leap.len(), leap[0].at), (1, world.now));
    assert!(leap[0].text.ends_with("no stills between"));
    // What waited for its picture.
    assert!(world.of_kind("still-missed").len() - told <= 1);
    assert!(
        world.relay().warnings[0].contains("the clock went from"),
        "{:?}",
        world.relay().warnings
    );
    world.run_to(world.now + 5 * MINUTE);
    let end = world.now;
    assert!(world.taken().contains(&(end - 30 * SECOND)));

    // Back: what was wanted is not wanted again, and it goes on when the clock has caught up.
    let taken = world.taken().len();
    world.now -= 10 * MINUTE;
    world.run_to(world.now + 9 * MINUTE);
    assert!(world.taken().len() - taken <= 1);
    world.run_to(world.now + 10 * MINUTE);
    assert!(world.taken().len() - taken >= 8);
}

#[test]
fn no_finding_is_a_day_behind() {
    // One a day, and no camera for three of them: each is known to be missed when the next is due.
    let mut world = world(r#"{"every_minutes":1440}"#, "2026-05-04T23:59:00+02:00");
    world.outages = vec![(time("23:00:00"), time("23:00:00") + 4 * DAY)];
    let midnight = time("23:59:00") + MINUTE;
    let mut seen = 0;
    for _ in 0..3 * 1440 {
        world.run_to(world.now + MINUTE);
        for finding in &world.findings[seen..] {
            assert!(world.now - finding.at < DAY, "{finding:?}");
        }
        seen = world.findings.len();
    }
    let missed = world.missed();
    assert_eq!(missed.len(), 2, "{missed:?}");
    for (day, at) in missed.iter().enumerate() {
        let wanted = midnight + day as i64 * DAY;
        assert!((wanted..wanted + 11 * MINUTE).contains(at), "{at}");
    }
}

#[test]
fn the_next_instance_takes_up_what_one_has_left() {
    let mut world = ten_minutes();
    world.outages = vec![(time("08:18:00"), time("08:51:00"))];
    world.run_to(time("08:22:00"));
    assert_eq!(world.taken(), [time("08:10:00")]);
    // 08:20 is pending; 08:30 and 08:40 come while there is no instance.
    world.crash(schedule("{}", ZONE, None), ZONE, 23 * MINUTE);
    world.run_to(time("09:05:00"));
    let missed = [time("08:20:00"), time("08:30:00"), time("08:40:00")];
    assert_eq!(world.missed(), missed);
    let taken = [time("08:10:00"), time("08:50:00"), time("09:00:00")];
    assert_eq!(world.taken(), taken);
    // Of instants that are told nothing is told again.
    world.crash(schedule("{}", ZONE, None), ZONE, SECOND);
    world.run_to(time("09:15:00"));
    assert_eq!((world.missed().len(), world.taken().len()), (3, 4));

    // A clock that was set back makes nothing of what was left.
    world.crash(schedule("{}", ZONE, None), ZONE, -2 * HOUR);
    world.run_to(time("07:25:00"));
    assert_eq!((world.missed().len(), world.taken().len()), (3, 5));
}

#[test]
fn stop_tells_what_will_not_come() {
    let mut world = ten_minutes();
    world.outages = vec![(time("08:05:00"), time("09:00:00"))];
    world.run_to(time("08:12:00"));
    world.stop();
    assert_eq!(world.missed(), [time("08:10:00")]);
    assert!(
        world.of_kind("still-missed")[0]
            .text
            .ends_with("the plugin was stopped")
    );

    // One that is asked ahead of time is left to the next instance.
    let mut world = ten_minutes();
    world.run_to(time("08:09:55"));
    assert_eq!(world.relay().asked, [time("08:10:00")]);
    world.stop();
    assert_eq!(world.missed(), [0; 0]);
}

#[test]
fn pictures_that_answer_nothing_are_left_alone() {
    let mut world = ten_minutes();
    let picture = crate::support::Picture::scene(16, 16);
    let mut give = |asked| {
        world
            .shutter
            .take(&picture.frame(time("08:10:00"), asked))
            .unwrap()
    };
    assert!(give(None).is_empty());
    assert!(
        give(Some(time("08:10:00"))).is_empty(),
        "before the first tick"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Whatever fails: each wanted instant comes to one end, and no picture is a still twice.
    #[test]
    fn each_instant_comes_to_one_end(
        every in prop::sample::select(vec![1_u32, 5, 10, 30, 60]),
        gop in 1_i64..90,
        delay in 0_i64..8,
        outages in prop::collection::vec((0_i64..18_000, 1_i64..5_000), 0..5),
        pause in (0_i64..18_000, 0_i64..4_000),
        failures in 0_usize..6,
        // In these hours the clocks are set back.
        begin in prop::sample::select(vec!["2026-10-25T01:30:00+02:00", "2026-05-04T08:01:00+02:00"]),
        hours in prop::bool::ANY,
    ) {
        let between = if hours { r#","between":["02:15","11:40"]"# } else { "" };
        let schedule = schedule(&format!(r#"{{"every_minutes":{every}{between}}}"#), ZONE, None);
        let mut world = World::new(schedule.clone(), ZONE, begin);
        let start = world.now + SECOND;
        let span = |(from, length): (i64, i64)| {
            (start + from * SECOND, start + (from + length) * SECOND)
        };
        world.gop = gop * SECOND + 40_000_000;
        world.delay = delay * SECOND;
        world.outages = outages.into_iter().map(span).collect();
        let pause = span(pause);
        world.shutter.host_mut().pauses = vec![pause];
        world.shutter.host_mut().failures = failures;
        world.run_to(start + 5 * HOUR);
        world.stop();

        let wanted: Vec<i64> = schedule
            .instants(start, world.now)
            .into_iter()
            .filter(|at| !(pause.0..pause.1).contains(at))
            .collect();
        let mut ends: Vec<i64> = [world.taken(), world.missed()].concat();
        ends.sort_unstable();
        prop_assert_eq!(ends, wanted);
        let mut stored = world.relay().stored.clone();
        stored.sort_unstable();
        let count = stored.len();
        stored.dedup();
        prop_assert_eq!(stored.len(), count);
        prop_assert_eq!(world.count("stills"), count as u64);
        prop_assert_eq!(world.count("stills_missed"), world.missed().len() as u64);
        prop_assert!(world.findings.iter().all(|f| (0.0..=1.0).contains(&f.score)));
        // What is not said to be late is not.
        let late = world.of_kind("still-late").len();
        let off = world.taken().iter().zip(&world.relay().stored)
            .filter(|(wanted, captured)| (*captured - *wanted).abs() > 30 * SECOND).count();
        prop_assert_eq!(late, off);
    }
}
