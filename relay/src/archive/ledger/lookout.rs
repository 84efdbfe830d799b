//! Notices what comes to the archive, whoever has written it.

use std::collections::HashSet;
use std::hash::{BuildHasher as _, RandomState};
use std::io;
use std::path::Path;
use std::time::{Duration, Instant};

use crate::archive::disk::Disk;
use crate::archive::ladder::pins::PURPOSE as PINS;
use crate::archive::manifest::names;
use crate::archive::names::ObjectName;
use crate::units::Name;

/// Names that are remembered: two days of many cameras. Where there are more, nothing is noticed.
const KNOWN_MAX: usize = 1 << 19;
/// Names that are told of after one look; others wait for the next one.
const FRESH_MAX: usize = 1 << 13;
/// Of the time so much is rest: listing a large archive, or a slow one, is work.
const REST: u32 = 50;

/// What has been there at the last looks.
#[derive(Debug, Default, Clone)]
pub(super) struct Lookout {
    hasher: RandomState,
    /// Of names there is a hash: that is a few megabytes at most.
    known: HashSet<u64>,
    /// Seen for the first time at the last look. Not told of before the next one: its own writer, if
    /// that is this relay, has noted it by then.
    fresh: Vec<String>,
    rests_until: Option<Instant>,
}

impl Lookout {
    /// Looks at the folders of these days, unless the last look took so long that it is too early;
    /// gives what was new at the look before, and still is there.
    pub(super) fn look(
        &mut self,
        disk: &dyn Disk,
        archive: &Path,
        days: &[String; 2],
    ) -> Vec<String> {
        let begun = Instant::now();
        if self.rests_until.is_some_and(|until| begun < until) {
            return Vec::new();
        }
        // What can't be listed now is seen the next time, and nothing is forgotten meanwhile.
        let told = self.list(disk, archive, days).unwrap_or_else(|error| {
            tracing::debug!(%error, "what has come to the archive is looked for again later");
            Vec::new()
        });
        let rest = begun.elapsed().saturating_mul(REST);
        self.rests_until = Instant::now().checked_add(rest.min(Duration::from_secs(3600)));
        told
    }

    fn list(
        &mut self,
        disk: &dyn Disk,
        archive: &Path,
        days: &[String; 2],
    ) -> io::Result<Vec<String>> {
        let mut there = HashSet::with_capacity(self.known.len());
        let mut fresh = Vec::new();
        for folder in folders(disk, archive, days)? {
            for file in names(disk, &archive.join(&folder))? {
                let object = format!("{folder}/{file}");
                if ObjectName::parse(&object).is_none() {
                    continue;
                }
                let hash = self.hasher.hash_one(&object);
                if self.known.contains(&hash) {
                    there.insert(hash);
                } else if fresh.len() < FRESH_MAX {
                    there.insert(hash);
                    fresh.push(object);
                }
                if there.len() >= KNOWN_MAX {
                    return Ok(Vec::new());
                }
            }
        }
        let mut told = std::mem::replace(&mut self.fresh, fresh);
        told.retain(|object| there.contains(&self.hasher.hash_one(object)));
        self.known = there;
        Ok(told)
    }
}

/// What of these days there is, but for pins.
fn folders(disk: &dyn Disk, archive: &Path, days: &[String; 2]) -> io::Result<Vec<String>> {
    let mut folders = Vec::new();
    for camera in names(disk, archive)? {
        if Name::new(&camera).is_err() {
            continue;
        }
        let purposes = names(disk, &archive.join(&camera))?;
        for purpose in purposes.into_iter().filter(|purpose| purpose != PINS) {
            folders.extend(days.iter().map(|day| format!("{camera}/{purpose}/{day}")));
        }
    }
    Ok(folders)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use rustix::io::Errno;

    use super::*;
    use crate::archive::RealDisk;
    use crate::archive::faults::{Fault, FaultyDisk, Lack};

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
        let mut look = || lookout.list(&RealDisk, dir.path(), &days).unwrap();
        assert_eq!(look(), Vec::<String>::new());
        put(second);
        assert_eq!(look(), [first]);
        assert_eq!(look(), [second]);
        assert_eq!(look(), Vec::<String>::new());
    }

    /// Another relay writes while listing fails, wherever it does.
    #[test]
    fn what_a_look_that_failed_has_missed_is_told_of_later() {
        let days = ["2026-05-04", "2026-05-03"].map(str::to_owned);
        let before = "gate/footage/2026-05-04/2026-05-04T073100.120Z.mp4";
        let meanwhile = "slipway/stills/2026-05-04/2026-05-04T073200.120Z.jpg";
        let mut failed = 0;
        for at in 1..100 {
            let dir = tempfile::tempdir().unwrap();
            let put = |object: &str| {
                let path = dir.path().join(object);
                std::fs::create_dir_all(path.parent().unwrap()).unwrap();
                std::fs::write(path, "x").unwrap();
            };
            let away = Fault::While(3, Errno::HOSTUNREACH);
            let disk = FaultyDisk::new(Arc::new(RealDisk), Lack::Nothing, at, away);
            let mut lookout = Lookout::default();
            put(before);
            let mut told = Vec::new();
            for round in 0..8 {
                if round == 1 {
                    put(meanwhile);
                }
                // There is no time to rest.
                lookout.rests_until = None;
                told.extend(lookout.look(&disk, dir.path(), &days));
            }
            told.sort();
            assert_eq!(told, [before, meanwhile], "away at {at}");
            failed += u64::from(disk.count() >= at);
        }
        assert!(failed > 20, "{failed}");
    }
}
