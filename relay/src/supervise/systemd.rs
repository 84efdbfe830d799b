//! Tells systemd what it wants to know; without systemd nothing happens.

use sd_notify::NotifyState;
use tokio::runtime::Handle;

fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::warn!(%error, "can't notify systemd");
    }
}

/// Started, or done with a reload; what it does is for people to read.
pub(super) fn ready(status: &str) {
    tell(&[NotifyState::Ready, NotifyState::Status(status)]);
}

/// A reload begins: [`ready`] follows in any case (sd_notify(3), `RELOADING=1`).
pub(super) fn reloading() {
    // Before the signal was sent systemd has noted the time; ours must not be earlier.
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(error) => tracing::warn!(%error, "can't notify systemd"),
    }
}

pub(super) fn stopping() {
    tell(&[NotifyState::Stopping]);
}

/// Pets the watchdog as long as tasks are run at all, here and on the intake thread: it barks when
/// either is stuck.
pub(super) async fn watchdog(intake: Handle) {
    let Some(period) = sd_notify::watchdog_enabled() else {
        return;
    };
    let mut tick = tokio::time::interval(period / 3);
    loop {
        tick.tick().await;
        if intake.spawn(async {}).await.is_err() {
            return;
        }
        tell(&[NotifyState::Watchdog]);
    }
}
