//! Clips of an archive that ffmpeg made, read back by ffmpeg and ffprobe.

#![expect(clippy::print_stdout, reason = "a test says what it skipped")]

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use super::*;
use crate::archive::RealDisk;
use crate::supervise::{Trigger, shutdown};
use crate::units::Name;

const SECOND: i64 = 1_000_000_000;
/// 2026-05-04T07:31:00Z, by GNU date.
const BEGIN: i64 = 1_777_879_860 * SECOND;
pub(super) const H264: &str =
    "-c:v libx264 -preset veryfast -pix_fmt yuv420p -g 10 -sc_threshold 0";
const AAC: &str = "-c:a aac -b:a 32k";

/// Whether ffmpeg is there. Where it is missing a test is skipped, but not in CI.
pub(super) fn tools() -> bool {
    let there = |tool| Command::new(tool).arg("-version").output().is_ok();
    let both = there("ffmpeg") && there("ffprobe");
    if !both {
        let ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!ci, "ffmpeg and ffprobe are missing");
        println!("skipped: ffmpeg or ffprobe is missing");
    }
    both
}

fn run(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && said.is_empty(),
        "{arguments:?}: {said}"
    );
    String::from_utf8(output.stdout).unwrap()
}

/// The archive of a camera.
pub(super) struct Yard {
    folder: tempfile::TempDir,
    _trigger: Trigger,
    shutdown: Shutdown,
}

impl Yard {
    pub(super) fn new() -> Self {
        let (trigger, shutdown) = shutdown();
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(folder.path().join("spool/finished")).unwrap();
        Self {
            folder,
            _trigger: trigger,
            shutdown,
        }
    }

    pub(super) fn path(&self, below: &str) -> PathBuf {
        self.folder.path().join(below)
    }

    /// Records three seconds, ten pictures a second, a key frame each second. Fragments tell capture
    /// times, `late` milliseconds after those of the name. `scene` chooses what is seen.
    pub(super) fn record(&self, begin_ms: i64, late: i64, scene: u32, coding: &str) -> PathBuf {
        let begin = CaptureTime::from_unix_nanos(BEGIN + begin_ms * 1_000_000);
        let folder = self.path("archive/slipway/footage").join(begin.day());
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join(format!("{}.mp4", begin.file_stem()));
        let size = if coding.contains("large") {
            "256x144"
        } else {
            "192x108"
        };
        let coding = coding.replace("large", "");
        let input = format!(
            "-v error -nostdin -y -f lavfi -i testsrc2=size={size}:rate=10:duration=3,hue=h={} \
             -f lavfi -i sine=frequency={}:sample_rate=16000:duration=3 {coding} \
             -movflags +frag_keyframe+delay_moov+default_base_moof",
            30 * scene,
            300 + 100 * scene
        );
        let mut arguments: Vec<&str> = input.split_whitespace().collect();
        arguments.push(path.to_str().unwrap());
        run("ffmpeg", &arguments);
        let anchor = BEGIN + (begin_ms + late) * 1_000_000;
        let told = with_reference(&std::fs::read(&path).unwrap(), anchor);
        std::fs::write(&path, told).unwrap();
        path
    }

    fn request(&self, from_ms: i64, to_ms: i64, out: &str) -> ClipRequest {
        let at = |ms: i64| CaptureTime::from_unix_nanos(BEGIN + ms * 1_000_000);
        ClipRequest {
            camera: Name::new("slipway").unwrap(),
            site: Some(Name::new("boatyard").unwrap()),
            time_zone: "Europe/Oslo".into(),
            disk: Arc::new(RealDisk),
            archive: self.path("archive"),
            spool: self.path("spool"),
            asked: Span::new(at(from_ms), at(to_ms)).unwrap(),
            redact_audio: false,
            target: Target::from(self.path(out)),
        }
    }

    pub(super) fn cut(&self, from_ms: i64, to_ms: i64, out: &str) -> Clip {
        cut(&self.request(from_ms, to_ms, out), &self.shutdown).unwrap()
    }
}

/// Puts a `prft` (ISO/IEC 14496-12 §8.16.5, NTP by RFC 5905 §6) before the first fragment: its first
/// picture, which is shown at time 0 once edits are counted in, was captured at `captured`.
fn with_reference(file: &[u8], captured: i64) -> Vec<u8> {
    let at = file.windows(4).position(|kind| kind == b"moof").unwrap() - 4;
    let edit = file.windows(4).position(|kind| kind == b"elst");
    let word = |at: usize| u32::from_be_bytes(file[at..at + 4].try_into().unwrap());
    // Version 0, one entry: behind version, count and duration.
    let media_time = edit.map_or(0, |elst| word(elst + 16));
    let seconds = (captured.div_euclid(SECOND) + 2_208_988_800) as u32;
    let fraction = ((captured.rem_euclid(SECOND) as u64) << 32).div_ceil(SECOND as u64) as u32;
    let mut told = file[..at].to_vec();
    told.extend(28u32.to_be_bytes());
    told.extend(b"prft\0\0\0\x18\0\0\0\x01");
    for field in [seconds, fraction, media_time] {
        told.extend(field.to_be_bytes());
    }
    told.extend(&file[at..]);
    told
}

/// The pictures that ffmpeg decodes: time in seconds after the file's begin, and digest.
fn pictures(path: &Path) -> Vec<(f64, String)> {
    let path = path.to_str().unwrap();
    let input = ["-v", "error", "-nostdin", "-copyts", "-i", path];
    let output = "-map 0:v -fps_mode passthrough -enc_time_base 1:1000000 -f framemd5 -";
    let output: Vec<&str> = output.split_whitespace().collect();
    let text = run("ffmpeg", &[&input[..], &output[..]].concat());
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| {
            let fields: Vec<&str> = line.split(',').map(str::trim).collect();
            (
                fields[2].parse::<f64>().unwrap() / 1e6,
                fields[5].to_owned(),
            )
        })
        .collect()
}

/// The packets of the sound by ffprobe: times in seconds.
fn sound(path: &Path) -> Vec<f64> {
    let arguments = "-v error -select_streams a -show_entries packet=pts_time -of csv=p=0";
    let arguments: Vec<&str> = arguments.split_whitespace().collect();
    let text = run(
        "ffprobe",
        &[&arguments[..], &[path.to_str().unwrap()]].concat(),
    );
    let lines = text.lines().map(|line| line.trim_end_matches(','));
    lines.map(|line| line.parse().unwrap()).collect()
}

pub(super) fn manifest(clip: &Clip) -> Value {
    let path = clip
        .paths
        .iter()
        .find(|path| path.to_str().unwrap().ends_with(".json"));
    serde_json::from_slice(&std::fs::read(path.unwrap()).unwrap()).unwrap()
}

/// The sums, by coreutils.
fn sums(clip: &Clip) {
    let sums = clip
        .paths
        .iter()
        .find(|path| path.to_str().unwrap().ends_with("SHA256SUMS"));
    let sums = sums.unwrap();
    let output = Command::new("sha256sum")
        .args(["--strict", "--quiet", "-c"])
        .arg(sums.file_name().unwrap())
        .current_dir(sums.parent().unwrap())
        .output()
        .unwrap();
    assert!(output.status.success(), "{output:?}");
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() < 0.002
}

#[test]
fn pictures_and_their_times_are_those_of_the_sources() {
    if !tools() {
        return;
    }
    for coding in [
        format!("{H264} -bf 0 {AAC}"),
        format!("{H264} -bf 2 {AAC}"),
        format!(
            "-c:v libx265 -preset ultrafast -tag:v hvc1 -x265-params \
             log-level=none:keyint=10:min-keyint=10:bframes=0:open-gop=0 {AAC}"
        ),
        format!("{H264} -bf 0 -an"),
    ] {
        let yard = Yard::new();
        // The second follows at once, the third after four seconds; the fourth tells times that are
        // 15 ms late, which is nothing, the fifth 250 ms late.
        let sources = [
            (yard.record(0, 0, 1, &coding), 0.0),
            (yard.record(3000, 0, 2, &coding), 3.0),
            (yard.record(10_000, 0, 3, &coding), 10.0),
            (yard.record(13_000, 15, 4, &coding), 13.0),
            (yard.record(16_000, 250, 5, &coding), 16.25),
        ];
        let clip = yard.cut(1500, 18_000, "clip");
        sums(&clip);
        let [(film, ..)] = &clip.files[..] else {
            panic!("{:?}", clip.files)
        };
        let shown = pictures(film);
        let expected: Vec<_> = sources
            .iter()
            .flat_map(|(path, at)| {
                let own = pictures(path).into_iter();
                own.map(move |(time, digest)| (time + at - 1.0, digest))
            })
            .filter(|(time, _)| (-0.01..16.99).contains(time))
            .collect();
        assert_eq!(shown.len(), expected.len(), "{coding}");
        let begin = expected[0].0;
        for ((time, digest), (expected_time, expected_digest)) in shown.iter().zip(&expected) {
            assert_eq!(digest, expected_digest, "{coding} at {time}");
            let expected_time = expected_time - begin;
            assert!(
                close(*time, expected_time),
                "{coding}: {time} {expected_time}"
            );
        }
        let manifest = manifest(&clip);
        let gaps = manifest["gaps"].as_array().unwrap();
        let seconds: Vec<_> = gaps
            .iter()
            .map(|gap| gap["seconds"].as_f64().unwrap())
            .collect();
        assert!(
            seconds.len() == 2 && close(seconds[0], 4.0) && close(seconds[1], 0.235),
            "{seconds:?}"
        );
        if coding.contains("-an") {
            assert_eq!(manifest["sound"], "none");
            continue;
        }
        // ffmpeg's encoder begins 64 ms before its file does; that is not shown.
        let frames = sound(film);
        let expected: Vec<f64> = sources
            .iter()
            .flat_map(|(path, at)| {
                sound(path)
                    .into_iter()
                    .map(move |time| time + at - 1.0 - begin)
            })
            .filter(|time| (0.0..17.0).contains(time))
            .collect();
        let off = frames.iter().map(|frame| {
            let off = expected.iter().map(|time| (time - frame).abs());
            off.fold(f64::MAX, f64::min)
        });
        let off = off.fold(0.0, f64::max);
        assert!(off < 0.0451, "{coding}: the sound is off by {off}");
        assert!(
            frames.len() + 6 >= expected.len(),
            "{} {}",
            frames.len(),
            expected.len()
        );
        assert!(
            frames.windows(2).all(|pair| pair[1] - pair[0] > 0.05),
            "{frames:?}"
        );
    }
}

#[test]
fn changed_parameters_begin_a_new_file_and_sound_may_come_and_go() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let plain = format!("{H264} -bf 0 -an");
    let with_sound = format!("{H264} -bf 0 {AAC}");
    let sources = [
        yard.record(0, 0, 1, &plain),
        yard.record(3000, 0, 2, &with_sound),
        yard.record(6000, 0, 3, &format!("{with_sound} large")),
        // An hour and more later.
        yard.record(3_700_000, 0, 4, &format!("{with_sound} large")),
    ];
    let clip = yard.cut(0, 3_710_000, "clip.mp4");
    sums(&clip);
    let names: Vec<_> = clip
        .paths
        .iter()
        .map(|path| path.file_name().unwrap())
        .collect();
    assert_eq!(
        names,
        [
            "clip.mp4",
            "clip-2.mp4",
            "clip-3.mp4",
            "clip.manifest.json",
            "clip.SHA256SUMS"
        ]
    );
    let reasons: Vec<_> = clip.files.iter().map(|(.., reason)| *reason).collect();
    assert_eq!(reasons, [NewFile::Begin, NewFile::Parameters, NewFile::Gap]);
    let digests = |path: &Path| {
        pictures(path)
            .into_iter()
            .map(|(_, d)| d)
            .collect::<Vec<_>>()
    };
    let first: Vec<_> = sources[..2].iter().flat_map(|path| digests(path)).collect();
    assert_eq!(digests(&clip.files[0].0), first);
    assert_eq!(digests(&clip.files[1].0), digests(&sources[2]));
    // The sound begins with the second source.
    assert!((2.9..3.1).contains(&sound(&clip.files[0].0)[0]));
    let manifest = manifest(&clip);
    let sizes: Vec<_> = manifest["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|file| file["streams"][0]["width"].as_u64().unwrap())
        .collect();
    assert_eq!(sizes, [192, 256, 256]);

    let mut request = yard.request(0, 6000, "silent");
    request.redact_audio = true;
    let silent = cut(&request, &yard.shutdown).unwrap();
    assert_eq!(silent.sound, Sound::Redacted);
    assert_eq!(sound(&silent.files[0].0), [0.0; 0]);
    assert_eq!(digests(&silent.files[0].0), first);
}

#[test]
fn two_recorders_of_a_camera_make_one_clip() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let coding = format!("{H264} -bf 0 {AAC}");
    let one = yard.record(0, 0, 1, &coding);
    // The same by another recorder, whose clock is 30 ms off; and one that went on for longer.
    let other = yard.path("archive/slipway/footage/2026-05-04/2026-05-04T073100.030Z.mp4");
    let copy = std::fs::read(&one).unwrap();
    let at = copy.windows(4).position(|kind| kind == b"prft").unwrap() - 4;
    let bare = [&copy[..at], &copy[at + 28..]].concat();
    std::fs::write(&other, with_reference(&bare, BEGIN + 30_000_000)).unwrap();
    let next = yard.record(3000, 0, 2, &coding);
    // One that lacks its end comes first; what it lacks is taken from the other.
    let cut_off = std::fs::read(&one).unwrap();
    let third = cut_off
        .windows(4)
        .enumerate()
        .filter(|(_, kind)| kind == b"moof")
        .nth(2);
    std::fs::write(&one, &cut_off[..third.unwrap().0 - 4]).unwrap();
    let clip = yard.cut(0, 6000, "clip");
    let shown = pictures(&clip.files[0].0);
    let expected = [pictures(&other), pictures(&next)].concat();
    let digests =
        |shown: &[(f64, String)]| shown.iter().map(|(_, d)| d.clone()).collect::<Vec<_>>();
    assert_eq!(digests(&shown), digests(&expected));
    assert!(
        shown.windows(2).all(|pair| pair[1].0 > pair[0].0),
        "{shown:?}"
    );
    assert_eq!(clip.gaps, []);
    assert_eq!(clip.sources, 3);
}

#[test]
fn what_cannot_be_read_is_told_and_what_is_not_there_too() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let coding = format!("{H264} -bf 0 -an");
    yard.record(0, 0, 1, &coding);
    let damaged = yard.record(3000, 0, 2, &coding);
    let whole = std::fs::read(&damaged).unwrap();
    // In the middle of the third second.
    let moofs = whole
        .windows(4)
        .enumerate()
        .filter(|(_, kind)| kind == b"moof");
    let third = moofs.map(|(at, _)| at).nth(2).unwrap();
    std::fs::write(&damaged, &whole[..third + 200]).unwrap();
    yard.record(6000, 0, 3, &coding);
    let clip = yard.cut(0, 9000, "clip");
    assert_eq!(pictures(&clip.files[0].0).len(), 80);
    let [passed] = &clip.passed[..] else {
        panic!("{:?}", clip.passed)
    };
    assert_eq!(
        passed.source,
        "slipway/footage/2026-05-04/2026-05-04T073103.000Z.mp4"
    );
    assert!(
        passed.fault.contains("is damaged or cut"),
        "{}",
        passed.fault
    );

    let request = yard.request(20_000, 30_000, "none");
    let error = cut(&request, &yard.shutdown).unwrap_err();
    let told = error.to_string();
    let (nothing, why) = told.split_once("Z: ").unwrap();
    assert_eq!(
        nothing,
        "slipway has no footage from 2026-05-04T07:31:20Z to 2026-05-04T07:31:30"
    );
    // The damaged file may have held it.
    assert!(
        why.starts_with("the archive has no journal of this camera; slipway/"),
        "{why}"
    );
    // Stopped, nothing is left.
    let (trigger, shutdown) = shutdown();
    trigger.pull();
    let request = yard.request(0, 9000, "stopped");
    let stopped = cut(&request, &shutdown);
    assert!(matches!(stopped, Err(ClipError::Interrupted)));
    let mut names: Vec<_> = std::fs::read_dir(yard.folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    names.sort();
    assert_eq!(names, ["archive", "clip", "spool"]);
}

/// What waits in the spool is footage as well; and a file may be carried off at any moment.
#[test]
fn the_spool_counts() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let coding = format!("{H264} -bf 0 -an");
    yard.record(0, 0, 1, &coding);
    let second = yard.record(3000, 0, 2, &coding);
    let spooled =
        "slipway_footage_footage_2026-05-04T073103.000Z_19df2a5b0a8-3_2026-05-04T073106.000Z.mp4";
    let waiting = yard.path("spool/finished").join(spooled);
    std::fs::copy(&second, &waiting).unwrap();
    std::fs::remove_file(&second).unwrap();
    let clip = yard.cut(0, 6000, "clip");
    assert_eq!(pictures(&clip.files[0].0).len(), 60);
    let manifest = manifest(&clip);
    assert_eq!(manifest["sources"][1]["name"], format!("spool/{spooled}"));

    // Listed in the spool, opened in the archive.
    let camera = Name::new("slipway").unwrap();
    let (archive, spool) = (yard.path("archive"), yard.path("spool"));
    let place = Place {
        disk: &RealDisk,
        archive: &archive,
        spool: &spool,
        camera: &camera,
    };
    let asked = yard.request(0, 6000, "x").asked;
    let listed = place.candidates(asked).unwrap();
    std::fs::rename(&waiting, &second).unwrap();
    let mut union = Union::new(place, asked, true, listed);
    let mut groups = 0;
    while union.next().unwrap().is_some() {
        groups += 1;
    }
    assert_eq!((groups, union.sources[1].path.clone()), (6, second));
}

/// What the journals of a relay tell of the camera: a run, an outage, and how the clocks stood.
const JOURNAL: &str = r#"{"at":"2026-05-04T08:00:00Z","kind":"run","begin":"2026-05-04T07:00:00Z","alive":"2026-05-04T08:00:00Z","ended":true,"site":"boatyard"}
{"at":"2026-05-04T07:00:10Z","kind":"clock","of":"2026-05-04T07:00:10Z","uncertainty":2.0,"camera":null}
{"at":"2026-05-04T07:30:10Z","kind":"clock","of":"2026-05-04T07:30:10Z","uncertainty":0.0525,"camera":{"offset":-3.25,"drift_ppm":12.5,"plausible":true,"steps":0}}
{"at":"2026-05-04T07:31:10Z","kind":"evidence","run":"2026-05-04T07:00:00Z","witness":"intake","begin":"2026-05-04T07:31:06Z","end":"2026-05-04T07:31:10Z","cause":"uplink","detail":"all cameras of the site fell silent"}
{"at":"2026-05-04T07:31:11Z","kind":"clock","of":"2026-05-04T07:31:11Z","uncertainty":0.09,"camera":{"offset":-3.5,"drift_ppm":null,"plausible":false,"steps":1}}
{"at":"2026-05-04T07:50:00Z","kind":"clock","of":"2026-05-04T07:50:00Z","uncertainty":0.05,"camera":null}
"#;

/// `FOREBAY_BLESS=1 cargo test` writes it anew; read what changed.
#[test]
fn the_manifest_is_as_it_was() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let coding = format!("{H264} -bf 0 {AAC}");
    yard.record(0, 0, 1, &coding);
    yard.record(3000, 0, 2, &coding);
    yard.record(10_000, 0, 3, &format!("{coding} large"));
    let folder = yard.path("archive/slipway/ledger/2026-05-04");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("2026-05-04T070000.000Z.jsonl"), JOURNAL).unwrap();
    let clip = yard.cut(1500, 20_000, "clip.mp4");
    let mut told = manifest(&clip);
    // What differs from one ffmpeg, and from one version of this, to the next.
    told["made"] = "<time>".into();
    told["software"]["version"] = "<version>".into();
    told["software"]["commit"] = "<commit>".into();
    for list in ["files", "sources"] {
        for one in told[list].as_array_mut().unwrap() {
            let sum = one["sha256"].as_str().unwrap();
            assert!(sum.len() == 64 && sum.bytes().all(|c| c.is_ascii_hexdigit()));
            one["sha256"] = "<sha256>".into();
            assert!(one["bytes"].as_u64().unwrap() > 1000);
            one["bytes"] = "<bytes>".into();
        }
    }
    let told = serde_json::to_string_pretty(&told).unwrap() + "\n";
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/clip/golden/manifest.json");
    if std::env::var_os("FOREBAY_BLESS").is_some() {
        std::fs::write(&path, &told).unwrap();
    }
    let golden = std::fs::read_to_string(&path).unwrap();
    assert_eq!(told, golden, "FOREBAY_BLESS=1 writes it anew");
}

/// The sums of the sources are those that coreutils find.
#[test]
fn sources_are_named_with_their_sums() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    yard.record(0, 0, 1, &format!("{H264} -an"));
    yard.record(3000, 0, 2, &format!("{H264} -an"));
    let clip = yard.cut(0, 6000, "clip");
    let manifest = manifest(&clip);
    let sources = manifest["sources"].as_array().unwrap();
    let lines = sources.iter().map(|source| {
        let text = |name: &str| source[name].as_str().unwrap();
        format!("{}  {}\n", text("sha256"), text("name"))
    });
    let sums = yard.path("archive/sums");
    std::fs::write(&sums, lines.collect::<String>()).unwrap();
    let output = Command::new("sha256sum")
        .args(["--strict", "-c", "sums"])
        .current_dir(yard.path("archive"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{output:?}");
    assert_eq!(sources.len(), 2);
}

#[test]
fn a_disk_that_fills_up_is_told_as_such() {
    let full = ClipError::write(Path::new("clip.mp4"), io::ErrorKind::StorageFull.into());
    assert_eq!(
        full.of_size(5_000_000).to_string(),
        "there is no room for clip.mp4: it takes 5.0 MB; free some, or name a place on another disk"
    );
    let other = ClipError::write(
        Path::new("clip.mp4"),
        io::ErrorKind::PermissionDenied.into(),
    );
    assert_eq!(other.of_size(1).to_string(), "can't write clip.mp4");
}
