use std::num::NonZeroU32;
use std::path::Path;

use bytes::Bytes;
use jiff::tz::TimeZone;

use super::super::{json, sample::at};
use super::*;
use crate::archive::{ArchiveOptions, RealDisk};
use crate::config::{ByteCount, Limits, Plugin, Sink, WhenBehind};
use crate::hold::{Codec, Track, TrackSet};
use crate::sinks::World;
use crate::units::Name;

/// Pictures that nobody looks into: 5 a second, a key frame each 2 s, from these seconds on.
fn footage(seconds: &[i64]) -> Vec<Result<Arc<Unit>, String>> {
    let track = Arc::new(Track {
        id: 1,
        codec: Codec::H264,
        rfc6381: "avc1.64001F".to_owned(),
        clock_rate: NonZeroU32::new(90_000).unwrap(),
        width: 640,
        height: 360,
        channels: 0,
        decoder_configuration: Bytes::from_static(&[1, 0x64, 0, 0x1f, 0xff, 0xe0, 0]),
    });
    let tracks = Arc::new(TrackSet {
        generation: 1,
        tracks: vec![Arc::clone(&track)],
    });
    let pictures = seconds
        .iter()
        .flat_map(|second| (0..5).map(move |n| second * 5 + n));
    pictures
        .enumerate()
        .map(|(sequence, picture)| {
            let random_access = picture % 10 == 0;
            let mut payload = vec![0, 0, 0, 6, if random_access { 0x65 } else { 0x41 }];
            payload.extend(picture.to_be_bytes().get(3..).unwrap_or_default());
            Ok(Arc::new(Unit {
                sequence: sequence as u64,
                track: Arc::clone(&track),
                tracks: Arc::clone(&tracks),
                media_time: picture * 18_000,
                duration: 0,
                timeline: 1,
                captured: at(picture as f64 / 5.0),
                uncertainty_nanos: 1_000_000,
                random_access,
                discontinuity: false,
                payload: payload.into(),
            }))
        })
        .collect()
}

fn stage(folder: &Path, plugin: Plugin, settings: &str) -> Stage {
    let options = ArchiveOptions::new(folder.join(".spool"), folder.join("objects"));
    let (archive, _) = Archive::open(options, Arc::new(RealDisk), Arc::new(|_| {})).unwrap();
    let camera = Name::new("gate").unwrap();
    Stage {
        site: Site {
            name: Name::new("boatyard").unwrap(),
            time_zone: TimeZone::UTC,
            time_zone_name: "UTC".to_owned(),
            position: None,
            uplink: crate::config::Uplink::default(),
        },
        plan: Plan::always(),
        sink: Sink {
            name: Name::new("trial").unwrap(),
            plugin,
            cameras: vec![camera.clone()],
            when_behind: WhenBehind::default(),
            gather: Duration::from_millis(200),
            settings: settings.parse().unwrap(),
            limits: Limits::default(),
        },
        camera,
        source: None,
        decoder: DecoderOptions {
            memory: ByteCount::mib(192),
            call: Duration::from_secs(5),
            pixels_max: 1 << 23,
            ffmpeg: None,
        },
        archive,
        input: "footage".to_owned(),
    }
}

async fn recorded(seconds: &[i64]) -> (Outcome, Vec<(String, Vec<u8>)>) {
    let dir = tempfile::tempdir().unwrap();
    let engine = Engine::new(None).unwrap();
    let recorder = Plugin::Builtin("recorder");
    let stage = stage(dir.path(), recorder, "segment_seconds = 20");
    let archive = stage.archive.clone();
    let (outcome, figures) = run(&engine, stage, footage(seconds).into_iter(), |_| {})
        .await
        .unwrap();
    assert!(archive.close(Duration::from_secs(20)));
    assert_eq!(figures.calls["tick"].calls, outcome.calls["tick"]);
    let mut files = Vec::new();
    for day in std::fs::read_dir(dir.path().join("objects/gate/footage")).unwrap() {
        for file in std::fs::read_dir(day.unwrap().path()).unwrap() {
            let path = file.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            files.push((name, std::fs::read(path).unwrap()));
        }
    }
    files.sort();
    (outcome, files)
}

#[tokio::test]
async fn a_sink_lives_in_the_time_of_the_footage() {
    let minute: Vec<_> = (0..60).collect();
    let (outcome, files) = recorded(&minute).await;
    assert_eq!(outcome.world, Some(World::Sink));
    assert_eq!((outcome.units, outcome.seen.units), (300, 300));
    // From the first second to the last whole one; 7:31:00.120 is the first instant.
    assert_eq!(outcome.calls["tick"], 60);
    assert_eq!(outcome.ended, None);
    let names: Vec<_> = files.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(
        names,
        [
            "2026-05-04T073100.120Z.mp4",
            "2026-05-04T073120.120Z.mp4",
            "2026-05-04T073140.120Z.mp4"
        ]
    );
    // Its gauges are of the time of the footage, too.
    let held = &outcome.gauges["held_units"];
    let (begin, end) = outcome.span.unwrap();
    assert!(held.is_sorted_by_key(|(time, _)| *time));
    assert!(held.iter().all(|(time, _)| (begin..=end).contains(time)));
    assert!(held.len() > 5 && held.iter().any(|(_, value)| *value > 0.0));
    let (again, files_again) = recorded(&minute).await;
    assert_eq!(json(&outcome).unwrap(), json(&again).unwrap());
    assert!(files == files_again);
}

#[tokio::test]
async fn a_gap_is_counted_out_and_a_long_one_leapt_over() {
    // An hour, then three days.
    let gaps = [0, 1, 3600, 3601, 262_800, 262_801];
    let (outcome, files) = recorded(&gaps).await;
    assert_eq!(outcome.seen.units, 30);
    assert_eq!(outcome.seen.leaps, 1);
    assert_eq!(outcome.calls["tick"], 3602 + 2);
    assert_eq!(files.len(), 3);
}

#[tokio::test]
async fn what_cannot_be_tried_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let engine = Engine::new(None).unwrap();
    let recorder = || Plugin::Builtin("recorder");
    let tried = |stage, units: Vec<Result<Arc<Unit>, String>>| {
        let engine = Arc::clone(&engine);
        async move {
            let tried = run(&engine, stage, units.into_iter(), |_| {}).await;
            tried.map(|_| ()).unwrap_err()
        }
    };
    let folder = |name: &str| dir.path().join(name);
    let error = tried(stage(&folder("a"), recorder(), ""), Vec::new()).await;
    assert!(matches!(error, TrialError::Empty(_)), "{error}");
    let broken = vec![Err("a box of 3 GB".to_owned())];
    let error = tried(stage(&folder("b"), recorder(), ""), broken).await;
    assert!(matches!(error, TrialError::Input(_)), "{error}");
    let mut units = footage(&[0, 1]);
    units.insert(0, Err("a file of nothing".to_owned()));
    units.insert(4, Err("a file of nothing".to_owned()));
    let stage_of = stage(&folder("e"), recorder(), "");
    let tried_on = run(&engine, stage_of, units.into_iter(), |_| {}).await;
    let seen = tried_on.unwrap().0.seen;
    assert_eq!((seen.unreadable, seen.units), (2, 10));
    let wrong = stage(&folder("c"), recorder(), "segment_secnods = 1");
    let error = tried(wrong, footage(&[0])).await;
    assert!(error.to_string().contains("segment_secnods"), "{error}");
    let nothing = Plugin::File(folder("none.wasm"));
    let error = tried(stage(&folder("d"), nothing, ""), footage(&[0])).await;
    assert!(matches!(error, TrialError::Load(_)), "{error}");
}
