//! Which cameras there are: a reload may change them while requests are answered.

use std::sync::{Arc, PoisonError, RwLock};

use super::segments::Channel;
use super::still::Darkroom;
use super::view::Audience;
use crate::config::{Config, Site};
use crate::hold::Hold;
use crate::intake::CameraStatus;
use crate::pictures::PictureBoard;
use crate::supervise::{RunningCamera, Shutdown, Trigger, shutdown};
use crate::telemetry::OutletEvents;
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
    pub(super) channel: Arc<Channel>,
    pub(super) darkroom: Arc<Darkroom>,
    /// When it is left out of the configuration.
    pub(super) left: Shutdown,
    leave: Arc<Trigger>,
}

/// The cameras, in the order of the configuration.
#[derive(Debug, Default)]
pub(super) struct Roll(RwLock<Arc<[Arc<Spot>]>>);

impl Roll {
    pub(super) fn spots(&self) -> Arc<[Arc<Spot>]> {
        Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Makes it these cameras. Those that go on keep what belongs to their viewers, those that are left
    /// out send their viewers away.
    pub(super) fn call(&self, config: &Config, cameras: &[RunningCamera], events: &OutletEvents) {
        let sites: Vec<_> = config.sites.iter().cloned().map(Arc::new).collect();
        let before = self.spots();
        let spots = cameras.iter().filter_map(|running| {
            let mut configured = config.cameras.iter();
            let camera = configured.find(|camera| camera.name == running.name)?;
            // A checked configuration has it.
            let site = sites.iter().find(|site| site.name == camera.site)?;
            let sinks = config.sinks_of(&running.name);
            let mut known = before.iter();
            let known = known.find(|spot| Arc::ptr_eq(&spot.hold, &running.hold));
            let spot = match known {
                Some(known) => known.with(site, sinks.map(|sink| sink.name.clone()).collect()),
                None => {
                    events.camera(&running.name);
                    let (leave, left) = shutdown();
                    Spot {
                        name: running.name.clone(),
                        site: Arc::clone(site),
                        hold: Arc::clone(&running.hold),
                        status: Arc::clone(&running.status),
                        board: running.board.clone(),
                        sinks: sinks.map(|sink| sink.name.clone()).collect(),
                        audience: Audience::new(&running.name, events),
                        channel: Arc::default(),
                        darkroom: Arc::default(),
                        left,
                        leave: Arc::new(leave),
                    }
                }
            };
            Some(Arc::new(spot))
        });
        let spots: Arc<[_]> = spots.collect();
        for spot in before.iter() {
            if !spots.iter().any(|now| Arc::ptr_eq(&now.hold, &spot.hold)) {
                spot.leave.pull();
            }
        }
        *self.0.write().unwrap_or_else(PoisonError::into_inner) = spots;
    }
}

impl Spot {
    /// The same camera, maybe at another site and with other sinks.
    fn with(&self, site: &Arc<Site>, sinks: Vec<SinkName>) -> Self {
        Self {
            name: self.name.clone(),
            site: Arc::clone(site),
            hold: Arc::clone(&self.hold),
            status: Arc::clone(&self.status),
            board: self.board.clone(),
            sinks,
            audience: self.audience.clone(),
            channel: Arc::clone(&self.channel),
            darkroom: Arc::clone(&self.darkroom),
            left: self.left.clone(),
            leave: Arc::clone(&self.leave),
        }
    }
}
