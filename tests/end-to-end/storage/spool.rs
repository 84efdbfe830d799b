//! The spool is full, fails, refuses, and is removed.

use std::fs;

use forebay_tests::storage::{BrokenDisk, EACCES, EIO, EROFS, SmallDisk};
use forebay_tests::truth::schedule::Kind;
use forebay_tests::{SiteServer, unix_now, wait_for};

use super::{LONG, Stage, rest};

/// Of the spool's disk: a minute of footage of all cameras, and the catalog.
const MEGABYTES: u64 = 48;
/// For how long it fails.
const TROUBLE: f64 = 3.0;
/// The recorder tries again after two ticks, and its file begins at a key frame.
const REST: f64 = 5.0;

/// A manifest that failed rests for as long, and then what it lost is looked for.
const LISTED_AGAIN: f64 = 13.0;

/// What can't be written is lost, and nothing else.
pub(super) fn fails_and_is_removed(sites: &[SiteServer]) -> Vec<String> {
    let mut stage = Stage::new("spool", sites, "");
    let below = stage.folder.join("disk");
    let small = SmallDisk::mount(&below, MEGABYTES);
    let mut disk = BrokenDisk::mount(&below.join("spool"), &stage.spool());
    stage.start_and_flow();
    for (what, errno) in [("all", EIO), ("writes", EROFS), ("all", EACCES)] {
        let at = unix_now();
        disk.fail(what, errno);
        rest(TROUBLE);
        disk.fail("none", 0);
        stage.costs(Kind::Storage, at, unix_now());
        rest(REST);
        stage.until_carried();
    }
    let at = unix_now();
    let ballast = small.fill();
    stage.until("the spool is full", |page| {
        page.sum("forebay_spool_full", &[]) == Some(1.0)
    });
    rest(TROUBLE);
    drop(ballast);
    stage.costs(Kind::Storage, at, unix_now());
    rest(REST);
    stage.until_carried();
    // Somebody tidies up.
    let late = stage.page().sum("forebay_ledger_listed_late_total", &[]);
    let at = unix_now();
    for entry in fs::read_dir(stage.spool()).unwrap().flatten() {
        let path = entry.path();
        let gone = wait_for(LONG, || {
            // The relay may put something in just then.
            let removed = match path.is_dir() {
                true => fs::remove_dir_all(&path),
                false => fs::remove_file(&path),
            };
            (removed.is_ok() || !path.exists()).then_some(())
        });
        assert!(gone.is_some(), "{} can't be removed", path.display());
    }
    stage.until("the spool is there again", |_| {
        stage.spool().join("open").is_dir()
    });
    rest(TROUBLE);
    stage.costs(Kind::Removal, at, unix_now());
    // The manifests of the day were in it.
    stage.until("what they listed is listed again", |page| {
        page.sum("forebay_ledger_listed_late_total", &[]) > late
    });
    rest(LISTED_AGAIN);
    stage.until_carried();
    stage.stop();
    // What the journals told was in the spool.
    let failures = stage.judge(false);
    drop(disk);
    drop(small);
    failures
}
