//! What happens between the relay and one instance of a plugin.

use std::sync::Arc;
use std::time::Duration;

use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::gauge::Gauge;
use tracing::{debug, error, info, warn};

use super::REPEAT;
use crate::config::Limits;
use crate::hold::Lapse;
use crate::sinks::Flaw;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{
    EndReason, OfSink, OfSinkLimit, OfSinkName, OfSinkReason, SecondsTotal, Telemetry,
};
use crate::units::{CameraName, SinkName};

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
    calm_pictures: Calm,
    calm_flaw: Calm,
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
            ("findings_per_minute", limits.findings_per_minute.into()),
            ("finding_kinds", limits.finding_kinds.into()),
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
            drop(families.plugin_ends.get_or_create(&OfSinkReason {
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
            calm_pictures: Calm::new(REPEAT),
            calm_flaw: Calm::new(REPEAT),
        }))
    }

    fn of_sink(&self) -> OfSink {
        OfSink {
            camera: self.0.camera.clone(),
            sink: self.0.sink.clone(),
        }
    }

    fn of_reason(&self, reason: &'static str) -> OfSinkReason {
        OfSinkReason {
            camera: self.0.camera.clone(),
            sink: self.0.sink.clone(),
            reason,
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
        let labels = self.of_reason(reason.as_str());
        self.0
            .telemetry
            .families
            .plugin_ends
            .get_or_create(&labels)
            .inc();
        self.0.up.set(0);
        self.0.memory.set(0);
        self.0.held.set(0);
        self.0.held_units.set(0);
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

    /// Requests of the plugin were denied for a limit.
    pub fn limit_hit(&self, limit: &'static str, requests: u64) {
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
            .inc_by(requests);
        if let Some(repeated) = self.0.calm_limit.pass(limit.as_ptr() as u64) {
            warn!(
                camera = %self.0.camera, sink = %self.0.sink, limit, repeated,
                "the plugin met a limit (`[sink.limits]`)"
            );
        }
    }

    /// An analyzer begins: its own metrics are there, at zero.
    pub fn analyzes(&self) {
        let (families, labels) = (&self.0.telemetry.families, self.of_sink());
        drop(families.sink_pictures.get_or_create(&labels));
        drop(families.sink_lost_pictures.get_or_create(&labels));
        for flaw in Flaw::ALL {
            let labels = self.of_reason(flaw.as_str());
            drop(families.sink_flawed_findings.get_or_create(&labels));
        }
    }

    /// A picture was shown to the analyzer.
    pub fn shown(&self) {
        let families = &self.0.telemetry.families;
        families.sink_pictures.get_or_create(&self.of_sink()).inc();
    }

    /// So many more pictures were dropped because the analyzer was slow.
    pub fn pictures_lost(&self, pictures: u64) {
        if pictures == 0 {
            return;
        }
        let families = &self.0.telemetry.families;
        families
            .sink_lost_pictures
            .get_or_create(&self.of_sink())
            .inc_by(pictures);
        if let Some(repeated) = self.0.calm_pictures.pass(0) {
            warn!(
                camera = %self.0.camera, sink = %self.0.sink, pictures, repeated,
                "the analyzer is slower than the pictures that it asks for: some were dropped"
            );
        }
    }

    /// A finding was dropped: it can't be meant.
    pub fn finding_flawed(&self, flaw: Flaw, detail: &str) {
        let reason = flaw.as_str();
        self.0
            .telemetry
            .families
            .sink_flawed_findings
            .get_or_create(&self.of_reason(reason))
            .inc();
        if let Some(repeated) = self.0.calm_flaw.pass(flaw as u64) {
            warn!(
                camera = %self.0.camera, sink = %self.0.sink, reason, detail, repeated,
                "a finding of the analyzer is dropped"
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
