//! What happens on a camera's line.

use std::sync::{Arc, OnceLock};
use std::time::Duration;

use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::gauge::Gauge;
use tracing::{debug, info, warn};

use super::REPEAT;
use crate::archive::ledger::GapCause;
use crate::hold::TrackKind;
use crate::intake::clock::CameraClock;
use crate::intake::watch::Dropout;
use crate::intake::{EndCause, Phase, SessionError};
use crate::pictures::Source;
use crate::telemetry::calm::Calm;
use crate::telemetry::metrics::{
    LineFamilies, OfCamera, OfCause, OfOutcome, OfPhase, OfPost, OfSite, OfTrack, Seconds,
    Telemetry,
};
use crate::units::{CameraName, CaptureTime, SiteName};

/// What came of a second session beside a silent one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HedgeOutcome {
    /// It took the silent one's place.
    TookOver,
    /// The silent one resumed first.
    NotNeeded,
    /// The camera refused it.
    Refused,
    /// It could not be set up, or ended before it was of use.
    Failed,
}

impl HedgeOutcome {
    const ALL: [Self; 4] = [Self::TookOver, Self::NotNeeded, Self::Refused, Self::Failed];

    fn as_str(self) -> &'static str {
        match self {
            Self::TookOver => "took_over",
            Self::NotNeeded => "not_needed",
            Self::Refused => "refused",
            Self::Failed => "failed",
        }
    }
}

/// What came of a packet sent on a silent session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KickOutcome {
    /// The session resumed.
    Resumed,
    /// It stayed silent until it was replaced, or ended.
    Unanswered,
    /// It could not be sent: the connection's socket is not known, or it has something of ours to
    /// deliver first.
    Impossible,
}

impl KickOutcome {
    const ALL: [Self; 3] = [Self::Resumed, Self::Unanswered, Self::Impossible];

    fn as_str(self) -> &'static str {
        match self {
            Self::Resumed => "resumed",
            Self::Unanswered => "unanswered",
            Self::Impossible => "impossible",
        }
    }
}

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
    site: SiteName,
    source: Source,
    /// For log lines: those of the main stream, which most cameras have alone, don't name it.
    stream: Option<&'static str>,
    telemetry: Arc<Telemetry>,
    video: TrackMetrics,
    audio: TrackMetrics,
    hold_bytes: Gauge,
    splice_bytes: Gauge,
    calm_ended: Calm,
    calm_fault: Calm,
    calm_time: Calm,
    calm_shut: Calm,
}

impl CameraEvents {
    /// Makes the metrics of one of a camera's streams, at zero. An analysis stream has the same
    /// ones under names of its own, and says nothing of its site.
    #[must_use]
    pub fn new(
        telemetry: &Arc<Telemetry>,
        (camera, site): (&CameraName, &SiteName),
        source: Source,
        (hold_bytes_max, splice_bytes_max): (usize, usize),
    ) -> Self {
        let families = telemetry.line(source);
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
        let outcome = |outcome| OfOutcome {
            camera: camera.clone(),
            outcome,
        };
        for hedge in HedgeOutcome::ALL {
            drop(families.hedges.get_or_create(&outcome(hedge.as_str())));
        }
        for kick in KickOutcome::ALL {
            drop(families.kicks.get_or_create(&outcome(kick.as_str())));
        }
        for family in [
            &families.sessions_began,
            &families.dropouts,
            &families.rescued_units,
            &families.rescued_bytes,
        ] {
            drop(family.get_or_create(&of_camera));
        }
        if source == Source::Main {
            let of_site = OfSite { site: site.clone() };
            drop(telemetry.dropout_seconds.get_or_create(&of_site));
            drop(telemetry.recovery_seconds.get_or_create(&of_site));
            let of_post = OfPost {
                camera: camera.clone(),
                site: site.clone(),
            };
            telemetry
                .families
                .camera_info
                .get_or_create(&of_post)
                .set(1);
        }
        let bounds = [
            (&families.hold_bytes_max, hold_bytes_max),
            (&families.splice_bytes_max, splice_bytes_max),
        ];
        for (family, bound) in bounds {
            let bound = i64::try_from(bound).unwrap_or(i64::MAX);
            family.get_or_create(&of_camera).set(bound);
        }
        let events = Self(Arc::new(CameraInner {
            camera: camera.clone(),
            site: site.clone(),
            source,
            stream: (source == Source::Analysis).then_some(source.as_str()),
            video: track(TrackKind::Video),
            audio: track(TrackKind::Audio),
            hold_bytes: families.hold_bytes.get_or_create_owned(&of_camera),
            splice_bytes: families.splice_bytes.get_or_create_owned(&of_camera),
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

    fn line(&self) -> &LineFamilies {
        self.0.telemetry.line(self.0.source)
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
            self.line().phase.get_or_create(&labels).set(value);
        }
        debug!(camera = %self.0.camera, stream = self.0.stream, phase = now.as_str(), "camera phase");
    }

    /// A session plays.
    pub fn session_began(&self, tracks: &str) {
        self.line()
            .sessions_began
            .get_or_create(&self.of_camera())
            .inc();
        info!(camera = %self.0.camera, stream = self.0.stream, tracks, "session began");
    }

    /// A session ended, or could not be made.
    pub fn session_ended(&self, error: &SessionError) {
        let cause = error.cause;
        let labels = OfCause {
            camera: self.0.camera.clone(),
            cause: cause.as_str(),
        };
        self.line().sessions_ended.get_or_create(&labels).inc();
        if let Some(repeated) = self.0.calm_ended.pass(cause as u64) {
            warn!(
                camera = %self.0.camera, stream = self.0.stream, cause = cause.as_str(), %error, repeated,
                advice = cause.advice(), "session ended"
            );
        }
    }

    /// The session stands and nothing arrives any more.
    pub fn fell_silent(&self) {
        let families = &self.line();
        families.dropouts.get_or_create(&self.of_camera()).inc();
        debug!(camera = %self.0.camera, stream = self.0.stream, "silent");
    }

    /// Units come again after `silent`; `recovery`: since the path was seen alive.
    pub fn resumed(&self, silent: Duration, recovery: Option<Duration>) {
        let recovery = recovery.map(|time| time.as_secs_f64());
        if let Some(seconds) = recovery.filter(|_| self.0.source == Source::Main) {
            let site = self.0.site.clone();
            self.0
                .telemetry
                .recovery_seconds
                .get_or_create(&OfSite { site })
                .observe(seconds);
        }
        info!(
            camera = %self.0.camera, stream = self.0.stream, silent_seconds = silent.as_secs_f64(),
            recovery_seconds = recovery, "units arrive again"
        );
    }

    /// No camera of the site was heard for a time.
    pub fn site_dropout(&self, dropout: Dropout) {
        if self.0.source == Source::Analysis {
            return;
        }
        let seconds = dropout.until.saturating_duration_since(dropout.since);
        let site = self.0.site.clone();
        info!(%site, seconds = seconds.as_secs_f64(), "the uplink dropped out");
        self.0
            .telemetry
            .dropout_seconds
            .get_or_create(&OfSite { site })
            .observe(seconds.as_secs_f64());
    }

    /// A second session beside a silent one came to this.
    pub fn hedge(&self, outcome: HedgeOutcome) {
        let labels = OfOutcome {
            camera: self.0.camera.clone(),
            outcome: outcome.as_str(),
        };
        self.line().hedges.get_or_create(&labels).inc();
        debug!(camera = %self.0.camera, stream = self.0.stream, outcome = outcome.as_str(), "second session");
    }

    /// A packet sent on a silent session came to this.
    pub fn kick(&self, outcome: KickOutcome) {
        let labels = OfOutcome {
            camera: self.0.camera.clone(),
            outcome: outcome.as_str(),
        };
        self.line().kicks.get_or_create(&labels).inc();
        debug!(camera = %self.0.camera, stream = self.0.stream, outcome = outcome.as_str(), "kick");
    }

    /// The camera ends its connections when it gets a receiver report.
    pub fn no_reports(&self) {
        warn!(
            camera = %self.0.camera, stream = self.0.stream,
            "the camera ends the connection when it gets a receiver report; it gets none from now on"
        );
    }

    /// A unit that had waited out a silence at the camera's end has arrived.
    pub fn rescued(&self, bytes: usize) {
        let families = &self.line();
        let of_camera = self.of_camera();
        families.rescued_units.get_or_create(&of_camera).inc();
        families
            .rescued_bytes
            .get_or_create(&of_camera)
            .inc_by(bytes as u64);
    }

    /// Footage is missing that will not come any more.
    pub fn missing(&self, cause: GapCause, seconds: f64, begin: CaptureTime, detail: &str) {
        if self.0.source == Source::Analysis {
            debug!(camera = %self.0.camera, seconds, %begin, detail, "pictures are missing");
            return;
        }
        info!(
            camera = %self.0.camera, stream = self.0.stream, cause = cause.as_str(), seconds, %begin, detail,
            "footage is missing"
        );
    }

    /// How the camera's own clock stands.
    pub fn camera_clock(&self, clock: &CameraClock) {
        let families = &self.line();
        let of_camera = self.of_camera();
        families
            .clock_offset
            .get_or_create(&of_camera)
            .set(clock.offset_nanos as f64 / 1e9);
        if let Some(drift) = clock.drift_ppm {
            families
                .clock_drift
                .get_or_create(&of_camera)
                .set(drift * 1e-6);
        }
        families
            .clock_plausible
            .get_or_create(&of_camera)
            .set(clock.plausible.into());
        families
            .clock_steps
            .get_or_create(&of_camera)
            .set(i64::try_from(clock.steps).unwrap_or(i64::MAX));
    }

    /// A fault in the stream that the session survives.
    pub fn stream_fault(&self, oversize: bool, message: &str) {
        let cause = if oversize { "oversize" } else { "malformed" };
        let labels = OfCause {
            camera: self.0.camera.clone(),
            cause,
        };
        self.line().stream_faults.get_or_create(&labels).inc();
        if let Some(repeated) = self.0.calm_fault.pass(u64::from(oversize)) {
            warn!(camera = %self.0.camera, stream = self.0.stream, cause, detail = message, repeated, "fault in the stream");
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
        self.line()
            .media_time_jumps
            .get_or_create(&self.of_camera())
            .inc();
        if let Some(repeated) = self.0.calm_time.pass(0) {
            warn!(
                camera = %self.0.camera, stream = self.0.stream, repeated,
                "media time jumped: the camera's stream began anew"
            );
        }
    }

    /// The home clock was set while a session ran: later and earlier capture times of it can't be
    /// compared.
    pub fn home_clock_stepped(&self, seconds: f64) {
        let of_camera = self.of_camera();
        self.line().home_clock_steps.get_or_create(&of_camera).inc();
        warn!(camera = %self.0.camera, stream = self.0.stream, seconds, "the home clock was set");
    }

    /// No picture has passed the gate for long although units arrive.
    pub fn gate_stays_shut(&self) {
        if let Some(repeated) = self.0.calm_shut.pass(0) {
            warn!(
                camera = %self.0.camera, stream = self.0.stream, repeated,
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
            self.line().last_capture.get_or_create_owned(&labels)
        });
        last_capture.set(captured.unix_seconds());
    }

    /// A key frame came so long after the one before, by capture times, with nothing missing between.
    pub fn key_frame(&self, apart_seconds: f64) {
        let family = &self.line().key_interval;
        family.get_or_create(&self.of_camera()).set(apart_seconds);
    }

    /// The hold's fill.
    pub fn hold_bytes(&self, bytes: usize) {
        self.0
            .hold_bytes
            .set(i64::try_from(bytes).unwrap_or(i64::MAX));
    }

    /// What waits of a second session.
    pub fn splice_bytes(&self, bytes: usize) {
        self.0
            .splice_bytes
            .set(i64::try_from(bytes).unwrap_or(i64::MAX));
    }
}
