//! What a recording must be, compared with what the camera sent.

use std::collections::HashMap;

use forebay_tests::recording::{self, Sample, decode, packets, pictures, stream_units};
use forebay_tests::{Sent, mp4_files};
use serde_json::Value;

use super::session::{Recorded, SEGMENT_SECONDS, Session};

/// RTP's video clock has 90 000 ticks a second, so a time is right to some µs; what comes on top
/// is the rounding in two programs.
const CLOCK_SECONDS: f64 = 0.002;

/// All recorded pictures in the order of decoding.
fn recorded(camera: &Recorded) -> Vec<&Sample> {
    camera
        .recordings()
        .iter()
        .flat_map(|file| &file.video().samples)
        .collect()
}

fn hash(sample: &Sample) -> &str {
    sample.unit.as_deref().expect("a video sample has a hash")
}

/// Index of `needle` in `hay`, as a contiguous part.
fn place<T: PartialEq>(hay: &[T], needle: &[T]) -> Option<usize> {
    let first = needle.first()?;
    let mut starts = hay
        .iter()
        .enumerate()
        .filter(|(_, item)| *item == first)
        .map(|(at, _)| at);
    starts.find(|at| hay[*at..].starts_with(needle))
}

/// The sent units that were recorded: from the first recorded one, as many.
fn sent(camera: &Recorded) -> &[Sent] {
    let recorded = recorded(camera);
    let first = hash(recorded[0]);
    let begin = camera
        .sent
        .video
        .iter()
        .position(|unit| unit.sha256 == first);
    let begin = begin.expect("the first recorded unit is one that was sent");
    let end = (begin + recorded.len()).min(camera.sent.video.len());
    &camera.sent.video[begin..end]
}

pub(super) fn units(camera: &Recorded) {
    let recorded = recorded(camera);
    let sent = sent(camera);
    assert!(sent[0].key, "the recording begins at a key frame");
    for (index, (sample, unit)) in recorded.iter().zip(sent).enumerate() {
        assert_eq!(
            hash(sample),
            unit.sha256,
            "unit {index} of {}",
            recorded.len()
        );
        assert_eq!(sample.key, unit.key, "key frame, unit {index}");
    }
    assert_eq!(recorded.len(), sent.len(), "more recorded than sent");
}

pub(super) fn span(camera: &Recorded) {
    let (begin, end) = camera.session;
    let sent = sent(camera);
    let seconds = |unit: &Sent| unit.captured as f64 / 1e9;
    let (first, last) = (seconds(&sent[0]), seconds(&sent[sent.len() - 1]));
    // A server with a shared pipeline begins with the client: set-up, then the first key frame.
    assert!(
        first - begin < 3.0,
        "recording begins {:.2} s after the start",
        first - begin
    );
    assert!(
        end - last < 1.0,
        "recording ends {:.2} s before the end",
        end - last
    );
}

pub(super) fn other_client(camera: &Recorded) {
    let other = stream_units(camera.codec, &camera.other);
    let recorded: Vec<&str> = recorded(camera).into_iter().map(hash).collect();
    // ffmpeg's last unit may be cut off.
    let other: Vec<&str> = other[..other.len().saturating_sub(1)]
        .iter()
        .map(String::as_str)
        .collect();
    // One of the two began earlier, and one ended earlier.
    let begin = |of: &[&str], first: &str| of.iter().position(|unit| *unit == first).unwrap_or(0);
    let (recorded, other) = (
        &recorded[begin(&recorded, other[0])..],
        &other[begin(&other, recorded[0])..],
    );
    let common = recorded.len().min(other.len());
    assert!(
        common as f64 * camera.frame > 5.0,
        "only {common} units to compare"
    );
    assert!(
        recorded[..common] == other[..common],
        "{common} units differ"
    );
}

pub(super) fn decoding(camera: &Recorded) {
    decode(&camera.files);
    for recording in camera.recordings() {
        let samples = recording.video().samples.len();
        assert_eq!(
            pictures(&recording.file),
            samples,
            "{}",
            recording.file.display()
        );
    }
}

pub(super) fn second_reader(camera: &Recorded) {
    for recording in camera.recordings() {
        let packets = packets(&recording.file);
        for (index, track) in recording.tracks.iter().enumerate() {
            let found: Vec<_> = packets
                .iter()
                .filter(|packet| packet.stream == index)
                .collect();
            assert_eq!(
                found.len(),
                track.samples.len(),
                "{}",
                recording.file.display()
            );
            for (packet, sample) in found.iter().zip(&track.samples) {
                assert_eq!((packet.size, &packet.sha256), (sample.size, &sample.sha256));
                assert!(
                    (packet.time - sample.time).abs() < CLOCK_SECONDS,
                    "{packet:?} {sample:?}"
                );
            }
        }
    }
}

pub(super) fn boxes(camera: &Recorded) {
    for recording in camera.recordings() {
        let name = recording.file.display();
        let boxes = recording::boxes(&recording.file);
        let top: Vec<&str> = children(&boxes).iter().map(kind).collect();
        // ISO/IEC 14496-12: ftyp first (4.3.1), prft before its moof (8.16.5.1).
        assert_eq!(top[..2], ["ftyp", "moov"], "{name}");
        for fragment in top[2..].chunk_by(|before, _| *before != "mdat") {
            assert_eq!(fragment.last(), Some(&"mdat"), "{name}: {top:?}");
            let references = fragment.iter().take_while(|kind| **kind == "prft").count();
            assert_eq!(fragment[references..], ["moof", "mdat"], "{name}: {top:?}");
        }
        let moofs = children(&boxes)
            .iter()
            .filter(|found| kind(found) == "moof");
        let moofs: Vec<&Value> = moofs.collect();
        for (number, moof) in moofs.iter().enumerate() {
            assert_eq!(
                below(moof, "mfhd")[0]["sequence_number"],
                number + 1,
                "{name}"
            );
        }
        let trafs: Vec<&Value> = moofs.iter().flat_map(|moof| below(moof, "traf")).collect();
        for track in &recording.tracks {
            let of = trafs
                .iter()
                .filter(|traf| below(traf, "tfhd")[0]["track_ID"] == track.id);
            let truns = of.flat_map(|traf| below(traf, "trun"));
            let counts = truns.map(|trun| trun["sample_count"].as_u64().unwrap());
            assert_eq!(counts.sum::<u64>(), track.samples.len() as u64, "{name}");
        }
        let moov = children(&boxes)
            .iter()
            .find(|found| kind(found) == "moov")
            .unwrap();
        let per_second = below(moov, "mvhd")[0]["timescale"].as_f64().unwrap();
        let told = below(below(moov, "mvex")[0], "mehd")[0]["fragment_duration"].as_f64();
        // 8.8.2: the duration of the longest track, with all fragments. Sound that begins after
        // the picture also ends after it.
        let samples = recording.tracks.iter().flat_map(|track| &track.samples);
        let end = samples.map(|s| s.time + s.duration).fold(0.0, f64::max);
        let told = told.unwrap() / per_second;
        // What is reordered is shown later than it is decoded.
        let tolerance = camera.frame * f64::from(1 + camera.bframes);
        assert!(
            (told - end).abs() <= tolerance,
            "{name}: {told} s, not {end} s"
        );
    }
}

fn children(of: &Value) -> &[Value] {
    of.as_array()
        .or_else(|| of["children"].as_array())
        .map_or(&[], Vec::as_slice)
}

fn below<'a>(of: &'a Value, wanted: &str) -> Vec<&'a Value> {
    children(of)
        .iter()
        .filter(|found| kind(found) == wanted)
        .collect()
}

fn kind(of: &Value) -> &str {
    of["type"].as_str().unwrap()
}

pub(super) fn times(camera: &Recorded) {
    let mut sent = sent(camera).iter();
    for recording in camera.recordings() {
        let samples = &recording.video().samples;
        let sent: Vec<&Sent> = sent.by_ref().take(samples.len()).collect();
        for (sample, unit) in samples.iter().zip(&sent) {
            let file = sample.time - samples[0].time;
            let truth = (unit.pts as f64 - sent[0].pts as f64) / 1e9;
            assert!(
                (file - truth).abs() < CLOCK_SECONDS,
                "{}: {file:.4} s instead of {truth:.4} s",
                recording.file.display()
            );
        }
    }
}

pub(super) fn durations(camera: &Recorded) {
    let sent = sent(camera);
    let mut at = 0;
    for recording in camera.recordings() {
        let track = recording.video();
        let next = at + track.samples.len();
        let earliest = |units: &[Sent]| units.iter().map(|unit| unit.pts).min();
        let latest = sent[at..next].iter().map(|unit| unit.pts).max().unwrap() as f64 / 1e9;
        let begin = earliest(&sent[at..next]).unwrap() as f64 / 1e9;
        let end = earliest(&sent[next..]).map_or(latest + camera.frame, |pts| pts as f64 / 1e9);
        let difference = track.seconds() - (end - begin);
        assert!(
            difference.abs() <= camera.frame,
            "{}: durations differ by {difference:.3} s from the time between the pictures",
            recording.file.display()
        );
        at = next;
    }
}

pub(super) fn sequence(camera: &Recorded) {
    for pair in camera.recordings().windows(2) {
        let end = pair[0].begin() + pair[0].video().seconds();
        let hole = pair[1].begin() - end;
        // Media times are exact, but a file's name is one capture time, with its uncertainty.
        assert!(
            hole.abs() < 0.25,
            "{}: hole of {hole:.3} s before",
            pair[1].file.display()
        );
        assert!(pair[1].video().samples[0].key, "{}", pair[1].file.display());
    }
}

pub(super) fn cuts(camera: &Recorded) {
    let recordings = camera.recordings();
    assert!(recordings.len() >= 3, "{} files in 13 s", recordings.len());
    for recording in &recordings[1..] {
        let late = recording.begin().rem_euclid(SEGMENT_SECONDS);
        // The first key frame behind the multiple; the slack is for the capture time.
        let late = if late > SEGMENT_SECONDS - 0.1 {
            late - SEGMENT_SECONDS
        } else {
            late
        };
        assert!(
            late < camera.gop + 0.1,
            "{}: {late:.3} s late",
            recording.file.display()
        );
    }
    for (index, pair) in recordings.windows(2).enumerate() {
        let number = |begin: f64| ((begin + 0.1) / SEGMENT_SECONDS).floor();
        let step = number(pair[1].begin()) - number(pair[0].begin());
        // The first file begins anywhere: when just before a multiple, it is cut just after it.
        let short = index == 0 && (pair[0].begin() + 0.1).rem_euclid(SEGMENT_SECONDS) < 0.2;
        assert!(
            step == 1.0 || (short && step == 0.0),
            "{} after {}",
            pair[1].file.display(),
            pair[0].file.display()
        );
    }
}

pub(super) fn capture_times(camera: &Recorded) {
    let truth: HashMap<&str, f64> = sent(camera)
        .iter()
        .map(|unit| (unit.sha256.as_str(), unit.captured as f64 / 1e9))
        .collect();
    for recording in camera.recordings() {
        let track = recording.video();
        let first = truth[hash(&track.samples[0])];
        let error = recording.begin() - first;
        assert!(
            error.abs() < 1.0,
            "{}: wrong by {error:.3} s",
            recording.file.display()
        );
        assert!(
            !recording.references.is_empty(),
            "{}: no prft",
            recording.file.display()
        );
        for reference in recording.references.iter().filter(|r| r.track == track.id) {
            let sample = track.samples.iter().find(|sample| {
                let ticks = (sample.time * f64::from(track.timescale)).round() as u64;
                ticks == reference.media || sample.decode == reference.media
            });
            let sample =
                sample.unwrap_or_else(|| panic!("no sample has the time of {reference:?}"));
            let error = reference.unix - truth[hash(sample)];
            assert!(
                error.abs() < 1.0,
                "{}: prft wrong by {error:.3} s",
                recording.file.display()
            );
        }
    }
}

pub(super) fn audio_is_what_was_sent(camera: &Recorded) {
    if camera.sent.samples.is_empty() {
        let sent: Vec<&str> = camera
            .sent
            .audio
            .iter()
            .map(|unit| unit.sha256.as_str())
            .collect();
        let tracks = camera
            .recordings()
            .iter()
            .map(|file| file.track("audio").expect("audio"));
        let recorded: Vec<&str> = tracks
            .flat_map(|track| &track.samples)
            .map(|sample| sample.sha256.as_str())
            .collect();
        assert!(
            place(&sent, &recorded).is_some(),
            "{} audio frames differ",
            recorded.len()
        );
    } else {
        let files = camera.recordings().iter();
        let recorded: Vec<u8> = files
            .flat_map(|file| file.audio_payload(&camera.dump))
            .collect();
        assert!(
            place(&camera.sent.samples, &recorded).is_some(),
            "G.711 bytes differ"
        );
    }
}

pub(super) fn audio_and_video_agree(camera: &Recorded) {
    let video_sent = sent(camera);
    let mut at = 0;
    let mut audio_at = None;
    for (index, recording) in camera.recordings().iter().enumerate() {
        let name = recording.file.display();
        let (video, audio) = (recording.video(), recording.track("audio").expect("audio"));
        let difference = audio.seconds() - video.seconds();
        // At the end of the stream the pictures that the encoder held back are missing.
        let last = index + 1 == camera.recordings().len();
        let held = if last {
            f64::from(camera.bframes + 1) * camera.frame
        } else {
            0.0
        };
        assert!(
            difference > -0.1 && difference < 0.1 + held,
            "{name}: audio {difference:+.3} s"
        );

        let begin = *audio_at.get_or_insert_with(|| audio_place(camera));
        audio_at = Some(begin + audio_length(camera, index));
        let sent_apart = audio_time(camera, begin) - video_sent[at].pts as f64 / 1e9;
        let file_apart = audio.samples[0].time - video.samples[0].time;
        at += video.samples.len();
        // ITU-R BT.1359-1: acceptable from sound 90 ms early to 185 ms late.
        let late = file_apart - sent_apart;
        assert!(
            late > -0.090 && late < 0.185,
            "{name}: sound is {late:+.3} s late"
        );
    }
}

/// Where the first recorded audio stands in what was sent: frames for AAC, bytes for G.711.
fn audio_place(camera: &Recorded) -> usize {
    let first = &camera.recordings()[0];
    if camera.sent.samples.is_empty() {
        let sample = &first.track("audio").expect("audio").samples[0].sha256;
        camera
            .sent
            .audio
            .iter()
            .position(|unit| unit.sha256 == *sample)
            .expect("it was sent")
    } else {
        place(&camera.sent.samples, &first.audio_payload(&camera.dump)).expect("it was sent")
    }
}

/// What a file holds, in the same measure.
fn audio_length(camera: &Recorded, index: usize) -> usize {
    let recording = &camera.recordings()[index];
    if camera.sent.samples.is_empty() {
        recording.track("audio").expect("audio").samples.len()
    } else {
        recording.audio_payload(&camera.dump).len()
    }
}

/// Seconds of the camera's clock at that place.
fn audio_time(camera: &Recorded, place: usize) -> f64 {
    let sent = &camera.sent.audio;
    if camera.sent.samples.is_empty() {
        return sent[place].pts as f64 / 1e9;
    }
    let mut before = 0;
    let unit = sent.iter().find(|unit| {
        before += unit.size;
        before > place
    });
    let unit = unit.expect("it was sent");
    // One byte is one sample at 8000 Hz (RFC 3551 4.5.14).
    unit.pts as f64 / 1e9 + (place - (before - unit.size)) as f64 / 8000.0
}

pub(super) fn there_is_no_audio(camera: &Recorded) {
    assert!(
        camera
            .recordings()
            .iter()
            .all(|recording| recording.track("audio").is_none())
    );
}

pub(super) fn end(session: &Session) {
    let stopped = &session.stopped;
    assert!(
        stopped.status.success(),
        "{}\n{}",
        stopped.status,
        stopped.log
    );
    assert!(stopped.took.as_secs_f64() < 5.0, "took {:?}", stopped.took);
    let published: usize = session
        .cameras
        .values()
        .map(|camera| camera.files.len())
        .sum();
    assert_eq!(
        mp4_files(&session.archive).len(),
        published,
        "files beside the footage folders"
    );
}
