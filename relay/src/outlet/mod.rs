//! What others may ask the relay for, over HTTP: metrics and health, how cameras are, what they show
//! now and what is recorded of them.
//!
//! Those who look on are cursors on the hold: they cost the uplink nothing, and nothing waits for them.
//! `server` bounds connections, `routes` says which address leads where. Live: `mux` (pure) gives units
//! their places in a film, `pace` (pure) says what a slow viewer is shown, `live` sends one growing
//! film, `segments` cuts the hold into slices; `playlist` (pure) writes their lists. Recorded: `films`,
//! upon [`clip`](crate::clip). `state` (pure) says in words what is wrong with a camera, `events` tells
//! what changes. What reads a disk or codes a picture goes over `desk`. `page` is for people.

mod accounts;
mod cameras;
mod desk;
mod error;
mod events;
mod films;
mod health;
mod heartbeat;
mod host;
mod limits;
mod live;
mod mux;
mod pace;
mod page;
mod playlist;
mod query;
mod range;
mod roll;
mod routes;
mod segments;
mod server;
mod shop;
pub mod state;
mod still;
mod stills;
mod token;
mod view;

use std::net::SocketAddr;
use std::sync::{Arc, OnceLock};

use axum::Router;
use axum::extract::Request;
use tokio::net::TcpListener;

pub use health::Readiness;
pub use heartbeat::{BeatError, Heart};

use self::limits::{CONNECTIONS_MAX, VIEWERS_MAX};
use self::roll::Roll;
use self::routes::{Front, answer};
use self::shop::Shop;
use self::token::Gate;
use crate::archive::Disk;
use crate::config::{Config, Secret};
use crate::supervise::{RunningCamera, Shutdown};
use crate::telemetry::{OutletEvents, Telemetry};

/// A bound listener, not yet serving.
#[derive(Debug)]
pub struct Outlet {
    listener: TcpListener,
    address: SocketAddr,
    front: Arc<Front>,
}

/// Opens what there is to see once it runs.
#[derive(Debug, Clone)]
pub struct Doors(Arc<Front>);

impl Doors {
    /// These cameras run now, and no others. Whoever looks at one that goes on notices nothing.
    pub fn open(
        &self,
        config: &Config,
        disk: Arc<dyn Disk>,
        cameras: &[RunningCamera],
        shutdown: &Shutdown,
    ) {
        let front = &self.0;
        if let Some(shop) = front.shop.get() {
            shop.roll.call(config, cameras, &front.events);
            return;
        }
        let roll = Arc::<Roll>::default();
        roll.call(config, cameras, &front.events);
        let told = (&front.telemetry, &front.events);
        let shop = Shop::new(config, disk, roll, told, shutdown);
        // It is opened once.
        front.shop.set(shop).ok();
    }
}

impl Outlet {
    /// Takes the address.
    ///
    /// # Errors
    /// When it is in use or not ours.
    pub async fn bind(
        address: SocketAddr,
        token: Option<Secret>,
        telemetry: Arc<Telemetry>,
    ) -> std::io::Result<Self> {
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        let front = Front {
            shop: OnceLock::new(),
            readiness: Readiness::default(),
            events: OutletEvents::new(&telemetry, CONNECTIONS_MAX, VIEWERS_MAX),
            telemetry,
            is_private: token.is_none() && address.ip().to_canonical().is_loopback(),
            gate: token.map(Gate::new),
        };
        Ok(Self {
            listener,
            address,
            front: Arc::new(front),
        })
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The switch behind `/readyz`.
    #[must_use]
    pub fn readiness(&self) -> Readiness {
        self.front.readiness.clone()
    }

    /// For when the cameras run.
    #[must_use]
    pub fn doors(&self) -> Doors {
        Doors(Arc::clone(&self.front))
    }

    /// Serves until shutdown.
    pub async fn serve(self, shutdown: Shutdown) {
        let (front, events) = (Arc::clone(&self.front), self.front.events.clone());
        let router = Router::new().fallback(move |request: Request| {
            let front = Arc::clone(&front);
            async move { answer(front, request).await }
        });
        server::serve(self.listener, router, events, shutdown).await;
    }
}
