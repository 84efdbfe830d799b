//! What the manifests of an archive list, read without the relay's code: lines of JSON, and the sums of
//! coreutils.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde::Deserialize;

/// A line.
#[derive(Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Line {
    Chain {},
    Object { object: String, sha256: String },
    Gone { object: String },
}

/// What the lines say of each object: its sums, and whether it has gone.
#[derive(Debug, Default, Clone)]
pub struct Listed {
    /// By the path below the archive; several where several relays have listed it.
    pub sums: BTreeMap<String, Vec<String>>,
    /// Those that were taken away on purpose.
    pub gone: Vec<String>,
}

/// Reads all manifests of an archive, and those that are being written in some spools.
#[must_use]
pub fn read(archive: &Path, spools: &[PathBuf]) -> Listed {
    let mut files = Vec::new();
    for camera in folders(archive) {
        for day in folders(&camera.join("manifest")) {
            files.extend(entries(&day));
        }
    }
    for folder in spools
        .iter()
        .flat_map(|spool| [spool.join("open"), spool.join("finished")])
    {
        let ours = |path: &PathBuf| {
            path.to_str()
                .is_some_and(|path| path.contains("_manifest_"))
        };
        files.extend(entries(&folder).into_iter().filter(ours));
    }
    let mut listed = Listed::default();
    for file in files {
        // One that is being moved is read the next time.
        let text = fs::read_to_string(&file).unwrap_or_default();
        for line in text.lines() {
            match serde_json::from_str(line) {
                Ok(Line::Object { object, sha256 }) => {
                    listed.sums.entry(object).or_default().push(sha256);
                }
                Ok(Line::Gone { object }) => listed.gone.push(object),
                Ok(Line::Chain {}) | Err(_) => {}
            }
        }
    }
    listed
}

/// The objects that lie in an archive, by their paths below it: all but manifests and pins, and what is
/// being copied.
#[must_use]
pub fn objects(archive: &Path) -> Vec<String> {
    let mut objects = Vec::new();
    for camera in folders(archive) {
        for purpose in folders(&camera) {
            if purpose.ends_with("manifest") || purpose.ends_with("pins") {
                continue;
            }
            for day in folders(&purpose) {
                let below = |path: PathBuf| path.strip_prefix(archive).unwrap().to_owned();
                let paths = entries(&day).into_iter().map(below);
                objects.extend(paths.map(|path| path.to_str().unwrap().to_owned()));
            }
        }
    }
    objects.retain(|object| !object.rsplit('/').next().unwrap().starts_with('.'));
    objects.sort();
    objects
}

/// Holds every object against the lines, by sha256sum: gives what is not as it was listed.
#[must_use]
pub fn wrong(archive: &Path, listed: &Listed) -> Vec<String> {
    let objects = objects(archive);
    let mut wrong = Vec::new();
    for chunk in objects.chunks(500) {
        let mut sums = Command::new("sha256sum");
        let told = sums.args(chunk).current_dir(archive).output().unwrap();
        let told = String::from_utf8(told.stdout).unwrap();
        let told: Vec<_> = told
            .lines()
            .map(|line| line.split_once("  ").unwrap())
            .collect();
        // While a relay is at work one may go between being found and being read.
        let read = |object: &&String| told.iter().any(|(_, own)| own == object);
        let unread = chunk.iter().filter(|object| !read(object));
        wrong.extend(unread.map(|object| format!("{object} can't be read")));
        for (sum, object) in told {
            match listed.sums.get(object) {
                None => wrong.push(format!("{object} is listed nowhere")),
                Some(sums) if sums.iter().any(|listed| listed != sum) => {
                    wrong.push(format!("{object} is {sum}, but listed as {sums:?}"));
                }
                Some(_) => {}
            }
        }
    }
    for object in listed.sums.keys() {
        let there = objects.binary_search(object).is_ok();
        if !there && !listed.gone.contains(object) {
            wrong.push(format!("{object} is listed, and not there"));
        }
    }
    wrong
}

fn entries(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut entries: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    entries
}

/// Folders in a folder, without the hidden ones.
fn folders(folder: &Path) -> Vec<PathBuf> {
    let visible = |path: &PathBuf| {
        let name = path.file_name().unwrap().to_str();
        path.is_dir() && name.is_some_and(|name| !name.starts_with('.'))
    };
    entries(folder).into_iter().filter(visible).collect()
}
