//! Folders and files of a test.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::thread::{self, ThreadId};
use std::time::{SystemTime, UNIX_EPOCH};

/// An empty folder below `root` (`CARGO_TARGET_TMPDIR`). It stays after the test, to be looked at,
/// and is emptied by the next run.
///
/// # Panics
/// When another test asks for it: the two may run at once.
#[must_use]
pub fn fresh_folder(root: &str, name: &str) -> PathBuf {
    static OWNERS: Mutex<BTreeMap<PathBuf, ThreadId>> = Mutex::new(BTreeMap::new());
    let folder = Path::new(root).join("forebay").join(name);
    let me = thread::current().id();
    let owner = *OWNERS.lock().unwrap().entry(folder.clone()).or_insert(me);
    assert_eq!(owner, me, "{folder:?} is another test's: name one apart");
    if folder.exists() {
        fs::remove_dir_all(&folder).unwrap();
    }
    fs::create_dir_all(&folder).unwrap();
    folder
}

/// The path of a script in `tests/peers`.
#[must_use]
pub fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("peers")
        .join(name)
}

/// All MP4 files below `folder`, sorted by path; none where it does not exist.
#[must_use]
pub fn mp4_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(folder) = open.pop() {
        let Ok(entries) = fs::read_dir(&folder) else {
            continue;
        };
        for entry in entries {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|extension| extension == "mp4") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Seconds since the Unix epoch.
#[must_use]
pub fn unix_now() -> f64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap()
        .as_secs_f64()
}
