//! Recorded files, read by programs that share no code with the relay: ffmpeg, ffprobe, and
//! `peers/read_mp4.py`, which follows ISO/IEC 14496-12 alone.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde::Deserialize;

use crate::{run, script, silent};

/// One file as `peers/read_mp4.py` tells it.
#[derive(Debug, Deserialize)]
pub struct Recording {
    /// Its path.
    pub file: PathBuf,
    /// Number of `moof` boxes.
    pub fragments: usize,
    /// The `prft` boxes in order.
    pub references: Vec<Reference>,
    /// Its tracks.
    pub tracks: Vec<Track>,
}

/// Producer reference time: a media time and the wall clock's time of it.
#[derive(Debug, Clone, Deserialize)]
pub struct Reference {
    /// The track whose time scale `media` has.
    pub track: u32,
    /// Seconds since the Unix epoch.
    pub unix: f64,
    /// Media time in ticks.
    pub media: u64,
}

/// A track and all its samples.
#[derive(Debug, Deserialize)]
pub struct Track {
    /// Its number in the file.
    pub id: u32,
    /// "video" or "audio".
    pub kind: String,
    /// "h264", "h265", "mjpeg", "aac", "pcma", "pcmu".
    pub codec: Option<String>,
    /// Ticks a second.
    pub timescale: u32,
    /// Picture size in pixels; 0 for audio.
    pub width: u32,
    /// See `width`.
    pub height: u32,
    /// In the order of decoding.
    pub samples: Vec<Sample>,
}

/// A sample of a track.
#[derive(Debug, Clone, Deserialize)]
pub struct Sample {
    /// Decode time in ticks.
    pub decode: u64,
    /// Presentation time in seconds, edit list applied.
    pub time: f64,
    /// In seconds.
    pub duration: f64,
    /// In bytes.
    pub size: usize,
    /// Whether it is a sync sample.
    pub key: bool,
    /// Hash of the bytes in the file.
    #[serde(default)]
    pub sha256: String,
    /// Hash of the canonical form (`peers/units.py`); video only.
    pub unit: Option<String>,
    /// The number that the camera put into the unit.
    pub counter: Option<u64>,
    /// The time that the camera put into the unit, Unix nanoseconds.
    pub captured: Option<u64>,
}

impl Track {
    /// Sum of the durations in seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.samples.iter().map(|sample| sample.duration).sum()
    }
}

impl Recording {
    /// Reads all of them. Audio payload goes to `dump`, see [`audio_payload`](Self::audio_payload).
    #[must_use]
    pub fn read(files: &[PathBuf], dump: &Path) -> Vec<Self> {
        fs::create_dir_all(dump).unwrap();
        let read = run(Command::new("python3")
            .arg(script("read_mp4.py"))
            .arg("--dump")
            .arg(dump)
            .args(files));
        let lines = String::from_utf8(read.stdout).unwrap();
        lines
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    }

    /// Reads what [`marks`] needs, and no payload: samples have no hashes.
    #[must_use]
    pub fn read_marks(files: &[PathBuf]) -> Vec<Self> {
        // A command line takes some thousand names.
        files
            .chunks(500)
            .flat_map(|files| {
                let read = run(Command::new("python3")
                    .arg(script("read_mp4.py"))
                    .arg("--marks")
                    .args(files));
                let lines = String::from_utf8(read.stdout).unwrap();
                let parse = |line| serde_json::from_str(line).unwrap();
                lines.lines().map(parse).collect::<Vec<Self>>()
            })
            .collect()
    }

    /// The only track of that kind.
    #[must_use]
    pub fn track(&self, kind: &str) -> Option<&Track> {
        let mut found = self.tracks.iter().filter(|track| track.kind == kind);
        let track = found.next();
        assert!(
            found.next().is_none(),
            "{}: several {kind} tracks",
            self.file.display()
        );
        track
    }

    /// The video track; each file has one.
    #[must_use]
    pub fn video(&self) -> &Track {
        self.track("video")
            .unwrap_or_else(|| panic!("{}: no video track", self.file.display()))
    }

    /// All samples of the audio track in one piece.
    #[must_use]
    pub fn audio_payload(&self, dump: &Path) -> Vec<u8> {
        let track = self.track("audio").expect("an audio track");
        let name = format!(
            "{}.{}",
            self.file.file_name().unwrap().to_string_lossy(),
            track.id
        );
        fs::read(dump.join(name)).unwrap()
    }

    /// Unix seconds of the first picture by the file's name, `2026-05-04T073100.120Z.mp4`.
    #[must_use]
    pub fn begin(&self) -> f64 {
        let name = self.file.file_stem().unwrap().to_str().unwrap();
        unix_of(name).unwrap_or_else(|| panic!("{}: not named by a time", self.file.display()))
    }
}

/// A picture in a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// The number that the camera put into it.
    pub number: u64,
    /// When it was taken, by the camera: Unix seconds.
    pub captured: f64,
    /// When it was taken, by the file: Unix seconds from the last `prft` box before it.
    pub told: Option<f64>,
}

/// The pictures of recordings, in the order of files and samples.
#[must_use]
pub fn marks(recordings: &[Recording]) -> Vec<Mark> {
    let mut marks = Vec::new();
    for recording in recordings {
        let Some(track) = recording.track("video") else {
            continue;
        };
        let references: Vec<&Reference> = recording
            .references
            .iter()
            .filter(|reference| reference.track == track.id)
            .collect();
        for sample in &track.samples {
            let (Some(number), Some(captured)) = (sample.counter, sample.captured) else {
                continue;
            };
            let after = references.partition_point(|reference| reference.media <= sample.decode);
            let reference = after.checked_sub(1).map(|last| references[last]);
            let told = reference.map(|reference| {
                let ticks = sample.decode - reference.media;
                reference.unix + ticks as f64 / f64::from(track.timescale)
            });
            marks.push(Mark {
                number,
                captured: captured as f64 / 1e9,
                told,
            });
        }
    }
    marks
}

/// Unix seconds of an RFC 3339 time in UTC such as `2026-05-04T07:31:00.120Z`.
#[must_use]
pub fn unix_of_rfc3339(text: &str) -> Option<f64> {
    unix_of(&text.replace(':', ""))
}

/// The RFC 3339 time of Unix seconds, to the microsecond.
#[must_use]
pub fn rfc3339_of(unix: f64) -> String {
    let micros = (unix * 1e6).round() as i64;
    let (days, micros) = (
        micros.div_euclid(86_400_000_000),
        micros.rem_euclid(86_400_000_000),
    );
    // Civil date of a day number: years counted from March, in eras of 400 years.
    let day = days + 719_468;
    let (era, day) = (day.div_euclid(146_097), day.rem_euclid(146_097));
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153;
    let date = day - (153 * month + 2) / 5 + 1;
    let (year, month) = match month {
        0..10 => (era * 400 + year, month + 3),
        _ => (era * 400 + year + 1, month - 9),
    };
    let (seconds, micros) = (micros / 1_000_000, micros % 1_000_000);
    let (hour, minute, second) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    format!("{year:04}-{month:02}-{date:02}T{hour:02}:{minute:02}:{second:02}.{micros:06}Z")
}

/// Unix seconds of a name such as `2026-05-04T073100.120Z`.
fn unix_of(name: &str) -> Option<f64> {
    let (date, time) = name.strip_suffix('Z')?.split_once('T')?;
    let mut date = date.splitn(3, '-').map(|part| part.parse::<i64>().ok());
    let (year, month, day) = (date.next()??, date.next()??, date.next()??);
    let (hours, minutes) = (
        time.get(..2)?.parse::<f64>().ok()?,
        time.get(2..4)?.parse::<f64>().ok()?,
    );
    let seconds: f64 = time.get(4..)?.parse().ok()?;
    // Days of the Gregorian calendar since 1970-01-01, years counted from March.
    let (year, month) = if month > 2 {
        (year, month - 3)
    } else {
        (year - 1, month + 9)
    };
    let days = 365 * year + year / 4 - year / 100 + year / 400 + (153 * month + 2) / 5 + day - 1;
    Some((days - 719_468) as f64 * 86_400.0 + hours * 3600.0 + minutes * 60.0 + seconds)
}

/// The tree of a file's boxes by `peers/mp4_boxes.py`, which is the parser pymp4 (PyPI): a list of
/// objects with `type`, the box's fields, and `children`.
#[must_use]
pub fn boxes(file: &Path) -> serde_json::Value {
    // A Python that has that package; `tests/run` makes one.
    let python = std::env::var_os("FOREBAY_PYTHON").unwrap_or_else(|| "python3".into());
    let read = run(Command::new(python).arg(script("mp4_boxes.py")).arg(file));
    serde_json::from_slice(&read.stdout).unwrap()
}

/// A packet as ffmpeg's demuxer gives it.
#[derive(Debug, PartialEq)]
pub struct Packet {
    /// Index of the stream.
    pub stream: usize,
    /// Presentation time in seconds.
    pub time: f64,
    /// In bytes.
    pub size: usize,
    /// Hash of the bytes.
    pub sha256: String,
}

/// The packets of a file by ffmpeg's demuxer (its `framehash` format), undecoded.
#[must_use]
pub fn packets(file: &Path) -> Vec<Packet> {
    let output = silent(
        Command::new("ffmpeg")
            .args(["-v", "warning", "-nostdin", "-copyts", "-i"])
            .arg(file)
            .args([
                "-map",
                "0",
                "-c",
                "copy",
                "-f",
                "framehash",
                "-hash",
                "sha256",
                "-",
            ]),
    );
    let text = String::from_utf8(output.stdout).unwrap();
    // "#tb 0: 1/90000"
    let mut bases = Vec::new();
    for base in text.lines().filter_map(|line| line.strip_prefix("#tb ")) {
        let (numerator, denominator) = base.split_once(": ").unwrap().1.split_once('/').unwrap();
        bases.push(numerator.parse::<f64>().unwrap() / denominator.parse::<f64>().unwrap());
    }
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    lines
        .map(|line| {
            // stream, dts, pts, duration, size, hash
            let fields: Vec<&str> = line.split(',').map(str::trim).collect();
            let stream: usize = fields[0].parse().unwrap();
            Packet {
                stream,
                time: fields[2].parse::<f64>().unwrap() * bases[stream],
                size: fields[4].parse().unwrap(),
                sha256: fields[5].into(),
            }
        })
        .collect()
}

/// Decodes all streams of all files with ffmpeg; a warning fails.
pub fn decode(files: &[PathBuf]) {
    // Several files a process: starting one costs more than decoding a short file.
    for group in files.chunks(16) {
        let mut command = Command::new("ffmpeg");
        command.args(["-v", "warning", "-nostdin", "-threads", "1"]);
        for file in group {
            command.arg("-i").arg(file);
        }
        for index in 0..group.len() {
            command.args(["-map", &index.to_string()]);
        }
        silent(command.args(["-f", "null", "-"]));
    }
}

/// Number of pictures that ffprobe decodes from the first video stream; a warning fails.
#[must_use]
pub fn pictures(file: &Path) -> usize {
    let output = silent(
        Command::new("ffprobe")
            .args(["-v", "warning", "-count_frames", "-select_streams", "v:0"])
            .args(["-show_entries", "stream=nb_read_frames", "-of", "csv=p=0"])
            .arg(file),
    );
    let text = String::from_utf8(output.stdout).unwrap();
    text.trim().trim_end_matches(',').parse().unwrap()
}

/// Units of an elementary stream, as another client of the same camera wrote it.
#[must_use]
pub fn stream_units(codec: &str, file: &Path) -> Vec<String> {
    #[derive(Deserialize)]
    struct Unit {
        unit: String,
    }
    #[derive(Deserialize)]
    struct Units {
        units: Vec<Unit>,
    }
    let read = run(Command::new("python3")
        .arg(script("read_stream.py"))
        .arg(codec)
        .arg(file));
    let told: Units = serde_json::from_slice(&read.stdout).unwrap();
    told.units.into_iter().map(|unit| unit.unit).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_times() {
        // Seconds by GNU date: `date -u -d '2026-05-04 07:31:00' +%s`.
        assert_eq!(unix_of("2026-05-04T073100.120Z"), Some(1_777_879_860.120));
        assert_eq!(unix_of("2028-02-29T235959.000Z"), Some(1_835_481_599.0));
        assert_eq!(unix_of("1970-01-01T000000.000Z"), Some(0.0));
        assert_eq!(unix_of("2026-05-04"), None);
        for text in [
            "2026-05-04T07:31:00.120000Z",
            "2028-02-29T23:59:59.000000Z",
            "2027-01-01T00:00:00.000000Z",
        ] {
            assert_eq!(rfc3339_of(unix_of_rfc3339(text).unwrap()), text);
        }
    }
}
