//! A small file system of its own.

use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{JoinHandle, sleep, spawn};
use std::time::Duration;

use super::unmount;
use crate::run;

/// ext4 on a loop device; where there is none, in memory. Gone when dropped.
#[derive(Debug)]
pub struct SmallDisk(PathBuf);

impl SmallDisk {
    /// Mounts one at `folder`.
    #[must_use]
    pub fn mount(folder: &Path, megabytes: u64) -> Self {
        unmount(folder);
        fs::create_dir_all(folder).unwrap();
        let image = folder.with_extension("image");
        File::create(&image)
            .unwrap()
            .set_len(megabytes << 20)
            .unwrap();
        run(Command::new("mkfs.ext4")
            .args(["-q", "-m", "0"])
            .arg(&image));
        let mut looped = Command::new("mount");
        looped.args(["-o", "loop"]).arg(&image).arg(folder);
        if !looped.status().is_ok_and(|status| status.success()) {
            let size = format!("size={megabytes}m,mode=700");
            run(Command::new("mount")
                .args(["-t", "tmpfs", "-o", &size, "forebay-small"])
                .arg(folder));
        }
        Self(folder.to_owned())
    }

    /// Keeps it full until that is dropped: what is freed is taken at once.
    #[must_use]
    pub fn fill(&self) -> Ballast {
        let path = self.0.join("ballast");
        let ends = Arc::new(AtomicBool::new(false));
        let (file, ended) = (path.clone(), Arc::clone(&ends));
        let thread = spawn(move || {
            let mut file = File::create(&file).unwrap();
            while !ended.load(Ordering::Relaxed) {
                for piece in [1 << 20, 1 << 12] {
                    while file.write_all(&vec![1; piece]).is_ok() {}
                }
                sleep(Duration::from_millis(2));
            }
        });
        Ballast {
            path,
            ends,
            thread: Some(thread),
        }
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        unmount(&self.0);
        fs::remove_file(self.0.with_extension("image")).ok();
    }
}

/// What fills a disk.
#[derive(Debug)]
pub struct Ballast {
    path: PathBuf,
    ends: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Ballast {
    fn drop(&mut self) {
        self.ends.store(true, Ordering::Relaxed);
        self.thread.take().map(JoinHandle::join);
        fs::remove_file(&self.path).unwrap();
    }
}
