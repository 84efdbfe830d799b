//! Forebay: the home side of cameras behind an unreliable uplink.
//!
//! The way of the data: [`intake`] pulls a camera's stream and finds out when each unit was
//! captured; [`hold`] keeps what is recent; [`sinks`] hand it to sandboxed plugins; [`archive`]
//! makes durable what they write; [`outlet`] serves what others ask for; [`coverage`] tells
//! what is missing, [`clip`] cuts out what is to be given away, [`lapse`] makes films of years.
//! [`telemetry`] tells of all of them, [`supervise`] starts and stops them; of two relays [`lease`] says which works.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::indexing_slicing,
        clippy::panic
    )
)]

pub mod archive;
mod boxes;
pub mod budget;
pub mod clip;
pub mod commands;
pub mod config;
pub mod coverage;
pub mod hold;
pub mod intake;
pub mod lapse;
pub mod lease;
mod markup;
pub mod outlet;
pub mod pictures;
pub mod sinks;
pub mod supervise;
mod tcp;
pub mod telemetry;
pub mod trial;
pub mod units;

pub use supervise::{RunError, Shutdown, Trigger, run, shutdown};
