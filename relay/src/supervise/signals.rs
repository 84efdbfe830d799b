//! SIGTERM and SIGINT: the first asks politely, the second ends at once. SIGHUP asks for the
//! configuration to be read again.

use std::time::Duration;

use tokio::signal::unix::{Signal, SignalKind, signal};

use super::{Shutdown, shutdown};

/// Signals within this time of the first belong to it.
const ECHO: Duration = Duration::from_millis(300);

/// Requests a shutdown on the first signal; ends the process on the second with the exit code
/// that shells use for it, 128 + its number.
///
/// # Errors
/// When the signals can't be caught.
pub fn catch() -> std::io::Result<Shutdown> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let (trigger, stop) = shutdown();
    tokio::spawn(async move {
        let mut caught = async || {
            tokio::select! {
                _ = terminate.recv() => SignalKind::terminate(),
                _ = interrupt.recv() => SignalKind::interrupt(),
            }
        };
        caught().await;
        trigger.pull();
        // Whoever signals a process and its group (timeout(1), some terminals) delivers twice: one
        // request.
        let echo_until = tokio::time::Instant::now() + ECHO;
        while tokio::time::timeout_at(echo_until, caught()).await.is_ok() {}
        let second = caught().await;
        tracing::warn!("second signal: ending at once; what is open is repaired at the next start");
        std::process::exit(128 + second.as_raw_value());
    });
    Ok(stop)
}

/// SIGHUP, which ends no process any more once it is caught here.
#[derive(Debug)]
pub struct HangUps(Signal);

/// Catches SIGHUP. What comes before somebody waits for it is not lost, and counts once.
///
/// # Errors
/// When it can't be caught.
pub fn catch_hang_ups() -> std::io::Result<HangUps> {
    signal(SignalKind::hangup()).map(HangUps)
}

impl HangUps {
    /// Waits for the next one. Cancel-safe.
    pub async fn next(&mut self) {
        if self.0.recv().await.is_none() {
            std::future::pending::<()>().await;
        }
    }
}
