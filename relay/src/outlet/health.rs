//! `/healthz`: the process serves. `/readyz`: it has started and is not ending,
//! nor waiting for its turn.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};

use axum::http::StatusCode;

const STARTING: u8 = 0;
const READY: u8 = 1;
const STOPPING: u8 = 2;
const WAITING: u8 = 3;

/// Whether the relay does its work. Starts as "starting".
#[derive(Debug, Clone, Default)]
pub struct Readiness(Arc<AtomicU8>);

impl Readiness {
    /// Everything runs.
    pub fn ready(&self) {
        self.0.store(READY, Ordering::Relaxed);
    }

    /// Another relay holds the lease.
    pub fn waiting(&self) {
        self.0.store(WAITING, Ordering::Relaxed);
    }

    /// Its turn has come.
    pub fn starting(&self) {
        self.0.store(STARTING, Ordering::Relaxed);
    }

    /// The end has begun.
    pub fn stopping(&self) {
        self.0.store(STOPPING, Ordering::Relaxed);
    }

    pub(super) fn answer(&self) -> (StatusCode, &'static str) {
        match self.0.load(Ordering::Relaxed) {
            STARTING => (StatusCode::SERVICE_UNAVAILABLE, "starting\n"),
            READY => (StatusCode::OK, "ready\n"),
            WAITING => (StatusCode::SERVICE_UNAVAILABLE, "waiting\n"),
            _ => (StatusCode::SERVICE_UNAVAILABLE, "stopping\n"),
        }
    }
}
