//! The final place hangs, fails, refuses, is full, and is not mounted.

use std::fs;
use std::time::{Duration, Instant};

use forebay_tests::storage::{BrokenDisk, EACCES, EIO, EROFS, SmallDisk};
use forebay_tests::truth::schedule::{Event, Kind};
use forebay_tests::{SiteServer, http_get, unix_now, wait_for};

use super::{LONG, Stage, files_below, frozen, rest};

/// Of the archive's disk: a minute of footage of all cameras and some more, and what comes while it
/// hangs, a quarter of a megabyte each second.
fn megabytes() -> u64 {
    64 + frozen().as_secs() / 3
}
/// All cameras send 36, but a camera that begins again has not sent all of them.
const UNITS_A_SECOND: f64 = 30.0;

fn mount(stage: &Stage) -> BrokenDisk {
    let below = stage.folder.join("disk");
    BrokenDisk::mount(&below, &stage.archive())
}

/// Nothing of it costs a picture: the spool has room.
pub(super) fn is_away_and_comes_back(sites: &[SiteServer]) -> Vec<String> {
    let mut stage = Stage::new("archive", sites, "");
    let small = SmallDisk::mount(&stage.folder.join("disk"), megabytes());
    let mut disk = mount(&stage);
    stage.start_and_flow();
    hangs(&stage, &disk);

    for (what, errno) in [("all", EIO), ("writes", EROFS), ("all", EACCES)] {
        let failures = || {
            let page = stage.page();
            page.sum("forebay_archive_publish_failures_total", &[])
        };
        let before = failures();
        disk.fail(what, errno);
        stage.until_away("refuses");
        stage.until("another failure", |page| {
            page.sum("forebay_archive_publish_failures_total", &[]) > before || what == "all"
        });
    }
    disk.fail("none", 0);
    stage.until_carried();

    let ballast = small.fill();
    stage.until_away("refuses");
    drop(ballast);
    stage.until_carried();

    // While it hangs the relay ends in time, and starts.
    let idle =
        |page: &forebay_tests::Metrics| page.sum("forebay_spool_waiting_objects", &[]) <= Some(0.0);
    stage.until("nothing to carry", idle);
    disk.freeze();
    rest(2.5);
    let at = unix_now();
    stage.stop();
    stage.start();
    stage.until_away("unanswered");
    let end = unix_now();
    stage.stop();

    // And when it is not mounted.
    drop(disk);
    let empty = files_below(&stage.archive());
    stage.start();
    stage.until_away("absent");
    stage.until("something waits", |page| {
        page.sum("forebay_spool_waiting_objects", &[]) >= Some(3.0)
    });
    assert_eq!(
        files_below(&stage.archive()),
        empty,
        "below the mount point"
    );
    let disk = mount(&stage);
    stage.until_carried();
    stage.stop();
    // The end of each run, its begin, and what lies between them.
    stage.events.push(Event {
        kind: Kind::Kill,
        at,
        length: end - at,
    });
    let failures = stage.judge(true);
    drop(disk);
    drop(small);
    failures
}

fn hangs(stage: &Stage, disk: &BrokenDisk) {
    let begun = Instant::now();
    let units = stage.units();
    let published: Vec<_> = {
        let mut files = files_below(&stage.archive());
        files.retain(|path| path.extension().is_some_and(|extension| extension == "mp4"));
        let content = |path| (fs::read(&path).unwrap(), path);
        files.into_iter().map(content).collect()
    };
    disk.freeze();
    stage.until_away("unanswered");
    let slowest = {
        let mut slowest = Duration::ZERO;
        while begun.elapsed() < frozen() {
            let asked = Instant::now();
            for path in ["/metrics", "/readyz"] {
                let answer = wait_for(LONG, || http_get(stage.relay().address(), path));
                let (status, _) =
                    answer.unwrap_or_else(|| panic!("{path}: {}", stage.relay().log()));
                assert_eq!(status, 200, "{path}");
            }
            slowest = slowest.max(asked.elapsed());
            rest(0.5);
        }
        slowest
    };
    println!("while the archive hung, answers took {slowest:?} at the most");
    let wanted = units + UNITS_A_SECOND * frozen().as_secs_f64();
    stage.until("the pictures of that time", |page| {
        page.sum("forebay_camera_units_total", &[]) >= Some(wanted)
    });
    let page = stage.page();
    let gauge = |name: &str| page.sum(name, &[]).unwrap_or(0.0);
    assert!(
        gauge("forebay_spool_waiting_objects") >= 3.0,
        "{}",
        page.text()
    );
    assert!(gauge("forebay_spool_waiting_bytes") > 100_000.0);
    assert!(gauge("forebay_spool_oldest_timestamp_seconds") > unix_now() - 3600.0);
    assert!(gauge("forebay_spool_max_bytes") > 1e6);
    if frozen() > Duration::from_secs(180) {
        // The account goes on, with what lies in the spool.
        let settled = gauge("forebay_ledger_settled_timestamp_seconds") / 3.0;
        assert!(settled > unix_now() - 150.0, "{}", page.text());
        let gaps = page.sum("forebay_gap_seconds_total", &[("cause", "storage")]);
        assert!(gaps < Some(0.1), "{gaps:?}");
    }
    disk.thaw();
    stage.until_carried();
    for (content, path) in published {
        assert!(
            fs::read(&path).unwrap() == content,
            "{} has changed",
            path.display()
        );
    }
}
