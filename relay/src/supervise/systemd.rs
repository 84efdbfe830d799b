//! Tells systemd what it wants to know; without systemd nothing happens.

use sd_notify::NotifyState;

fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::warn!(%error, "can't notify systemd");
    }
}

pub(super) fn ready() {
    tell(&[NotifyState::Ready]);
}

pub(super) fn stopping() {
    tell(&[NotifyState::Stopping]);
}

/// Pets the watchdog as long as tasks are run at all: it barks when the scheduler is stuck.
pub(super) async fn watchdog() {
    let Some(period) = sd_notify::watchdog_enabled() else {
        return;
    };
    let mut tick = tokio::time::interval(period / 3);
    loop {
        tick.tick().await;
        tell(&[NotifyState::Watchdog]);
    }
}
