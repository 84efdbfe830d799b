//! `forebay clip`: what it cuts out is checked and played by programs that know nothing of the relay:
//! coreutils, ffprobe, ffmpeg, an MP4 parser and a browser.

mod browser;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use forebay_tests::footage::record;
use forebay_tests::recording::{boxes, decode, rfc3339_of, unix_of_rfc3339};
use forebay_tests::{
    Camera, Configuration, Relay, Running, fresh_folder, mp4_files, run, silent, unix_now, wait_for,
};
use rustix::process::Signal;
use serde_json::Value;

use crate::{SCRATCH, beside};

/// Exit codes of sysexits.h (BSD).
const USAGE: i32 = 64;
const NO_INPUT: i32 = 66;
const CANT_CREATE: i32 = 73;
const TRY_LATER: i32 = 75;
/// 2026-05-04T07:31:00Z, by GNU date.
const BEGIN: f64 = 1_777_879_860.0;
const H264: &str = "-c:v libx264 -preset veryfast -pix_fmt yuv420p -g 10 -sc_threshold 0";
const H265: &str = "-c:v libx265 -preset ultrafast -tag:v hvc1 \
                    -x265-params log-level=none:keyint=10:min-keyint=10";
const AAC: &str = "-c:a aac -b:a 32k";

/// An archive of the camera slipway, without a relay.
struct Yard {
    folder: PathBuf,
    config: PathBuf,
}

impl Yard {
    fn new(name: &str) -> Self {
        let folder = fresh_folder(SCRATCH, name);
        let camera = Camera {
            name: "slipway".into(),
            url: "rtsp://127.0.0.1:1/main".into(),
            ..Camera::default()
        };
        let config = Configuration::new(&folder)
            .camera(camera)
            .write("127.0.0.1:8473");
        Self { folder, config }
    }

    fn archive(&self) -> PathBuf {
        self.folder.join("archive")
    }

    fn clip(&self, from: f64, to: f64, out: &str, more: &[&str]) -> Output {
        let out = self.folder.join(out);
        clip(&self.config, "slipway", (from, to), &out, more)
    }
}

fn clip(config: &Path, camera: &str, times: (f64, f64), out: &Path, more: &[&str]) -> Output {
    Command::new(Relay::program())
        .args(["clip", camera, "--config"])
        .arg(config)
        .args(["--from", &rfc3339_of(times.0), "--to", &rfc3339_of(times.1)])
        .arg("--out")
        .arg(out)
        .args(more)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    let text = [output.stdout.as_slice(), output.stderr.as_slice()].concat();
    String::from_utf8(text).unwrap()
}

/// Succeeds without a complaint; gives what is in the folder of the clip.
fn cut(output: &Output, folder: &Path) -> (Vec<PathBuf>, Value) {
    assert!(
        output.status.success() && output.stderr.is_empty(),
        "{}",
        said(output)
    );
    silent(
        Command::new("sha256sum")
            .args(["--strict", "--quiet", "-c", "SHA256SUMS"])
            .current_dir(folder),
    );
    let manifest = fs::read(folder.join("manifest.json")).unwrap();
    (
        mp4_files(folder),
        serde_json::from_slice(&manifest).unwrap(),
    )
}

/// The pictures that ffmpeg decodes of files, in order, as digests.
fn digests<'a>(files: impl IntoIterator<Item = &'a PathBuf>) -> Vec<String> {
    let mut digests = Vec::new();
    for file in files {
        let output = silent(
            Command::new("ffmpeg")
                .args(["-v", "error", "-nostdin", "-i"])
                .arg(file)
                .args("-map 0:v -fps_mode passthrough -f framemd5 -".split(' ')),
        );
        let text = String::from_utf8(output.stdout).unwrap();
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        digests.extend(lines.map(|line| line.rsplit(',').next().unwrap().trim().to_owned()));
    }
    digests
}

/// What ffprobe says of a file: its length and the streams with their codecs.
fn probe(file: &Path) -> (f64, Vec<String>) {
    let output = silent(
        Command::new("ffprobe")
            .args(["-v", "warning", "-of", "json", "-show_entries"])
            .arg("format=duration:stream=codec_name")
            .arg(file),
    );
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let duration = told["format"]["duration"]
        .as_str()
        .unwrap()
        .parse()
        .unwrap();
    let streams = told["streams"].as_array().unwrap();
    let names = streams
        .iter()
        .map(|s| s["codec_name"].as_str().unwrap().to_owned());
    (duration, names.collect())
}

pub(crate) fn near(a: f64, b: f64, by: f64) -> bool {
    (a - b).abs() <= by
}

/// Two seconds, a gap of three, two seconds; then, with another encoder's parameters, two more.
fn with_gap(yard: &Yard, coding: &str, other: &str) -> [PathBuf; 3] {
    let archive = yard.archive();
    let record =
        |begin, scene, coding| record(&archive, "slipway", BEGIN + begin, 2, scene, coding);
    [
        record(0.0, 1, coding),
        record(5.0, 2, coding),
        record(7.0, 3, other),
    ]
}

/// Each kind of footage: ffprobe and ffmpeg find the length and the pictures, and no fault.
#[test]
fn ffmpeg_plays_clips_with_gaps_and_across_changes_of_parameters() {
    let kinds = [
        ("h264", format!("{H264} -bf 0"), AAC, vec!["h264", "aac"]),
        ("h264-bframes", format!("{H264} -bf 2"), "-an", vec!["h264"]),
        ("h265", H265.to_owned(), AAC, vec!["hevc", "aac"]),
        ("h265-silent", H265.to_owned(), "-an", vec!["hevc"]),
        (
            "jpeg",
            "-c:v mjpeg -pix_fmt yuvj420p".to_owned(),
            AAC,
            vec!["mjpeg", "aac"],
        ),
    ];
    for (name, video, audio, codecs) in kinds {
        let yard = Yard::new(&format!("clip-{name}"));
        let coding = format!("{video} {audio}");
        let other = match name {
            // Every picture of it stands for itself: nothing changes but its size.
            "jpeg" => format!("{coding} -s 256x144"),
            _ => format!("{coding} -s 256x144 -bf 0"),
        };
        let sources = with_gap(&yard, &coding, &other);
        let output = yard.clip(BEGIN, BEGIN + 10.0, "clip", &[]);
        let (films, manifest) = cut(&output, &yard.folder.join("clip"));
        assert_eq!(films.len(), 2, "{name}: {}", said(&output));
        let (length, found) = probe(&films[0]);
        assert!(near(length, 7.0, 0.08), "{name}: {length}");
        assert_eq!(found, codecs, "{name}");
        assert_eq!(digests(&films), digests(&sources), "{name}");
        decode(&films);
        let gaps = manifest["gaps"].as_array().unwrap();
        let length = gaps[0]["seconds"].as_f64().unwrap();
        assert!(near(length, 3.0, 0.002), "{name}: {gaps:?}");
        assert_eq!(manifest["files"][1]["begun_for"], "parameters", "{name}");
    }
}

#[test]
fn pymp4_finds_well_formed_boxes() {
    let yard = Yard::new("clip-boxes");
    with_gap(
        &yard,
        &format!("{H264} -bf 2 {AAC}"),
        &format!("{H264} {AAC}"),
    );
    let output = yard.clip(BEGIN, BEGIN + 6.5, "clip", &[]);
    let (films, _) = cut(&output, &yard.folder.join("clip"));
    let tree = boxes(&films[0]);
    let mut found = BTreeMap::new();
    gather(&tree, &mut found);
    for (kind, number) in [
        ("ftyp", 1),
        ("moov", 1),
        ("mdat", 1),
        ("trak", 2),
        ("elst", 2),
        ("stsd", 2),
        ("stts", 2),
        ("ctts", 1),
        ("stss", 1),
        ("stsc", 2),
        ("stsz", 2),
        ("stco", 2),
        ("moof", 0),
    ] {
        assert_eq!(found.get(kind).map_or(0, Vec::len), number, "{kind}");
    }
    let top: Vec<_> = tree
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["type"].clone())
        .collect();
    assert_eq!(top, ["ftyp", "moov", "mdat"]);
    // The last picture before the gap lasts over it: 3.1 s; the others 0.1 s.
    let rate = found["mdhd"][0]["timescale"].as_u64().unwrap();
    let table = found["stts"][0]["entries"].as_array().unwrap();
    let longest = table
        .iter()
        .map(|run| run["sample_delta"].as_u64().unwrap())
        .max();
    assert_eq!(longest, Some(rate * 31 / 10));
}

fn gather<'a>(tree: &'a Value, found: &mut BTreeMap<&'a str, Vec<&'a Value>>) {
    for one in tree.as_array().unwrap() {
        found
            .entry(one["type"].as_str().unwrap())
            .or_default()
            .push(one);
        if let Some(children) = one.get("children") {
            gather(children, found);
        }
    }
}

#[test]
fn a_clip_is_whole_or_not_there() {
    let yard = Yard::new("clip-refused");
    let coding = format!("{H264} -an");
    record(&yard.archive(), "slipway", BEGIN, 2, 1, &coding);
    let refused = |output: &Output, code: i32, words: &str| {
        assert_eq!(output.status.code(), Some(code), "{}", said(output));
        assert!(said(output).contains(words), "{}", said(output));
    };
    let before = names(&yard.folder);
    let output = yard.clip(BEGIN + 60.0, BEGIN + 61.0, "clip", &[]);
    refused(
        &output,
        NO_INPUT,
        "slipway has no footage from 2026-05-04T07:32:00Z",
    );
    let output = yard.clip(BEGIN + 1.0, BEGIN, "clip", &[]);
    refused(&output, USAGE, "is not before --to");
    let output = clip(
        &yard.config,
        "gate",
        (BEGIN, BEGIN + 1.0),
        &yard.folder.join("x"),
        &[],
    );
    refused(&output, USAGE, "no such camera");
    let output = yard.clip(BEGIN, BEGIN + 1.0, "no/where", &[]);
    refused(&output, CANT_CREATE, "can't write");
    assert_eq!(names(&yard.folder), before);

    let output = yard.clip(BEGIN, BEGIN + 1.0, "clip.mp4", &[]);
    assert!(output.status.success(), "{}", said(&output));
    for name in ["clip.SHA256SUMS", "clip.manifest.json", "clip.mp4"] {
        let output = yard.clip(BEGIN, BEGIN + 1.0, "clip.mp4", &[]);
        refused(&output, CANT_CREATE, "is there already");
        fs::remove_file(yard.folder.join(name)).unwrap();
    }
    assert_eq!(names(&yard.folder), before);
    // A camera that is configured no more has its footage still, but no zone.
    fs::rename(yard.archive().join("slipway"), yard.archive().join("quay")).unwrap();
    let out = yard.folder.join("quay");
    let output = clip(&yard.config, "quay", (BEGIN, BEGIN + 1.0), &out, &[]);
    let (films, manifest) = cut(&output, &out);
    assert_eq!((films.len(), &manifest["site"]), (1, &Value::Null));
}

/// On a disk of its own that is too small: a file system in memory.
#[test]
fn a_full_disk_is_told_and_left_as_it_was() {
    let yard = Yard::new("clip-full");
    // Noise, some MB of it.
    let coding = format!("{H264} -an -vf noise=alls=100:allf=t,scale=640:360 -qp 10");
    record(&yard.archive(), "slipway", BEGIN, 3, 1, &coding);
    let disk = yard.folder.join("disk");
    fs::create_dir(&disk).unwrap();
    // A mount in a namespace of its own ends with it.
    let script = "mount -t tmpfs -o size=1m none \"$1\" && shift && \
                  { \"$@\"; code=$?; ls -A \"$DISK\"; exit $code; }";
    let mut command = Command::new("unshare");
    command.args(["--mount", "--map-root-user", "sh", "-c", script, "sh"]);
    command.arg(&disk).arg(Relay::program());
    command
        .args(["clip", "slipway", "--config"])
        .arg(&yard.config);
    command.args([
        "--from",
        &rfc3339_of(BEGIN),
        "--to",
        &rfc3339_of(BEGIN + 3.0),
        "--out",
    ]);
    command.arg(disk.join("clip")).env("DISK", &disk);
    let output = command.output().unwrap();
    let text = said(&output);
    if text.contains("unshare") || text.contains("mount:") {
        assert_ne!(std::env::var("CI").as_deref(), Ok("true"), "{text}");
        println!("skipped: no file system can be mounted here");
        return;
    }
    assert_eq!(output.status.code(), Some(CANT_CREATE), "{text}");
    assert!(
        text.contains("there is no room for") && text.contains(" MB"),
        "{text}"
    );
    assert_eq!(output.stdout, b"", "something is left: {text}");
}

#[test]
fn an_interrupted_clip_leaves_nothing() {
    let yard = Yard::new("clip-interrupted");
    let coding = format!("{H264} -an");
    let source = record(&yard.archive(), "slipway", BEGIN, 2, 1, &coding);
    let before = names(&yard.folder);
    // A source that does not come to its end: a pipe under a name of the archive.
    let pipe = source.with_file_name("2026-05-04T073110.000Z.mp4");
    run(Command::new("mkfifo").arg(&pipe));
    let mut command = Command::new(Relay::program());
    command
        .args(["clip", "slipway", "--config"])
        .arg(&yard.config);
    command.args([
        "--from",
        &rfc3339_of(BEGIN),
        "--to",
        &rfc3339_of(BEGIN + 60.0),
        "--out",
    ]);
    command.arg(yard.folder.join("clip"));
    let mut running = Running::start(command.stdout(Stdio::null()).stderr(Stdio::null()));
    let begun = wait_for(Duration::from_secs(60), || {
        (names(&yard.folder) != before).then_some(())
    });
    assert!(begun.is_some(), "it does not begin");
    running.signal(Signal::INT);
    // Opened for writing, the pipe lets the reader go on.
    let _held = fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open(&pipe)
        .unwrap();
    let status = running.wait(Duration::from_secs(60)).expect("it ends");
    assert_eq!(status.code(), Some(TRY_LATER));
    assert_eq!(names(&yard.folder), before);
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<_> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// The real recorder's footage, with what the relay's journals tell of it; once while a relay writes.
#[test]
fn a_clip_of_the_demo_tells_gaps_and_clocks() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "clip-demo");
    let log = folder.join("demo.log");
    let demo = |time: &str| {
        let said = fs::File::create(&log).unwrap();
        let mut command = Command::new(Relay::program());
        command.args(["demo", "--for", time, "--dir"]).arg(&folder);
        command.stdin(Stdio::null());
        Running::start(command.stdout(said.try_clone().unwrap()).stderr(said))
    };
    let ends = |mut demo: Running| {
        let status = demo.wait(Duration::from_secs(120)).expect("the demo ends");
        assert!(status.success(), "{}", fs::read_to_string(&log).unwrap());
    };
    ends(demo("8s"));
    let sources = mp4_files(&folder.join("archive/slipway/footage"));
    let begin = named(&sources[0]);
    let config = folder.join("forebay.toml");
    // A demo takes files from shortly before it for its own.
    let all = mp4_files(&folder.join("archive"));
    let last = all.iter().map(|file| named(file)).fold(0.0, f64::max);
    wait_for(Duration::from_secs(30), || {
        (unix_now() > last + 6.0).then_some(())
    });
    let second = demo("14s");
    let both = wait_for(Duration::from_secs(120), || {
        let files = fs::read_dir(folder.join("archive/.spool/open")).unwrap();
        let open = files.flatten().any(|f| {
            f.file_name()
                .to_string_lossy()
                .starts_with("slipway_footage_footage")
        });
        open.then_some(())
    });
    assert!(both.is_some(), "the second run does not record");
    // While a relay writes.
    let out = folder.join("while");
    let output = clip(&config, "slipway", (begin, begin + 60.0), &out, &[]);
    let (films, manifest) = cut(&output, &out);
    // It may have finished a file of its own already.
    assert!(digests(&films).starts_with(&digests(&sources)));
    let last = manifest["gaps"].as_array().unwrap().last().unwrap();
    assert_eq!(
        last["detail"],
        "was still being written when the clip was cut"
    );

    ends(second);
    let sources = mp4_files(&folder.join("archive/slipway/footage"));
    let out = folder.join("clip");
    let output = clip(&config, "slipway", (begin, begin + 120.0), &out, &[]);
    let (films, manifest) = cut(&output, &out);
    assert_eq!(digests(&films), digests(&sources));
    assert_eq!(manifest["sound"], "kept");
    let gaps = manifest["gaps"].as_array().unwrap();
    let inside: Vec<_> = gaps.iter().filter(|gap| gap["cause"] == "relay").collect();
    assert!(!inside.is_empty(), "{gaps:#?}");
    // Pictures stand where the files' own names put them.
    let at = unix_of_rfc3339(manifest["bounds"]["begin"].as_str().unwrap()).unwrap();
    assert!(near(at, begin, 0.3), "{at} {begin}");
    let times = &manifest["capture_time"];
    let uncertainty = times["uncertainty_seconds"].as_f64().unwrap();
    assert!((0.05..4.0).contains(&uncertainty), "{times:#}");
    // In a run's first minute capture times are repaired by as much as is not known of them.
    let off = manifest["files"][0]["off_capture_seconds"]
        .as_f64()
        .unwrap();
    assert!(off < uncertainty, "{off}");
    let stretches = manifest["files"][0]["stretches"].as_array().unwrap();
    for stretch in stretches {
        let time = unix_of_rfc3339(stretch["begin"].as_str().unwrap()).unwrap();
        let file = stretch["file_seconds"].as_f64().unwrap();
        assert!(near(time - at, file, off + 0.0001), "{off} {stretches:#?}");
    }
    let states = times["states"].as_array().unwrap();
    let clock = states
        .iter()
        .rev()
        .find_map(|state| state["camera_clock"].as_object());
    let offset = clock.expect("the camera sends reports")["offset_seconds"]
        .as_f64()
        .unwrap();
    assert!(near(offset, 0.0, 1.0), "{times:#}");
}

/// Unix seconds of a file's name.
pub(crate) fn named(file: &Path) -> f64 {
    let stem = file.file_stem().unwrap().to_str().unwrap();
    let (date, time) = stem.split_once('T').unwrap();
    let time = format!("{date}T{}:{}:{}", &time[..2], &time[2..4], &time[4..]);
    unix_of_rfc3339(&time).unwrap()
}
