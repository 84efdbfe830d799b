//! Tests of the stills plugin without a relay.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may panic, and says why it is skipped"
)]

mod accounts;
mod configuration;
mod cost;
mod pictures;
mod schedule;
mod support;
mod world;
