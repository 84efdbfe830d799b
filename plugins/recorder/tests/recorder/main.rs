//! Tests of the recorder without a relay.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test may panic, and says why it is skipped"
)]

mod clips;
mod policy;
mod support;
mod times;
mod tools;
