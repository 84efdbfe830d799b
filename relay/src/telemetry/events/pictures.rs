//! What happens between coded units and pictures.

use std::sync::Arc;
use std::time::Duration;

use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::gauge::Gauge;
use tracing::{debug, info, warn};

use super::REPEAT;
use crate::config::Pictures;
use crate::pictures::{DecodeFault, Source};
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{
    OfLimit, OfPictureDrop, OfPictureFault, OfStream, Seconds, SecondsTotal, Telemetry,
};
use crate::units::{CameraName, CaptureTime};

/// Why a picture, or the question for one, was given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DropReason {
    /// Decoding was not as fast as the camera.
    Behind,
    /// The subscriber was not as fast as the pictures.
    Slow,
    /// Newer questions took its place.
    Displaced,
    /// It waited for an hour.
    Forgotten,
}

impl DropReason {
    const ALL: [Self; 4] = [Self::Behind, Self::Slow, Self::Displaced, Self::Forgotten];

    fn as_str(self) -> &'static str {
        match self {
            Self::Behind => "behind",
            Self::Slow => "slow",
            Self::Displaced => "displaced",
            Self::Forgotten => "forgotten",
        }
    }
}

/// Kinds of faults, as metric labels.
const FAULTS: [&str; 3] = ["unsupported", "damaged", "ended"];

fn kind(fault: &DecodeFault) -> (u64, &'static str) {
    match fault {
        DecodeFault::Unsupported(_) | DecodeFault::Refused(_) => (0, "unsupported"),
        DecodeFault::Damaged(_) => (1, "damaged"),
        DecodeFault::Ended(_) => (2, "ended"),
    }
}

/// What happens between one stream's units and its pictures.
#[derive(Debug, Clone)]
pub struct PictureEvents(Arc<PictureInner>);

#[derive(Debug)]
struct PictureInner {
    camera: CameraName,
    stream: &'static str,
    telemetry: Arc<Telemetry>,
    decoded: Counter,
    handed: Counter,
    decode: SecondsTotal,
    render: SecondsTotal,
    memory: Gauge,
    undecodable: Gauge,
    subscribers: Gauge,
    calm_fault: Calm,
    calm_behind: Calm,
}

impl PictureEvents {
    /// Makes the metrics of a stream's pictures, at zero.
    #[must_use]
    pub fn new(
        telemetry: &Arc<Telemetry>,
        camera: &CameraName,
        source: Source,
        limits: &Pictures,
    ) -> Self {
        let (families, stream) = (&telemetry.families, source.as_str());
        let labels = OfStream {
            camera: camera.clone(),
            stream,
        };
        for reason in DropReason::ALL {
            drop(families.pictures_dropped.get_or_create(&OfPictureDrop {
                camera: camera.clone(),
                stream,
                reason: reason.as_str(),
            }));
        }
        for fault in FAULTS {
            drop(families.picture_faults.get_or_create(&OfPictureFault {
                camera: camera.clone(),
                stream,
                fault,
            }));
        }
        let memory_max = i64::try_from(limits.decoder_memory.bytes()).unwrap_or(i64::MAX);
        families
            .picture_memory_max
            .get_or_create(&labels)
            .set(memory_max);
        for (limit, value) in [
            ("decode_seconds", limits.decode.as_secs_f64()),
            ("pixels", limits.pixels_max.into()),
            ("workers", limits.workers.into()),
        ] {
            let limit = OfLimit { limit };
            families.picture_limit.get_or_create(&limit).set(value);
        }
        Self(Arc::new(PictureInner {
            camera: camera.clone(),
            stream,
            decoded: families.pictures_decoded.get_or_create_owned(&labels),
            handed: families.pictures_handed.get_or_create_owned(&labels),
            decode: families.picture_decode.get_or_create_owned(&labels),
            render: families.picture_render.get_or_create_owned(&labels),
            memory: families.picture_memory.get_or_create_owned(&labels),
            undecodable: families.picture_undecodable.get_or_create_owned(&labels),
            subscribers: families.picture_subscribers.get_or_create_owned(&labels),
            telemetry: Arc::clone(telemetry),
            calm_fault: Calm::new(10 * REPEAT),
            calm_behind: Calm::new(10 * REPEAT),
        }))
    }

    /// So many want pictures.
    pub fn subscribers(&self, count: usize) {
        self.0
            .subscribers
            .set(i64::try_from(count).unwrap_or(i64::MAX));
    }

    /// A call of the decoder is over. `memory_bytes`: what it holds now.
    pub fn called(&self, took: Duration, memory_bytes: usize) {
        self.0.decode.inc_by(took.as_secs_f64());
        self.0
            .memory
            .set(i64::try_from(memory_bytes).unwrap_or(i64::MAX));
    }

    /// The decoder is gone until somebody wants pictures again.
    pub fn rests(&self) {
        self.0.memory.set(0);
    }

    /// There is a picture.
    pub fn decoded(&self) {
        self.0.decoded.inc();
    }

    /// It was scaled and converted.
    pub fn rendered(&self, took: Duration) {
        self.0.render.inc_by(took.as_secs_f64());
    }

    /// Pictures were handed over; `lag`: since the capture, where nobody had asked for the instant.
    pub fn handed(&self, count: usize, lag: Option<Duration>) {
        self.0.handed.inc_by(count as u64);
        if let Some(lag) = lag {
            // Made with the first one: at zero it would say that there is no lag.
            let labels = OfStream {
                camera: self.0.camera.clone(),
                stream: self.0.stream,
            };
            let gauge: Seconds = self
                .0
                .telemetry
                .families
                .picture_lag
                .get_or_create_owned(&labels);
            gauge.set(lag.as_secs_f64());
        }
    }

    /// So many were given up.
    pub fn dropped(&self, reason: DropReason, count: u64) {
        if count == 0 {
            return;
        }
        let labels = OfPictureDrop {
            camera: self.0.camera.clone(),
            stream: self.0.stream,
            reason: reason.as_str(),
        };
        self.0
            .telemetry
            .families
            .pictures_dropped
            .get_or_create(&labels)
            .inc_by(count);
        if reason == DropReason::Behind
            && let Some(repeated) = self.0.calm_behind.pass(0)
        {
            warn!(
                camera = %self.0.camera, stream = self.0.stream, pictures = count, repeated,
                "decoding is slower than the camera sends: pictures are left out"
            );
        }
    }

    /// A coded picture gave none.
    pub fn fault(&self, fault: &DecodeFault, captured: CaptureTime) {
        let (topic, fault_kind) = kind(fault);
        let labels = OfPictureFault {
            camera: self.0.camera.clone(),
            stream: self.0.stream,
            fault: fault_kind,
        };
        self.0
            .telemetry
            .families
            .picture_faults
            .get_or_create(&labels)
            .inc();
        if let Some(repeated) = self.0.calm_fault.pass(topic) {
            debug!(
                camera = %self.0.camera, stream = self.0.stream, %fault, %captured, repeated,
                "a coded picture gave none"
            );
        }
    }

    /// The stream can't be decoded from now on.
    pub fn undecodable(&self, text: &str) {
        self.0.undecodable.set(1);
        warn!(
            camera = %self.0.camera, stream = self.0.stream, detail = text,
            "the stream can't be decoded: there are no pictures of it; it is recorded all the same"
        );
    }

    /// Only key frames of it are decoded, though every picture is wanted.
    pub fn key_frames_only(&self, text: &str) {
        warn!(
            camera = %self.0.camera, stream = self.0.stream, detail = text,
            "only key frames of the stream are decoded: analyzers get fewer pictures than they want"
        );
    }

    /// Nobody tries any more.
    pub fn unwatched(&self) {
        self.0.undecodable.set(0);
    }

    /// It can again.
    pub fn decodable(&self) {
        self.0.undecodable.set(0);
        info!(
            camera = %self.0.camera, stream = self.0.stream,
            "the stream can be decoded again"
        );
    }
}
