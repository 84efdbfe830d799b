//! The events themselves.

use std::sync::{Arc, OnceLock};
use std::time::Duration;

use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::gauge::Gauge;
use tracing::{debug, error, info, warn};

use super::calm::Calm;
use super::metrics::{
    EndReason, OfCamera, OfCause, OfPhase, OfPlace, OfSink, OfSinkEnd, OfSinkLimit, OfSinkName,
    OfTask, OfTrack, Seconds, SecondsTotal, Telemetry,
};
use crate::archive::ArchiveEvent;
use crate::config::Limits;
use crate::hold::{Lapse, TrackKind};
use crate::intake::{EndCause, Phase, SessionError};
use crate::units::{CameraName, CaptureTime, SinkName};

/// A complaint that repeats is logged this often.
const REPEAT: Duration = Duration::from_secs(60);
/// Where free space is watched, in the order in which the archive tells it.
pub(super) const PLACES: [&str; 2] = ["archive", "spool"];

#[derive(Debug)]
struct TrackMetrics {
    units: Counter,
    bytes: Counter,
    gated: Counter,
    packets_lost: Counter,
    /// Made with the first unit: at zero it would say 1970.
    last_capture: OnceLock<Seconds>,
}

/// What happens on a camera's line.
#[derive(Debug, Clone)]
pub struct CameraEvents(Arc<CameraInner>);

#[derive(Debug)]
struct CameraInner {
    camera: CameraName,
    telemetry: Arc<Telemetry>,
    video: TrackMetrics,
    audio: TrackMetrics,
    hold_bytes: Gauge,
    calm_ended: Calm,
    calm_fault: Calm,
    calm_time: Calm,
    calm_shut: Calm,
}

impl CameraEvents {
    /// Makes the camera's metrics, at zero.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>, camera: &CameraName, hold_bytes_max: usize) -> Self {
        let families = &telemetry.families;
        let of_camera = OfCamera {
            camera: camera.clone(),
        };
        let track = |kind: TrackKind| {
            let labels = OfTrack {
                camera: camera.clone(),
                kind: kind.as_str(),
            };
            TrackMetrics {
                units: families.units.get_or_create_owned(&labels),
                bytes: families.unit_bytes.get_or_create_owned(&labels),
                gated: families.units_gated.get_or_create_owned(&labels),
                packets_lost: families.packets_lost.get_or_create_owned(&labels),
                last_capture: OnceLock::new(),
            }
        };
        for cause in EndCause::ALL {
            let labels = OfCause {
                camera: camera.clone(),
                cause: cause.as_str(),
            };
            drop(families.sessions_ended.get_or_create(&labels));
        }
        drop(families.sessions_began.get_or_create(&of_camera));
        let bound = i64::try_from(hold_bytes_max).unwrap_or(i64::MAX);
        families.hold_bytes_max.get_or_create(&of_camera).set(bound);
        let events = Self(Arc::new(CameraInner {
            camera: camera.clone(),
            video: track(TrackKind::Video),
            audio: track(TrackKind::Audio),
            hold_bytes: families.hold_bytes.get_or_create_owned(&of_camera),
            telemetry: Arc::clone(telemetry),
            calm_ended: Calm::new(REPEAT),
            calm_fault: Calm::new(REPEAT),
            calm_time: Calm::new(REPEAT),
            calm_shut: Calm::new(10 * REPEAT),
        }));
        events.phase(Phase::Resting);
        events
    }

    fn of_camera(&self) -> OfCamera {
        OfCamera {
            camera: self.0.camera.clone(),
        }
    }

    fn track(&self, kind: TrackKind) -> &TrackMetrics {
        match kind {
            TrackKind::Video => &self.0.video,
            TrackKind::Audio => &self.0.audio,
        }
    }

    /// The line does something else now.
    pub fn phase(&self, now: Phase) {
        for phase in Phase::ALL {
            let labels = OfPhase {
                camera: self.0.camera.clone(),
                phase: phase.as_str(),
            };
            let value = i64::from(phase == now);
            self.0
                .telemetry
                .families
                .phase
                .get_or_create(&labels)
                .set(value);
        }
        debug!(camera = %self.0.camera, phase = now.as_str(), "camera phase");
    }

    /// A session plays.
    pub fn session_began(&self, tracks: &str) {
        self.0
            .telemetry
            .families
            .sessions_began
            .get_or_create(&self.of_camera())
            .inc();
        info!(camera = %self.0.camera, tracks, "session began");
    }

    /// A session ended, or could not be made.
    pub fn session_ended(&self, error: &SessionError) {
        let cause = error.cause;
        let labels = OfCause {
            camera: self.0.camera.clone(),
            cause: cause.as_str(),
        };
        self.0
            .telemetry
            .families
            .sessions_ended
            .get_or_create(&labels)
            .inc();
        if let Some(repeated) = self.0.calm_ended.pass(cause as u64) {
            warn!(
                camera = %self.0.camera, cause = cause.as_str(), %error, repeated,
                advice = cause.advice(), "session ended"
            );
        }
    }

    /// A fault in the stream that the session survives.
    pub fn stream_fault(&self, oversize: bool, message: &str) {
        let cause = if oversize { "oversize" } else { "malformed" };
        let labels = OfCause {
            camera: self.0.camera.clone(),
            cause,
        };
        self.0
            .telemetry
            .families
            .stream_faults
            .get_or_create(&labels)
            .inc();
        if let Some(repeated) = self.0.calm_fault.pass(u64::from(oversize)) {
            warn!(camera = %self.0.camera, cause, detail = message, repeated, "fault in the stream");
        }
    }

    /// Packets are missing before a unit.
    pub fn packets_lost(&self, kind: TrackKind, packets: u16) {
        if packets > 0 {
            self.track(kind).packets_lost.inc_by(packets.into());
        }
    }

    /// The camera's media time jumped.
    pub fn media_time_jumped(&self) {
        self.0
            .telemetry
            .families
            .media_time_jumps
            .get_or_create(&self.of_camera())
            .inc();
        if let Some(repeated) = self.0.calm_time.pass(0) {
            warn!(
                camera = %self.0.camera, repeated,
                "media time jumped: the camera's stream began anew"
            );
        }
    }

    /// The home clock was set while a session ran: later and earlier capture times of it can't be
    /// compared.
    pub fn home_clock_stepped(&self, seconds: f64) {
        let of_camera = self.of_camera();
        self.0
            .telemetry
            .families
            .home_clock_steps
            .get_or_create(&of_camera)
            .inc();
        warn!(camera = %self.0.camera, seconds, "the home clock was set");
    }

    /// No picture has passed the gate for long although units arrive.
    pub fn gate_stays_shut(&self) {
        if let Some(repeated) = self.0.calm_shut.pass(0) {
            warn!(
                camera = %self.0.camera, repeated,
                advice = "set the camera to send key frames (IDR) every 1 to 2 s, no intra refresh",
                "pictures arrive but none that decoding can begin at; nothing can be recorded"
            );
        }
    }

    /// A unit was kept back: what it refers to was lost.
    pub fn unit_gated(&self, kind: TrackKind) {
        self.track(kind).gated.inc();
    }

    /// A unit went into the hold.
    pub fn unit(&self, kind: TrackKind, bytes: usize, captured: CaptureTime) {
        let track = self.track(kind);
        track.units.inc();
        track.bytes.inc_by(bytes as u64);
        let last_capture = track.last_capture.get_or_init(|| {
            let labels = OfTrack {
                camera: self.0.camera.clone(),
                kind: kind.as_str(),
            };
            self.0
                .telemetry
                .families
                .last_capture
                .get_or_create_owned(&labels)
        });
        last_capture.set(captured.unix_seconds());
    }

    /// The hold's fill.
    pub fn hold_bytes(&self, bytes: usize) {
        self.0
            .hold_bytes
            .set(i64::try_from(bytes).unwrap_or(i64::MAX));
    }
}

/// What happens between the relay and one instance of a plugin.
#[derive(Debug, Clone)]
pub struct SinkEvents(Arc<SinkInner>);

#[derive(Debug)]
struct SinkInner {
    camera: CameraName,
    sink: SinkName,
    telemetry: Arc<Telemetry>,
    units: Counter,
    lag: Gauge,
    calls: Counter,
    busy: SecondsTotal,
    storage_wait: SecondsTotal,
    memory: Gauge,
    held: Gauge,
    held_units: Gauge,
    object_bytes: Counter,
    up: Gauge,
    calm_lapse: Calm,
    calm_error: Calm,
    calm_limit: Calm,
}

impl SinkEvents {
    /// Makes the sink's metrics for one camera, at zero.
    #[must_use]
    pub fn new(
        telemetry: &Arc<Telemetry>,
        camera: &CameraName,
        sink: &SinkName,
        limits: &Limits,
    ) -> Self {
        let families = &telemetry.families;
        let labels = OfSink {
            camera: camera.clone(),
            sink: sink.clone(),
        };
        let bound = |bytes: u64| i64::try_from(bytes).unwrap_or(i64::MAX);
        families
            .plugin_memory_max
            .get_or_create(&labels)
            .set(bound(limits.memory.bytes()));
        families
            .plugin_held_max
            .get_or_create(&labels)
            .set(bound(limits.held.bytes()));
        for (limit, value) in [
            ("call_seconds", limits.call.as_secs_f64()),
            ("handles", limits.handles.into()),
            (
                "object_bytes_per_hour",
                limits.object_bytes_per_hour.bytes() as f64,
            ),
            ("objects_per_minute", limits.objects_per_minute.into()),
            ("open_objects", limits.open_objects.into()),
            ("log_lines_per_minute", limits.log_lines_per_minute.into()),
            ("metric_names", limits.metric_names.into()),
        ] {
            let labels = OfSinkLimit {
                camera: camera.clone(),
                sink: sink.clone(),
                limit,
            };
            families.plugin_limit.get_or_create(&labels).set(value);
        }
        drop(families.sink_lost_units.get_or_create(&labels));
        drop(families.sink_lost_bytes.get_or_create(&labels));
        drop(families.sink_lost_groups.get_or_create(&labels));
        drop(families.plugin_starts.get_or_create(&labels));
        drop(families.plugin_errors.get_or_create(&labels));
        drop(families.objects_published.get_or_create(&labels));
        drop(families.published_bytes.get_or_create(&labels));
        for reason in EndReason::ALL {
            drop(families.plugin_ends.get_or_create(&OfSinkEnd {
                camera: camera.clone(),
                sink: sink.clone(),
                reason: reason.as_str(),
            }));
        }
        Self(Arc::new(SinkInner {
            camera: camera.clone(),
            sink: sink.clone(),
            units: families.sink_units.get_or_create_owned(&labels),
            lag: families.sink_lag.get_or_create_owned(&labels),
            calls: families.plugin_calls.get_or_create_owned(&labels),
            busy: families.plugin_busy.get_or_create_owned(&labels),
            storage_wait: families.plugin_storage_wait.get_or_create_owned(&labels),
            memory: families.plugin_memory.get_or_create_owned(&labels),
            held: families.plugin_held.get_or_create_owned(&labels),
            held_units: families.plugin_handles.get_or_create_owned(&labels),
            object_bytes: families.object_bytes.get_or_create_owned(&labels),
            up: families.plugin_up.get_or_create_owned(&labels),
            telemetry: Arc::clone(telemetry),
            calm_lapse: Calm::new(Duration::from_secs(10)),
            calm_error: Calm::new(REPEAT),
            calm_limit: Calm::new(REPEAT),
        }))
    }

    fn of_sink(&self) -> OfSink {
        OfSink {
            camera: self.0.camera.clone(),
            sink: self.0.sink.clone(),
        }
    }

    fn of_name(&self, name: &str) -> OfSinkName {
        OfSinkName {
            camera: self.0.camera.clone(),
            sink: self.0.sink.clone(),
            name: name.to_owned(),
        }
    }

    /// An instance runs.
    pub fn started(&self) {
        self.0
            .telemetry
            .families
            .plugin_starts
            .get_or_create(&self.of_sink())
            .inc();
        self.0.up.set(1);
        info!(camera = %self.0.camera, sink = %self.0.sink, "plugin started");
    }

    /// The instance ended as asked.
    pub fn stopped(&self) {
        self.0.up.set(0);
        debug!(camera = %self.0.camera, sink = %self.0.sink, "plugin stopped");
    }

    /// The instance ended, or could not be made.
    pub fn ended(&self, reason: EndReason, message: &str, again_in: Duration) {
        let labels = OfSinkEnd {
            camera: self.0.camera.clone(),
            sink: self.0.sink.clone(),
            reason: reason.as_str(),
        };
        self.0
            .telemetry
            .families
            .plugin_ends
            .get_or_create(&labels)
            .inc();
        self.0.up.set(0);
        self.0.memory.set(0);
        self.0.held.set(0);
        error!(
            camera = %self.0.camera, sink = %self.0.sink, reason = reason.as_str(), detail = message,
            again_in_seconds = again_in.as_secs_f64(), "plugin ended"
        );
    }

    /// The plugin was slow, or is a new instance, and lost units.
    pub fn lapse(&self, lapse: &Lapse) {
        let (families, labels) = (&self.0.telemetry.families, self.of_sink());
        families
            .sink_lost_units
            .get_or_create(&labels)
            .inc_by(lapse.units);
        families
            .sink_lost_bytes
            .get_or_create(&labels)
            .inc_by(lapse.bytes);
        families
            .sink_lost_groups
            .get_or_create(&labels)
            .inc_by(lapse.groups);
        if let Some(repeated) = self.0.calm_lapse.pass(0) {
            warn!(
                camera = %self.0.camera, sink = %self.0.sink, units = lapse.units,
                groups = lapse.groups, bytes = lapse.bytes, after = ?lapse.after, repeated,
                "the plugin lost units: it was behind or started anew"
            );
        }
    }

    /// Units were handed over.
    pub fn handed(&self, units: usize) {
        self.0.units.inc_by(units as u64);
    }

    /// So many units wait.
    pub fn lag(&self, lag: u64) {
        self.0.lag.set(i64::try_from(lag).unwrap_or(i64::MAX));
    }

    /// A call ended; `memory` and `held` in bytes, `held` of that many units.
    pub fn called(
        &self,
        busy: Duration,
        storage_wait: Duration,
        memory: usize,
        (held, held_units): (usize, usize),
    ) {
        self.0.calls.inc();
        self.0.busy.inc_by(busy.as_secs_f64());
        self.0.storage_wait.inc_by(storage_wait.as_secs_f64());
        self.0.memory.set(i64::try_from(memory).unwrap_or(i64::MAX));
        self.0.held.set(i64::try_from(held).unwrap_or(i64::MAX));
        self.0
            .held_units
            .set(i64::try_from(held_units).unwrap_or(i64::MAX));
    }

    /// The plugin answered a call with an error.
    pub fn plugin_error(&self, message: &str) {
        self.0
            .telemetry
            .families
            .plugin_errors
            .get_or_create(&self.of_sink())
            .inc();
        if let Some(repeated) = self.0.calm_error.pass(0) {
            warn!(
                camera = %self.0.camera, sink = %self.0.sink, detail = message, repeated,
                "the plugin reports an error"
            );
        }
    }

    /// A request of the plugin was denied for a limit.
    pub fn limit_hit(&self, limit: &'static str) {
        let labels = OfSinkLimit {
            camera: self.0.camera.clone(),
            sink: self.0.sink.clone(),
            limit,
        };
        self.0
            .telemetry
            .families
            .plugin_limit_hits
            .get_or_create(&labels)
            .inc();
        if let Some(repeated) = self.0.calm_limit.pass(limit.as_ptr() as u64) {
            warn!(
                camera = %self.0.camera, sink = %self.0.sink, limit, repeated,
                "the plugin met a limit (`[sink.limits]`)"
            );
        }
    }

    /// Bytes went into an object.
    pub fn appended(&self, bytes: u64) {
        self.0.object_bytes.inc_by(bytes);
    }

    /// A log line of the plugin's own.
    pub fn plugin_log(&self, level: tracing::Level, message: &str) {
        let (camera, sink) = (&self.0.camera, &self.0.sink);
        match level {
            tracing::Level::ERROR => error!(%camera, %sink, text = message, "plugin says"),
            tracing::Level::WARN => warn!(%camera, %sink, text = message, "plugin says"),
            tracing::Level::INFO => info!(%camera, %sink, text = message, "plugin says"),
            _ => debug!(%camera, %sink, text = message, "plugin says"),
        }
    }

    /// A counter of the plugin's own.
    pub fn plugin_count(&self, name: &str, amount: u64) {
        let counter = self
            .0
            .telemetry
            .families
            .plugin_counts
            .get_or_create_owned(&self.of_name(name));
        // A counter that wrapped would fall. The instance is the only one that adds to it.
        counter.inc_by(amount.min(u64::MAX - counter.get()));
    }

    /// A gauge of the plugin's own.
    pub fn plugin_gauge(&self, name: &str, value: f64) {
        self.0
            .telemetry
            .families
            .plugin_gauges
            .get_or_create(&self.of_name(name))
            .set(value);
    }

    /// A value for a histogram of the plugin's own.
    pub fn plugin_observation(&self, name: &str, value: f64) {
        let labels = self.of_name(name);
        self.0
            .telemetry
            .plugin_observations
            .get_or_create(&labels)
            .observe(value);
    }
}

/// What happens in the archive.
#[derive(Debug, Clone)]
pub struct ArchiveEvents {
    telemetry: Arc<Telemetry>,
    calm_publish: Arc<Calm>,
    calm_flush: Arc<Calm>,
}

impl ArchiveEvents {
    /// A handle on the archive's metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        Self {
            telemetry: Arc::clone(telemetry),
            calm_publish: Arc::new(Calm::new(REPEAT)),
            calm_flush: Arc::new(Calm::new(REPEAT)),
        }
    }

    /// Free and total bytes of the archive's and the spool's file systems.
    pub fn space(&self, index: usize, free: u64, total: u64) {
        let Some(place) = PLACES.get(index) else {
            return;
        };
        let families = &self.telemetry.families;
        let labels = OfPlace { place };
        let gauge = |bytes: u64| i64::try_from(bytes).unwrap_or(i64::MAX);
        families
            .archive_free
            .get_or_create(&labels)
            .set(gauge(free));
        families
            .archive_size
            .get_or_create(&labels)
            .set(gauge(total));
    }

    /// Objects being written, and how much of them is not on disk.
    pub fn open_objects(&self, count: usize, unflushed_bytes: u64) {
        let unflushed = i64::try_from(unflushed_bytes).unwrap_or(i64::MAX);
        self.telemetry.families.archive_unflushed.set(unflushed);
        let count = i64::try_from(count).unwrap_or(i64::MAX);
        self.telemetry.families.archive_open_objects.set(count);
    }

    /// Passes an event of the archive on to log and metrics.
    pub fn note(&self, event: &ArchiveEvent) {
        let families = &self.telemetry.families;
        match event {
            ArchiveEvent::Published {
                key, bytes, path, ..
            } => {
                let labels = OfSink {
                    camera: key.camera.clone(),
                    sink: key.sink.clone(),
                };
                families.objects_published.get_or_create(&labels).inc();
                families
                    .published_bytes
                    .get_or_create(&labels)
                    .inc_by(*bytes);
                debug!(camera = %key.camera, bytes, path = %path.display(), "object published");
            }
            ArchiveEvent::Deferred { key, error, .. } => {
                families.archive_deferred.inc();
                debug!(camera = %key.camera, error, "object waits in the spool");
            }
            ArchiveEvent::Repaired {
                key,
                bytes_kept,
                bytes_cut,
            } => {
                families.archive_repaired.inc();
                info!(
                    camera = %key.camera, begin = %key.begin, bytes_kept, bytes_cut,
                    "object left open was repaired"
                );
            }
            ArchiveEvent::SetAside {
                key,
                path,
                bytes,
                reason,
            } => {
                families.archive_set_aside.inc();
                warn!(
                    camera = %key.camera, path = %path.display(), bytes, reason,
                    "object can't be repaired and was set aside"
                );
            }
            ArchiveEvent::RemovedEmpty { key } => {
                debug!(camera = %key.camera, begin = %key.begin, "empty object removed");
            }
            ArchiveEvent::PublishFailed {
                path,
                error,
                retry_in,
            } => {
                families.archive_publish_failures.inc();
                if let Some(repeated) = self.calm_publish.pass(0) {
                    error!(
                        path = %path.display(), error, retry_in = ?retry_in, repeated,
                        "publishing failed"
                    );
                }
            }
            ArchiveEvent::FlushFailed { path, error } => {
                families.archive_flush_failures.inc();
                if let Some(repeated) = self.calm_flush.pass(0) {
                    error!(path = %path.display(), error, repeated, "flush to disk failed");
                }
            }
        }
    }
}

/// What happens in the relay itself.
#[derive(Debug, Clone)]
pub struct SupervisorEvents(Arc<Telemetry>);

impl SupervisorEvents {
    /// A handle on the relay's own metrics.
    #[must_use]
    pub fn new(telemetry: &Arc<Telemetry>) -> Self {
        for task in ["camera", "sink"] {
            drop(
                telemetry
                    .families
                    .task_failures
                    .get_or_create(&OfTask { task }),
            );
        }
        Self(Arc::clone(telemetry))
    }

    /// A task failed by a defect and is started again.
    pub fn task_failed(&self, task: &'static str, name: &str, error: &str) {
        self.0
            .families
            .task_failures
            .get_or_create(&OfTask { task })
            .inc();
        error!(
            task,
            name, error, "a task of the relay failed; it is started again"
        );
    }
}
