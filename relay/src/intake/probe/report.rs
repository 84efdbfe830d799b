//! What a probe found, in words.

use crate::hold::Codec;
use crate::units::{CameraName, CaptureTime};

/// Beyond this a camera's clock is worth a remark.
const CLOCK_OFFSET_REMARK: f64 = 2.0;
/// Beyond this a lost packet costs too much footage: what follows it up to the next key frame.
const GROUP_SECONDS_REMARK: f64 = 4.0;
/// What is advised, and what a gain is reckoned against.
const GROUP_SECONDS_GOOD: f64 = 1.0;
/// A camera that has lost the time counts from 1970; nobody runs one that old.
const LOST_ITS_TIME_NANOS: i64 = 366 * 86_400 * 1_000_000_000;

/// What a probe found.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Codec of the pictures.
    pub video: Option<Codec>,
    /// RFC 6381 name of it, where there is one.
    pub profile: String,
    /// Size in pixels.
    pub size: (u32, u32),
    /// Pictures a second.
    pub rate: f64,
    /// Longest distance of two key frames in seconds; `None`: fewer than two were seen.
    pub group_seconds: Option<f64>,
    /// All tracks, in bits a second.
    pub bits_per_second: f64,
    /// Codec and sampling rate of the sound.
    pub audio: Option<(Codec, u32)>,
    /// `none`, `basic`, `digest`, or what else the camera asks for.
    pub authentication: String,
    /// How its own clock stands, by its sender reports; `None`: it sent none.
    pub clock: Option<OwnClock>,
    /// From request to answer, in seconds.
    pub round_trip: f64,
    /// RTP packets missing.
    pub packets_lost: u64,
    /// Whether it plays a second session beside the first.
    pub second_session: SecondSession,
    /// What it makes of a receiver report.
    pub receiver_report: ReceiverReport,
}

/// A camera's own clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnClock {
    /// Its time minus ours, in seconds.
    pub offset: f64,
    /// How far that may be wrong either way, in seconds.
    pub uncertainty: f64,
    /// How fast the offset grows, in parts per million; `None` before ten minutes.
    pub drift_ppm: Option<f64>,
    /// Two reports and more agree with each other and with the arrivals.
    pub plausible: bool,
    /// How often it was set meanwhile.
    pub steps: u64,
}

/// What came of a second session beside the first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SecondSession {
    /// Both play.
    Yes,
    /// The camera has none left (453, 503), or refuses it otherwise; in its words.
    Refused(String),
    /// It could not be set up; why.
    Failed(String),
    /// The first one ended when the second began.
    EndsFirst,
    /// It was not tried.
    NotTried,
}

/// What a camera made of a receiver report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReceiverReport {
    /// The session went on.
    Accepted,
    /// The session ended or fell silent.
    EndsSession,
    /// None could be sent: over UDP, or the connection was never idle.
    NotTried,
}

impl Report {
    /// The heading of [`row`](Self::row).
    pub const HEADING: [&'static str; 10] = [
        "camera", "video", "size", "rate/s", "key/s", "Mb/s", "audio", "sign-in", "clock/s",
        "trip/ms",
    ];

    /// A row of a table: key/s is the longest distance of key frames, clock/s the camera's clock
    /// minus ours.
    #[must_use]
    pub fn row(&self, camera: &str) -> Vec<String> {
        let none = || "-".to_owned();
        vec![
            camera.to_owned(),
            match self.video {
                Some(codec) if self.profile.is_empty() => codec.as_str().to_owned(),
                Some(codec) => format!("{} {}", codec.as_str(), self.profile),
                None => none(),
            },
            self.video
                .map_or_else(none, |_| format!("{}x{}", self.size.0, self.size.1)),
            format!("{:.1}", self.rate),
            self.group_seconds
                .map_or_else(none, |seconds| format!("{seconds:.1}")),
            format!("{:.2}", self.bits_per_second / 1e6),
            self.audio.map_or_else(none, |(codec, rate)| {
                format!("{} {rate} Hz", codec.as_str())
            }),
            self.authentication.clone(),
            self.clock
                .map_or_else(none, |clock| format!("{:+.1}", round(clock.offset))),
            format!("{:.0}", self.round_trip * 1e3),
        ]
    }

    /// What the table has no room for: the camera's clock, and what it stands after an outage.
    #[must_use]
    pub fn findings(&self, camera: &CameraName) -> Vec<String> {
        let clock = match &self.clock {
            Some(clock) => clock.words(),
            None => "unknown, it sent no sender report".to_owned(),
        };
        let second = match &self.second_session {
            SecondSession::Yes => "yes".to_owned(),
            SecondSession::Refused(why) => format!("refused ({why})"),
            SecondSession::Failed(why) => format!("failed ({why})"),
            SecondSession::EndsFirst => "ends the first".to_owned(),
            SecondSession::NotTried => "not tried".to_owned(),
        };
        let report = match self.receiver_report {
            ReceiverReport::Accepted => "accepted",
            ReceiverReport::EndsSession => "ends the session",
            ReceiverReport::NotTried => "not tried",
        };
        vec![
            format!("{camera}: clock: {clock}"),
            format!("{camera}: second session: {second}; receiver report: {report}"),
        ]
    }

    /// What the operator should look at.
    #[must_use]
    pub fn remarks(&self, camera: &CameraName) -> Vec<String> {
        let mut remarks = Vec::new();
        remarks.extend(self.remark_of_groups());
        remarks.extend(self.clock.and_then(OwnClock::remark));
        remarks.extend(self.remark_of_outages());
        if self.authentication == "none" {
            remarks.push("asks for no password; whoever reaches it can watch".to_owned());
        }
        if self.packets_lost > 0 {
            remarks.push(format!("{} RTP packets were lost", self.packets_lost));
        }
        let of_camera = |remark| format!("{camera}: {remark}");
        remarks.into_iter().map(of_camera).collect()
    }

    fn remark_of_groups(&self) -> Option<String> {
        let Some(seconds) = self.group_seconds else {
            let stills = self.video.is_none_or(|codec| codec == Codec::Jpeg);
            let text = "fewer than two key frames seen; look longer with --probe-time";
            return (!stills).then(|| text.to_owned());
        };
        let gain = seconds - GROUP_SECONDS_GOOD;
        if seconds > GROUP_SECONDS_REMARK {
            Some(format!(
                "key frames lie {seconds:.1} s apart: each lost packet, and each outage longer than \
                 the camera's buffer, costs up to as much footage more; one each second would save \
                 up to {gain:.1} s each time"
            ))
        } else if gain >= 0.5 {
            Some(format!(
                "key frames lie {seconds:.1} s apart: one each second would save up to {gain:.1} s \
                 of footage at each outage longer than the camera's buffer"
            ))
        } else {
            None
        }
    }

    fn remark_of_outages(&self) -> Option<String> {
        let second = match self.second_session {
            SecondSession::Yes | SecondSession::NotTried => true,
            SecondSession::Refused(_) | SecondSession::Failed(_) | SecondSession::EndsFirst => {
                false
            }
        };
        let text = match (second, self.receiver_report) {
            (true, ReceiverReport::Accepted | ReceiverReport::NotTried) => return None,
            (true, ReceiverReport::EndsSession) => {
                "gets no receiver reports from the relay; after an outage a second session takes \
                 over, and what the first one has held back may come late"
            }
            (false, ReceiverReport::Accepted) => {
                "after an outage only its one session can be woken; raise its session limit, or \
                 close other viewers"
            }
            (false, ReceiverReport::EndsSession | ReceiverReport::NotTried) => {
                "after an outage the relay can neither wake its session nor begin another beside it: \
                 footage resumes later, up to as long again as the outage; raise its session limit, \
                 or close other viewers"
            }
        };
        Some(text.to_owned())
    }
}

/// To a tenth; zero has no sign.
fn round(seconds: f64) -> f64 {
    (seconds * 10.0).round() / 10.0 + 0.0
}

impl OwnClock {
    fn words(&self) -> String {
        let Self {
            offset,
            uncertainty,
            drift_ppm,
            plausible,
            steps,
        } = *self;
        let side = if offset > 0.0 { "ahead" } else { "behind" };
        let mut words = if self.lost_its_time() {
            "in 1970".to_owned()
        } else if offset.abs() <= uncertainty {
            format!("right to within {uncertainty:.1} s")
        } else {
            let offset = offset.abs();
            format!("{side} by {offset:.2} s, give or take {uncertainty:.1} s")
        };
        words += &match drift_ppm {
            Some(drift) => format!("; drift {drift:+.1} ppm"),
            None => "; drift not known yet: that needs 10 min (--probe-time 11m)".to_owned(),
        };
        if !plausible {
            words += "; not sure: its sender reports are too few, or don't agree";
        }
        if steps > 0 {
            words += &format!("; it was set {steps} times meanwhile");
        }
        words
    }

    /// Its time is that of a camera without battery that nobody has told the time.
    fn lost_its_time(&self) -> bool {
        let now = CaptureTime::now().unix_nanos();
        now.saturating_add((self.offset * 1e9) as i64) < LOST_ITS_TIME_NANOS
    }

    fn remark(self) -> Option<String> {
        let Self { offset, .. } = self;
        if self.lost_its_time() {
            let text = "its clock says 1970: it loses the time when it has no power; let it have an NTP \
                        server it can reach (the relay does not rely on its clock)";
            return Some(text.to_owned());
        }
        (offset.abs() > CLOCK_OFFSET_REMARK + self.uncertainty.min(1.0)).then(|| {
            format!(
                "its clock is wrong by {offset:+.1} s; set it by NTP (the relay does not rely on it)"
            )
        })
    }
}
