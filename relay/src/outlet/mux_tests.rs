use std::num::NonZeroU32;

use super::*;

const SECOND: i64 = 1_000_000_000;
const BEGIN: i64 = 1_777_900_000 * SECOND;
/// Ticks of a picture at 25 a second.
const PICTURE: i64 = 3600;

fn track(id: u32, codec: Codec, rate: u32) -> Arc<Track> {
    Arc::new(Track {
        id,
        codec,
        rfc6381: String::new(),
        clock_rate: NonZeroU32::new(rate).unwrap(),
        width: if rate == 90_000 { 64 } else { 0 },
        height: if rate == 90_000 { 48 } else { 0 },
        channels: 1,
        decoder_configuration: Bytes::from_static(&[1, 2, 3]),
    })
}

fn tracks() -> Arc<TrackSet> {
    let tracks = vec![track(1, Codec::H264, 90_000), track(2, Codec::Aac, 16_000)];
    Arc::new(TrackSet {
        generation: 1,
        tracks,
    })
}

/// A picture that is shown `number` pictures after the begin.
fn picture(tracks: &Arc<TrackSet>, number: i64, key: bool, timeline: u32) -> Arc<Unit> {
    Arc::new(Unit {
        sequence: 0,
        track: Arc::clone(&tracks.tracks[0]),
        tracks: Arc::clone(tracks),
        media_time: number * PICTURE + 777 + i64::from(timeline) * 1_000_000_000,
        duration: 0,
        timeline,
        captured: CaptureTime::from_unix_nanos(BEGIN + number * SECOND / 25),
        uncertainty_nanos: 0,
        random_access: key,
        discontinuity: false,
        payload: Bytes::from_static(b"picture"),
    })
}

/// A frame of sound `nanos` after the begin.
fn sound(tracks: &Arc<TrackSet>, nanos: i64) -> Arc<Unit> {
    let mut unit = Unit::clone(&picture(tracks, 0, true, 0));
    unit.track = Arc::clone(&tracks.tracks[1]);
    (unit.duration, unit.media_time) = (1024, nanos * 16_000 / SECOND);
    unit.captured = CaptureTime::from_unix_nanos(BEGIN + nanos);
    Arc::new(unit)
}

fn muxer(breaks: Breaks) -> (Arc<TrackSet>, Muxer) {
    let tracks = tracks();
    let parts = Parts::of(&tracks).unwrap();
    (tracks, Muxer::new(parts, breaks))
}

fn times(placed: &[Option<Placed>]) -> Vec<Option<(i64, bool)>> {
    let of = |placed: &Placed| (placed.time, placed.is_break);
    placed
        .iter()
        .map(|placed| placed.as_ref().map(of))
        .collect()
}

#[test]
fn a_film_begins_at_a_key_frame_and_follows_the_camera() {
    let (tracks, mut muxer) = muxer(Breaks::Closed);
    let placed = [(5, false), (6, true), (5, false), (7, false), (8, false)]
        .map(|(number, key)| muxer.place(&picture(&tracks, number, key, 0)));
    // What is shown before the key frame needs what is not there.
    assert_eq!(
        times(&placed),
        [
            None,
            Some((0, false)),
            None,
            Some((PICTURE, false)),
            Some((2 * PICTURE, false))
        ]
    );
}

#[test]
fn breaks_are_closed_or_kept() {
    for (breaks, after) in [(Breaks::Closed, 2 * PICTURE), (Breaks::Kept, 100 * PICTURE)] {
        let (tracks, mut muxer) = muxer(breaks);
        for number in 0..2 {
            muxer.place(&picture(&tracks, number, number == 0, 0));
        }
        // Four seconds are missing; then the camera's times begin anew.
        let placed = [
            (100, false, 0),
            (100, true, 0),
            (101, false, 0),
            (102, true, 1),
        ]
        .map(|(number, key, timeline)| muxer.place(&picture(&tracks, number, key, timeline)));
        assert_eq!(
            times(&placed),
            [
                None,
                Some((after, true)),
                Some((after + PICTURE, false)),
                Some((after + 2 * PICTURE, true))
            ]
        );
    }
}

#[test]
fn what_was_left_out_is_a_break() {
    let (tracks, mut muxer) = muxer(Breaks::Closed);
    muxer.place(&picture(&tracks, 0, true, 0));
    muxer.place(&picture(&tracks, 1, false, 0));
    muxer.cut();
    let placed = [(2, false), (25, true), (26, false)]
        .map(|(number, key)| muxer.place(&picture(&tracks, number, key, 0)));
    assert_eq!(
        times(&placed),
        [None, Some((2 * PICTURE, true)), Some((3 * PICTURE, false))]
    );
}

#[test]
fn sound_stands_beside_the_pictures_and_is_even() {
    let (tracks, mut muxer) = muxer(Breaks::Closed);
    assert!(
        muxer.place(&sound(&tracks, 0)).is_none(),
        "nothing to stand beside yet"
    );
    muxer.place(&picture(&tracks, 10, true, 0));
    assert!(
        muxer.place(&sound(&tracks, SECOND / 5)).is_none(),
        "from before the film"
    );
    let begin = 10 * SECOND / 25;
    let placed: Vec<_> = (0..4)
        .map(|frame| {
            // Capture times jitter by some milliseconds; a frame lasts 64.
            let jitter = [0, 9, -9, 5][frame as usize] * 1_000_000;
            muxer.place(&sound(&tracks, begin + frame * 64_000_000 + jitter))
        })
        .collect();
    let times: Vec<_> = placed
        .iter()
        .map(|placed| placed.as_ref().unwrap().time)
        .collect();
    assert_eq!(times, [0, 1024, 2048, 3072]);
    let pieces = muxer.fragment(&placed.into_iter().flatten().collect::<Vec<_>>(), None);
    assert_eq!(pieces.len(), 5);
    assert_eq!(
        pieces[0].windows(4).filter(|four| four == b"traf").count(),
        1
    );
}

/// I P B B P: decoded in that order, at the times at which pictures are shown.
#[test]
fn decode_times_rise_whatever_is_shown_first() {
    let (tracks, mut muxer) = muxer(Breaks::Closed);
    let placed: Vec<_> = [0, 3, 1, 2, 6, 4, 5]
        .iter()
        .map(|number| {
            muxer
                .place(&picture(&tracks, *number, *number == 0, 0))
                .unwrap()
        })
        .collect();
    let whole = Fragment::new(&placed, None, None, PICTURE);
    let offsets = |fragment: &Fragment| -> Vec<i64> {
        let samples = fragment.runs.iter().flat_map(|run| &run.samples);
        samples.map(|sample| sample.offset / PICTURE).collect()
    };
    assert_eq!(offsets(&whole), [0, 2, -1, -1, 2, -1, -1]);
    // The same one by one, as they come.
    let (mut floor, mut decoded) = (None, Vec::new());
    for one in &placed {
        let fragment = Fragment::new(std::slice::from_ref(one), floor, None, PICTURE);
        floor = fragment.floor();
        decoded.push(floor.unwrap());
    }
    assert!(
        decoded.windows(2).all(|pair| pair[0] < pair[1]),
        "{decoded:?}"
    );
    assert_eq!(decoded[4], 6 * PICTURE);
}
