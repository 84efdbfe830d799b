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
use super::segments::Channel;
use super::still::Darkroom;
use super::view::Audience;
use crate::archive::Disk;
use crate::config::{Config, Site};
use crate::hold::Hold;
use crate::intake::CameraStatus;
use crate::pictures::PictureBoard;
use crate::supervise::{RunningCamera, Shutdown};
use crate::telemetry::{OutletEvents, Telemetry};
use crate::units::{CameraName, SinkName};

/// A camera, as the outlet knows it.
#[derive(Debug)]
pub(super) struct Spot {
    pub(super) name: CameraName,
    pub(super) site: Arc<Site>,
    pub(super) hold: Arc<Hold>,
    pub(super) status: Arc<CameraStatus>,
    pub(super) board: PictureBoard,
    pub(super) sinks: Vec<SinkName>,
    pub(super) audience: Audience,
    pub(super) channel: Channel,
    pub(super) darkroom: Darkroom,
}

/// All that requests are answered from.
#[derive(Debug)]
pub(super) struct Shop {
    pub(super) spots: Vec<Arc<Spot>>,
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
        cameras: &[RunningCamera],
        (telemetry, events): (&Arc<Telemetry>, &OutletEvents),
        shutdown: &Shutdown,
    ) -> Arc<Self> {
        let sites: Vec<_> = config.sites.iter().cloned().map(Arc::new).collect();
        let mut spots = Vec::new();
        for running in cameras {
            let configured = config.cameras.iter().find(|one| one.name == running.name);
            let site =
                configured.and_then(|camera| sites.iter().find(|site| site.name == camera.site));
            // A checked configuration has both.
            let Some(site) = site else { continue };
            events.camera(&running.name);
            let sinks = config.sinks_of(&running.name);
            spots.push(Arc::new(Spot {
                name: running.name.clone(),
                site: Arc::clone(site),
                hold: Arc::clone(&running.hold),
                status: Arc::clone(&running.status),
                board: running.board.clone(),
                sinks: sinks.map(|sink| sink.name.clone()).collect(),
                audience: Audience::new(&running.name, events),
                channel: Channel::default(),
                darkroom: Darkroom::default(),
            }));
        }
        Arc::new(Self {
            hub: Hub::start(&spots, telemetry, shutdown),
            spots,
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
    pub(super) fn spot(&self, name: &str) -> Result<&Arc<Spot>, Problem> {
        let found = self.spots.iter().find(|spot| spot.name.as_str() == name);
        found.ok_or_else(|| {
            let names: Vec<_> = self.spots.iter().map(|spot| spot.name.as_str()).collect();
            Problem::missing(
                "no such camera",
                format!("there is no camera {}", shown(name)),
                format!("This relay has {}.", names.join(", ")),
            )
        })
    }
}
