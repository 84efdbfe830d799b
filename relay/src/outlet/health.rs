//! `/healthz`: the process serves. `/readyz`: it has started and is not ending.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};

use axum::http::StatusCode;

const STARTING: u8 = 0;
const READY: u8 = 1;
const STOPPING: u8 = 2;

/// Whether the relay does its work. Starts as "starting".
#[derive(Debug, Clone, Default)]
pub struct Readiness(Arc<AtomicU8>);

impl Readiness {
    /// Everything runs.
    pub fn ready(&self) {
        self.0.store(READY, Ordering::Relaxed);
    }

    /// The end has begun.
    pub fn stopping(&self) {
        self.0.store(STOPPING, Ordering::Relaxed);
    }

    pub(super) fn answer(&self) -> (StatusCode, &'static str) {
        match self.0.load(Ordering::Relaxed) {
            STARTING => (StatusCode::SERVICE_UNAVAILABLE, "starting\n"),
            READY => (StatusCode::OK, "ready\n"),
            _ => (StatusCode::SERVICE_UNAVAILABLE, "stopping\n"),
        }
    }
}
