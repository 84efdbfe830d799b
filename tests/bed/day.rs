//! The program that plays a day of outages, on the shortest day there can be.

use std::path::Path;
use std::time::Duration;

use forebay_tests::day::figures::{Bars, failures, sum_up, table};
use forebay_tests::day::{Plan, play};
use forebay_tests::{bed, fresh_folder};

use crate::alone;

/// Three outages, the longest of the day among them: each camera's figures are in the range that
/// the link leaves it, and pictures and ledger agree.
#[test]
fn a_day_is_accounted_for() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let folder = fresh_folder(env!("CARGO_TARGET_TMPDIR"), "day");
    let plan = Plan {
        seed: 2,
        outages: 3,
        shorten: 20.0,
        length: Duration::from_secs(25),
    };
    let server = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let outcome = play::play(&plan, &folder, server);
    let all = sum_up(&outcome);
    println!("{}", table(&plan, &outcome, &all));
    assert_eq!((outcome.outages.len(), all.len()), (3, 3));
    assert!(outcome.memory.len() > 20, "{}", outcome.memory.len());
    let longest = outcome
        .outages
        .iter()
        .map(|outage| outage.end - outage.begin);
    let longest = longest.fold(0.0, f64::max);
    assert!(longest > 4.5, "{longest}");
    for figures in &all {
        assert_eq!(figures.costs.len(), 3);
        let lost: f64 = figures.costs.iter().map(|cost| cost.lost).sum();
        assert!(
            (figures.wanted - figures.recorded - lost).abs() < 0.001,
            "{figures:?}"
        );
        for cost in &figures.costs {
            assert!(
                cost.unavoidable >= 0.0 && cost.unavoidable < longest,
                "{cost:?}"
            );
        }
    }
    // It is too short for its memory to be full.
    let bars = Bars {
        growth: u64::MAX,
        ..Bars::default()
    };
    let failures = failures(&outcome, &all, &bars);
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}
