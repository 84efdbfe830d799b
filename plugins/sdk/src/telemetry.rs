//! What the plugin tells its operator. Camera and sink are added by the relay; the number of names
//! and the rate of calls are bounded, what exceeds them is dropped and counted.
//!
//! Metric names match `[a-z][a-z0-9_]{0,47}` in base units (seconds, bytes). Natively all of this
//! does nothing.

use crate::bindings::forebay::plugin::telemetry as wit;

macro_rules! relay {
    ($call:expr, $($argument:ident),+) => {{
        #[cfg(target_family = "wasm")]
        $call($($argument),+);
        #[cfg(not(target_family = "wasm"))]
        let _ = ($($argument),+);
    }};
}

fn log(level: wit::Level, message: &str) {
    relay!(wit::log, level, message);
}

/// Logs what lost something or will.
pub fn error(message: &str) {
    log(wit::Level::Error, message);
}

/// Logs what the operator should look at.
pub fn warn(message: &str) {
    log(wit::Level::Warn, message);
}

/// Logs a step of ordinary work.
pub fn info(message: &str) {
    log(wit::Level::Info, message);
}

/// Logs a detail.
pub fn debug(message: &str) {
    log(wit::Level::Debug, message);
}

/// Adds to a counter.
pub fn count(name: &str, amount: u64) {
    relay!(wit::count, name, amount);
}

/// Sets a gauge.
pub fn gauge(name: &str, value: f64) {
    relay!(wit::gauge, name, value);
}

/// Puts a value into a histogram (fixed buckets, 1 ms to 1000 s by powers of about three).
pub fn observe(name: &str, value: f64) {
    relay!(wit::observe, name, value);
}
