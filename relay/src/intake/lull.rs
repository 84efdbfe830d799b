//! Times in which nothing came out of a camera's line, and what the footage that is missing then is
//! put down to. Pure.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::cause::{EndCause, SessionError};
use super::watch::{Blame, Silence, SiteWatch};
use crate::archive::ledger::GapCause;
use crate::units::CameraName;

/// A start that takes no longer is the relay's own time.
const START: Duration = Duration::from_secs(15);
/// Lulls remembered, for holes that show only when the camera's buffer has drained.
const REMEMBERED: usize = 8;
/// A hole this much before a lull or behind it belongs to it: a buffer that ran full.
const BEFORE: Duration = Duration::from_secs(3);
const BEHIND: Duration = Duration::from_secs(10);
/// A camera that falls silent alone so soon after a dropout has been crowded out: all buffers drain
/// at once. Later it speaks for itself.
const WAKE: Duration = Duration::from_secs(3);
/// A unit that was so long on its way came through a link that could not keep up.
const LATE_NANOS: i64 = 700_000_000;

/// How a lull began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Begin {
    /// The relay started, or a planned pause ended.
    Start,
    /// The line fell silent.
    Silence,
    /// The session ended while units flowed.
    Ended,
}

/// What footage is missing for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// The word for it.
    pub cause: GapCause,
    /// What was seen.
    pub detail: String,
    /// From where on the camera is to blame instead, with what was seen then.
    pub camera_from: Option<Instant>,
}

impl Reason {
    fn new(cause: GapCause, detail: String) -> Self {
        Self {
            cause,
            detail,
            camera_from: None,
        }
    }
}

/// A lull that lasts.
#[derive(Debug, Clone)]
pub struct Lull {
    /// How it began.
    pub begin: Begin,
    /// When the last packet came, or the session ended.
    pub since: Instant,
    /// When the path was seen alive.
    pub alive: Option<Instant>,
    error: Option<(EndCause, String)>,
}

impl Lull {
    /// That begins.
    #[must_use]
    pub fn new(begin: Begin, since: Instant) -> Self {
        Self {
            begin,
            since,
            alive: None,
            error: None,
        }
    }

    /// A session ended, or could not be made, meanwhile.
    pub fn note(&mut self, error: &SessionError) {
        // A refusal says more than a time-out.
        if error.cause.is_refusal()
            || self
                .error
                .as_ref()
                .is_none_or(|(cause, _)| !cause.is_refusal())
        {
            self.error = Some((error.cause, error.message.clone()));
        }
    }

    /// What it is put down to if it ends at `until`.
    #[must_use]
    pub fn reason(&self, camera: &CameraName, watch: &SiteWatch, until: Instant) -> Reason {
        let seconds = until.saturating_duration_since(self.since);
        let refused = self.error.as_ref().filter(|(cause, _)| cause.is_refusal());
        if let Some((_, text)) = refused
            && self.begin != Begin::Silence
        {
            return Reason::new(GapCause::Camera, text.clone());
        }
        match self.begin {
            Begin::Start if seconds <= START && self.error.is_none() => Reason::new(
                GapCause::Relay,
                format!(
                    "the first picture came {:.1} s after the start",
                    seconds.as_secs_f64()
                ),
            ),
            Begin::Ended => {
                let text = self.error.as_ref().map(|(_, text)| text.clone());
                let text = text.unwrap_or_default();
                if watch.left_together(camera, self.since) {
                    let text = format!("{text}; so did the site's other sessions");
                    return Reason::new(GapCause::Uplink, text);
                }
                Reason::new(GapCause::Camera, text)
            }
            Begin::Start | Begin::Silence => {
                let silence = Silence {
                    since: self.since,
                    alive: self.alive,
                    until,
                };
                let verdict = watch.judge(camera, silence);
                let cause = match verdict.blame {
                    Blame::Uplink => GapCause::Uplink,
                    Blame::Camera => GapCause::Camera,
                };
                let mut detail = format!(
                    "silent for {:.1} s; {}",
                    seconds.as_secs_f64(),
                    verdict.grounds
                );
                if let Some((_, text)) = refused {
                    detail += &format!("; then: {text}");
                }
                Reason {
                    cause,
                    detail,
                    camera_from: verdict.camera_from,
                }
            }
        }
    }
}

/// Lulls that are over, by their times on the home's monotonic clock in nanoseconds.
#[derive(Debug, Default)]
pub struct Lulls(VecDeque<(i64, i64, Reason)>);

impl Lulls {
    /// Remembers one.
    pub fn push(&mut self, since: i64, until: i64, reason: Reason) {
        if self.0.len() == REMEMBERED {
            self.0.pop_front();
        }
        self.0.push_back((since, until, reason));
    }

    /// A short silence right behind a dropout of the uplink belongs to it: the cameras' buffers all
    /// drain at once, and the link drops what its queue can't take.
    #[must_use]
    pub fn in_its_wake(&self, since: i64, until: i64, reason: Reason) -> Reason {
        let nanos = |time: Duration| i64::try_from(time.as_nanos()).unwrap_or(i64::MAX);
        let Some((_, before, _)) = self
            .0
            .back()
            .filter(|(_, _, before)| before.cause == GapCause::Uplink)
        else {
            return reason;
        };
        let after = since.saturating_sub(*before);
        let short = until.saturating_sub(since) < nanos(BEHIND);
        if reason.cause != GapCause::Camera || !short || !(0..nanos(WAKE)).contains(&after) {
            return reason;
        }
        let seconds = after as f64 / 1e9;
        let detail = format!(
            "{}; the uplink had been back for {seconds:.1} s",
            reason.detail
        );
        Reason::new(GapCause::Uplink, detail)
    }

    /// What a hole from `begin` is put down to, whose last unit before was `delayed` by so much and
    /// during which so much was counted lost.
    #[must_use]
    pub fn reason(&self, begin: i64, delayed: i64, losses: Losses) -> Reason {
        let nanos = |time: Duration| i64::try_from(time.as_nanos()).unwrap_or(i64::MAX);
        let of_lull = |before: Duration, behind: Duration| {
            let belongs = |(since, until, _): &&(i64, i64, Reason)| {
                begin >= since.saturating_sub(nanos(before))
                    && begin <= until.saturating_add(nanos(behind))
            };
            let found = self.0.iter().rev().find(belongs);
            found.map(|(_, _, reason)| reason.clone())
        };
        // A camera that waits for a key frame after a dropout is silent once more: the hole is of
        // the lull that it begins in.
        let within = of_lull(Duration::ZERO, Duration::ZERO);
        // Datagrams that a dropout swallowed are counted lost too.
        if let Some(reason) = within.or_else(|| of_lull(BEFORE, Duration::ZERO)) {
            return reason;
        }
        let Losses { packets, faults } = losses;
        if packets > 0 {
            return Reason::new(GapCause::Loss, format!("{packets} packets lost"));
        }
        if faults > 0 {
            let text = format!("{faults} faults in the stream");
            return Reason::new(GapCause::Camera, text);
        }
        if let Some(reason) = of_lull(BEFORE, BEHIND) {
            return reason;
        }
        if delayed > LATE_NANOS {
            let text = format!(
                "the camera left pictures out; the last before was {:.1} s on its way",
                delayed as f64 / 1e9
            );
            return Reason::new(GapCause::Uplink, text);
        }
        let text = "the camera sent no pictures although the link was up".to_owned();
        Reason::new(GapCause::Camera, text)
    }
}

/// What was lost before it became a unit.
#[derive(Debug, Clone, Copy, Default)]
pub struct Losses {
    /// RTP packets missing by their numbers.
    pub packets: u64,
    /// Packets and units that could not be used.
    pub faults: u64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Name;

    const S: Duration = Duration::from_secs(1);
    const SECOND: i64 = 1_000_000_000;

    fn reason(lull: &Lull, seconds: u32) -> Reason {
        let camera = Name::new("gate").unwrap();
        lull.reason(&camera, &SiteWatch::default(), lull.since + seconds * S)
    }

    #[test]
    fn a_quick_start_is_the_relays_and_a_refused_one_the_cameras() {
        let mut lull = Lull::new(Begin::Start, Instant::now());
        assert_eq!(reason(&lull, 3).cause, GapCause::Relay);
        assert_eq!(reason(&lull, 60).cause, GapCause::Uplink);
        lull.note(&SessionError::new(EndCause::Unauthorized, "401"));
        lull.note(&SessionError::new(EndCause::Timeout, "no answer"));
        let refused = reason(&lull, 60);
        assert_eq!(
            (refused.cause, refused.detail.as_str()),
            (GapCause::Camera, "401")
        );
    }

    #[test]
    fn a_session_that_the_camera_ends_is_the_cameras() {
        let mut lull = Lull::new(Begin::Ended, Instant::now());
        lull.note(&SessionError::new(EndCause::Closed, "closed"));
        assert_eq!(reason(&lull, 3).cause, GapCause::Camera);
    }

    #[test]
    fn a_hole_in_what_drains_belongs_to_the_dropout() {
        let mut lulls = Lulls::default();
        let uplink = Reason::new(GapCause::Uplink, "silent".into());
        lulls.push(100 * SECOND, 130 * SECOND, uplink.clone());
        let none = Losses::default();
        let lost = Losses { packets: 4, ..none };
        assert_eq!(lulls.reason(108 * SECOND, 0, none), uplink);
        assert_eq!(lulls.reason(98 * SECOND, 0, lost), uplink);
        assert_eq!(lulls.reason(135 * SECOND, 0, none), uplink);
        assert_eq!(lulls.reason(135 * SECOND, 0, lost).cause, GapCause::Loss);
        assert_eq!(lulls.reason(200 * SECOND, 0, none).cause, GapCause::Camera);
        assert_eq!(
            lulls.reason(200 * SECOND, 3 * SECOND, none).cause,
            GapCause::Uplink
        );
        let silent = Reason::new(GapCause::Camera, "silent alone".into());
        let wake = |since: i64, until: i64| {
            let (since, until) = (since * SECOND, until * SECOND);
            lulls.in_its_wake(since, until, silent.clone()).cause
        };
        assert_eq!(wake(132, 136), GapCause::Uplink);
        assert_eq!(wake(132, 150), GapCause::Camera);
        assert_eq!(wake(134, 136), GapCause::Camera);
        // It drained, and was silent again until its next key frame.
        let alone = Reason::new(GapCause::Camera, "silent alone".into());
        lulls.push(131 * SECOND, 133 * SECOND, alone.clone());
        assert_eq!(lulls.reason(129 * SECOND, 0, none), uplink);
        assert_eq!(lulls.reason(132 * SECOND, 0, none), alone);
    }
}
