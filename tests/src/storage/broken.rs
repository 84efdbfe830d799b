//! `peers/broken_disk.py`, started and ordered about.

use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{ChildStdout, Command, Stdio};
use std::time::Duration;

use rustix::process::Signal;

use super::unmount;
use crate::{Running, script};

/// A file system that hands everything on to a folder, and fails to order; gone when dropped.
#[derive(Debug)]
pub struct BrokenDisk {
    point: PathBuf,
    said: BufReader<ChildStdout>,
    process: Running,
}

impl BrokenDisk {
    /// Mounts `folder` once more at `point`; both are made.
    #[must_use]
    pub fn mount(folder: &Path, point: &Path) -> Self {
        for folder in [folder, point] {
            fs::create_dir_all(folder).unwrap();
        }
        let mut command = Command::new("python3");
        command
            .arg(script("broken_disk.py"))
            .args([folder, point])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped());
        let mut process = Running::start(&mut command);
        let said = BufReader::new(process.child().stdout.take().unwrap());
        let mut disk = Self {
            point: point.to_owned(),
            said,
            process,
        };
        disk.hear("mounted");
        disk
    }

    fn hear(&mut self, word: &str) {
        let mut line = String::new();
        self.said.read_line(&mut line).unwrap();
        assert_eq!(line.trim(), word, "{} says", self.point.display());
    }

    /// Has calls fail with an errno: `all`, or `writes` alone; `none` with 0.
    pub fn fail(&mut self, what: &str, errno: i32) {
        let to = self.process.child().stdin.as_mut().unwrap();
        writeln!(to, "{what} {errno}").unwrap();
        self.hear("done");
    }

    /// From now on no call comes back.
    pub fn freeze(&self) {
        self.process.signal(Signal::STOP);
    }

    /// All calls come back.
    pub fn thaw(&self) {
        self.process.signal(Signal::CONT);
    }
}

impl Drop for BrokenDisk {
    fn drop(&mut self) {
        self.thaw();
        drop(self.process.child().stdin.take());
        self.process.wait(Duration::from_secs(5));
        unmount(&self.point);
    }
}
