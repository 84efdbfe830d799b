//! Notices what comes to the archive, whoever has written it.

use std::collections::HashSet;
use std::path::Path;

use crate::archive::disk::Disk;
use crate::archive::ladder::pins::PURPOSE as PINS;
use crate::archive::manifest::names;
use crate::archive::names::ObjectName;
use crate::units::Name;

/// Names that are remembered: two days of many cameras.
const KNOWN_MAX: usize = 1 << 18;

/// What has been there at the last looks.
#[derive(Debug, Default)]
pub(super) struct Lookout {
    known: HashSet<String>,
    /// Seen for the first time at the last look. Not told of before the next one: its own writer, if
    /// that is this relay, has noted it by then.
    fresh: Vec<String>,
}

impl Lookout {
    /// Looks at the folders of these days; gives what was new at the look before, and still is there.
    pub(super) fn look(
        &mut self,
        disk: &dyn Disk,
        archive: &Path,
        days: &[String; 2],
    ) -> Vec<String> {
        let mut there = HashSet::new();
        for camera in list(disk, archive) {
            if Name::new(&camera).is_err() {
                continue;
            }
            for purpose in list(disk, &archive.join(&camera)) {
                if purpose == PINS {
                    continue;
                }
                for day in days {
                    let folder = format!("{camera}/{purpose}/{day}");
                    let files = list(disk, &archive.join(&folder)).into_iter();
                    let files = files.map(|file| format!("{folder}/{file}"));
                    there.extend(files.filter(|object| ObjectName::parse(object).is_some()));
                }
            }
        }
        if there.len() > KNOWN_MAX {
            return Vec::new();
        }
        let told = std::mem::take(&mut self.fresh);
        let told = told.into_iter().filter(|object| there.contains(object));
        let told = told.collect();
        let fresh = there.difference(&self.known).cloned();
        self.fresh = fresh.collect();
        self.known = there;
        told
    }
}

/// What can't be listed now is seen the next time.
fn list(disk: &dyn Disk, folder: &Path) -> Vec<String> {
    names(disk, folder).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::RealDisk;

    #[test]
    fn each_object_is_told_of_once_and_a_look_later() {
        let dir = tempfile::tempdir().unwrap();
        let days = ["2026-05-04", "2026-05-03"].map(str::to_owned);
        let put = |object: &str| {
            let path = dir.path().join(object);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, "x").unwrap();
        };
        let first = "gate/footage/2026-05-04/2026-05-04T073100.120Z.mp4";
        let second = "gate/manifest/2026-05-03/2026-05-03T073100.120Z.jsonl";
        put(first);
        put("gate/footage/2026-05-04/.2026-05-04T073100.120Z.mp4.1-1.part");
        put("gate/footage/2026-05-02/2026-05-02T073100.120Z.mp4");
        put("gate/pins/2026-05-04/2026-05-04T073100.120Z.mp4");
        let mut lookout = Lookout::default();
        let mut look = || lookout.look(&RealDisk, dir.path(), &days);
        assert_eq!(look(), Vec::<String>::new());
        put(second);
        assert_eq!(look(), [first]);
        assert_eq!(look(), [second]);
        assert_eq!(look(), Vec::<String>::new());
    }
}
