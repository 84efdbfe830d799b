//! All metrics, in the order of the data. Names: base units, OpenMetrics 1.0. Labels come from the
//! configuration (`camera`, `sink`) or from closed lists; the exceptions, `name` of a plugin's own
//! metrics and `kind` of its findings, are bounded by `sink.limits`.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use prometheus_client::encoding::text::{encode_eof, encode_registry};
use prometheus_client::encoding::{
    EncodeLabelSet, EncodeLabelValue, LabelSetEncoder, LabelValueEncoder,
};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::registry::{Metric, Registry};

use tokio::sync::broadcast;

use super::gone::Gone;
use super::process::ProcessCollector;
use crate::archive::findings::Finding;
use crate::archive::ledger::Gap;
use crate::config::Config;
use crate::pictures::Source;
use crate::units::{CameraName, Name, SinkName};

pub(super) type Seconds = Gauge<f64, AtomicU64>;
pub(super) type Histograms<L> = Family<L, Histogram, fn() -> Histogram>;
pub(super) type SecondsTotal = Counter<f64, AtomicU64>;

impl EncodeLabelValue for Name {
    fn encode(&self, encoder: &mut LabelValueEncoder<'_>) -> std::fmt::Result {
        self.as_str().encode(encoder)
    }
}

/// Why an instance of a plugin ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EndReason {
    /// It could not be loaded or linked: not a component, or it imports what is not granted.
    Load,
    /// `configure` refused.
    Refused,
    /// A call took longer than `call_seconds`.
    Time,
    /// It wanted more memory than `memory` and gave up.
    Memory,
    /// It kept more payload alive than `held`.
    Held,
    /// It kept more handles than `handles`.
    Handles,
    /// Any other trap: a panic, an illegal access.
    Trap,
    /// The clock was set back: times go on from another place.
    Clock,
    /// The relay's own task failed.
    Internal,
}

impl EndReason {
    pub(super) const ALL: [Self; 9] = [
        Self::Load,
        Self::Refused,
        Self::Time,
        Self::Memory,
        Self::Held,
        Self::Handles,
        Self::Trap,
        Self::Clock,
        Self::Internal,
    ];

    /// As metric label and log field.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Load => "load",
            Self::Refused => "refused",
            Self::Time => "time",
            Self::Memory => "memory",
            Self::Held => "held",
            Self::Handles => "handles",
            Self::Trap => "trap",
            Self::Clock => "clock",
            Self::Internal => "internal",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfCamera {
    pub(super) camera: Name,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfSite {
    pub(super) site: Name,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfPost {
    pub(super) camera: Name,
    pub(super) site: Name,
}

/// Of a metric without labels that is there only where something is switched on.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(super) struct OfNothing {}

impl EncodeLabelSet for OfNothing {
    fn encode(&self, _: &mut LabelSetEncoder<'_>) -> std::fmt::Result {
        Ok(())
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfBeat {
    pub(super) outcome: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfOutcome {
    pub(super) camera: Name,
    pub(super) outcome: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfTrack {
    pub(super) camera: Name,
    pub(super) kind: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfCause {
    pub(super) camera: Name,
    pub(super) cause: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfCameraReason {
    pub(super) camera: Name,
    pub(super) reason: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfStoreRequest {
    pub(super) operation: &'static str,
    pub(super) outcome: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfFault {
    pub(super) fault: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfPhase {
    pub(super) camera: Name,
    pub(super) phase: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfStream {
    pub(super) camera: Name,
    pub(super) stream: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfPictureDrop {
    pub(super) camera: Name,
    pub(super) stream: &'static str,
    pub(super) reason: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfPictureFault {
    pub(super) camera: Name,
    pub(super) stream: &'static str,
    pub(super) fault: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfLimit {
    pub(super) limit: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfSink {
    pub(super) camera: Name,
    pub(super) sink: Name,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfSinkReason {
    pub(super) camera: Name,
    pub(super) sink: Name,
    pub(super) reason: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfSinkLimit {
    pub(super) camera: Name,
    pub(super) sink: Name,
    pub(super) limit: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfSinkName {
    pub(super) camera: Name,
    pub(super) sink: Name,
    pub(super) name: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfSinkKind {
    pub(super) camera: Name,
    pub(super) sink: Name,
    pub(super) kind: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfPlace {
    pub(super) place: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfForm {
    pub(super) camera: Name,
    pub(super) form: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfRetirement {
    pub(super) camera: Name,
    pub(super) form: &'static str,
    pub(super) fate: &'static str,
    pub(super) reason: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfViewer {
    pub(super) camera: Name,
    pub(super) kind: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfRequest {
    pub(super) route: &'static str,
    pub(super) class: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfReason {
    pub(super) reason: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfBuild {
    version: &'static str,
    commit: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfTask {
    pub(super) task: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct OfReload {
    pub(super) outcome: &'static str,
}

fn add<M: Metric + Clone + Default>(registry: &mut Registry, name: &str, help: &str) -> M {
    let metric = M::default();
    registry.register(name, help, metric.clone());
    metric
}

fn plugin_histogram() -> Histogram {
    // 1 ms to 1000 s by powers of about three, as wit/telemetry.wit promises.
    Histogram::new([
        0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0,
    ])
}

/// From a hiccup to half an hour.
fn dropout_histogram() -> Histogram {
    Histogram::new([
        0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0,
    ])
}

/// From a round trip to a camera that starts up.
fn recovery_histogram() -> Histogram {
    Histogram::new([
        0.1, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 60.0,
    ])
}

macro_rules! families {
    ($(#[$about:meta])* $set:ident: $($field:ident: $type:ty = $name:literal, $help:literal;)*) => {
        $(#[$about])*
        #[derive(Debug)]
        pub(super) struct $set { $(pub(super) $field: $type,)* }
        impl $set {
            fn register(registry: &mut Registry) -> Self {
                Self { $($field: add(registry, $name, $help),)* }
            }

            /// Gives each family that has none a child.
            #[cfg(test)]
            fn touch(&self) {
                $(super::reference::Touch::touch(&self.$field);)*
            }
        }
    };
}

families! {
    /// What happens on the line of a camera's stream; children are made when its task is.
    LineFamilies:
    phase: Family<OfPhase, Gauge> = "camera_phase", "What the line of the camera is doing: 1 for the present phase, 0 for the others";
    sessions_began: Family<OfCamera, Counter> = "camera_sessions_began", "RTSP sessions that began to play";
    sessions_ended: Family<OfCause, Counter> = "camera_sessions_ended", "RTSP sessions that ended or could not be made, by cause";
    dropouts: Family<OfCamera, Counter> = "camera_dropouts", "Times that a camera's session fell silent";
    kicks: Family<OfOutcome, Counter> = "camera_kicks", "Packets sent on a silent session to make it resume, by what came of it";
    hedges: Family<OfOutcome, Counter> = "camera_hedges", "Second sessions set up beside a silent one, by what came of it";
    rescued_units: Family<OfCamera, Counter> = "camera_rescued_units", "Access units that waited out a silence at the camera's end and arrived after it";
    rescued_bytes: Family<OfCamera, Counter> = "camera_rescued_bytes", "Payload of camera_rescued_units";
    clock_offset: Family<OfCamera, Seconds> = "camera_clock_offset_seconds", "The camera's own clock minus the true time, by its sender reports";
    clock_drift: Family<OfCamera, Seconds> = "camera_clock_drift_ratio", "How fast camera_clock_offset_seconds grows, in seconds a second";
    clock_plausible: Family<OfCamera, Gauge> = "camera_clock_plausible", "1 while the camera's sender reports agree with each other and with the arrivals";
    clock_steps: Family<OfCamera, Gauge> = "camera_clock_steps", "Times that the camera's clock was set while the relay ran";
    stream_faults: Family<OfCause, Counter> = "camera_stream_faults", "Faults in the stream that the session survived";
    key_interval: Family<OfCamera, Seconds> = "camera_key_frame_interval_seconds", "Capture time between the last two key frames with nothing missing between them";
    packets_lost: Family<OfTrack, Counter> = "camera_packets_lost", "RTP packets missing by sequence number";
    units: Family<OfTrack, Counter> = "camera_units", "Access units taken into the hold";
    unit_bytes: Family<OfTrack, Counter> = "camera_unit_bytes", "Payload of the access units taken into the hold";
    units_gated: Family<OfTrack, Counter> = "camera_units_gated", "Access units kept back because what they refer to was lost";
    last_capture: Family<OfTrack, Seconds> = "camera_last_capture_timestamp_seconds", "Capture time of the newest unit";
    home_clock_steps: Family<OfCamera, Counter> = "camera_home_clock_steps", "Times that the home clock was set while a session ran, which began a new timeline";
    media_time_jumps: Family<OfCamera, Counter> = "camera_media_time_jumps", "Times that the camera's media time jumped within a session";
    hold_bytes: Family<OfCamera, Gauge> = "hold_bytes", "Payload in the hold";
    hold_bytes_max: Family<OfCamera, Gauge> = "hold_max_bytes", "Bound of hold_bytes";
    splice_bytes: Family<OfCamera, Gauge> = "splice_bytes", "Units of a second session that wait for what the first still drains";
    splice_bytes_max: Family<OfCamera, Gauge> = "splice_max_bytes", "Bound of splice_bytes";
}

families! {
    /// Everything else; children are made when a camera or sink is.
    Families:
    camera_info: Family<OfPost, Gauge> = "camera_info", "Always 1: at which site a camera stands";
    pictures_decoded: Family<OfStream, Counter> = "pictures_decoded", "Pictures decoded";
    pictures_handed: Family<OfStream, Counter> = "pictures_handed_out", "Pictures handed to plugins, scaled and converted as they asked";
    pictures_dropped: Family<OfPictureDrop, Counter> = "pictures_dropped", "Pictures and questions given up, by reason: decoding was behind, the plugin was slow, the question was displaced by newer ones or forgotten after an hour";
    picture_faults: Family<OfPictureFault, Counter> = "picture_decode_faults", "Coded pictures that gave none, by kind";
    picture_decode: Family<OfStream, SecondsTotal> = "picture_decode_seconds", "Time spent decoding";
    picture_render: Family<OfStream, SecondsTotal> = "picture_render_seconds", "Time spent scaling and converting";
    picture_memory: Family<OfStream, Gauge> = "picture_decoder_memory_bytes", "Memory of the decoder";
    picture_memory_max: Family<OfStream, Gauge> = "picture_decoder_max_memory_bytes", "Bound of picture_decoder_memory_bytes";
    picture_lag: Family<OfStream, Seconds> = "picture_lag_seconds", "From the capture of the last picture to when it was handed out, questions apart";
    picture_undecodable: Family<OfStream, Gauge> = "picture_undecodable", "1 while the stream can't be decoded";
    picture_subscribers: Family<OfStream, Gauge> = "picture_subscribers", "Instances of plugins that want pictures of the stream";
    picture_limit: Family<OfLimit, Seconds> = "pictures_limit", "Limits of decoding, in seconds, pixels, or numbers as their names say";
    sink_units: Family<OfSink, Counter> = "sink_units", "Units handed to the plugin";
    sink_lag: Family<OfSink, Gauge> = "sink_lag_units", "Units in the hold that the plugin has not been handed";
    sink_lost_units: Family<OfSink, Counter> = "sink_lost_units", "Units that the plugin never got because it was behind or started anew";
    sink_lost_bytes: Family<OfSink, Counter> = "sink_lost_bytes", "Payload of sink_lost_units";
    sink_lost_groups: Family<OfSink, Counter> = "sink_lost_groups", "Groups of pictures of which the plugin lost some or all";
    sink_pictures: Family<OfSink, Counter> = "sink_pictures", "Pictures shown to the analyzer";
    sink_lost_pictures: Family<OfSink, Counter> = "sink_lost_pictures", "Pictures that the analyzer never got because it was slow";
    sink_flawed_findings: Family<OfSinkReason, Counter> = "sink_flawed_findings", "Findings dropped because they can't be meant, by what is wrong with them";
    plugin_up: Family<OfSink, Gauge> = "plugin_up", "1 while an instance runs";
    plugin_starts: Family<OfSink, Counter> = "plugin_starts", "Instances made";
    plugin_ends: Family<OfSinkReason, Counter> = "plugin_ends", "Instances that ended against their will, by reason";
    plugin_calls: Family<OfSink, Counter> = "plugin_calls", "Calls into the plugin";
    plugin_errors: Family<OfSink, Counter> = "plugin_errors", "Calls that the plugin answered with an error";
    plugin_busy: Family<OfSink, SecondsTotal> = "plugin_busy_seconds", "Time spent in the plugin, without its waits for the disk";
    plugin_storage_wait: Family<OfSink, SecondsTotal> = "plugin_storage_wait_seconds", "Time that the plugin waited for the disk";
    plugin_memory: Family<OfSink, Gauge> = "plugin_memory_bytes", "Linear memory of the instance";
    plugin_memory_max: Family<OfSink, Gauge> = "plugin_memory_max_bytes", "Bound of plugin_memory_bytes";
    plugin_held: Family<OfSink, Gauge> = "plugin_held_bytes", "Payload that the instance keeps alive by its handles";
    plugin_held_max: Family<OfSink, Gauge> = "plugin_held_max_bytes", "Bound of plugin_held_bytes";
    plugin_limit: Family<OfSinkLimit, Seconds> = "plugin_limit", "Limits of the configuration, in seconds, bytes, or numbers as their names say";
    plugin_handles: Family<OfSink, Gauge> = "plugin_held_units", "Units that the instance has handles on";
    plugin_limit_hits: Family<OfSinkLimit, Counter> = "plugin_limit_hits", "Requests of the plugin denied for a limit of its configuration";
    plugin_counts: Family<OfSinkName, Counter> = "plugin_events", "Counters of the plugin's own";
    plugin_gauges: Family<OfSinkName, Seconds> = "plugin_level", "Gauges of the plugin's own";
    findings: Family<OfSinkKind, Counter> = "findings", "Findings kept, by kind; a state that lasts counts once, when it begins";
    finding_score: Family<OfSinkKind, Seconds> = "finding_score", "Score (0 to 1) of the last finding of a kind, also where it was too low to be kept";
    finding_at: Family<OfSinkKind, Seconds> = "finding_timestamp_seconds", "Capture time of the last finding of a kind, also where it was too low to be kept";
    finding_open: Family<OfSinkKind, Gauge> = "finding_open", "1 while a state of a kind has begun and not ended";
    findings_dropped: Family<OfSinkReason, Counter> = "findings_dropped", "Findings that are not in the archive, by reason: invalid, about an instant more than a day off, too many to be written (busy), or a disk that refuses (storage)";
    findings_failures: Counter = "findings_write_failures", "Failed attempts to write findings; what waits is tried again";
    objects_published: Family<OfSink, Counter> = "sink_objects_published", "Objects that reached their final name";
    object_bytes: Family<OfSink, Counter> = "sink_object_bytes", "Bytes appended to objects";
    published_bytes: Family<OfSink, Counter> = "sink_published_bytes", "Bytes of the objects that reached their final name";
    archive_free: Family<OfPlace, Gauge> = "archive_free_bytes", "Free space on the file system";
    archive_size: Family<OfPlace, Gauge> = "archive_size_bytes", "Size of the file system";
    archive_unflushed: Gauge = "archive_unflushed_bytes", "Bytes written to open objects that a power cut now would take";
    archive_open_objects: Gauge = "archive_open_objects", "Objects being written";
    archive_deferred: Counter = "archive_objects_deferred", "Finished objects that could not be published at once and wait in the spool";
    archive_away: Family<OfReason, Seconds> = "archive_away_timestamp_seconds", "Since when the archive can't be used, by reason: a call has not come back (unanswered), its disk is not mounted (absent), it takes nothing (refuses); 0 where it is not so";
    spool_objects: Gauge = "spool_waiting_objects", "Finished objects that wait to be carried to the archive";
    spool_bytes: Gauge = "spool_waiting_bytes", "Length of spool_waiting_objects";
    spool_oldest: Seconds = "spool_oldest_timestamp_seconds", "Capture time at which the oldest of spool_waiting_objects begins; 0 where none waits";
    spool_max: Gauge = "spool_max_bytes", "Bound of what waits and is being written: waiting_max, or less where the spool's disk has less room";
    spool_full: Gauge = "spool_full", "1 while footage is refused since the spool is full";
    carried_bytes: Counter = "carried_bytes", "Bytes copied from the spool to the archive on another file system";
    lost_objects: Family<OfCameraReason, Counter> = "spool_lost_objects", "Objects that never reached the archive: let go for newer footage (let-go), or gone with the spool (spool)";
    lost_bytes: Family<OfCameraReason, Counter> = "spool_lost_bytes", "Length of spool_lost_objects";
    archive_publish_failures: Counter = "archive_publish_failures", "Failed attempts to publish an object";
    archive_flush_failures: Counter = "archive_flush_failures", "Failed attempts to make written data durable";
    archive_repaired: Counter = "archive_objects_repaired", "Objects left open by a crash that were repaired and published";
    archive_set_aside: Counter = "archive_objects_set_aside", "Objects that could not be repaired and were set aside";
    archive_bytes: Family<OfForm, Gauge> = "archive_object_bytes", "What a camera has in the archive, by form; told once all of it has been looked at";
    retired_objects: Family<OfRetirement, Counter> = "ladder_objects", "Objects that are no longer kept (expired), or of which only the key frames are (thinned), by reason";
    retired_bytes: Family<OfRetirement, Counter> = "ladder_bytes", "Length of ladder_objects";
    ladder_unthinned: Counter = "ladder_unthinned_files", "Files of footage that can't be thinned and stay whole";
    ladder_failures: Counter = "ladder_failures", "Failed attempts to let go of what is no longer to be kept";
    ladder_round: Family<OfNothing, Seconds> = "ladder_round_timestamp_seconds", "When all days that were old enough had last been looked at; the start of the relay before that";
    ladder_overdue: Family<OfNothing, Gauge> = "ladder_overdue_objects", "Objects that were due in that round and could not go";
    ladder_short: Gauge = "ladder_short_bytes", "What should be set free while nothing is left that may go";
    gap_seconds: Family<OfCause, SecondsTotal> = "gap_seconds", "Wanted footage that is not in the archive, by cause, as far as it is settled; planned pauses are not wanted";
    wanted_seconds: Family<OfCamera, SecondsTotal> = "wanted_seconds", "Time for which footage was wanted, as far as it is settled";
    recorded_seconds: Family<OfCamera, SecondsTotal> = "recorded_seconds", "Wanted time that is durable, as far as it is settled";
    gap_begin: Family<OfCamera, Seconds> = "gap_begin_timestamp_seconds", "Begin of the gap that lasts now; absent while there is none";
    gap_open: Family<OfCause, Gauge> = "gap_open", "1 while a gap lasts, by the cause that it is put down to so far";
    settled: Family<OfCamera, Seconds> = "ledger_settled_timestamp_seconds", "Up to when the ledger's account is settled";
    ledger_dropped: Counter = "ledger_messages_dropped", "Evidence and files that the ledger was too busy to take";
    catalog_failures: Counter = "ledger_catalog_failures", "Failed attempts to read or write the catalog";
    catalog_renewals: Counter = "ledger_catalog_renewals", "Damaged or foreign catalogs that were put aside, and those whose file was removed";
    journal_failures: Counter = "ledger_journal_failures", "Failed attempts to write a journal of the ledger";
    manifest_failures: Counter = "ledger_manifest_failures", "Failed attempts to write a manifest";
    listed_late: Counter = "ledger_listed_late", "Published objects that had no line in a manifest, and got one marked late";
    foreign_objects: Counter = "ledger_foreign_objects", "Objects that came to the archive and that this relay has not written: another one writes there, too";
    unreadable: Counter = "ledger_unreadable_files", "Files of footage from which no capture times could be read";
    scrub_objects: Counter = "scrub_objects", "Objects of the archive that the scrub has read, or looked for";
    scrub_bytes: Counter = "scrub_read_bytes", "Bytes of these";
    scrub_faults: Family<OfFault, Counter> = "scrub_faults", "What the scrub has found to be wrong; again in each pass";
    scrub_quarantined: Counter = "scrub_quarantined_objects", "Damaged objects that were moved aside";
    scrub_passed: Seconds = "scrub_passed_timestamp_seconds", "Begin of the last scrub that came to its end: all that is older has been read since; 0 before the first";
    viewers: Family<OfViewer, Gauge> = "viewers", "Those who look on now: films and footage by their responses, segments by the addresses of the last 15 s";
    viewers_max: Gauge = "viewers_max", "Bound of the films that are sent at a time, over all cameras";
    viewer_bytes: Family<OfViewer, Counter> = "viewer_bytes", "Bytes handed to those who look on; none of them crossed the uplink for it";
    viewer_skips: Family<OfViewer, Counter> = "viewer_skips", "Times that a viewer was behind and went on at the newest key frame";
    viewers_cut: Family<OfViewer, Counter> = "viewers_cut_off", "Viewers that could not keep up for good and were cut off";
    http_requests: Family<OfRequest, Counter> = "http_requests", "Requests answered, by what was asked for and the class of the status";
    http_refused: Family<OfReason, Counter> = "http_refused", "Requests and connections turned away, by reason";
    http_connections: Gauge = "http_connections", "Connections that stand";
    http_connections_max: Gauge = "http_connections_max", "Bound of http_connections";
    lease_held: Family<OfNothing, Gauge> = "lease_held", "1 while this relay holds the lease of --lease, and works";
    lease_epoch: Family<OfNothing, Gauge> = "lease_epoch", "How often the lease has been taken, as far as this relay knows";
    lease_changes: Counter = "lease_changes", "Times that another holder of the lease than before was seen";
    lease_age: Family<OfNothing, Seconds> = "lease_renewal_age_seconds", "Since the lease was last renewed, by this relay or, as it has seen, by its holder; before that, since this relay began to look";
    lease_failures: Counter = "lease_failures", "Failed attempts to read, take or renew the lease";
    heartbeats: Family<OfBeat, Counter> = "heartbeats", "Heartbeats by outcome: accepted at the outside URL, failed on the way, or withheld because not all is well";
    heartbeat_at: Family<OfNothing, Seconds> = "heartbeat_timestamp_seconds", "When the last heartbeat was accepted; the start of the relay before that";
    store_requests: Family<OfStoreRequest, Counter> = "store_requests", "Requests to the store that the archive is in, by operation and outcome; tries of one are counted once";
    store_seconds: Family<OfStoreRequest, SecondsTotal> = "store_request_seconds", "Time that these took";
    store_sent: Counter = "store_sent_bytes", "Bytes of objects sent to the store, those of failed tries too";
    store_received: Counter = "store_received_bytes", "Bytes received from the store";
    store_damaged: Counter = "store_damaged_objects", "Objects that came damaged from the store, or were damaged on their way there and sent again";
    reloads: Family<OfReload, Counter> = "reloads", "Times that the configuration was read again, by what came of it";
    reload_refused: Gauge = "reload_refused", "1 while the configuration that was read last is not the one in force, because it was refused";
    reload_restart: Gauge = "reload_needs_restart", "Settings of the file that was read last which this relay takes over only when it is started again";
    task_failures: Family<OfTask, Counter> = "task_failures", "Tasks of the relay that failed by a defect and were started again";
}

/// What those who look on are told as it happens.
#[derive(Debug, Clone)]
pub enum News {
    /// An analyzer has seen something.
    Finding(CameraName, Finding),
    /// A stretch of missing footage is settled.
    Gap(CameraName, Gap),
}

/// News that wait for their one reader.
const NEWS_MAX: usize = 1024;

/// All metrics, and what makes the event handles.
#[derive(Debug)]
pub struct Telemetry {
    registry: Registry,
    /// The lines of analysis streams: the same names with `analysis_` before them, so that no sum
    /// over cameras counts one twice.
    analysis_registry: Registry,
    /// Whether there is such a stream at all.
    has_analysis: AtomicBool,
    pub(super) families: Families,
    main_line: LineFamilies,
    analysis_line: LineFamilies,
    pub(super) dropout_seconds: Histograms<OfSite>,
    pub(super) recovery_seconds: Histograms<OfSite>,
    pub(super) plugin_observations: Histograms<OfSinkName>,
    news: broadcast::Sender<News>,
    /// When the books were last brought up to date.
    pub(super) accounted: Mutex<Option<Instant>>,
    /// Whose metrics are told no more.
    gone: Mutex<Gone>,
}

impl Telemetry {
    /// Registers every metric.
    #[must_use]
    pub fn new() -> Self {
        let mut root = Registry::default();
        root.register_collector(Box::new(ProcessCollector::new()));
        let registry = root.sub_registry_with_prefix("forebay");
        let main_line = LineFamilies::register(registry);
        let families = Families::register(registry);
        let mut analysis_registry = Registry::default();
        let analysis_line = LineFamilies::register(
            analysis_registry
                .sub_registry_with_prefix("forebay")
                .sub_registry_with_prefix("analysis"),
        );
        let dropout_seconds = Histograms::new_with_constructor(dropout_histogram as fn() -> _);
        registry.register(
            "site_dropout_seconds",
            "Times in which no camera of the site was heard",
            dropout_seconds.clone(),
        );
        let recovery_seconds = Histograms::new_with_constructor(recovery_histogram as fn() -> _);
        registry.register(
            "site_recovery_seconds",
            "From a path seen alive again to units, a camera's silence at a time",
            recovery_seconds.clone(),
        );
        let plugin_observations = Histograms::new_with_constructor(plugin_histogram as fn() -> _);
        registry.register(
            "plugin_observed",
            "Histograms of the plugin's own",
            plugin_observations.clone(),
        );
        // A gauge that is always 1: readers of the older text format know no info metrics.
        let build: Family<OfBuild, Gauge> = add(registry, "build_info", "What was built");
        let (version, commit) = (env!("CARGO_PKG_VERSION"), env!("FOREBAY_COMMIT"));
        build.get_or_create(&OfBuild { version, commit }).set(1);
        for place in super::events::PLACES {
            drop(families.archive_free.get_or_create(&OfPlace { place }));
        }
        for reason in crate::archive::AwayReason::ALL {
            let reason = reason.as_str();
            drop(families.archive_away.get_or_create(&OfReason { reason }));
        }
        Self {
            registry: root,
            analysis_registry,
            has_analysis: AtomicBool::new(false),
            families,
            main_line,
            analysis_line,
            dropout_seconds,
            recovery_seconds,
            plugin_observations,
            news: broadcast::Sender::new(NEWS_MAX),
            accounted: Mutex::default(),
            gone: Mutex::default(),
        }
    }

    /// Tells nothing any more of cameras, sinks and sites that are not in this configuration.
    pub fn keep_only(&self, config: &Config) {
        let mut gone = self.gone.lock().unwrap_or_else(PoisonError::into_inner);
        gone.keep_only(config);
    }

    /// What happens from now on.
    #[must_use]
    pub fn news(&self) -> broadcast::Receiver<News> {
        self.news.subscribe()
    }

    /// Tells those who listen, if anybody does. Never waits.
    pub(super) fn tell(&self, news: impl FnOnce() -> News) {
        if self.news.receiver_count() > 0 {
            self.news.send(news()).ok();
        }
    }

    /// How long ago the ledger brought its books up to date; none before the first time.
    #[must_use]
    pub fn accounted_before(&self) -> Option<Duration> {
        let at = self
            .accounted
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        at.map(|at| at.elapsed())
    }

    /// Since when a camera's footage is missing, while it is.
    #[must_use]
    pub fn gap_begin_seconds(&self, camera: &CameraName) -> Option<f64> {
        let camera = camera.clone();
        let gauge = self.families.gap_begin.get(&OfCamera { camera })?;
        Some(gauge.get())
    }

    /// Whether an instance of a sink's plugin runs.
    #[must_use]
    pub fn is_plugin_up(&self, camera: &CameraName, sink: &SinkName) -> bool {
        let labels = OfSink {
            camera: camera.clone(),
            sink: sink.clone(),
        };
        let gauge = self.families.plugin_up.get(&labels);
        gauge.is_some_and(|gauge| gauge.get() == 1)
    }

    /// Everything in the OpenMetrics text format.
    ///
    /// # Errors
    /// When a metric can't be formatted: a defect.
    pub fn render(&self) -> Result<String, std::fmt::Error> {
        let mut text = String::with_capacity(64 * 1024);
        encode_registry(&mut text, &self.registry)?;
        if self.has_analysis.load(Ordering::Relaxed) {
            encode_registry(&mut text, &self.analysis_registry)?;
        }
        encode_eof(&mut text)?;
        let gone = self.gone.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(gone.without(text))
    }

    /// The metrics of the line of a stream.
    pub(super) fn line(&self, source: Source) -> &LineFamilies {
        match source {
            Source::Main => &self.main_line,
            Source::Analysis => {
                self.has_analysis.store(true, Ordering::Relaxed);
                &self.analysis_line
            }
        }
    }

    /// Gives each family of the main registry that has none a child.
    #[cfg(test)]
    pub(super) fn touch(&self) {
        use super::reference::Touch as _;
        self.main_line.touch();
        self.families.touch();
        self.dropout_seconds.touch();
        self.recovery_seconds.touch();
        self.plugin_observations.touch();
    }

    /// Bytes of a camera that had waited out silences at its end.
    #[must_use]
    pub fn rescued_bytes(&self, camera: &CameraName) -> u64 {
        let labels = OfCamera {
            camera: camera.clone(),
        };
        self.main_line.rescued_bytes.get_or_create(&labels).get()
    }
}

impl Default for Telemetry {
    fn default() -> Self {
        Self::new()
    }
}
