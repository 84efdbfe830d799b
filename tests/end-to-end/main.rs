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

mod alerts;
mod bad_cameras;
mod bad_guests;
mod bucket;
mod clips;
mod clock;
mod commands;
mod deploy;
mod findings;
mod foreign;
mod growth;
mod guide;
mod kept;
mod kills;
mod ladder;
mod lapse;
mod manual;
mod matrix;
mod moving;
mod outlet;
mod pictures;
mod printed;
mod reload;
mod scrape;
mod storage;
mod trials;
mod truth;
mod two;

use std::sync::{Condvar, Mutex, PoisonError};

/// Where the tests write.
const SCRATCH: &str = env!("CARGO_TARGET_TMPDIR");

/// Held while cameras and relays run. Two such tests at a time are all that two cores bear, and one
/// that says something about time or load has the machine for itself.
#[derive(Debug)]
struct Share(u8);

/// What is left of the machine, in shares, and who waits for some.
static MACHINE: (Mutex<u8>, Condvar) = (Mutex::new(2), Condvar::new());

/// The whole machine.
fn alone() -> Share {
    take(2)
}

/// Half of it: another test may run beside this one.
fn beside() -> Share {
    take(1)
}

fn take(shares: u8) -> Share {
    let (left, given_back) = &MACHINE;
    let left = left.lock().unwrap_or_else(PoisonError::into_inner);
    let left = given_back.wait_while(left, |left| *left < shares);
    *left.unwrap_or_else(PoisonError::into_inner) -= shares;
    Share(shares)
}

impl Drop for Share {
    fn drop(&mut self) {
        let (left, given_back) = &MACHINE;
        *left.lock().unwrap_or_else(PoisonError::into_inner) += self.0;
        given_back.notify_all();
    }
}
