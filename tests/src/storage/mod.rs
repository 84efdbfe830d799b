//! Disks that fail to order: one that hangs or answers with errors, and one that is small.

mod broken;
mod small;

use std::fs;
use std::path::Path;
use std::process::Command;

pub use broken::BrokenDisk;
pub use small::SmallDisk;

/// Input/output error, permission denied, read-only file system (errno(3)).
pub const EIO: i32 = 5;
/// See [`EIO`].
pub const EACCES: i32 = 13;
/// See [`EIO`].
pub const EROFS: i32 = 30;

/// Why such disks can't be had here.
///
/// # Errors
/// What is missing.
pub fn available() -> Result<(), String> {
    if !rustix::process::geteuid().is_root() {
        return Err("mounting needs root".to_owned());
    }
    match fs::File::options().read(true).write(true).open("/dev/fuse") {
        Ok(_) => Ok(()),
        Err(error) => Err(format!("/dev/fuse can't be opened: {error}")),
    }
}

/// Whether a test that needs them can run; says why it is skipped. They are the kernel's: where they are
/// not, nothing can be installed.
#[must_use]
pub fn or_skip() -> bool {
    let Err(reason) = available() else {
        return true;
    };
    eprintln!("skipped: no disks that break: {reason}");
    false
}

/// Takes away whatever is mounted at a folder.
pub fn unmount(folder: &Path) {
    // Fails where nothing is mounted, and says so.
    Command::new("umount").arg("-ql").arg(folder).output().ok();
}
