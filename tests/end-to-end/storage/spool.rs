//! The spool is full, fails, and refuses.

use forebay_tests::storage::{BrokenDisk, EACCES, EIO, EROFS, SmallDisk};
use forebay_tests::{SiteServer, unix_now};

use super::{Stage, rest};

/// Of the spool's disk: a minute of footage of all cameras, and the catalog.
const MEGABYTES: u64 = 48;
/// For how long it fails.
const TROUBLE: f64 = 3.0;
/// The recorder tries again after two ticks, and its file begins at a key frame.
const REST: f64 = 5.0;

/// What can't be written is lost, and nothing else.
pub(super) fn fails_and_is_full(sites: &[SiteServer]) -> Vec<String> {
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
        stage.costs(at, unix_now());
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
    stage.costs(at, unix_now());
    rest(REST);
    stage.until_carried();
    stage.stop();
    // What could not be written while the disk failed is in no journal.
    let failures = stage.judge(false);
    drop(disk);
    drop(small);
    failures
}
