//! The archive hangs for so long that the spool is full.

use std::time::Duration;

use forebay_tests::storage::BrokenDisk;
use forebay_tests::truth::schedule::Kind;
use forebay_tests::{SiteServer, unix_now};

use super::{Stage, rest};

fn mount(stage: &Stage) -> BrokenDisk {
    let below = stage.folder.join("disk");
    BrokenDisk::mount(&below, &stage.archive())
}

/// Some ten seconds of all cameras.
const CARRY: &str = "[carry]\nwaiting_max = \"2500 kB\"\n";
/// For how long it is full.
const FULL: f64 = 6.0;

fn is_full(page: &forebay_tests::Metrics) -> bool {
    page.sum("forebay_spool_full", &[]) == Some(1.0)
}

/// What comes then is lost; what waits is not.
pub(super) fn stops(sites: &[SiteServer]) -> Vec<String> {
    let mut stage = Stage::new("bound-stop", sites, &format!("\n{CARRY}"));
    let disk = mount(&stage);
    stage.start_and_flow();
    disk.freeze();
    stage.until("the spool is full", is_full);
    let at = unix_now();
    rest(FULL);
    let page = stage.page();
    let waits = page.sum("forebay_spool_waiting_bytes", &[]).unwrap();
    assert!(waits < 3_500_000.0, "{waits} bytes wait");
    disk.thaw();
    stage.until("footage is taken again", |page| !is_full(page));
    stage.costs(Kind::Storage, at, unix_now());
    stage.until_carried();
    rest(3.0 * f64::from(super::SEGMENT_SECONDS));
    assert!(
        stage
            .relay()
            .log()
            .contains("footage is not recorded until there is room")
    );
    stage.stop();
    let failures = stage.judge(true);
    drop(disk);
    failures
}

/// What waits longest is lost; what comes is not.
pub(super) fn drops_the_oldest(sites: &[SiteServer]) -> Vec<String> {
    let extra = format!("\n{CARRY}when_full = \"drop-oldest\"\nbytes_per_second = \"20 MB\"\n");
    let mut stage = Stage::new("bound-drop", sites, &extra);
    let disk = mount(&stage);
    stage.start_and_flow();
    let at = unix_now();
    disk.freeze();
    let lost = |page: &forebay_tests::Metrics| {
        let labels = [("reason", "let-go")];
        page.sum("forebay_spool_lost_objects_total", &labels)
            .unwrap_or(0.0)
    };
    stage.until("something is let go of each camera", |page| {
        lost(page) >= 6.0
    });
    let page = stage.page();
    assert!(!is_full(&page), "{}", page.text());
    let end = unix_now();
    // What is lost is not what is newest: that begins a bound's worth before now.
    disk.thaw();
    stage.until_carried();
    stage.costs(Kind::Storage, at, end);
    rest(f64::from(super::SEGMENT_SECONDS));
    let names = || super::files_below(&stage.spool().join("let-go"));
    let buried =
        forebay_tests::wait_for(Duration::from_secs(20), || names().is_empty().then_some(()));
    assert!(buried.is_some(), "{:?}", names());
    stage.stop();
    let failures = stage.judge(true);
    drop(disk);
    failures
}
