//! Other people's programs.

use std::path::PathBuf;
use std::process::{Command, Stdio};

/// Whether a test that needs ffmpeg can run. In CI it must.
pub(crate) fn has_ffmpeg() -> bool {
    let mut found = true;
    for tool in ["ffmpeg", "ffprobe"] {
        let run = Command::new(tool)
            .arg("-version")
            .stdout(Stdio::null())
            .status();
        found &= run.is_ok_and(|status| status.success());
    }
    if !found {
        let in_ci = std::env::var_os("CI").is_some_and(|ci| ci == "true");
        assert!(!in_ci, "CI lacks ffmpeg or ffprobe");
        println!("skipped: ffmpeg or ffprobe is not installed");
    }
    found
}

/// A file name of this process' own, removed when dropped.
pub(crate) struct Scratch(pub(crate) PathBuf);

impl Scratch {
    pub(crate) fn new(name: &str) -> Self {
        Self(std::env::temp_dir().join(format!("forebay-site-{}-{name}", std::process::id())))
    }

    pub(crate) fn path(&self) -> &str {
        self.0.to_str().unwrap()
    }

    pub(crate) fn read(&self) -> Vec<u8> {
        std::fs::read(&self.0).unwrap()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        std::fs::remove_file(&self.0).ok();
    }
}

/// Runs ffmpeg with `-v warning` and gives what it complains of.
pub(crate) fn ffmpeg(arguments: &[&str]) -> String {
    let run = Command::new("ffmpeg")
        .args(["-nostdin", "-y", "-v", "warning"])
        .args(arguments)
        .output()
        .unwrap();
    let complaints = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(run.status.success(), "{complaints}");
    complaints
}

/// The access units of a byte stream, each from its parameter sets or first SEI to its last slice.
pub(crate) fn access_units(stream: &[u8]) -> Vec<Vec<u8>> {
    let mut units: Vec<Vec<u8>> = Vec::new();
    let starts: Vec<usize> = (0..stream.len())
        .filter(|at| stream[*at..].starts_with(&[0, 0, 1]))
        .collect();
    let mut after_slice = true;
    for (index, start) in starts.iter().enumerate() {
        let end = starts.get(index + 1).copied().unwrap_or(stream.len());
        let slice = matches!(stream[start + 3] & 0x1F, 1 | 5);
        if after_slice && !slice {
            units.push(Vec::new());
        }
        units.last_mut().unwrap().extend(&stream[*start..end]);
        after_slice = slice;
    }
    units
}
