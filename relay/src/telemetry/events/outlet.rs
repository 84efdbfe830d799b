//! What happens where others look on.

use std::net::IpAddr;
use std::sync::Arc;

use tracing::{debug, warn};

use super::REPEAT;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{OfReason, OfRequest, OfViewer, Telemetry};
use crate::units::CameraName;

/// What somebody looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ViewKind {
    /// A film that grows.
    Film,
    /// Segments of what is live.
    Segments,
    /// What is recorded.
    Footage,
    /// A picture.
    Still,
}

impl ViewKind {
    const ALL: [Self; 4] = [Self::Film, Self::Segments, Self::Footage, Self::Still];

    /// As metric label and log field.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Film => "film",
            Self::Segments => "segments",
            Self::Footage => "footage",
            Self::Still => "still",
        }
    }
}

/// Why somebody was turned away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Refusal {
    /// There are as many connections as there may be.
    Connections,
    /// There are as many viewers as there may be.
    Viewers,
    /// No token, or a wrong one.
    Token,
    /// Too many wrong ones came from there.
    TokenRate,
    /// Asked by the name of another host.
    Host,
    /// More is being read from the archive than can be.
    Busy,
}

impl Refusal {
    const ALL: [Self; 6] = [
        Self::Connections,
        Self::Viewers,
        Self::Token,
        Self::TokenRate,
        Self::Host,
        Self::Busy,
    ];

    fn as_str(self) -> &'static str {
        match self {
            Self::Connections => "connections",
            Self::Viewers => "viewers",
            Self::Token => "token",
            Self::TokenRate => "token-rate",
            Self::Host => "host",
            Self::Busy => "busy",
        }
    }
}

/// What happens where others look on.
#[derive(Debug, Clone)]
pub struct OutletEvents {
    telemetry: Arc<Telemetry>,
    calm: Arc<Calm>,
}

impl OutletEvents {
    /// A handle on the metrics of those who look on, with the most connections at a time.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>, connections_max: usize, viewers_max: usize) -> Self {
        let families = &telemetry.families;
        for reason in Refusal::ALL {
            let reason = reason.as_str();
            drop(families.http_refused.get_or_create(&OfReason { reason }));
        }
        let number = |number: usize| i64::try_from(number).unwrap_or(i64::MAX);
        families.http_connections_max.set(number(connections_max));
        families.viewers_max.set(number(viewers_max));
        Self {
            telemetry: Arc::clone(telemetry),
            calm: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// Makes the metrics of a camera's viewers, at zero.
    pub fn camera(&self, camera: &CameraName) {
        let families = &self.telemetry.families;
        for kind in ViewKind::ALL {
            let labels = of_viewer(camera, kind);
            drop(families.viewers.get_or_create(&labels));
            drop(families.viewer_bytes.get_or_create(&labels));
        }
        let labels = of_viewer(camera, ViewKind::Film);
        drop(families.viewer_skips.get_or_create(&labels));
        drop(families.viewers_cut.get_or_create(&labels));
    }

    /// So many look on now.
    pub fn viewers(&self, camera: &CameraName, kind: ViewKind, number: usize) {
        let gauge = &self.telemetry.families.viewers;
        let number = i64::try_from(number).unwrap_or(i64::MAX);
        gauge.get_or_create(&of_viewer(camera, kind)).set(number);
    }

    /// Bytes were handed to a connection.
    pub fn sent(&self, camera: &CameraName, kind: ViewKind, bytes: usize) {
        let total = &self.telemetry.families.viewer_bytes;
        total
            .get_or_create(&of_viewer(camera, kind))
            .inc_by(bytes as u64);
    }

    /// A slow viewer goes on at the newest key frame.
    pub fn skipped(&self, camera: &CameraName) {
        let total = &self.telemetry.families.viewer_skips;
        total
            .get_or_create(&of_viewer(camera, ViewKind::Film))
            .inc();
    }

    /// A viewer that is too slow for good was cut off.
    pub fn cut_off(&self, camera: &CameraName, kind: ViewKind) {
        let total = &self.telemetry.families.viewers_cut;
        total.get_or_create(&of_viewer(camera, kind)).inc();
        debug!(%camera, kind = kind.as_str(), "a viewer that can't keep up was cut off");
    }

    /// A request was answered.
    pub fn answered(&self, route: &'static str, status: u16) {
        let class = match status {
            200..300 => "2xx",
            300..400 => "3xx",
            400..500 => "4xx",
            _ => "5xx",
        };
        let total = &self.telemetry.families.http_requests;
        total.get_or_create(&OfRequest { route, class }).inc();
    }

    /// So many connections stand.
    pub fn connections(&self, number: usize) {
        let gauge = &self.telemetry.families.http_connections;
        gauge.set(i64::try_from(number).unwrap_or(i64::MAX));
    }

    /// Somebody was turned away.
    pub fn refused(&self, refusal: Refusal, peer: Option<IpAddr>) {
        let reason = refusal.as_str();
        let total = &self.telemetry.families.http_refused;
        total.get_or_create(&OfReason { reason }).inc();
        if let Some(repeated) = self.calm.pass(refusal as u64) {
            let peer = peer.map(tracing::field::display);
            warn!(reason, peer, repeated, "a request was turned away");
        }
    }
}

fn of_viewer(camera: &CameraName, kind: ViewKind) -> OfViewer {
    OfViewer {
        camera: camera.clone(),
        kind: kind.as_str(),
    }
}
