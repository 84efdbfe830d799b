//! Files made by ffmpeg, against the packets that ffprobe sees in them.

#![expect(
    clippy::print_stdout,
    reason = "a test says what it skipped and counted"
)]

use std::path::Path;
use std::process::Command;

use crate::hold::Codec;

use super::*;
use crate::archive::memory::Dice;

const SECOND: i64 = 1_000_000_000;
/// 2026-05-04T07:31:00Z, by GNU date.
const BEGIN: i64 = 1_777_879_860 * SECOND;

/// Whether ffmpeg is there. Where it is missing a test is skipped, but not in CI.
fn tools() -> bool {
    let there = |tool| Command::new(tool).arg("-version").output().is_ok();
    let both = there("ffmpeg") && there("ffprobe");
    if !both {
        let ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!ci, "ffmpeg and ffprobe are missing");
        println!("skipped: ffmpeg or ffprobe is missing");
    }
    both
}

/// Three seconds of a test picture and a tone, coded as asked for.
fn make(path: &Path, coding: &str) {
    make_late(path, [0, 0], coding);
}

/// The same; pictures and tone begin so many seconds late.
fn make_late(path: &Path, late: [u32; 2], coding: &str) {
    let [pictures, tone] = late.map(|seconds| format!("-itsoffset {seconds} -f lavfi -i"));
    let command = format!(
        "-v error -nostdin -y {pictures} testsrc2=size=192x108:rate=10:duration=3 \
         {tone} sine=frequency=440:sample_rate=16000:duration=3 {coding}"
    );
    let output = Command::new("ffmpeg")
        .args(command.split_whitespace())
        .arg(path)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[derive(Debug, PartialEq)]
struct Packet {
    pts: i64,
    size: usize,
    key: bool,
}

/// The packets of a stream by ffprobe, in the order in which they are decoded.
fn packets(path: &Path, stream: &str) -> Vec<Packet> {
    let output = Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", stream, "-of", "json"])
        .args(["-show_entries", "packet=pts,dts,size,flags"])
        .arg(path)
        .output()
        .unwrap();
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let mut packets: Vec<(i64, Packet)> = told["packets"]
        .as_array()
        .unwrap()
        .iter()
        .map(|packet| {
            let number = |name: &str| packet[name].as_i64().unwrap();
            let size = packet["size"].as_str().unwrap().parse().unwrap();
            let key = packet["flags"].as_str().unwrap().starts_with('K');
            let pts = number("pts");
            (number("dts"), Packet { pts, size, key })
        })
        .collect();
    packets.sort_by_key(|(dts, _)| *dts);
    packets.into_iter().map(|(_, packet)| packet).collect()
}

fn units(path: &Path) -> Vec<Arc<Unit>> {
    Replay::file(path, None, None)
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

fn of_kind(units: &[Arc<Unit>], kind: TrackKind) -> Vec<Packet> {
    let own = units.iter().filter(|unit| unit.track.codec.kind() == kind);
    own.map(|unit| Packet {
        pts: unit.media_time,
        size: unit.payload.len(),
        key: unit.random_access,
    })
    .collect()
}

const FRAGMENTED: &str = "-movflags +frag_keyframe+empty_moov+default_base_moof";

#[test]
fn units_are_the_packets_that_ffprobe_sees() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let h264 = "-c:v libx264 -preset veryfast -g 10 -pix_fmt yuv420p";
    let h265 = "-c:v libx265 -preset ultrafast -x265-params log-level=none:keyint=10 -tag:v hvc1";
    let aac = "-c:a aac -b:a 32k";
    // RFC 6381 §3.3: High (0x64) at level 1.0 (0x0a), which ffprobe names too.
    for (name, coding, codec, rfc6381) in [
        (
            "plain.mp4",
            format!("{h264} -bf 2 {aac}"),
            Codec::H264,
            "avc1.64000A",
        ),
        (
            "front.mp4",
            format!("{h264} -bf 0 {aac} -movflags +faststart"),
            Codec::H264,
            "avc1.64000A",
        ),
        (
            "parts.mp4",
            format!("{h264} -bf 2 {aac} {FRAGMENTED}"),
            Codec::H264,
            "avc1.64000A",
        ),
        // What comes first is in the header's tables, the rest in fragments.
        (
            "both.mp4",
            format!("{h264} -bf 0 {aac} -movflags +frag_keyframe"),
            Codec::H264,
            "avc1.64000A",
        ),
        (
            "quick.mov",
            format!("{h264} -bf 0 {aac}"),
            Codec::H264,
            "avc1.64000A",
        ),
        // Offsets from the beginning of the file, and no sound.
        (
            "old.mp4",
            format!("{h264} -bf 0 -an -movflags +frag_keyframe+empty_moov"),
            Codec::H264,
            "avc1.64000A",
        ),
        (
            "h265.mp4",
            format!("{h265} {aac}"),
            Codec::H265,
            "hvc1.1.6.L30.90",
        ),
        (
            "h265-parts.mp4",
            format!("{h265} -an {FRAGMENTED}"),
            Codec::H265,
            "hvc1.1.6.L30.90",
        ),
        ("jpeg.mp4", format!("-c:v mjpeg {aac}"), Codec::Jpeg, ""),
        (
            "law.mov",
            format!("{h264} -bf 0 -c:a pcm_alaw"),
            Codec::H264,
            "avc1.64000A",
        ),
    ] {
        let path = folder.path().join(name);
        make(&path, &coding);
        let units = units(&path);
        assert_eq!(
            of_kind(&units, TrackKind::Video),
            packets(&path, "v"),
            "{name}"
        );
        let video = units.iter().find(|u| u.track.codec == codec).expect(name);
        let track = &video.track;
        assert_eq!((track.width, track.height), (192, 108), "{name}");
        assert!(
            track.rfc6381.starts_with(rfc6381),
            "{name}: {}",
            track.rfc6381
        );
        if name == "law.mov" {
            // ffprobe gathers G.711 into packets of its own; the samples are the same.
            let bytes = |packets: &[Packet]| packets.iter().map(|p| p.size).sum::<usize>();
            let sound = of_kind(&units, TrackKind::Audio);
            assert_eq!(bytes(&sound), bytes(&packets(&path, "a")));
        } else if !coding.contains("-an") {
            let sound = of_kind(&units, TrackKind::Audio);
            assert_eq!(sound, packets(&path, "a"), "{name}");
            let track = &units.iter().find(|u| u.duration > 0).unwrap().track;
            assert_eq!((track.codec, track.channels), (Codec::Aac, 1));
            assert_eq!(
                (track.rfc6381.as_str(), track.clock_rate.get()),
                ("mp4a.40.2", 16_000)
            );
        }
        let numbers = units.iter().map(|unit| unit.sequence);
        assert!(numbers.eq(0..units.len() as u64), "{name}");
        assert!(units.iter().all(|unit| !unit.discontinuity), "{name}");
    }
}

/// Pictures and sound that begin seconds apart stay so: the file says it with an edit of nothing.
#[test]
fn a_stream_that_begins_later_comes_later() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("late.mp4");
    // Else ffmpeg fills the time before the first picture with copies of it.
    let coding = "-fps_mode passthrough -c:v libx264 -preset veryfast -g 10 -bf 2 \
                  -pix_fmt yuv420p -c:a aac -b:a 32k";
    let parts = "-movflags +frag_keyframe+delay_moov+default_base_moof";
    for late in [[0, 3], [3, 0]] {
        for flags in ["", parts] {
            make_late(&path, late, &format!("{coding} {flags}"));
            let told = units(&path);
            let video = of_kind(&told, TrackKind::Video);
            let sound = of_kind(&told, TrackKind::Audio);
            assert_eq!(video, packets(&path, "v"), "{late:?} {flags}");
            assert_eq!(sound, packets(&path, "a"), "{late:?} {flags}");
            // Also by the clock: seconds after the one that began first, but for the codec's own
            // delay.
            let first = |kind| {
                let unit = told.iter().find(|unit| unit.track.codec.kind() == kind);
                unit.unwrap().captured.unix_nanos()
            };
            let apart = first(TrackKind::Audio) - first(TrackKind::Video);
            let expected = i64::from(late[1]) - i64::from(late[0]);
            let off = (apart - expected * SECOND).abs();
            assert!(off < SECOND / 10, "{late:?} {flags}: {apart}");
        }
    }
}

/// What the edit list of the first stream is made of, as (duration, media time).
fn edited(path: &Path, edits: &[(u32, i32)]) {
    let mut bytes = std::fs::read(path).unwrap();
    let at = bytes.windows(4).position(|kind| kind == b"edts").unwrap() - 4;
    let size = 24 + 12 * edits.len();
    let mut list = (size as u32).to_be_bytes().to_vec();
    list.extend(b"edts");
    list.extend((size as u32 - 8).to_be_bytes());
    list.extend(b"elst\0\0\0\0");
    list.extend((edits.len() as u32).to_be_bytes());
    for (duration, time) in edits {
        list.extend(duration.to_be_bytes());
        list.extend(time.to_be_bytes());
        list.extend([0, 1, 0, 0]);
    }
    let old = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
    bytes.splice(at..at + old, list);
    // The boxes around it.
    for kind in [b"moov", b"trak"] {
        let at = bytes.windows(4).position(|k| k == kind).unwrap() - 4;
        let before = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
        let now = before + size as u32 - old as u32;
        bytes[at..at + 4].copy_from_slice(&now.to_be_bytes());
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn edits_that_put_pieces_together_are_refused() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pieces.mp4");
    // The header comes last, so that it may grow.
    make(&path, "-c:v libx264 -g 10 -bf 2 -pix_fmt yuv420p -an");
    let first = units(&path)[0].media_time;
    let rate = units(&path)[0].track.clock_rate.get();
    let delay = (2 * rate / 10) as i32;
    // ffmpeg's movie timescale is 1000.
    edited(&path, &[(500, -1), (250, -1), (3000, delay)]);
    let late = units(&path)[0].media_time - first;
    assert_eq!(late, i64::from(rate) * 3 / 4);
    assert_eq!(
        of_kind(&units(&path), TrackKind::Video),
        packets(&path, "v")
    );
    for edits in [
        [(1000, delay), (1000, delay + rate as i32)],
        [(1000, delay), (1000, -1)],
    ] {
        edited(&path, &edits);
        let Err(ReplayError::File { source, .. }) = Replay::file(&path, None, None) else {
            panic!("{edits:?}");
        };
        assert!(matches!(source, Fault::Pieces), "{source}");
    }
}

/// The NAL units, with what the header tells put before them, are a stream that ffmpeg decodes to
/// the same pictures as the file.
#[test]
fn payloads_decode_to_the_same_pictures() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plain.mp4");
    make(&path, "-c:v libx264 -preset veryfast -g 10 -bf 2 -an");
    let units = units(&path);
    let mut stream = Vec::new();
    let mut nal = |unit: &[u8]| {
        stream.extend([0, 0, 0, 1]);
        stream.extend(unit);
    };
    // avcC: one SPS and one PPS, ISO/IEC 14496-15 §5.3.3.
    let record = &units[0].track.decoder_configuration;
    let sps = usize::from(u16::from_be_bytes([record[6], record[7]]));
    nal(&record[8..8 + sps]);
    let pps = usize::from(u16::from_be_bytes([record[9 + sps], record[10 + sps]]));
    nal(&record[11 + sps..11 + sps + pps]);
    for unit in &units {
        let mut rest = &unit.payload[..];
        while let Some((length, behind)) = rest.split_first_chunk::<4>() {
            let (unit, behind) = behind.split_at(u32::from_be_bytes(*length) as usize);
            nal(unit);
            rest = behind;
        }
    }
    let raw = folder.path().join("raw.h264");
    std::fs::write(&raw, stream).unwrap();
    let pictures = |path: &Path| {
        let output = Command::new("ffmpeg")
            .args(["-v", "error", "-i"])
            .arg(path)
            .args(["-fps_mode", "passthrough", "-f", "framemd5", "-"])
            .output()
            .unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        lines
            .map(|line| line.rsplit(',').next().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(pictures(&raw).len(), 30);
    assert_eq!(pictures(&raw), pictures(&path));
}

/// A `prft` of track 1: ISO/IEC 14496-12 §8.16.5, NTP by RFC 5905 §6.
fn prft(ticks: u64, captured: i64) -> Vec<u8> {
    let seconds = (captured.div_euclid(SECOND) + 2_208_988_800) as u32;
    let fraction = ((captured.rem_euclid(SECOND) as u64) << 32).div_ceil(SECOND as u64) as u32;
    let mut bytes = 32u32.to_be_bytes().to_vec();
    bytes.extend(b"prft\x01\0\0\x18\0\0\0\x01");
    bytes.extend(seconds.to_be_bytes());
    bytes.extend(fraction.to_be_bytes());
    bytes.extend(ticks.to_be_bytes());
    bytes
}

/// Three fragments of a second, with a `prft` before those that `times` names.
fn recorded(path: &Path, times: &[(usize, u64, i64)]) {
    make(
        path,
        &format!("-c:v libx264 -preset veryfast -g 10 -bf 0 -an {FRAGMENTED}"),
    );
    let bytes = std::fs::read(path).unwrap();
    let (mut told, mut at, mut number) = (Vec::new(), 0, 0);
    while at < bytes.len() {
        let size = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        if &bytes[at + 4..at + 8] == b"moof" {
            let time = times.iter().find(|(fragment, ..)| *fragment == number);
            told.extend(
                time.map(|(_, ticks, captured)| prft(*ticks, *captured))
                    .unwrap_or_default(),
            );
            number += 1;
        }
        told.extend(&bytes[at..at + size]);
        at += size;
    }
    assert_eq!(number, 3);
    std::fs::write(path, told).unwrap();
}

fn captured(units: &[Arc<Unit>]) -> Vec<i64> {
    units
        .iter()
        .map(|unit| unit.captured.unix_nanos() - BEGIN)
        .collect()
}

#[test]
fn capture_times_are_those_of_the_fragments() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("2026-05-04T073100.000Z.mp4");
    // The second fragment goes on as the first; the third was captured half a second later.
    let rate = 10_240; // ffmpeg's for 10 pictures a second
    recorded(
        &path,
        &[(0, 0, BEGIN), (2, 2 * rate, BEGIN + 5 * SECOND / 2)],
    );
    let told = units(&path);
    assert_eq!(told[0].track.clock_rate.get(), rate as u32);
    let tenth = SECOND / 10;
    let expected: Vec<i64> = (0..30)
        .map(|n| n * tenth + if n < 20 { 0 } else { 5 * tenth })
        .collect();
    assert_eq!(captured(&told), expected);

    // Without any: by the name, by the caller, or by the header.
    make(&path, "-c:v libx264 -g 10 -bf 0 -an");
    assert_eq!(captured(&units(&path))[..2], [0, tenth]);
    let base = Some(CaptureTime::from_unix_nanos(BEGIN + 7));
    let by_caller = Replay::file_from(&path, base, None, None).unwrap();
    let by_caller: Vec<_> = by_caller.map(Result::unwrap).collect();
    assert_eq!(captured(&by_caller)[..2], [7, tenth + 7]);
    let unnamed = folder.path().join("clip.mp4");
    make(
        &unnamed,
        "-c:v libx264 -g 10 -bf 0 -an -metadata creation_time=2026-05-04T07:31:00Z",
    );
    assert_eq!(captured(&units(&unnamed))[..2], [0, tenth]);
}

#[test]
fn a_stretch_of_the_archive_comes_in_order() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let camera = CameraName::new("slipway").unwrap();
    let day = folder.path().join("slipway/footage/2026-05-04");
    std::fs::create_dir_all(&day).unwrap();
    let first = day.join("2026-05-04T073100.000Z.mp4");
    recorded(&first, &[(0, 0, BEGIN)]);
    // It follows at once; the next after seven seconds; a damaged one lies between.
    recorded(
        &day.join("2026-05-04T073103.000Z.mp4"),
        &[(0, 0, BEGIN + 3 * SECOND)],
    );
    recorded(
        &day.join("2026-05-04T073110.000Z.mp4"),
        &[(0, 0, BEGIN + 10 * SECOND)],
    );
    let whole = std::fs::read(&first).unwrap();
    std::fs::write(day.join("2026-05-04T073109.000Z.mp4"), &whole[..40]).unwrap();
    // The same footage by another recorder.
    std::fs::copy(&first, day.join("2026-05-04T073100.000Z-2.mp4")).unwrap();
    std::fs::write(day.join("notes.txt"), "x").unwrap();

    let at = |nanos| Some(CaptureTime::from_unix_nanos(BEGIN + nanos));
    let replay = Replay::archive(Arc::new(RealDisk), folder.path(), &camera, None, None).unwrap();
    let (told, faults): (Vec<_>, Vec<_>) = replay.partition(Result::is_ok);
    let told: Vec<_> = told.into_iter().map(Result::unwrap).collect();
    let faults: Vec<_> = faults.into_iter().map(Result::unwrap_err).collect();
    let [
        ReplayError::File {
            path,
            source: Fault::NoHeader,
        },
    ] = &faults[..]
    else {
        panic!("{faults:?}")
    };
    assert!(path.ends_with("2026-05-04T073109.000Z.mp4"));
    let tenth = SECOND / 10;
    let expected: Vec<i64> = (0..60).chain(100..130).map(|n| n * tenth).collect();
    assert_eq!(captured(&told), expected);
    let holes: Vec<u64> = told
        .iter()
        .filter(|u| u.discontinuity)
        .map(|u| u.sequence)
        .collect();
    assert_eq!(holes, [60]);
    // One camera, one track; each file has times of its own.
    assert!(told.iter().all(|unit| unit.track.id == told[0].track.id));
    assert!(told[29].timeline != told[30].timeline);

    // From the first key frame that is not earlier, to before the end.
    let part = Replay::archive(
        Arc::new(RealDisk),
        folder.path(),
        &camera,
        at(tenth),
        at(4 * SECOND),
    )
    .unwrap();
    let part: Vec<_> = part.map(Result::unwrap).collect();
    assert_eq!(
        captured(&part),
        (10..40).map(|n| n * tenth).collect::<Vec<_>>()
    );
    assert!(part[0].random_access);

    let gate = CameraName::new("gate").unwrap();
    let error = Replay::archive(Arc::new(RealDisk), folder.path(), &gate, None, None).unwrap_err();
    assert!(
        error
            .to_string()
            .starts_with("the camera gate has no footage in "),
        "{error}"
    );
}

#[test]
fn other_files_are_told_what_they_lack() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    let told = |path: &Path| match Replay::file(path, None, None) {
        Err(ReplayError::File { source, .. }) => source.to_string(),
        other => panic!("{other:?}"),
    };
    std::fs::write(&path, b"RIFF....AVI LIST").unwrap();
    assert!(told(&path).starts_with("it does not begin with an MP4 file type box"));
    std::fs::write(&path, b"\0\0\0\x10ftypiso6\0\0\0\0").unwrap();
    assert_eq!(told(&path), "its movie header is missing or cut");
    assert_eq!(told(&folder.path().join("none.mp4")), "it can't be read");
    if tools() {
        make(&path, "-c:v mpeg4 -an");
        assert_eq!(
            told(&path),
            "it has no pictures or sound that the relay knows (H.264, H.265, JPEG, AAC, G.711), \
             but mp4v"
        );
    }
}

/// Whatever a file says, it is read to an end, in memory that its length bounds.
#[test]
fn damaged_files_end() {
    if !tools() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("damaged.mp4");
    let mut dice = Dice(0x9e37_79b9_7f4a_7c15);
    let (mut faults, mut given) = (0, 0);
    for coding in [
        "-c:v libx264 -g 10 -bf 2 -c:a aac -b:a 32k".to_owned(),
        format!("-c:v libx264 -g 10 -bf 2 -c:a aac -b:a 32k {FRAGMENTED}"),
    ] {
        make(&path, &coding);
        let whole = std::fs::read(&path).unwrap();
        // Where a change hits a box, not coded pictures.
        let spots: Vec<usize> = (0..whole.len() - 4)
            .filter(|i| {
                let kinds: [&[u8; 4]; 12] = [
                    b"moov", b"moof", b"trun", b"tfhd", b"tfdt", b"stsz", b"stco", b"stsc",
                    b"stts", b"ctts", b"stsd", b"esds",
                ];
                kinds.iter().any(|kind| whole[*i..*i + 4] == kind[..])
            })
            .collect();
        for _ in 0..1500 {
            let mut bytes = whole.clone();
            for _ in 0..=dice.roll(3) {
                let spot = spots[dice.roll(spots.len() as u64) as usize];
                let at = (spot + dice.roll(48) as usize)
                    .saturating_sub(4)
                    .min(bytes.len() - 1);
                bytes[at] = match dice.roll(3) {
                    0 => 0xff,
                    1 => 0,
                    _ => dice.roll(256) as u8,
                };
            }
            if dice.roll(4) == 0 {
                bytes.truncate(dice.roll(bytes.len() as u64) as usize);
            }
            std::fs::write(&path, &bytes).unwrap();
            let Ok(replay) = Replay::file(&path, None, None) else {
                faults += 1;
                continue;
            };
            let mut read = 0;
            for unit in replay {
                match unit {
                    Ok(unit) => {
                        given += 1;
                        read += unit.payload.len();
                    }
                    Err(_) => faults += 1,
                }
            }
            assert!(read <= bytes.len(), "{read} of {}", bytes.len());
        }
    }
    println!("{faults} faults, {given} units");
    assert!(faults > 300 && given > 10_000, "{faults} {given}");
}
