//! What others may ask the relay for, over HTTP.

mod health;
mod heartbeat;
mod token;

use std::future::IntoFuture as _;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use tokio::net::TcpListener;

pub use health::Readiness;
pub use heartbeat::{BeatError, Heart};

use crate::config::Secret;
use crate::supervise::Shutdown;
use crate::telemetry::Telemetry;

/// A bound listener, not yet serving.
#[derive(Debug)]
pub struct Outlet {
    listener: TcpListener,
    address: SocketAddr,
    token: Option<Secret>,
    readiness: Readiness,
    telemetry: Arc<Telemetry>,
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
        Ok(Self {
            listener,
            address,
            token,
            readiness: Readiness::default(),
            telemetry,
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
        self.readiness.clone()
    }

    /// Serves until shutdown.
    pub async fn serve(self, mut shutdown: Shutdown) {
        let mut router = Router::new().route(
            "/metrics",
            get(async |State(telemetry): State<Arc<Telemetry>>| metrics(&telemetry)),
        );
        if let Some(token) = self.token {
            let token = Arc::new(token);
            router = router.layer(middleware::from_fn_with_state(token, token::require));
        }
        // Health needs no token: a prober has none, and it tells nothing but its one word.
        let router = router
            .with_state(self.telemetry)
            .merge(health::router(self.readiness));
        let serving = axum::serve(self.listener, router)
            .with_graceful_shutdown(async move { shutdown.requested().await });
        if let Err(error) = serving.into_future().await {
            tracing::error!(%error, "HTTP ended");
        }
    }
}

/// The text format of OpenMetrics 1.0.
const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

fn metrics(telemetry: &Telemetry) -> Response {
    match telemetry.render() {
        Ok(text) => ([(header::CONTENT_TYPE, OPENMETRICS)], text).into_response(),
        Err(_) => (
            StatusCode::INTERNAL_SERVER_ERROR,
            "metrics can't be written\n",
        )
            .into_response(),
    }
}
