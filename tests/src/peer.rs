//! Cameras that share no code with the relay: `peers/gst_camera.py` as a process.

use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde::Deserialize;

use crate::bed::End;
use crate::{Running, script};

/// Not the first Python in PATH, but the system's: the one that has GStreamer's bindings.
const PYTHON: &str = "/usr/bin/python3";

/// A camera that runs; it ends when this is dropped.
#[derive(Debug)]
pub struct Peer {
    /// Its codec: "h264", "h265" or "mjpeg".
    pub codec: String,
    /// Where it serves, without credentials.
    pub url: String,
    journal: PathBuf,
    _process: Running,
}

/// A unit that a camera handed to its payloader.
#[derive(Debug, Clone, Deserialize)]
pub struct Sent {
    /// "video" or "audio".
    pub kind: String,
    /// Number of the pipeline; the server builds a new one when all clients have left.
    pub media: u32,
    /// Presentation time in nanoseconds from the pipeline's start.
    pub pts: u64,
    /// When the picture was taken, Unix nanoseconds. Video only.
    #[serde(default)]
    pub captured: u64,
    /// Whether decoding can begin here. Video only.
    #[serde(default)]
    pub key: bool,
    /// Bytes hashed.
    pub size: usize,
    /// Hash of the canonical form (`peers/units.py`).
    pub sha256: String,
}

/// All that a camera sent.
#[derive(Debug)]
pub struct Journal {
    /// In the order of sending, which is that of decoding.
    pub video: Vec<Sent>,
    /// In the order of sending.
    pub audio: Vec<Sent>,
    /// G.711 samples; empty for other codecs.
    pub samples: Vec<u8>,
}

impl Peer {
    /// Starts `peers/gst_camera.py` with `options` beside its codec and journal.
    #[must_use]
    pub fn start(folder: &Path, name: &str, codec: &str, options: &[&str]) -> Self {
        Self::run(&mut Command::new(PYTHON), folder, name, codec, options)
    }

    /// Starts it at one end of a link of the test bed, where it listens.
    #[must_use]
    pub fn start_at(end: &End, folder: &Path, name: &str, codec: &str, options: &[&str]) -> Self {
        let address = end.address().to_string();
        let options = [options, &["--listen", &address]].concat();
        Self::run(&mut end.command(PYTHON), folder, name, codec, &options)
    }

    fn run(python: &mut Command, folder: &Path, name: &str, codec: &str, options: &[&str]) -> Self {
        let journal = folder.join(format!("{name}.journal"));
        let errors = File::create(folder.join(format!("{name}.peer.log"))).unwrap();
        let mut process = Running::start(
            python
                .arg(script("gst_camera.py"))
                .args(["--codec", codec, "--log"])
                .arg(&journal)
                .args(options)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(errors),
        );
        let mut line = String::new();
        BufReader::new(process.child().stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let said: serde_json::Value = serde_json::from_str(&line)
            .unwrap_or_else(|_| panic!("camera {name} says {line:?}; see {name}.peer.log"));
        let url = said["url"].as_str().unwrap().to_string();
        Self {
            codec: codec.into(),
            url,
            journal,
            _process: process,
        }
    }

    /// What it has sent until now.
    #[must_use]
    pub fn journal(&self) -> Journal {
        let text = fs::read_to_string(&self.journal).unwrap();
        // The last line may be half written.
        let whole = text.rsplit_once('\n').map_or("", |(whole, _)| whole);
        let sent = whole
            .lines()
            .map(|line| serde_json::from_str::<Sent>(line).unwrap());
        let (video, audio) = sent.partition(|unit| unit.kind == "video");
        let samples = fs::read(self.journal.with_extension("journal.audio")).unwrap();
        Journal {
            video,
            audio,
            samples,
        }
    }
}
