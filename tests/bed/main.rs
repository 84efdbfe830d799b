//! The test bed itself, and with `site_server` inside: is the link what it was told to be?
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test reports by panicking"
)]

mod cameras;
mod day;
mod link;
mod table;

use std::sync::{Mutex, MutexGuard, PoisonError};

/// One at a time: most of these measure time.
fn alone() -> MutexGuard<'static, ()> {
    static MACHINE: Mutex<()> = Mutex::new(());
    MACHINE.lock().unwrap_or_else(PoisonError::into_inner)
}
