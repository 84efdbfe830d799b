//! The relay as a whole, from a camera that shares no code with it to files that programs which
//! share no code with it read. What must be installed: see `tests/run`.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test reports by panicking"
)]

mod bad_cameras;
mod bad_guests;
mod bucket;
mod clips;
mod clock;
mod commands;
mod findings;
mod foreign;
mod growth;
mod guide;
mod kept;
mod kills;
mod ladder;
mod manual;
mod matrix;
mod moving;
mod outlet;
mod pictures;
mod printed;
mod scrape;
mod storage;
mod trials;
mod truth;
mod two;

use std::sync::{Mutex, MutexGuard, PoisonError};

/// Where the tests write.
const SCRATCH: &str = env!("CARGO_TARGET_TMPDIR");

/// Held while cameras and relays run: two such tests at a time would be too much for two cores,
/// and what a test says about time would then be wrong.
fn alone() -> MutexGuard<'static, ()> {
    static MACHINE: Mutex<()> = Mutex::new(());
    MACHINE.lock().unwrap_or_else(PoisonError::into_inner)
}
