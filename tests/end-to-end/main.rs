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
mod player;
mod printed;
mod reload;
mod scrape;
mod storage;
mod trials;
mod truth;
mod two;

use std::fs::File;
use std::io::Write as _;
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Instant;

/// Where the tests write.
const SCRATCH: &str = env!("CARGO_TARGET_TMPDIR");

/// Held while cameras and relays run. Two such tests at a time are all that two cores bear, and one
/// that says something about time or load has the machine for itself. How long each held how much of it
/// is added to the file that `FOREBAY_HELD` names: the test runner's own times count the waiting, too.
#[derive(Debug)]
struct Share {
    shares: u8,
    since: Instant,
}

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
    let since = Instant::now();
    Share { shares, since }
}

impl Drop for Share {
    fn drop(&mut self) {
        let (left, given_back) = &MACHINE;
        *left.lock().unwrap_or_else(PoisonError::into_inner) += self.shares;
        given_back.notify_all();
        if let Some(file) = std::env::var_os("FOREBAY_HELD")
            && let Ok(mut file) = File::options().append(true).create(true).open(file)
        {
            let thread = std::thread::current();
            let line = format!(
                "{:>7.1} {}/2 {}\n",
                self.since.elapsed().as_secs_f64(),
                self.shares,
                thread.name().unwrap_or_default()
            );
            // Nothing depends on it.
            file.write_all(line.as_bytes()).ok();
        }
    }
}
