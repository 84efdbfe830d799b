//! The program that measures outages, on the smallest table there can be.

use std::path::Path;
use std::time::Duration;

use forebay_tests::bed::{self, LinkSpec};
use forebay_tests::fresh_folder;
use forebay_tests::outage_table::figures::sum_up;
use forebay_tests::outage_table::{DEFAULT_SEND_BUFFERS, Plan, lane, report};

use crate::alone;

const OUTAGE_SECONDS: f64 = 4.0;

/// One outage, with the relay: each figure is in the range that the link and the cameras leave it.
#[test]
fn an_outage_is_measured() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let folder = fresh_folder(env!("CARGO_TARGET_TMPDIR"), "outage-table");
    let plan = Plan {
        outages: vec![OUTAGE_SECONDS],
        runs: 1,
        send_buffers: DEFAULT_SEND_BUFFERS,
        holds: None,
        gop: 25,
        learn: Duration::from_secs(5),
        rest: Duration::from_secs(8),
        seed: 4,
        link: LinkSpec::default(),
        ffmpeg: false,
        tolerant: true,
    };
    let server = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let run = lane::run(&plan, 0, &folder, server);
    let all = sum_up(&plan, &[run]);
    println!("{}", report::table(&plan, &all));
    assert_eq!(all.len(), 2);
    for ((recorder, camera), figures) in &all {
        assert_eq!(*recorder, "forebay");
        let [cost] = figures.costs[..] else {
            panic!("{figures:?}")
        };
        assert_eq!(cost.outage, OUTAGE_SECONDS);
        // TCP may stay silent for as long again (RFC 6298 §5.5), then a relay may reconnect, and
        // waits for a key frame: more would be a fault of the measuring, or of the relay.
        let most = 2.0 * OUTAGE_SECONDS + plan.holds_seconds(*camera) + 5.0;
        assert!(cost.lost <= most, "{cost:?}");
        // No camera can have kept more than it holds and what was on its way.
        let least = OUTAGE_SECONDS - plan.holds_seconds(*camera) - 0.2;
        assert!(cost.lost >= least.max(0.0), "{cost:?}");
        // Not before a packet has crossed the link.
        let resumed = cost.resumed.expect("media after the outage");
        assert!((0.03..OUTAGE_SECONDS + 10.0).contains(&resumed), "{cost:?}");
        assert_eq!(figures.lost_in_between, 0);
        assert!(figures.errors.len() > 100, "{}", figures.errors.len());
    }
}
