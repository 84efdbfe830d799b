//! Network namespaces that end with the process, or with the next one.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::os::fd::AsFd as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Once;
use std::thread;

use rustix::thread::{LinkNameSpaceType, move_into_link_name_space};

/// Where `ip netns` has their names.
const FOLDER: &str = "/run/netns";
/// Their names begin with it; the process id follows.
const PREFIX: &str = "forebay-";

/// A named network namespace, deleted when dropped.
#[derive(Debug)]
pub struct Namespace {
    name: String,
    file: File,
}

impl Namespace {
    /// `suffix` tells the namespaces of this process apart.
    ///
    /// # Errors
    /// Where it can't be made: without root, as a rule.
    pub fn new(suffix: &str) -> io::Result<Self> {
        static SWEPT: Once = Once::new();
        SWEPT.call_once(remove_stale);
        let name = format!("{PREFIX}{}-{suffix}", std::process::id());
        ip(&["netns", "add", &name], "")?;
        match File::open(Path::new(FOLDER).join(&name)) {
            Ok(file) => Ok(Self { name, file }),
            Err(error) => {
                ip(&["netns", "delete", &name], "").ok();
                Err(error)
            }
        }
    }

    /// As `ip netns` knows it.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Runs commands of `ip`, one a line, inside.
    ///
    /// # Errors
    /// What `ip` says.
    pub fn configure(&self, lines: &str) -> io::Result<()> {
        ip(&["-n", &self.name, "-batch", "-"], lines)
    }

    /// Calls `inside` on a thread that has moved into the namespace. Sockets and devices that it
    /// opens stay there.
    ///
    /// # Errors
    /// Where the thread can't move.
    pub fn within<T: Send>(&self, inside: impl FnOnce() -> T + Send) -> io::Result<T> {
        thread::scope(|scope| {
            let moved = || {
                move_into_link_name_space(self.file.as_fd(), Some(LinkNameSpaceType::Network))?;
                Ok(inside())
            };
            match scope.spawn(moved).join() {
                Ok(result) => result,
                Err(panic) => std::panic::resume_unwind(panic),
            }
        })
    }
}

impl Drop for Namespace {
    fn drop(&mut self) {
        if let Err(error) = ip(&["netns", "delete", &self.name], "") {
            eprintln!("namespace {} stays: {error}", self.name);
        }
    }
}

/// Deletes namespaces of processes that have died without deleting them.
fn remove_stale() {
    let Ok(entries) = fs::read_dir(FOLDER) else {
        return;
    };
    for name in entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
    {
        let owner = name
            .strip_prefix(PREFIX)
            .and_then(|rest| rest.split('-').next());
        let Some(pid) = owner.and_then(|pid| pid.parse::<u32>().ok()) else {
            continue;
        };
        if !Path::new("/proc").join(pid.to_string()).exists() {
            // Another process may have done it just before.
            ip(&["netns", "delete", &name], "").ok();
        }
    }
}

fn ip(arguments: &[&str], input: &str) -> io::Result<()> {
    let mut child = Command::new("ip")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| io::Error::new(error.kind(), format!("ip (of iproute2): {error}")))?;
    // Dropped at once, which ends the input.
    if let Some(mut to) = child.stdin.take() {
        to.write_all(input.as_bytes()).ok();
    }
    let output = child.wait_with_output()?;
    if output.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    Err(io::Error::other(format!(
        "ip {}: {}",
        arguments.join(" "),
        said.trim()
    )))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_dead_process_left_is_removed() {
        if !super::super::or_skip() {
            return;
        }
        let mut short = Command::new("true").spawn().unwrap();
        let pid = short.id();
        short.wait().unwrap();
        let left = format!("{PREFIX}{pid}-0-home");
        ip(&["netns", "add", &left], "").unwrap();
        let ours = Namespace::new("sweep").unwrap();
        remove_stale();
        assert!(!Path::new(FOLDER).join(&left).exists());
        let own = Path::new(FOLDER).join(ours.name());
        assert!(own.exists());
        drop(ours);
        assert!(!own.exists());
    }
}
