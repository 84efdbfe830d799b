//! The ledger against the truth: outages, kills, reboots, losses, a full disk, a recorder that
//! traps and a planned pause, to a seeded schedule; then each gap of `forebay coverage` is a hole in
//! the numbers of the pictures, within one picture at each edge and with the right cause, and each
//! hole is a gap.
//!
//! `FOREBAY_TRUTH_SEED` makes another schedule, `FOREBAY_TRUTH_ROUNDS` a longer one: a round takes
//! four minutes. Without root there is no emulated link and no full disk: then the simulated site
//! makes the outages, as it does with `FOREBAY_TRUTH_BED=no`.

use std::path::Path;

use forebay_tests::truth::{Plan, compare::compare, stage};
use forebay_tests::{bed, fresh_folder};

use crate::bad_guests::guests::guest;
use crate::{SCRATCH, alone};

fn number(variable: &str, default: u64) -> u64 {
    std::env::var(variable).map_or(default, |text| {
        let number = text.parse();
        number.unwrap_or_else(|_| panic!("{variable} is {text:?}, not a number"))
    })
}

#[test]
fn the_ledger_tells_what_is_missing_and_why() {
    let bed = std::env::var("FOREBAY_TRUTH_BED").map_or(true, |bed| bed != "no") && bed::or_skip();
    let plan = Plan {
        seed: number("FOREBAY_TRUTH_SEED", 20_260_504),
        rounds: number("FOREBAY_TRUTH_ROUNDS", 1).try_into().unwrap(),
        bed,
        storage: bed,
    };
    let plugin = guest("fragile_recorder");
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, if bed { "truth" } else { "truth-site" });
    let server = Path::new(env!("CARGO_BIN_EXE_site_server"));
    let outcome = stage::play(&plan, &folder, server, &plugin);
    let report = compare(&plan, &outcome);
    println!("{}", report.table);
    assert!(report.failures.is_empty(), "{}", report.failures.join("\n"));
}
