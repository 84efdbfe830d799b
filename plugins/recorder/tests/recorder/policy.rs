//! When files begin and end, what is held and what is dropped.

use forebay_plugin_sdk::{Instant, Track, UnitInfo};
use forebay_recorder::segment::Recorder;
use forebay_recorder::settings::Settings;
use forebay_recorder::{BYTES_MAX, UNITS_MAX};

use crate::support::{BEGIN, Memory, SECOND, Stored, info, pieces, samples, track};

const RATE: i64 = 90_000;
/// Ticks between pictures: 25 a second.
const STEP: i64 = 3600;

fn camera() -> Track {
    track(1, "h264", RATE as u32, &[1])
}

fn microphone() -> Track {
    track(2, "pcma", 8000, &[])
}

fn recorder(segment_seconds: u32) -> Recorder<Memory> {
    let settings = Settings {
        segment_seconds,
        ..Settings::default()
    };
    let mut recorder = Recorder::new(settings, Memory::default());
    assert_eq!(recorder.tracks(&[camera(), microphone()]), [1, 2]);
    recorder
}

/// Picture `n`: groups of one second.
fn picture(n: i64) -> UnitInfo {
    info(&camera(), n * STEP, n % 25 == 0, 4)
}

/// Sound `n`: 20 ms.
fn sound(n: i64) -> UnitInfo {
    UnitInfo {
        duration: 160,
        ..info(&microphone(), n * 160, true, 4)
    }
}

/// The payload tells the media time.
fn feed(recorder: &mut Recorder<Memory>, infos: impl IntoIterator<Item = UnitInfo>) {
    let unit = |info: UnitInfo| (info, (info.media_time as u32).to_be_bytes().to_vec());
    recorder.handle(infos.into_iter().map(unit)).unwrap();
}

fn seconds(file: &Stored) -> f64 {
    (file.end.unwrap() - file.begin) as f64 / 1e9
}

fn begins(recorder: &Recorder<Memory>) -> Vec<i64> {
    recorder
        .host()
        .files
        .iter()
        .map(|file| (file.begin - BEGIN) / (SECOND / 100))
        .collect()
}

#[test]
fn files_are_cut_at_wall_clock_multiples() {
    let mut recorder = recorder(10);
    // From 3.52 s past the multiple on; the first group of pictures is not whole.
    feed(&mut recorder, (88..1000).map(picture));
    recorder.stop();
    assert_eq!(begins(&recorder), [400, 1000, 2000, 3000]);
    let memory = recorder.host();
    let lengths: Vec<f64> = memory.files.iter().map(seconds).collect();
    assert_eq!(lengths, [6.0, 10.0, 10.0, 10.0]);
    assert_eq!(memory.counter("units_skipped"), 12);
    assert_eq!(memory.counter("segments"), 4);
    assert_eq!(memory.counter("fragments"), 36);
    assert_eq!(memory.warnings, Vec::<String>::new());
    let total: usize = memory.files.iter().map(|file| samples(file, 1).len()).sum();
    assert_eq!(total, 1000 - 100);
}

#[test]
fn fragments_tell_the_capture_time() {
    let mut recorder = recorder(60);
    feed(&mut recorder, (0..100).map(picture));
    recorder.stop();
    let pieces = pieces(&recorder.host().files[0]);
    assert_eq!(pieces.len(), 4);
    for (second, piece) in (0u64..).zip(&pieces) {
        // Seconds from 1900 to 1970: RFC 5905 §6, figure 4.
        let ntp = (BEGIN / SECOND) as u64 + 2_208_988_800 + second;
        assert_eq!(piece.prft.ntp_timestamp, ntp << 32);
        assert_eq!(piece.prft.media_time, second * RATE as u64);
        assert_eq!(piece.prft.reference_track_id, 1);
    }
    // ISO/IEC 14496-12 §8.16.5, written out for the second fragment: size, type, version 0, flags
    // 24, track, NTP time, media time.
    let file = &recorder.host().files[0];
    let mut expected = [&[0, 0, 0, 28][..], b"prft", &[0, 0, 0, 24], &[0, 0, 0, 1]].concat();
    expected.extend(
        ((BEGIN / SECOND) as u32)
            .wrapping_add(2_208_988_801)
            .to_be_bytes(),
    );
    expected.extend([0; 4]);
    expected.extend(90_000u32.to_be_bytes());
    assert_eq!(file.bytes[file.appends[1]..][..28], expected);
}

#[test]
fn breaks_begin_new_files() {
    let mut recorder = recorder(3600);
    feed(&mut recorder, (0..50).map(picture));
    // A new session with the camera.
    feed(
        &mut recorder,
        (50..100).map(|n| UnitInfo {
            timeline: 2,
            ..picture(n)
        }),
    );
    // Something is missing.
    let missing = |n| UnitInfo {
        timeline: 2,
        discontinuity: n == 125,
        ..picture(n)
    };
    feed(&mut recorder, (125..150).map(missing));
    // The clock of the camera starts anew, in the same session.
    let reset = |n| UnitInfo {
        timeline: 2,
        media_time: (n - 150) * STEP,
        ..picture(n)
    };
    feed(&mut recorder, (150..175).map(reset));
    // Other parameters.
    let other = Track { id: 7, ..camera() };
    assert_eq!(recorder.tracks(std::slice::from_ref(&other)), [7]);
    feed(
        &mut recorder,
        (175..200).map(|n| UnitInfo {
            track: 7,
            timeline: 2,
            ..picture(n)
        }),
    );
    recorder.stop();
    assert_eq!(begins(&recorder), [0, 200, 500, 600, 700]);
    let lengths: Vec<f64> = recorder.host().files.iter().map(seconds).collect();
    assert_eq!(lengths, [2.0, 2.0, 1.0, 1.0, 1.0]);
    assert_eq!(recorder.host().warnings.len(), 1, "of the clock");
}

#[test]
fn a_hole_within_a_group_keeps_its_length() {
    // Told, or left out by the camera without a word.
    for told in [true, false] {
        let mut recorder = recorder(3600);
        let hole = |n| UnitInfo {
            discontinuity: told && n == 45,
            ..picture(n)
        };
        feed(&mut recorder, (0..30).chain(45..75).map(hole));
        recorder.stop();
        assert_eq!(begins(&recorder), [0]);
        let read = samples(&recorder.host().files[0], 1);
        assert_eq!(read[29].duration, STEP as u32, "no sample lasts over it");
        assert_eq!(read[30].shown, 45 * STEP);
        assert_eq!(seconds(&recorder.host().files[0]), 3.0);
    }
}

#[test]
fn a_file_does_not_last_over_the_hole_behind_it() {
    let mut recorder = recorder(2);
    // The picture that begins the next segment comes 2 s late.
    feed(&mut recorder, (0..50).chain(100..120).map(picture));
    recorder.stop();
    assert_eq!(begins(&recorder), [0, 400]);
    assert_eq!(seconds(&recorder.host().files[0]), 2.0);
}

#[test]
fn a_camera_that_becomes_slower_has_one_hole() {
    let mut recorder = recorder(3600);
    let slow = (50..200).step_by(15);
    feed(&mut recorder, (0..50).chain(slow).map(picture));
    recorder.stop();
    let read = samples(&recorder.host().files[0], 1);
    let lasting = read.iter().filter(|s| s.duration == 15 * STEP as u32);
    assert_eq!(lasting.count(), 9, "all but the one before it");
}

#[test]
fn times_that_jump_within_a_group_lose_no_picture() {
    for jump in [i64::MAX / 2, -(1 << 32), 200 * RATE, -3 * RATE] {
        let mut recorder = recorder(3600);
        let jumped = |n: i64| {
            let plain = picture(n);
            let jump = if n < 60 { 0 } else { jump };
            UnitInfo {
                media_time: plain.media_time + jump,
                ..plain
            }
        };
        feed(&mut recorder, (0..100).map(jumped));
        recorder.stop();
        // The rest of the group goes on by capture time; the next begins a file.
        assert_eq!(begins(&recorder), [0, 300], "{jump}");
        let read = samples(&recorder.host().files[0], 1);
        let shown: Vec<i64> = read.iter().map(|r| r.shown).collect();
        assert_eq!(
            shown,
            (0..75).map(|n| n * STEP).collect::<Vec<_>>(),
            "{jump}"
        );
    }
}

#[test]
fn without_random_access_pieces_are_still_cut() {
    let mut recorder = recorder(10);
    let endless = |n: i64| UnitInfo {
        random_access: n == 0,
        ..picture(n)
    };
    feed(&mut recorder, (0..1000).map(endless));
    recorder.tick(BEGIN);
    // Two seconds and two pictures of grace: 52 pictures.
    assert!(recorder.host().held_units <= 53.0);
    recorder.stop();
    assert_eq!(
        begins(&recorder),
        [0],
        "there is nowhere to begin another file"
    );
    let pieces = pieces(&recorder.host().files[0]);
    assert!(pieces.iter().all(|piece| piece.tracks[&1].len() <= 52));
}

#[test]
fn single_pictures_are_gathered() {
    let mut recorder = Recorder::new(Settings::default(), Memory::default());
    let camera = track(1, "jpeg", RATE as u32, &[]);
    assert_eq!(recorder.tracks(std::slice::from_ref(&camera)), [1]);
    feed(
        &mut recorder,
        (0..100).map(|n| info(&camera, n * STEP, true, 4)),
    );
    recorder.stop();
    // Half of fragment_seconds each.
    assert_eq!(pieces(&recorder.host().files[0]).len(), 4);
}

#[test]
fn silence_flushes_then_finishes() {
    let mut recorder = recorder(10);
    let at = |seconds: i64| BEGIN + seconds * SECOND;
    feed(&mut recorder, (0..40).map(picture));
    recorder.tick(at(2));
    assert_eq!(recorder.host().held_units, 15.0);
    recorder.tick(at(6));
    assert_eq!(
        recorder.host().held_units,
        15.0,
        "not yet: 2 × fragment_seconds"
    );
    recorder.tick(at(7));
    assert_eq!(recorder.host().held_units, 0.0);
    assert_eq!(samples(&recorder.host().files[0], 1).len(), 40);
    // The camera goes on in the same group, then falls silent for good.
    feed(&mut recorder, (45..50).map(picture));
    recorder.tick(at(8));
    // The segment's end and a minute: the camera may still hold the rest of the group.
    recorder.tick(at(69));
    assert_eq!(recorder.host().files[0].end, None);
    recorder.tick(at(71));
    assert_eq!(recorder.host().files[0].end, Some(at(2)));
    let read = samples(&recorder.host().files[0], 1);
    assert_eq!(read.len(), 45);
    assert_eq!(read[40].shown, 45 * STEP);
    // What can't be decoded without the file that ended is dropped.
    feed(&mut recorder, [picture(51)]);
    assert_eq!(recorder.host().counter("units_skipped"), 1);
}

/// In silence the last duration is a guess. ISO/IEC 14496-12 §8.8.12: `tfdt` is the sum of all
/// durations before.
#[test]
fn what_comes_earlier_than_guessed_overlaps_nothing() {
    let mut recorder = recorder(10);
    feed(&mut recorder, (0..40).map(picture));
    recorder.tick(BEGIN + 2 * SECOND);
    recorder.tick(BEGIN + 7 * SECOND);
    assert_eq!(recorder.host().held_units, 0.0);
    let early = |n: i64| UnitInfo {
        media_time: n * STEP - 9,
        ..picture(n)
    };
    feed(&mut recorder, (40..60).map(early));
    recorder.stop();
    let read = samples(&recorder.host().files[0], 1);
    assert_eq!(read.len(), 60);
    for two in read.windows(2) {
        assert_eq!(two[0].decode + u64::from(two[0].duration), two[1].decode);
    }
    assert_eq!(read[40].shown, 40 * STEP - 9);
}

#[test]
fn a_first_fragment_that_ends_with_silence_knows_its_rate() {
    let mut recorder = recorder(10);
    // 12.5 pictures a second, not the customary 25.
    feed(&mut recorder, (0..20).step_by(2).map(picture));
    recorder.tick(BEGIN + SECOND);
    recorder.tick(BEGIN + 10 * SECOND);
    let read = samples(&recorder.host().files[0], 1);
    assert_eq!(read.len(), 10);
    assert!(read.iter().all(|read| i64::from(read.duration) == 2 * STEP));
}

#[test]
fn a_clock_set_back_does_not_stretch_silence() {
    let mut recorder = recorder(10);
    feed(&mut recorder, (0..10).map(picture));
    recorder.tick(BEGIN + 1000 * SECOND);
    for second in 0..=5 {
        recorder.tick(BEGIN + second * SECOND);
    }
    assert_eq!(recorder.host().held_units, 0.0);
}

#[test]
fn a_failing_disk_is_tried_again_but_not_at_once() {
    let mut recorder = recorder(3600);
    let unit = |n: i64| (picture(n), vec![0; 4]);
    feed(&mut recorder, (0..30).map(picture));
    recorder.host_mut().works = Some(0);
    let error = recorder.handle((30..75).map(unit)).unwrap_err();
    assert_eq!(error, "storage failed: disk full");
    // Told once; the group that failed, what was held with it and all until another try is lost.
    assert_eq!(recorder.host().creates, 1);
    recorder.handle((75..125).map(unit)).unwrap();
    recorder.tick(BEGIN + 5 * SECOND);
    recorder.handle((125..150).map(unit)).unwrap();
    assert_eq!(recorder.host().creates, 1);
    recorder.tick(BEGIN + 6 * SECOND);
    recorder.host_mut().works = None;
    recorder.handle((150..200).map(unit)).unwrap();
    recorder.stop();
    assert_eq!(begins(&recorder), [0, 600]);
    let memory = recorder.host();
    assert_eq!(memory.files[0].end, None, "left to be repaired");
    assert_eq!(samples(&memory.files[0], 1).len(), 25);
    assert_eq!(samples(&memory.files[1], 1).len(), 50);
    assert_eq!(
        memory.counter("units_lost") + memory.counter("units_skipped"),
        125
    );
    assert_eq!(memory.counter("units_lost"), 26);
}

#[test]
fn every_call_may_fail() {
    // Whatever call is the first to fail: an error, no panic, and recording again afterwards.
    for works in 0..12 {
        let mut recorder = recorder(3);
        recorder.host_mut().works = Some(works);
        let unit = |n: i64| (picture(n), vec![0; 4]);
        let failed = recorder.handle((0..250).map(unit)).is_err();
        assert!(failed, "{works}");
        recorder.host_mut().works = None;
        recorder.tick(BEGIN + 10 * SECOND);
        recorder.tick(BEGIN + 11 * SECOND);
        feed(&mut recorder, (250..300).map(picture));
        recorder.stop();
        let last = recorder.host().files.last().unwrap();
        assert_eq!(samples(last, 1).len(), 50);
    }
    // In `stop` there is nobody to return it to.
    let mut recorder = recorder(60);
    feed(&mut recorder, (0..10).map(picture));
    recorder.host_mut().works = Some(0);
    recorder.stop();
    assert_eq!(recorder.host().warnings, ["storage failed: disk full"]);
    assert_eq!(recorder.host().counter("units_lost"), 10);
}

#[test]
fn what_is_held_is_bounded() {
    let mut recorder = recorder(3600);
    // A camera whose time stands still nearly: no fragment_seconds pass.
    let slow = |n: i64| {
        let plain = picture(1);
        UnitInfo {
            media_time: n,
            captured: BEGIN + n,
            random_access: n == 0,
            ..plain
        }
    };
    for n in 0..4000 {
        feed(&mut recorder, [slow(n)]);
        recorder.tick(BEGIN);
        assert!(recorder.host().held_units <= UNITS_MAX as f64);
    }
    // Large units: no two of them are held.
    let before = recorder.host().counter("fragments");
    let size = BYTES_MAX as usize - 100;
    for n in 4000..4003 {
        let info = UnitInfo {
            size: size as u32,
            ..slow(n)
        };
        recorder.handle([(info, vec![0; size])]).unwrap();
    }
    assert_eq!(recorder.host().counter("fragments"), before + 3);
}

#[test]
fn sound_follows_its_own_clock() {
    let mut recorder = recorder(3600);
    // Sound before there is a file is dropped. Its capture times are 30 ms off, to and fro, which
    // moves nothing.
    let jitter = |n: i64| sound(n).captured + (n % 3 - 1) * 30_000_000;
    feed(&mut recorder, [sound(0)]);
    feed(&mut recorder, [picture(0)]);
    for n in 1..100 {
        feed(
            &mut recorder,
            [UnitInfo {
                captured: jitter(n),
                ..sound(n)
            }],
        );
        if n % 2 == 0 {
            feed(&mut recorder, [picture(n / 2)]);
        }
    }
    recorder.stop();
    let memory = recorder.host();
    assert_eq!(memory.counter("units_skipped"), 1);
    let heard = samples(&memory.files[0], 2);
    assert_eq!(heard.len(), 99);
    assert!(heard.iter().all(|r| r.duration == 160));
    assert!(
        heard
            .windows(2)
            .all(|two| two[1].shown - two[0].shown == 160)
    );
}

/// Feeds 20 s of picture and sound, the sound's capture times moved by what `moved` gives, and
/// gives the times of the sound less what media times make of it, in milliseconds, without
/// repetition.
fn drift(moved: impl Fn(i64) -> i64, uncertainty: u64) -> (Vec<i64>, usize) {
    let mut recorder = recorder(3600);
    for n in 0..1000 {
        if n % 2 == 0 {
            feed(&mut recorder, [picture(n / 2)]);
        }
        let plain = sound(n);
        let captured: Instant = plain.captured + moved(n) * 1_000_000;
        feed(
            &mut recorder,
            [UnitInfo {
                captured,
                uncertainty,
                ..plain
            }],
        );
    }
    recorder.stop();
    let files = &recorder.host().files;
    let heard: Vec<_> = samples(&files[0], 2);
    let mut seen: Vec<i64> = heard
        .iter()
        .zip(0..)
        .map(|(r, n)| (r.shown - n * 160) / 8)
        .collect();
    seen.dedup();
    (seen, files.len())
}

#[test]
fn sound_is_moved_only_by_a_drift_that_lasts() {
    // 80 ms late: nobody minds.
    assert_eq!(drift(|n| if n < 500 { 0 } else { 80 }, 0), (vec![0], 1));
    // 150 ms late for 2 s: a slow link, not a drift.
    assert_eq!(
        drift(|n| if (500..600).contains(&n) { 150 } else { 0 }, 0),
        (vec![0], 1)
    );
    // 150 ms late for good: moved.
    assert_eq!(
        drift(|n| if n < 500 { 0 } else { 150 }, 0),
        (vec![0, 150], 1)
    );
    // The same, but nobody knows so exactly.
    assert_eq!(
        drift(|n| if n < 500 { 0 } else { 150 }, 60_000_000),
        (vec![0], 1)
    );
    // Early: what is written can't be moved, so another file begins, where it is right.
    assert_eq!(drift(|n| if n < 500 { 0 } else { -150 }, 0), (vec![0], 2));
}

#[test]
fn sound_may_lead_the_picture() {
    // Captured 60 ms before the picture that opens the file, but sent after it: it begins the file.
    let lead = |late: usize| {
        let mut recorder = recorder(3600);
        let pictures = (25..75).map(picture).collect::<Vec<_>>();
        feed(&mut recorder, pictures[..late].iter().copied());
        feed(&mut recorder, (47..60).map(sound));
        feed(&mut recorder, pictures[late..].iter().copied());
        recorder.stop();
        let file = &recorder.host().files[0];
        let first = |number| samples(file, number)[0].shown;
        ((file.begin - BEGIN) / 1_000_000, first(1), first(2))
    };
    assert_eq!(lead(1), (940, 60 * 90, 0));
    // Too late: the beginning is written, and nothing can be put before it.
    assert_eq!(lead(30), (1000, 0, 0));
}

#[test]
fn a_gap_of_sound_is_kept() {
    let mut recorder = recorder(3600);
    feed(&mut recorder, [picture(0)]);
    feed(&mut recorder, (0..25).chain(50..75).map(sound));
    // A restarted sound: placed by capture.
    let restarted = |n| UnitInfo {
        media_time: n * 160 - 1_000_000,
        timeline: 2,
        ..sound(n)
    };
    feed(&mut recorder, (100..125).map(restarted));
    recorder.stop();
    let heard = samples(&recorder.host().files[0], 2);
    let shown: Vec<i64> = heard.iter().map(|r| r.shown).collect();
    let expected: Vec<i64> = (0..25)
        .chain(50..75)
        .chain(100..125)
        .map(|n| n * 160)
        .collect();
    assert_eq!(shown, expected);
}

#[test]
fn sound_goes_on_while_the_picture_pauses() {
    let mut recorder = recorder(10);
    feed(&mut recorder, (0..25).map(picture));
    for n in 0..4000 {
        feed(&mut recorder, [sound(n)]);
        if n % 50 == 0 {
            recorder.tick(BEGIN + n / 50 * SECOND);
            assert!(recorder.host().held_units <= 25.0 + 201.0);
        }
    }
    // 70 s after its begin: a minute after its wall-clock end, the file is finished.
    assert_eq!(recorder.host().files.len(), 1);
    assert_eq!(recorder.host().files[0].end, Some(BEGIN + SECOND));
    assert!(recorder.host().counter("units_skipped") > 0);
}

#[test]
fn tracks_are_chosen() {
    let choose = |audio: bool, tracks: &[Track]| {
        let settings = Settings {
            audio,
            ..Settings::default()
        };
        let mut recorder = Recorder::new(settings, Memory::default());
        let ids = recorder.tracks(tracks);
        (ids, recorder.host().warnings.len())
    };
    let odd = Track {
        id: 9,
        codec: "vp8".into(),
        ..camera()
    };
    let second = Track { id: 3, ..camera() };
    assert_eq!(
        choose(true, &[microphone(), camera(), second.clone()]),
        (vec![1, 2], 0)
    );
    assert_eq!(choose(false, &[microphone(), camera()]), (vec![1], 0));
    assert_eq!(choose(true, &[odd, second]), (vec![3], 1));
    assert_eq!(choose(true, &[microphone()]), (vec![2], 0));
    assert_eq!(choose(false, &[microphone()]), (vec![], 0));
    assert_eq!(choose(true, &[]), (vec![], 0));
}

#[test]
fn another_sound_waits_for_the_next_file() {
    let mut recorder = recorder(3600);
    feed(&mut recorder, [picture(0), sound(0), picture(1)]);
    let other = Track {
        id: 5,
        codec: "pcmu".into(),
        ..microphone()
    };
    assert_eq!(recorder.tracks(&[camera(), other]), [1, 5]);
    let other = |n| UnitInfo {
        track: 5,
        ..sound(n)
    };
    feed(&mut recorder, [picture(2), other(4)]);
    feed(&mut recorder, [picture(25), other(50)]);
    recorder.stop();
    let memory = recorder.host();
    assert_eq!(memory.counter("units_skipped"), 1);
    let heard: Vec<usize> = memory
        .files
        .iter()
        .map(|file| samples(file, 2).len())
        .collect();
    assert_eq!(heard, [1, 1]);
    let has = |file: &Stored, kind: &[u8]| file.bytes.windows(4).any(|four| four == kind);
    assert!(has(&memory.files[0], b"alaw") && has(&memory.files[1], b"ulaw"));
}
