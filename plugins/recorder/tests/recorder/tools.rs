//! Streams made, and files judged, by ffmpeg and ffprobe.

use std::path::{Path, PathBuf};
use std::process::Command;

use forebay_plugin_sdk::{Track, UnitInfo};

use crate::support::{info, track};

/// A unit to feed.
pub(crate) type Fed = (UnitInfo, Vec<u8>);

/// Whether ffmpeg is there. Where it is missing a test is skipped, but not in CI.
pub(crate) fn tools() -> bool {
    let there = |tool| Command::new(tool).arg("-version").output().is_ok();
    let both = there("ffmpeg") && there("ffprobe");
    if !both {
        assert!(
            std::env::var("CI").as_deref() != Ok("true"),
            "ffmpeg and ffprobe are missing"
        );
        println!("skipped: ffmpeg or ffprobe is missing");
    }
    both
}

/// A folder that is removed with it.
pub(crate) struct Dir(PathBuf);

impl Dir {
    pub(crate) fn new(name: &str) -> Self {
        let dir = std::env::temp_dir().join(format!("recorder-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&dir).unwrap();
        Self(dir)
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Dir {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_dir_all(&self.0) {
            println!("{}: {error}", self.0.display());
        }
    }
}

/// Runs a tool and gives what it printed; it must succeed and have nothing to warn of.
pub(crate) fn run(tool: &str, arguments: &[&str]) -> String {
    let output = Command::new(tool)
        .args(["-v", "warning"])
        .args(arguments)
        .output()
        .unwrap();
    let complaints = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.success() && complaints.is_empty(),
        "{tool} {arguments:?}: {complaints}"
    );
    String::from_utf8(output.stdout).unwrap()
}

/// A packet as ffprobe sees it, with its bytes.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Packet {
    pub(crate) pts: i64,
    pub(crate) dts: i64,
    pub(crate) key: bool,
    pub(crate) bytes: Vec<u8>,
}

/// The packets of a stream ("v:0", "a:0") in file order.
pub(crate) fn packets(file: &Path, stream: &str) -> Vec<Packet> {
    let path = file.to_str().unwrap();
    let entries = "packet=pts,dts,size,pos,flags";
    let text = run(
        "ffprobe",
        &[
            "-select_streams",
            stream,
            "-show_entries",
            entries,
            "-of",
            "compact=p=0",
            path,
        ],
    );
    let bytes = std::fs::read(file).unwrap();
    let packet = |line: &str| {
        let field = |name: &str| {
            let fields = line.split('|').filter_map(|field| field.split_once('='));
            fields
                .into_iter()
                .find(|(key, _)| *key == name)
                .unwrap()
                .1
                .to_owned()
        };
        let number = |name: &str| {
            field(name)
                .parse::<i64>()
                .unwrap_or_else(|_| panic!("{line}"))
        };
        let from = number("pos") as usize;
        Packet {
            pts: number("pts"),
            dts: number("dts"),
            key: field("flags").starts_with('K'),
            bytes: bytes[from..from + number("size") as usize].to_vec(),
        }
    };
    text.lines()
        .filter(|line| line.contains("pts="))
        .map(packet)
        .collect()
}

/// One value of the container or a stream.
pub(crate) fn entry(file: &Path, selection: &[&str]) -> String {
    let path = [file.to_str().unwrap()];
    let format = ["-of", "csv=p=0"];
    run("ffprobe", &[selection, &format, &path].concat())
        .trim()
        .to_owned()
}

/// Hashes of the decoded pictures.
pub(crate) fn pictures(file: &Path) -> Vec<String> {
    let text = run(
        "ffmpeg",
        &[
            "-i",
            file.to_str().unwrap(),
            "-map",
            "0:v",
            "-fps_mode",
            "passthrough",
            "-f",
            "framemd5",
            "-",
        ],
    );
    let hash = |line: &str| line.rsplit(", ").next().unwrap().to_owned();
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(hash)
        .collect()
}

/// Makes video by an encoder of ffmpeg and gives its track and units, as a camera would send them
/// with the first at media time `first`.
pub(crate) fn video(
    dir: &Dir,
    codec: &str,
    encoder: &[&str],
    seconds: u32,
    first: i64,
) -> (Track, Vec<Fed>) {
    let path = dir.path("source.mov");
    // JPEG is full range, the others are limited by default.
    let range = if codec == "jpeg" { "full" } else { "limited" };
    let size = format!("testsrc2=size=320x180:rate=25:duration={seconds},scale=out_range={range}");
    let source = ["-f", "lavfi", "-i", size.as_str()];
    let rate = ["-video_track_timescale", "90000", "-pix_fmt", "yuv420p"];
    let to = ["-strict", "-1", "-y", path.to_str().unwrap()];
    run("ffmpeg", &[&source[..], encoder, &rate, &to].concat());
    let file = std::fs::read(&path).unwrap();
    let configuration = match codec {
        "h264" => body(&file, b"avcC"),
        "h265" => body(&file, b"hvcC"),
        _ => Vec::new(),
    };
    let track = track(1, codec, 90_000, &configuration);
    let unit = |p: Packet| (info(&track, first + p.pts, p.key, p.bytes.len()), p.bytes);
    let units = packets(&path, "v:0").into_iter().map(unit).collect();
    (track, units)
}

/// The content of the first box of a kind, wherever it is.
fn body(file: &[u8], kind: &[u8; 4]) -> Vec<u8> {
    let at = file.windows(4).position(|window| window == kind).unwrap();
    let size = u32::from_be_bytes(file[at - 4..at].try_into().unwrap()) as usize;
    file[at + 4..at - 4 + size].to_vec()
}

/// Makes sound: a tone of 440 Hz, 8 kHz G.711 in units of 20 ms, or AAC at 48 kHz.
pub(crate) fn sound(dir: &Dir, codec: &str, seconds: u32, first: i64) -> (Track, Vec<Fed>) {
    let tone = format!("sine=frequency=440:duration={seconds}");
    let source = ["-f", "lavfi", "-i", tone.as_str()];
    if codec == "aac" {
        let path = dir.path("source.m4a");
        let to = [
            "-ar",
            "48000",
            "-c:a",
            "aac",
            "-f",
            "adts",
            "-y",
            path.to_str().unwrap(),
        ];
        run("ffmpeg", &[&source[..], &to].concat());
        // ADTS (ISO/IEC 14496-3 §1.A.2.2): a header of 7 bytes, 13 bits of length from bit 30.
        // AudioSpecificConfig of AAC LC, 48 kHz, one channel: ISO/IEC 14496-3 §1.6.2.1.
        let track = track(2, "aac", 48_000, &[0x11, 0x88]);
        let file = std::fs::read(&path).unwrap();
        let (mut units, mut rest) = (Vec::new(), &file[..]);
        while let [_, _, _, a, b, c, ..] = *rest {
            let length = usize::from(a & 3) << 11 | usize::from(b) << 3 | usize::from(c) >> 5;
            units.push(rest[7..length].to_vec());
            rest = &rest[length..];
        }
        return (track.clone(), timed(&track, units, 1024, first));
    }
    let (format, path) = if codec == "pcma" {
        ("alaw", "a")
    } else {
        ("mulaw", "u")
    };
    let path = dir.path(path);
    let to = [
        "-ar",
        "8000",
        "-ac",
        "1",
        "-f",
        format,
        "-y",
        path.to_str().unwrap(),
    ];
    run("ffmpeg", &[&source[..], &to].concat());
    let track = track(2, codec, 8000, &[]);
    let units = std::fs::read(&path)
        .unwrap()
        .chunks(160)
        .map(<[u8]>::to_vec)
        .collect();
    (track.clone(), timed(&track, units, 160, first))
}

fn timed(track: &Track, units: Vec<Vec<u8>>, duration: u32, first: i64) -> Vec<Fed> {
    let times = (0..).map(|n| first + n * i64::from(duration));
    let unit = |(bytes, time): (Vec<u8>, i64)| {
        let plain = info(track, time, true, bytes.len());
        (UnitInfo { duration, ..plain }, bytes)
    };
    units.into_iter().zip(times).map(unit).collect()
}
