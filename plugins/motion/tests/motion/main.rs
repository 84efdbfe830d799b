//! Scenes with truth, real footage, and what it costs.

#![allow(
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "tests fail by panicking and print what they measure"
)]

mod chance;
mod cost;
mod footage;
mod health;
mod infrared;
mod judge;
mod masks;
mod peers;
mod scene;
mod scenes;
mod states;
mod wind;
