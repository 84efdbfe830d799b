//! What the outlet serves from: the cameras of a running relay, and what is shared by requests.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::Semaphore;

use super::desk::Desk;
use super::error::Problem;
use super::events::Hub;
use super::films::Films;
use super::limits::{LISTENERS_MAX, VIEWERS_MAX};
use super::query::shown;
use super::roll::{Roll, Spot};
use crate::archive::Disk;
use crate::config::Config;
use crate::supervise::Shutdown;
use crate::telemetry::{OutletEvents, Telemetry};

/// All that requests are answered from.
#[derive(Debug)]
pub(super) struct Shop {
    pub(super) roll: Arc<Roll>,
    /// What archive and spool are on.
    pub(super) disk: Arc<dyn Disk>,
    pub(super) archive: PathBuf,
    pub(super) spool: PathBuf,
    pub(super) desk: Desk,
    pub(super) films: Films,
    pub(super) hub: Arc<Hub>,
    pub(super) events: OutletEvents,
    pub(super) viewers: Arc<Semaphore>,
    pub(super) listeners: Arc<Semaphore>,
    pub(super) shutdown: Shutdown,
}

impl Shop {
    pub(super) fn new(
        config: &Config,
        disk: Arc<dyn Disk>,
        roll: Arc<Roll>,
        (telemetry, events): (&Arc<Telemetry>, &OutletEvents),
        shutdown: &Shutdown,
    ) -> Arc<Self> {
        Arc::new(Self {
            hub: Hub::start(&roll, telemetry, shutdown),
            roll,
            disk,
            archive: config.relay.archive.clone(),
            spool: config.relay.spool.clone(),
            desk: Desk::new(events.clone()),
            films: Films::default(),
            events: events.clone(),
            viewers: Arc::new(Semaphore::new(VIEWERS_MAX)),
            listeners: Arc::new(Semaphore::new(LISTENERS_MAX)),
            shutdown: shutdown.clone(),
        })
    }

    /// # Errors
    /// Where there is no such camera.
    pub(super) fn spot(&self, name: &str) -> Result<Arc<Spot>, Problem> {
        let spots = self.roll.spots();
        let found = spots.iter().find(|spot| spot.name.as_str() == name);
        found.cloned().ok_or_else(|| {
            let names: Vec<_> = spots.iter().map(|spot| spot.name.as_str()).collect();
            Problem::missing(
                "no such camera",
                format!("there is no camera {}", shown(name)),
                format!("This relay has {}.", names.join(", ")),
            )
        })
    }
}
