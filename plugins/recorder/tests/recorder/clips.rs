//! Real streams through the recorder, judged by ffprobe and ffmpeg: times, bytes, pictures,
//! durations, and nothing to warn of.

use std::path::{Path, PathBuf};

use forebay_plugin_sdk::Track;
use forebay_recorder::segment::Recorder;
use forebay_recorder::settings::Settings;

use crate::support::{BEGIN, Memory, SECOND, Stored};
use crate::tools::{Dir, Fed, Packet, entry, packets, pictures, run, sound, tools, video};

/// Records the units in order of capture and gives the files, also on disk.
fn record(
    dir: &Dir,
    tracks: &[Track],
    units: &[Fed],
    settings: Settings,
) -> Vec<(Stored, PathBuf)> {
    let mut recorder = Recorder::new(settings, Memory::default());
    assert_eq!(
        recorder.tracks(tracks),
        tracks.iter().map(|t| t.id).collect::<Vec<_>>()
    );
    for batch in units.chunks(7) {
        recorder.handle(batch.to_vec()).unwrap();
    }
    recorder.stop();
    let memory = recorder.host();
    assert_eq!(memory.warnings, Vec::<String>::new());
    let write = |(number, file): (usize, &Stored)| {
        let path = dir.path(&format!("{number}.mp4"));
        std::fs::write(&path, &file.bytes).unwrap();
        (file.clone(), path)
    };
    memory.files.iter().enumerate().map(write).collect()
}

/// Two tracks in the order in which a camera would send them.
fn merged(one: &[Fed], other: &[Fed]) -> Vec<Fed> {
    // Reordered pictures are sent in decode order: a unit goes no earlier than the one before it.
    let mut sent = i64::MIN;
    let mut times = |unit: &Fed| {
        sent = sent.max(unit.0.captured);
        (sent, unit.clone())
    };
    let mut all: Vec<(i64, Fed)> = one.iter().map(&mut times).collect();
    all.extend(other.iter().map(|unit| (unit.0.captured, unit.clone())));
    all.sort_by_key(|(sent, _)| *sent);
    all.into_iter().map(|(_, unit)| unit).collect()
}

/// The packets must be these units, with their times from the first shown one on.
fn same(packets: &[Packet], units: &[Fed]) {
    assert_eq!(packets.len(), units.len());
    let first = units.iter().map(|(info, _)| info.media_time).min().unwrap();
    for (packet, (info, bytes)) in packets.iter().zip(units) {
        assert_eq!(packet.pts, info.media_time - first);
        assert!(packet.bytes == *bytes, "payload at {}", packet.pts);
        assert!(packet.key || !info.random_access);
    }
    assert!(
        packets.windows(2).all(|two| two[0].dts < two[1].dts),
        "decode times rise"
    );
}

fn silent(file: &Path) {
    run(
        "ffmpeg",
        &["-i", file.to_str().unwrap(), "-map", "0", "-f", "null", "-"],
    );
}

fn duration(file: &Path) -> f64 {
    entry(file, &["-show_entries", "format=duration"])
        .parse()
        .unwrap()
}

const X264: &[&str] = &[
    "-c:v",
    "libx264",
    "-preset",
    "veryfast",
    "-g",
    "25",
    "-keyint_min",
    "25",
];

/// Records video alone in one file, checks everything, and gives the file.
fn one_file(name: &str, codec: &str, encoder: &[&str], reports: &str) {
    if !tools() {
        return;
    }
    let dir = Dir::new(name);
    // Not a round beginning: 2³² − 1 s is where RTP timestamps wrap.
    let (track, units) = video(&dir, codec, encoder, 6, (1 << 32) - 90_000);
    let whole = Settings {
        segment_seconds: 3600,
        ..Settings::default()
    };
    let files = record(&dir, &[track], &units, whole);
    let [(stored, path)] = &files[..] else {
        panic!("{} files", files.len())
    };
    same(&packets(path, "v:0"), &units);
    silent(path);
    assert_eq!(pictures(path), pictures(&dir.path("source.mov")));
    assert_eq!(pictures(path).len(), 150);
    assert!((duration(path) - 6.0).abs() < 0.001, "{}", duration(path));
    let what = "stream=codec_name,codec_tag_string,width,height,avg_frame_rate";
    assert_eq!(entry(path, &["-show_entries", what]), reports);
    let first = units.iter().map(|(info, _)| info.captured).min().unwrap();
    assert_eq!(
        (stored.begin, stored.end),
        (first, Some(first + 6 * SECOND))
    );
}

#[test]
fn h264_plain() {
    let encoder = [X264, &["-bf", "0"]].concat();
    one_file("h264-plain", "h264", &encoder, "h264,avc1,320,180,25/1");
}

#[test]
fn h264_reordered() {
    let encoder = [
        X264,
        &[
            "-bf",
            "3",
            "-b_strategy",
            "0",
            "-x264-params",
            "b-pyramid=normal",
        ],
    ];
    one_file(
        "h264-reordered",
        "h264",
        &encoder.concat(),
        "h264,avc1,320,180,25/1",
    );
}

#[test]
fn h264_open_groups() {
    let encoder = [X264, &["-bf", "3", "-x264-params", "open-gop=1:b-adapt=0"]].concat();
    one_file("h264-open", "h264", &encoder, "h264,avc1,320,180,25/1");
}

#[test]
fn h265() {
    let encoder = [
        "-c:v",
        "libx265",
        "-preset",
        "ultrafast",
        "-tag:v",
        "hvc1",
        "-x265-params",
    ];
    let parameters = ["log-level=none:keyint=25:min-keyint=25:bframes=3:open-gop=1"];
    let encoder = [&encoder[..], &parameters].concat();
    one_file("h265", "h265", &encoder, "hevc,hvc1,320,180,25/1");
}

#[test]
fn jpeg() {
    one_file(
        "jpeg",
        "jpeg",
        &["-c:v", "mjpeg", "-q:v", "5"],
        "mjpeg,mp4v,320,180,25/1",
    );
}

/// Sound beside video of 12 s over four segments of 3 s.
fn with_sound(name: &str, codec: &str, tag: &str) {
    if !tools() {
        return;
    }
    let dir = Dir::new(name);
    let (picture, pictures) = video(&dir, "h264", &[X264, &["-bf", "2"]].concat(), 12, 0);
    // The sound's media times have nothing to do with the picture's.
    let (tone, tones) = sound(&dir, codec, 12, 777_777);
    let late = tones[0].0.captured - BEGIN - 15_000_000;
    let tones: Vec<Fed> = tones
        .into_iter()
        .map(|(mut info, bytes)| {
            info.captured -= late; // 15 ms after the first picture
            (info, bytes)
        })
        .collect();
    let settings = Settings {
        segment_seconds: 3,
        ..Settings::default()
    };
    let units = merged(&pictures, &tones);
    let files = record(&dir, &[picture.clone(), tone.clone()], &units, settings);
    assert_eq!(files.len(), 4);

    let (mut shown, mut heard) = (&pictures[..], &tones[..]);
    for (number, (stored, path)) in files.iter().enumerate() {
        silent(path);
        let what = ["-select_streams", "a", "-show_entries"];
        let what = [&what[..], &["stream=codec_tag_string,sample_rate,channels"]].concat();
        assert_eq!(entry(path, &what), format!("{tag},{},1", tone.clock_rate));

        let seen = packets(path, "v:0");
        let (here, rest) = shown.split_at(seen.len());
        // The file begins with its first picture, or with sound captured just before it.
        let begin = |units: &[Fed]| units.iter().map(|(info, _)| info.captured).min().unwrap();
        let sounds = packets(path, "a:0");
        let (audible, rest_heard) = heard.split_at(sounds.len());
        assert_eq!(stored.begin, begin(here).min(begin(audible)));
        let clock = |ticks: i64, track: &Track| ticks * SECOND / i64::from(track.clock_rate);
        let close = |packets: &[Packet], units: &[Fed], track: &Track| {
            for (packet, (info, bytes)) in packets.iter().zip(units) {
                assert!(packet.bytes == *bytes);
                let wrong = clock(packet.pts, track) - (info.captured - stored.begin);
                let tick = SECOND / i64::from(track.clock_rate) + 1;
                assert!(
                    wrong.abs() <= tick,
                    "file {number}: {wrong} ns at {}",
                    packet.pts
                );
            }
        };
        close(&seen, here, &picture);
        close(&sounds, audible, &tone);
        (shown, heard) = (rest, rest_heard);

        let nanos = clock(3 * i64::from(picture.clock_rate), &picture) as f64 / 1e9;
        assert!((duration(path) - nanos).abs() < 0.2, "{}", duration(path));
    }
    assert!(
        shown.is_empty() && heard.is_empty(),
        "all units are in the files"
    );
}

#[test]
fn aac_beside_video() {
    with_sound("aac", "aac", "mp4a");
}

#[test]
fn a_law_beside_video() {
    with_sound("pcma", "pcma", "alaw");
}

#[test]
fn mu_law_beside_video() {
    with_sound("pcmu", "pcmu", "ulaw");
}

#[test]
fn sound_alone() {
    if !tools() {
        return;
    }
    for codec in ["aac", "pcma", "pcmu"] {
        let dir = Dir::new(&format!("alone-{codec}"));
        let (track, units) = sound(&dir, codec, 7, 0);
        let settings = Settings {
            segment_seconds: 3,
            ..Settings::default()
        };
        let files = record(&dir, &[track], &units, settings);
        assert_eq!(files.len(), 3);
        let mut rest = &units[..];
        for (stored, path) in &files {
            silent(path);
            let heard = packets(path, "a:0");
            let (here, after) = rest.split_at(heard.len());
            same(&heard, here);
            assert_eq!(stored.begin, here[0].0.captured);
            // Pieces of a second or more: not one a unit.
            assert!(stored.appends.len() <= 4, "{}", stored.appends.len());
            rest = after;
        }
        assert!(rest.is_empty());
    }
}

/// What a power cut leaves: whole fragments, and no duration.
#[test]
fn an_unfinished_file_plays() {
    if !tools() {
        return;
    }
    let dir = Dir::new("unfinished");
    let (track, units) = video(&dir, "h264", &[X264, &["-bf", "2"]].concat(), 6, 0);
    let mut recorder = Recorder::new(Settings::default(), Memory::default());
    recorder.tracks(&[track]);
    recorder.handle(units.clone()).unwrap();
    let file = &recorder.host().files[0];
    assert!(!file.patched && file.end.is_none());
    // The header, then groups of a second; the last is still held.
    assert_eq!(file.appends.len(), 1 + 5);
    for whole in [2, 5] {
        let path = dir.path("cut.mp4");
        std::fs::write(&path, &file.bytes[..file.appends[whole]]).unwrap();
        silent(&path);
        same(&packets(&path, "v:0"), &units[..25 * whole]);
        assert!(
            (duration(&path) - whole as f64).abs() < 0.001,
            "{}",
            duration(&path)
        );
    }
}

/// Pictures that precede the first one of a file, but need the file before, are kept.
#[test]
fn open_groups_are_cut_without_loss() {
    if !tools() {
        return;
    }
    let x264 = [X264, &["-bf", "3", "-x264-params", "open-gop=1:b-adapt=0"]].concat();
    let x265 = [
        "-c:v",
        "libx265",
        "-preset",
        "ultrafast",
        "-tag:v",
        "hvc1",
        "-x265-params",
    ];
    let x265 = [
        &x265[..],
        &["log-level=none:keyint=25:min-keyint=25:bframes=3:open-gop=1"],
    ]
    .concat();
    for (codec, encoder) in [("h264", &x264), ("h265", &x265)] {
        let dir = Dir::new(&format!("open-{codec}"));
        let (track, units) = video(&dir, codec, encoder, 8, 0);
        let settings = Settings {
            segment_seconds: 2,
            ..Settings::default()
        };
        let files = record(&dir, &[track], &units, settings);
        assert!(files.len() >= 4);
        let mut rest = &units[..];
        for (number, (_, path)) in files.iter().enumerate() {
            // In H.264, ffmpeg's decoder misses what such a group refers to; in H.265 it knows
            // by their type which pictures to skip (RASL, ITU-T H.265 §3).
            if codec == "h265" || number == 0 {
                silent(path);
            }
            let seen = packets(path, "v:0");
            let (here, after) = rest.split_at(seen.len());
            same(&seen, here);
            rest = after;
        }
        assert!(rest.is_empty());
    }
}
