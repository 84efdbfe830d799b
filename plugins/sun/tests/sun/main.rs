//! The sun against its published example and against another implementation.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may panic, and says why it is skipped"
)]

mod example;
mod year;
