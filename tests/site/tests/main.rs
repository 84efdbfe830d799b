//! The cameras as others see them: ffmpeg, retina, and a client at socket level.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout
)]

mod behaviours;
mod client;
mod encoder;
mod faults;
mod outages;
mod players;
mod tools;
