use std::num::NonZeroU32;

use super::*;
use crate::hold::{Codec, Track, TrackSet};

const SECOND: i64 = 1_000_000_000;
const BEGIN: i64 = 1_777_900_000 * SECOND;

fn track(id: u32, codec: Codec, rate: u32) -> Arc<Track> {
    Arc::new(Track {
        id,
        codec,
        rfc6381: "avc1.64001E".to_owned(),
        clock_rate: NonZeroU32::new(rate).unwrap(),
        width: 640,
        height: 360,
        channels: 0,
        decoder_configuration: Bytes::from_static(&[1, 2, 3]),
    })
}

fn set(generation: u64, id: u32) -> Arc<TrackSet> {
    let tracks = vec![track(id, Codec::H264, 90_000)];
    Arc::new(TrackSet { generation, tracks })
}

/// A picture `number` twenty-fifths of a second after the begin.
fn push(hold: &Arc<Hold>, tracks: &Arc<TrackSet>, number: i64, gop: i64, timeline: u32) {
    hold.push(Unit {
        sequence: 0,
        track: Arc::clone(&tracks.tracks[0]),
        tracks: Arc::clone(tracks),
        media_time: number * 3600 + i64::from(timeline) * 1_000_000,
        duration: 0,
        timeline,
        captured: CaptureTime::from_unix_nanos(BEGIN + number * SECOND / 25),
        uncertainty_nanos: 0,
        random_access: number % gop == 0,
        discontinuity: false,
        payload: Bytes::from(vec![7; 1000]),
    });
}

fn id(master: &Master) -> u64 {
    master.uri.split('/').nth(1).unwrap().parse().unwrap()
}

#[test]
fn lengths_follow_the_camera() {
    let keys = |step: i64| -> Vec<i64> { (0..8).map(|n| n * step).collect() };
    for (step, wanted) in [
        (2 * SECOND, (3 * SECOND / 2, 2)),
        (SECOND, (7 * SECOND / 4, 2)),
        (SECOND / 2, (15 * SECOND / 8, 2)),
        (4 * SECOND, (3 * SECOND, 4)),
        (10 * SECOND, (15 * SECOND / 2, 6)),
    ] {
        assert_eq!(lengths(&keys(step)), wanted);
    }
    assert_eq!(lengths(&[]), (SEGMENT_NANOS, SEGMENT_SECONDS_MAX));
}

#[test]
fn segments_are_whole_groups_and_their_numbers_go_on() {
    let (hold, tracks) = (Hold::new(64 << 20), set(1, 1));
    let channel = Channel::default();
    assert_eq!(channel.master(&hold), Err(NoList::Yet));
    for number in 0..251 {
        push(&hold, &tracks, number, 50, 0);
    }
    // The list that could not know the camera's rhythm is not kept for long.
    *channel.slot() = None;
    let master = channel.master(&hold).unwrap();
    assert_eq!((master.width, master.codecs.as_str()), (640, "avc1.64001E"));
    assert!((master.pictures_a_second.unwrap() - 25.0).abs() < 0.01);
    assert_eq!(master.average, 25 * 1000 * 8);
    let id = id(&master);
    let media = channel.media(&hold, id).unwrap();
    assert_eq!(
        (media.target_seconds, media.sequence, media.breaks),
        (2, 0, 0)
    );
    assert_eq!(media.entries.len(), 5);
    assert!(
        media
            .entries
            .iter()
            .all(|entry| entry.nanos == 2 * SECOND && !entry.is_break)
    );
    // Fetched, each holds its pictures.
    let bytes = channel.segment(&hold, id, 4).unwrap();
    assert_eq!(bytes.iter().filter(|bytes| bytes.len() == 1000).count(), 50);
    assert_eq!(channel.segment(&hold, id, 5), None);
    assert!(channel.map(id, 0).is_some() && channel.map(id + 1, 0).is_none());
    for number in 251..2001 {
        push(&hold, &tracks, number, 50, 0);
        if number % 100 == 0 {
            let media = channel.media(&hold, id).unwrap();
            let seconds: i64 = media.entries.iter().map(|entry| entry.nanos).sum();
            // §6.2.2: at least three target durations.
            assert!(
                seconds >= 6 * SECOND && media.entries.len() <= 6,
                "{media:?}"
            );
            let first = media.entries[0].uri.clone();
            assert_eq!(first, format!("{}.m4s", media.sequence));
        }
    }
    let media = channel.media(&hold, id).unwrap();
    assert_eq!(media.sequence + media.entries.len() as u64, 40);
    // What has left the list can be had for a while.
    assert!(channel.segment(&hold, id, media.sequence - 1).is_some());
    assert!(channel.segment(&hold, id, 0).is_none());
    assert_eq!(channel.media(&hold, id + 1), Err(NoList::Ended));
}

#[test]
fn breaks_are_told_and_counted_when_they_leave() {
    let (hold, tracks, others) = (Hold::new(64 << 20), set(1, 1), set(2, 2));
    for number in 0..150 {
        push(&hold, &tracks, number, 50, 0);
    }
    let channel = Channel::default();
    let id = id(&channel.master(&hold).unwrap());
    // A gap of eight seconds, then other parameters.
    for number in 350..450 {
        push(&hold, &tracks, number, 50, 1);
    }
    for number in 450..601 {
        push(&hold, &others, number, 50, 1);
    }
    let media = channel.media(&hold, id).unwrap();
    let told: Vec<_> = media
        .entries
        .iter()
        .map(|entry| (entry.uri.as_str(), entry.is_break, entry.map.as_str()))
        .collect();
    assert_eq!(told[1], ("3.m4s", true, "0.mp4"), "{told:?}");
    let maps: Vec<_> = told
        .iter()
        .filter(|(_, is_break, _)| *is_break)
        .map(|told| told.2)
        .collect();
    assert_eq!(maps, ["0.mp4", "1.mp4"]);
    let gap = media
        .entries
        .iter()
        .find(|entry| entry.uri == "3.m4s")
        .unwrap();
    assert_eq!(gap.begin.unix_nanos(), BEGIN + 14 * SECOND);
    for number in 601..1700 {
        push(&hold, &others, number, 50, 1);
        if number % 50 == 0 {
            channel.media(&hold, id).unwrap();
        }
    }
    let media = channel.media(&hold, id).unwrap();
    assert_eq!(media.breaks, 2);
    assert!(
        media
            .entries
            .iter()
            .all(|entry| !entry.is_break && entry.map == "1.mp4")
    );
    assert!(channel.slot().as_ref().unwrap().maps.len() == 1);
}

#[test]
fn what_the_hold_has_let_go_is_not_listed() {
    // Five seconds of it.
    let (hold, tracks) = (Hold::new(125 * 1256), set(1, 1));
    let channel = Channel::default();
    for number in 0..1000 {
        push(&hold, &tracks, number, 50, 0);
        if number == 200 {
            channel.master(&hold).unwrap();
        }
        if number > 200 && number % 25 == 0 {
            let known = channel.slot().as_ref().unwrap().id;
            let media = channel.media(&hold, known).unwrap();
            for entry in &media.entries {
                let number = entry.uri.split('.').next().unwrap().parse().unwrap();
                assert!(channel.segment(&hold, known, number).is_some());
            }
        }
    }
    // Nobody asks while it turns over: that list has ended.
    let known = channel.slot().as_ref().unwrap().id;
    for number in 1000..1500 {
        push(&hold, &tracks, number, 50, 0);
    }
    assert_eq!(channel.media(&hold, known), Err(NoList::Ended));
}

#[test]
fn a_camera_without_a_film_says_so() {
    let hold = Hold::new(1 << 20);
    let tracks = Arc::new(TrackSet {
        generation: 1,
        tracks: vec![track(1, Codec::Jpeg, 90_000)],
    });
    for number in 0..10 {
        push(&hold, &tracks, number, 1, 0);
    }
    let told = Channel::default().master(&hold);
    assert_eq!(told, Err(NoList::Never(NoFilm::Codec("jpeg"))));
}
