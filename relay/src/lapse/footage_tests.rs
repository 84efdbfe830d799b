//! Key frames of footage that ffmpeg coded: chosen, decoded, and copied as they were, by ffprobe's hashes.

use std::collections::HashMap;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use forebay_darkroom::calendar::Window;
use jiff::civil::time;
use serde_json::Value;

use super::footage::KeyFrames;
use super::source::Candidate;
use super::tests::{probe, request};
use super::*;
use crate::archive::RealDisk;
use crate::archive::ladder::{KEY_FRAMES, thinned_copy};
use crate::pictures::DecoderOptions;
use crate::sinks::Engine;
use crate::units::{CaptureTime, Name};

/// 2026-05-04T07:30:00Z, by GNU date.
const BEGIN: i64 = 1_777_879_800_000_000_000;
const DAY: i64 = 86_400_000_000_000;

/// Half an hour of footage, a picture a second, a key frame each 75.
fn record(archive: &Path, begin: i64, profile: &str) -> std::path::PathBuf {
    let begin = CaptureTime::from_unix_nanos(begin);
    let folder = archive.join("slipway/footage").join(begin.day());
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join(format!("{}.mp4", begin.file_stem()));
    let coding = format!(
        "-v error -nostdin -f lavfi -i testsrc2=size=192x108:rate=1:duration=1800 -c:v libx264 \
         -preset veryfast -profile:v {profile} -pix_fmt yuv420p -g 75 -sc_threshold 0 \
         -movflags +frag_keyframe+delay_moov+default_base_moof"
    );
    let status = Command::new("ffmpeg")
        .args(coding.split_whitespace())
        .arg(&path)
        .status();
    assert!(status.unwrap().success());
    path
}

/// Packets with their time in seconds, whether they are key frames, and MD5 of their bytes.
fn packets(path: &Path) -> Vec<(f64, bool, String)> {
    let arguments = "-v error -select_streams v -show_packets -show_data_hash md5 -of json";
    let output = Command::new("ffprobe")
        .args(arguments.split_whitespace())
        .arg(path)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.is_empty(), "{said}");
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = |packet: &Value, name: &str| packet[name].as_str().unwrap().to_owned();
    let packets = all["packets"].as_array().unwrap().iter();
    packets
        .map(|packet| {
            (
                text(packet, "pts_time").parse().unwrap(),
                text(packet, "flags").starts_with('K'),
                text(packet, "data_hash"),
            )
        })
        .collect()
}

fn seconds(nanos: i64) -> i64 {
    (nanos + 500_000_000).div_euclid(1_000_000_000)
}

/// Whether the test can't be made here.
fn lacks_ffmpeg() -> bool {
    let lacks = Command::new("ffmpeg").arg("-version").output().is_err();
    assert!(
        !(lacks && std::env::var("CI").as_deref() == Ok("true")),
        "ffmpeg is missing"
    );
    lacks
}

fn material(archive: &Path) -> (tokio::runtime::Runtime, KeyFrames) {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .unwrap();
    let material = KeyFrames::new(
        (Arc::new(RealDisk), archive.to_owned()),
        Name::new("slipway").unwrap(),
        (Engine::new(None).unwrap(), DecoderOptions::default()),
        runtime.handle().clone(),
    );
    (runtime, material)
}

/// Eight frames of the recorded half hours.
fn wanted(out: &Path) -> LapseRequest {
    let mut request = request(out, 8);
    request.window = Window::Clock(time(7, 30, 0, 0), time(8, 0, 0, 0));
    // A test card is judged by nobody.
    request.taste.least = 0.0;
    request.align = None;
    request.level = 0.0;
    request.date = None;
    request
}

#[test]
fn what_is_thinned_meanwhile_is_found_and_so_is_what_was_thinned_before() {
    if lacks_ffmpeg() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let archive = folder.path().join("archive");
    let files = [BEGIN, BEGIN + DAY].map(|begin| (begin, record(&archive, begin, "main")));
    let keys: Vec<String> = files
        .iter()
        .flat_map(|(_, path)| packets(path))
        .filter_map(|(_, key, hash)| key.then_some(hash))
        .collect();
    let thin = |(begin, path): &(i64, std::path::PathBuf)| {
        let bytes = std::fs::read(path).unwrap();
        let copy = thinned_copy(&bytes, CaptureTime::from_unix_nanos(*begin));
        let below = path.strip_prefix(archive.join("slipway/footage")).unwrap();
        let thinned = archive.join("slipway").join(KEY_FRAMES).join(below);
        std::fs::create_dir_all(thinned.parent().unwrap()).unwrap();
        std::fs::write(thinned, copy).unwrap();
        std::fs::remove_file(path).unwrap();
    };
    let (_runtime, material) = material(&archive);
    let film = |name: &str| {
        let mut request = wanted(&folder.path().join(name));
        request.jobs = 1;
        request
    };
    let whole = film("whole");
    let planned = plan(&whole, &material).unwrap();
    make(&whole, planned, &material, &|| false, &|_| {}).unwrap();

    // The first day goes between the plan and the film, the second while the film is made.
    let under = film("under");
    let planned = plan(&under, &material).unwrap();
    thin(&files[0]);
    let second = std::cell::Cell::new(Some(&files[1]));
    let made = make(&under, planned, &material, &|| false, &|progress| {
        if progress.stage == Stage::Measure
            && let Some(file) = second.take()
        {
            thin(file);
        }
    });
    assert_eq!(made.unwrap().taken.len(), 8);
    assert!(second.take().is_none());

    // Of key frames alone there is as much to be seen.
    let after = film("after");
    let planned = plan(&after, &material).unwrap();
    assert_eq!(planned.candidates.len(), keys.len());
    let of_thinned = |candidate: &Candidate| candidate.source.starts_with(KEY_FRAMES);
    assert!(planned.candidates.iter().all(of_thinned));
    make(&after, planned, &material, &|| false, &|_| {}).unwrap();

    let copied = packets(&whole.out.join("intra.mp4"));
    assert_eq!(copied.len(), 8);
    assert!(copied.iter().all(|(_, _, hash)| keys.contains(hash)));
    let film = std::fs::read(whole.out.join("film.mp4")).unwrap();
    for request in [under, after] {
        assert_eq!(packets(&request.out.join("intra.mp4")), copied);
        assert!(std::fs::read(request.out.join("film.mp4")).unwrap() == film);
    }
}

#[test]
fn key_frames_are_copied_as_they_were_recorded() {
    if lacks_ffmpeg() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let archive = folder.path().join("archive");
    // Of the second day the parameters are others: its pictures can't stand in the same track.
    let days = [(BEGIN, "main"), (BEGIN + DAY, "baseline")];
    let mut recorded = HashMap::new();
    for (begin, profile) in days {
        for (at, key, hash) in packets(&record(&archive, begin, profile)) {
            if key {
                recorded.insert(seconds(begin) + at.round() as i64, hash);
            }
        }
    }
    assert_eq!(recorded.len(), 2 * 24);
    let (_runtime, material) = material(&archive);
    let request = wanted(&folder.path().join("film"));
    let planned = plan(&request, &material).unwrap();
    assert_eq!(planned.candidates.len(), recorded.len());
    let made = make(&request, planned, &material, &|| false, &|_| {}).unwrap();
    assert_eq!(made.taken.len(), 8);
    let taken: Vec<&str> = made
        .taken
        .iter()
        .map(|taken| &made.plan.candidates[taken.candidate])
        .map(|candidate| recorded[&seconds(candidate.at)].as_str())
        .collect();
    let mut copied = Vec::new();
    for name in ["intra.mp4", "intra-2.mp4"] {
        let path = request.out.join(name);
        let packets = packets(&path);
        assert!(packets.iter().all(|(_, key, _)| *key), "{name}");
        let stream = probe(&path).unwrap();
        assert_eq!(stream["nb_read_frames"], packets.len().to_string());
        assert_eq!(stream["avg_frame_rate"], "25/1");
        copied.extend(packets.into_iter().map(|(.., hash)| hash));
    }
    assert_eq!(copied, taken);
    // The film's pictures are those: ffmpeg decodes both.
    for (nth, taken) in made.taken.iter().enumerate() {
        let candidate = &made.plan.candidates[taken.candidate];
        let path = archive.join("slipway").join(&candidate.source);
        let begin = if candidate.at < BEGIN + DAY {
            BEGIN
        } else {
            BEGIN + DAY
        };
        let at = seconds(candidate.at - begin).to_string();
        let frame = request.out.join(format!("frames/{:06}.jpg", nth + 1));
        let (own, theirs) = (luma(&frame, None), luma(&path, Some(&at)));
        let off: f64 = own
            .iter()
            .zip(&theirs)
            .map(|(a, b)| f64::from(a.abs_diff(*b)))
            .sum::<f64>()
            / own.len() as f64;
        assert_eq!(own.len(), theirs.len());
        assert!(off < 3.0, "{nth}: {off}");
    }
}

/// Full-range luma of a picture by ffmpeg.
fn luma(path: &Path, seconds: Option<&str>) -> Vec<u8> {
    let output = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin"])
        .args(seconds.iter().flat_map(|seconds| ["-ss", *seconds]))
        .arg("-i")
        .arg(path)
        .args(["-frames:v", "1", "-pix_fmt", "gray", "-f", "rawvideo", "-"])
        .output()
        .unwrap();
    assert!(output.status.success());
    output.stdout
}
