//! Properties of times: what holds for any stream, and what holds for a sane one.

use forebay_plugin_sdk::{Track, UnitInfo};
use forebay_recorder::UNITS_MAX;
use forebay_recorder::segment::Recorder;
use forebay_recorder::settings::Settings;
use forebay_recorder::timing::{Clock, MainLine, decode_times, durations, reordering};
use proptest::prelude::*;

use crate::support::{Memory, info, pieces, samples, track};

/// A failure prints its input; nothing is kept in files.
fn config(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config(256))]

    #[test]
    fn decode_times_rise_and_durations_span(
        presentation in prop::collection::vec(any::<i32>().prop_map(i64::from), 1..60),
        floor in prop::option::of(any::<i32>().prop_map(i64::from)),
        usual in any::<u32>(),
    ) {
        let decode = decode_times(presentation.iter().copied(), floor);
        prop_assert_eq!(decode.len(), presentation.len());
        prop_assert!(decode.windows(2).all(|two| two[0] < two[1]));
        prop_assert!(floor.is_none_or(|floor| decode[0] > floor));

        let next = decode[decode.len() - 1] + 3;
        let spans = durations(&decode, Some(next), usual);
        prop_assert!(spans.iter().all(|span| *span > 0));
        let sum: i64 = spans.iter().map(|span| i64::from(*span)).sum();
        prop_assert!(sum == next - decode[0] || spans.contains(&u32::MAX));
        prop_assert_eq!(durations(&decode, None, usual).pop(), Some(usual.max(1)));
        // What follows lies before: still not empty.
        prop_assert_eq!(durations(&decode, Some(i64::MIN), usual).pop(), Some(1));
    }

    #[test]
    fn no_sample_is_shown_before_it_is_decoded(
        presentation in prop::collection::hash_set(0..1_000_000i64, 1..60),
    ) {
        let presentation: Vec<i64> = presentation.into_iter().collect();
        let decode = decode_times(presentation.iter().copied(), None);
        let delay = reordering(presentation.iter().copied());
        let least = decode.iter().zip(&presentation).map(|(d, p)| p + delay - d).min();
        prop_assert!(least.is_some_and(|least| least >= 0));
        prop_assert!(delay == 0 || least == Some(0), "no longer than needed");
    }

    #[test]
    fn ticks_and_nanoseconds_are_inverse(
        rate in 1..=100_000_000u32, ticks in -1_000_000_000_000..1_000_000_000_000i64,
    ) {
        let clock = Clock::new(rate).unwrap();
        prop_assume!(i128::from(ticks) * 1_000_000_000 / i128::from(rate) < i64::MAX.into());
        prop_assert_eq!(clock.ticks(clock.nanos(ticks)), ticks);
    }

    #[test]
    fn any_media_times_make_a_line(
        units in prop::collection::vec((any::<i64>(), any::<i64>(), 0..3u32), 1..80),
    ) {
        let mut line = MainLine::new(Clock::new(90_000).unwrap());
        let track = track(1, "h264", 90_000, &[1]);
        for (media_time, captured, timeline) in units {
            let plain = info(&track, 0, true, 1);
            let info = UnitInfo { media_time, captured, timeline, ..plain };
            let time = line.place(&info, 3600);
            // 60 s a unit at the most, 2 s back at the most.
            prop_assert!((-180_000..80 * 60 * 90_000).contains(&time), "{}", time);
        }
    }
}

/// How a stream of pictures is made.
#[derive(Debug, Clone)]
struct Pattern {
    groups: usize,
    /// Sub-groups of a reference picture and the pictures shown before it.
    subgroups: usize,
    reordered: usize,
    /// Ticks between pictures.
    step: i64,
    first: i64,
    fragment_seconds: f64,
}

fn pattern() -> impl Strategy<Value = Pattern> {
    let first = prop_oneof![
        Just(0),
        Just(-5),
        Just(i64::MAX / 2),
        any::<i32>().prop_map(i64::from)
    ];
    (
        1..6usize,
        1..20usize,
        0..4usize,
        1000..9000i64,
        first,
        0.2..4.0f64,
    )
        .prop_map(
            |(groups, subgroups, reordered, step, first, fragment_seconds)| Pattern {
                groups,
                subgroups,
                reordered,
                step,
                first,
                fragment_seconds,
            },
        )
}

/// Decode order I P b b P b b … of closed groups, each unit with its own bytes.
fn stream(track: &Track, pattern: &Pattern) -> Vec<(UnitInfo, Vec<u8>)> {
    let Pattern {
        groups,
        subgroups,
        reordered,
        step,
        first,
        ..
    } = *pattern;
    let mut order = Vec::new();
    let mut next = 0;
    for _ in 0..groups {
        order.push((next, true));
        for subgroup in 0..subgroups {
            let base = next + 1 + (subgroup * (reordered + 1)) as i64;
            order.push((base + reordered as i64, false));
            order.extend((0..reordered as i64).map(|b| (base + b, false)));
        }
        next += 1 + (subgroups * (reordered + 1)) as i64;
    }
    let unit = |(number, (place, key)): (usize, (i64, bool))| {
        let bytes = number.to_be_bytes().to_vec();
        let mut info = info(track, place * step, key, bytes.len());
        info.media_time += first;
        (info, bytes)
    };
    order.into_iter().enumerate().map(unit).collect()
}

/// What holds for the file of any stream that a camera may send in good order.
fn keeps_its_times(pattern: &Pattern) -> Result<(), TestCaseError> {
    let track = track(1, "h264", 90_000, &[1]);
    let units = stream(&track, pattern);
    let settings = Settings {
        segment_seconds: 3600,
        fragment_seconds: pattern.fragment_seconds,
        audio: false,
    };
    let mut recorder = Recorder::new(settings, Memory::default());
    recorder.tracks(&[track]);
    recorder.handle(units.clone()).unwrap();
    recorder.stop();
    let files = &recorder.host().files;
    prop_assert_eq!(files.len(), 1);
    prop_assert_eq!(&recorder.host().warnings, &Vec::<String>::new());
    let read = samples(&files[0], 1);

    // No unit is lost, doubled or moved.
    prop_assert!(
        read.iter()
            .map(|r| &r.bytes)
            .eq(units.iter().map(|(_, bytes)| bytes))
    );
    let shift = read[0].shown - units[0].0.media_time;
    for (read, (info, _)) in read.iter().zip(&units) {
        prop_assert_eq!(read.shown - info.media_time, shift);
        prop_assert_eq!(read.sync, info.random_access);
        prop_assert!(read.shown >= read.decode as i64);
    }
    // Each sample ends where the next begins, over fragments too.
    prop_assert_eq!(read[0].decode, 0);
    for two in read.windows(2) {
        prop_assert_eq!(two[0].decode + u64::from(two[0].duration), two[1].decode);
    }

    // Cuts: at each group, and in long ones before what is shown after all before.
    let limit = (pattern.fragment_seconds * 90_000.0) as i64;
    let pieces = pieces(&files[0]);
    let mut latest = i64::MIN;
    for piece in &pieces {
        let samples = &piece.tracks[&1];
        let shown = || samples.iter().map(|s| s.shown);
        prop_assert!(shown().all(|s| s > latest));
        latest = shown().max().unwrap();
        prop_assert!(samples[1..].iter().all(|s| !s.sync));
        let span = latest - shown().min().unwrap();
        // Two units of grace (40 ms each before their distance is known), and a sub-group
        // that can't be cut.
        let step = pattern.step;
        let grace = 2 * step.max(3600) + (pattern.reordered as i64 + 1) * step;
        prop_assert!(span <= limit + grace, "{} > {}", span, limit + grace);
        // The first sample's capture time and place.
        prop_assert_eq!(piece.prft.media_time as i64, samples[0].shown);
    }
    prop_assert_eq!(
        pieces.iter().filter(|p| p.tracks[&1][0].sync).count(),
        pattern.groups
    );
    Ok(())
}

proptest! {
    #![proptest_config(config(200))]

    #[test]
    fn a_sane_stream_keeps_its_times(pattern in pattern()) {
        keeps_its_times(&pattern)?;
    }
}

/// The second picture alone, shown as fourth, is further from the first than a fragment is long.
#[test]
fn few_pictures_a_second_keep_their_times_too() {
    for reordered in 0..4 {
        let pattern = Pattern {
            groups: 2,
            subgroups: 2,
            reordered,
            step: 8409,
            first: 0,
            fragment_seconds: 0.2,
        };
        keeps_its_times(&pattern).unwrap();
    }
}

/// What a camera, a link and a disk may do.
#[derive(Debug, Clone)]
enum Event {
    Video {
        step: i64,
        sync: bool,
        captured: i64,
        discontinuity: bool,
        timeline: bool,
    },
    Audio {
        step: i64,
        captured: i64,
        timeline: bool,
    },
    Jump(i64),
    Tick(i64),
    Parameters,
    Disk(Option<u32>),
}

fn event() -> impl Strategy<Value = Event> {
    let step = prop_oneof![8 => 1..9000i64, 1 => -20_000..20_000i64, 1 => Just(0)];
    let small = prop_oneof![9 => Just(40_000_000i64), 1 => -3_000_000_000..3_000_000_000i64];
    let rare = || prop::bool::weighted(0.02);
    let video = (
        step.clone(),
        prop::bool::weighted(0.1),
        small.clone(),
        rare(),
        rare(),
    )
        .prop_map(
            |(step, sync, captured, discontinuity, timeline)| Event::Video {
                step,
                sync,
                captured,
                discontinuity,
                timeline,
            },
        );
    let audio = (step, small, rare()).prop_map(|(step, captured, timeline)| Event::Audio {
        step,
        captured,
        timeline,
    });
    prop_oneof![
        40 => video,
        30 => audio,
        1 => any::<i64>().prop_map(Event::Jump),
        4 => (0..3_000_000_000i64).prop_map(Event::Tick),
        1 => Just(Event::Parameters),
        1 => prop::option::of(0..9u32).prop_map(Event::Disk),
    ]
}

proptest! {
    #![proptest_config(config(300))]

    /// Whatever comes: each unit is in one place, in order, or counted as dropped; each file has
    /// rising times and whole boxes; what is held is bounded.
    #[test]
    fn any_stream_makes_lawful_files(
        events in prop::collection::vec(event(), 1..400),
        fragment_seconds in 0.2..3.0f64,
    ) {
        let settings = Settings { segment_seconds: 4, fragment_seconds, audio: true };
        let mut recorder = Recorder::new(settings, Memory::default());
        let mut tracks = vec![track(1, "h264", 90_000, &[1]), track(2, "pcma", 8000, &[])];
        recorder.tracks(&tracks);
        let mut now = crate::support::BEGIN;
        let mut captured = now;
        let mut media = [0i64, 0];
        let mut timeline = 1;
        let mut number = 0u64;
        for event in events {
            let (side, step, sync, later, discontinuity) = match event {
                Event::Video { step, sync, captured, discontinuity, timeline: new } => {
                    timeline += u32::from(new);
                    (0, step, sync, captured, discontinuity)
                }
                Event::Audio { step, captured, timeline: new } => {
                    timeline += u32::from(new);
                    (1, step, true, captured / 2, false)
                }
                Event::Jump(step) => (0, step, false, 0, false),
                Event::Tick(later) => {
                    now += later;
                    recorder.tick(now);
                    continue;
                }
                Event::Parameters => {
                    let id = tracks[0].id + 2;
                    tracks[0].id = id;
                    recorder.tracks(&tracks);
                    continue;
                }
                Event::Disk(works) => {
                    recorder.host_mut().works = works;
                    continue;
                }
            };
            media[side] = media[side].wrapping_add(step);
            captured += later;
            let bytes = number.to_be_bytes().to_vec();
            number += 1;
            let plain = info(&tracks[side], 0, sync, bytes.len());
            let info = UnitInfo {
                media_time: media[side],
                captured,
                timeline,
                discontinuity,
                duration: if side == 1 { 160 } else { 0 },
                ..plain
            };
            // Errors are the disk's, and their units are counted below.
            drop(recorder.handle([(info, bytes)]));
            recorder.tick(now);
            prop_assert!(recorder.host().held_units <= UNITS_MAX as f64);
        }
        recorder.stop();

        let memory = recorder.host();
        let mut stored = 0u64;
        let mut last = None;
        for file in &memory.files {
            prop_assert!(file.end.is_none_or(|end| end >= file.begin));
            for number in [1, 2] {
                let read = samples(file, number);
                prop_assert!(read.windows(2).all(|two| two[0].decode < two[1].decode));
                prop_assert!(read.iter().all(|r| r.duration > 0 && r.shown >= 0));
                stored += read.len() as u64;
                if number == 1 {
                    prop_assert!(read.first().is_none_or(|r| r.sync), "begins decodable");
                    for unit in &read {
                        let number = Some(u64::from_be_bytes(unit.bytes[..8].try_into().unwrap()));
                        prop_assert!(number > last, "pictures are in order, once");
                        last = number;
                    }
                }
            }
        }
        let dropped = memory.counter("units_skipped") + memory.counter("units_lost");
        prop_assert_eq!(stored + dropped, number);
    }
}
