//! A relay's turn among several: it works while it holds the lease.

use std::sync::Arc;
use std::time::Duration;

use super::reload::Reload;
use super::{RunError, Shutdown, systemd};
use crate::config::Config;
use crate::lease::{Lease, LeaseAt};
use crate::outlet::Readiness;
use crate::sinks::Engine;
use crate::telemetry::{LeaseEvents, Telemetry};

/// What giving the lease back may take: who waits for it takes it over anyway, only later.
const RELEASE_TIME: Duration = Duration::from_millis(500);

pub(super) async fn start_engine(config: &Config) -> Result<Arc<Engine>, RunError> {
    let cache = config.relay.plugin_cache.clone();
    Ok(tokio::task::spawn_blocking(move || Engine::new(Some(&cache))).await??)
}

/// Waits until this relay holds the lease, with all compiled that it will need. None where it is asked
/// to end before.
pub(super) async fn take_turn(
    (config, at): (&Config, &LeaseAt),
    telemetry: &Arc<Telemetry>,
    readiness: &Readiness,
    (stop, reload): (&mut Shutdown, &mut Option<Reload>),
) -> Result<Option<(Lease, Arc<Engine>)>, RunError> {
    readiness.waiting();
    let watchdog = tokio::spawn(systemd::watchdog(tokio::runtime::Handle::current()));
    let engine = start_engine(config).await?;
    // Before it contends: whoever holds the lease works.
    tokio::select! {
        () = engine.prepare(config) => {}
        () = stop.requested() => return Ok(None),
    }
    let mut lease = Lease::start(at, &config.relay.spool, LeaseEvents::new(telemetry))?;
    // Ready means started, to whoever starts it: to wait is its work now.
    let waits = format!("waiting for the lease {at}");
    systemd::ready(&waits);
    let held = loop {
        tokio::select! {
            epoch = lease.held() => break Some(epoch),
            () = stop.requested() => break None,
            () = signal(reload) => {
                if let Some(reload) = reload {
                    reload.defer();
                }
                systemd::reloading();
                systemd::ready(&waits);
                tracing::info!("the configuration is read again once this relay has the lease");
            }
        }
    };
    watchdog.abort();
    if held.is_none() {
        systemd::stopping();
        readiness.stopping();
        give_back(lease).await;
        return Ok(None);
    }
    readiness.starting();
    Ok(Some((lease, engine)))
}

pub(super) async fn lost(lease: &mut Option<Lease>) {
    match lease {
        Some(lease) => lease.lost().await,
        None => std::future::pending().await,
    }
}

/// Gives the lease back; whether it had been lost before.
pub(super) async fn give_back(lease: Lease) -> bool {
    let is_lost = lease.is_lost();
    // The thread that renews it may be in a call that is never answered.
    let released = tokio::task::spawn_blocking(move || lease.release(RELEASE_TIME)).await;
    if !is_lost && !matches!(released, Ok(true)) {
        tracing::warn!("the lease could not be given back; who waits for it takes it over later");
    }
    is_lost
}

async fn signal(reload: &mut Option<Reload>) {
    match reload {
        Some(reload) => reload.signal().await,
        None => std::future::pending().await,
    }
}
