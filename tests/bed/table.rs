//! The program that measures outages, on the smallest table there can be.

use std::path::Path;
use std::time::Duration;

use forebay_tests::bed::{self, LinkSpec};
use forebay_tests::fresh_folder;
use forebay_tests::outage_table::figures::sum_up;
use forebay_tests::outage_table::{DEFAULT_SEND_BUFFERS, Plan, lane, report};

use crate::alone;

const OUTAGE_SECONDS: f64 = 4.0;

/// The promises of the outage policy, on three links at a time: a camera that holds enough back
/// loses nothing, nothing comes twice or out of order, every picture is at its true time, and
/// pictures come soon after the link. The last by its median: where a camera's TCP does not take the
/// kick, some 5 in 100 times, it resumes by its own timer. `tests/bench/outages` has the whole table.
#[test]
fn the_outage_policy_keeps_its_promises() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let folder = fresh_folder(env!("CARGO_TARGET_TMPDIR"), "outage-bars");
    let plan = Plan {
        outages: vec![0.5, 2.0, 5.0, 10.0],
        runs: 3,
        send_buffers: DEFAULT_SEND_BUFFERS,
        holds: None,
        gop: 25,
        learn: Duration::from_secs(20),
        rest: Duration::from_secs(15),
        seed: 7,
        link: LinkSpec::default(),
        ffmpeg: false,
        tolerant: true,
    };
    let server = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let runs: Vec<_> = std::thread::scope(|scope| {
        let lane = |index| {
            let (plan, folder) = (&plan, &folder);
            scope.spawn(move || lane::run(plan, index, folder, server))
        };
        let lanes: Vec<_> = (0..plan.runs).map(lane).collect();
        lanes.into_iter().map(|lane| lane.join().unwrap()).collect()
    });
    let all = sum_up(&plan, &runs);
    println!("{}", report::table(&plan, &all));
    for ((_, camera), figures) in &all {
        let mut resumed: Vec<f64> = figures
            .costs
            .iter()
            .map(|cost| cost.resumed.unwrap_or(f64::INFINITY))
            .collect();
        resumed.sort_by(f64::total_cmp);
        let median = resumed[resumed.len() / 2];
        assert!(median < 1.0, "media after {median} s");
        let holds = plan.holds_seconds(*camera);
        for cost in &figures.costs {
            // A camera that holds more than twice the outage loses nothing, however TCP resumes: its
            // timer is back within as long again (RFC 6298 §5.5).
            let spare = holds - 2.0 * cost.outage;
            assert!(spare < 2.0 || cost.lost == 0.0, "{cost:?}");
            // Outage, the wait until it resumes, the time that the camera takes to have room for a
            // whole group again, and the wait for one, less what it holds.
            let resumed = cost.resumed.unwrap_or(f64::INFINITY);
            let most = cost.outage + resumed + 1.5 + 2.0 - holds;
            assert!(cost.lost <= most.max(0.0), "{cost:?}");
        }
        assert_eq!((figures.duplicates, figures.reorderings), (0, 0));
        assert_eq!(figures.lost_in_between, 0);
        let worst = figures
            .errors
            .iter()
            .copied()
            .map(f64::abs)
            .fold(0.0, f64::max);
        assert!(worst < 0.1, "a capture time is wrong by {worst} s");
    }
}

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
