//! What the end-to-end tests are made of: the relay as a process ([`Relay`]), cameras that share
//! no code with it ([`Peer`]), and readers of what it recorded ([`recording`]).
//!
//! All of this is test code: it panics with a message that says what went wrong and where.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stderr,
    clippy::unwrap_used,
    reason = "a test helper reports by panicking"
)]

pub mod bed;
pub mod bucket;
mod configuration;
pub mod day;
mod files;
pub mod footage;
pub mod http;
pub mod listed;
mod metrics;
pub mod outage_table;
mod peer;
mod process;
pub mod recording;
mod relay;
mod site_server;
pub mod storage;
mod strain;
pub mod truth;

pub use configuration::{Camera, Configuration};
pub use files::{fresh_folder, mp4_files, script, unix_now};
pub use metrics::Metrics;
pub use peer::{Journal, Peer, Sent};
pub use process::{Running, http_get, run, silent, wait_for};
pub use relay::{Relay, Stopped};
pub use site_server::SiteServer;
pub use strain::Strain;
