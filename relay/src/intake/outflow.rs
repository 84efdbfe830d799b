//! A camera's one stream: what its sessions give goes into the hold, and what is missing of it is
//! told to the ledger.

use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::assemble::Tracks;
use super::cause::SessionError;
use super::clock::{Clock, ClockNews, SessionId};
use super::lull::{Begin, Losses, Lull, Lulls, Reason};
use super::splice::{Out, Passed, Splice, Verdict};
use super::watch::SiteWatch;
use crate::archive::ledger::{ClockState, Evidence, GapCause, Ledger, Witness};
use crate::hold::{Hold, TrackKind, Unit};
use crate::telemetry::CameraEvents;
use crate::units::{CameraName, CaptureTime};

/// A home clock that is off by more than this from what it was was set; the system's own
/// corrections are slewed.
const HOME_STEP_NANOS: i64 = 250_000_000;
/// How often the ledger is told again what a lull that lasts is put down to, if that stays the same:
/// each time is a line of a journal.
const TELL_AGAIN: Duration = Duration::from_secs(60);

/// A number that no timeline had before.
fn next_timeline() -> u32 {
    static NEXT: AtomicU32 = AtomicU32::new(1);
    NEXT.fetch_add(1, Ordering::Relaxed)
}

/// The cameras of a site, as each other's witnesses.
pub type SharedWatch = Arc<Mutex<SiteWatch>>;

/// What the ledger was told of a lull that lasts.
#[derive(Debug, Clone, Copy)]
struct Told {
    /// Of the evidence.
    begin: CaptureTime,
    at: Instant,
    cause: GapCause,
}

/// What a camera's sessions become.
#[derive(Debug)]
pub(super) struct Outflow {
    camera: CameraName,
    hold: Arc<Hold>,
    events: CameraEvents,
    /// Nothing for a stream that nobody wants kept.
    ledger: Option<Ledger>,
    watch: SharedWatch,
    pub(super) clock: Clock,
    tracks: Tracks,
    splice: Splice,
    /// The session before and the kept one, for the clock.
    sessions: Option<(SessionId, SessionId)>,
    timeline: u32,
    /// What monotonic times count from.
    origin: Instant,
    /// Unix time minus monotonic time.
    wall_offset: i64,
    lull: Option<Lull>,
    told: Option<Told>,
    lulls: Lulls,
    /// Begin of the planned pause that lasts.
    pause: Option<CaptureTime>,
    /// What is missing did not begin before this.
    not_before: i64,
    /// How long the last unit of the main track was on its way.
    delayed: Option<i64>,
    /// Capture time of the newest unit of the main track, and its uncertainty in nanoseconds.
    newest: Option<(CaptureTime, u64)>,
    /// Capture time of the newest key frame, as the clock counts, while nothing is missing after it.
    key: Option<i64>,
    news: ClockNews,
    /// What was lost on the way since the last unit of the main track.
    losses: Losses,
    /// Until when units of the kept session count as rescued: they waited out a silence.
    rescue_until: Option<i64>,
    out: Vec<Out>,
}

impl Outflow {
    pub(super) fn new(
        camera: &crate::config::Camera,
        hold: Arc<Hold>,
        events: CameraEvents,
        ledger: Option<Ledger>,
        watch: SharedWatch,
    ) -> Self {
        let origin = Instant::now();
        Self {
            camera: camera.name.clone(),
            splice: Splice::new(camera.splice_bytes_max()),
            hold,
            events,
            ledger,
            watch,
            clock: Clock::new(),
            tracks: Tracks::default(),
            sessions: None,
            timeline: next_timeline(),
            origin,
            wall_offset: CaptureTime::now().unix_nanos(),
            lull: None,
            told: None,
            lulls: Lulls::default(),
            pause: None,
            not_before: i64::MIN,
            delayed: None,
            newest: None,
            key: None,
            news: ClockNews::default(),
            losses: Losses::default(),
            rescue_until: None,
            out: Vec::new(),
        }
    }

    fn watch(&self) -> MutexGuard<'_, SiteWatch> {
        self.watch.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The present instant as the clock counts.
    pub(super) fn arrival(&self) -> i64 {
        self.nanos(Instant::now())
    }

    fn nanos(&self, instant: Instant) -> i64 {
        let since = instant.saturating_duration_since(self.origin);
        i64::try_from(since.as_nanos()).unwrap_or(i64::MAX)
    }

    fn wall(&self, nanos: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(nanos.saturating_add(self.wall_offset))
    }

    /// To be called now and then: notices when the home clock is set, and keeps the ledger up to
    /// date with what lasts.
    pub(super) fn pulse(&mut self, now: Instant) {
        let offset = CaptureTime::now()
            .unix_nanos()
            .saturating_sub(self.nanos(Instant::now()));
        let step = offset.saturating_sub(self.wall_offset);
        if step.saturating_abs() > HOME_STEP_NANOS {
            let seconds = step as f64 / 1e9;
            self.events.home_clock_stepped(seconds);
            let before = self.splice.end().map(|end| self.wall(end));
            self.wall_offset = offset;
            self.splice.begin_timeline();
            // Capture times leap with it, and what they leap over was never there.
            if let (Some(begin), Some(end)) = (before, self.splice.end()) {
                let detail = format!("the home clock was set by {seconds:+.1} s");
                self.tell(begin, Some(self.wall(end)), GapCause::Relay, detail);
            }
        }
        self.tell_clock(now);
        self.tell_lull(now);
    }

    fn tell_clock(&mut self, now: Instant) {
        let camera = self.clock.camera_clock(self.wall_offset);
        if let Some(clock) = &camera {
            self.events.camera_clock(clock);
        }
        let (Some((at, uncertainty_nanos)), Some(ledger)) = (self.newest, &self.ledger) else {
            return;
        };
        let state = ClockState {
            at,
            uncertainty_nanos,
            camera,
        };
        if self.news.is_news(now, state) {
            ledger.clock(&self.camera, state);
        }
    }

    // --- Lulls ---------------------------------------------------------------------------------

    /// Nothing comes out from now on; what is missing has begun at `since`.
    pub(super) fn lull(&mut self, begin: Begin, since: Instant) {
        if self.lull.is_none() {
            self.lull = Some(Lull::new(begin, since));
            self.tell_lull(Instant::now());
        }
    }

    /// The path answered.
    pub(super) fn path_alive(&mut self, now: Instant) {
        if let Some(lull) = &mut self.lull {
            lull.alive.get_or_insert(now);
        }
    }

    /// A connect was not answered: if the path was back, it is gone again.
    pub(super) fn path_silent(&mut self) {
        if let Some(lull) = &mut self.lull {
            lull.alive = None;
        }
    }

    /// A session ended or could not be made.
    pub(super) fn note(&mut self, error: &SessionError) {
        if let Some(lull) = &mut self.lull {
            lull.note(error);
        }
    }

    /// Something was lost before it became a unit.
    pub(super) fn lost(&mut self, packets: u16, faults: u32) {
        self.losses.packets += u64::from(packets);
        self.losses.faults += u64::from(faults);
    }

    /// The kept session is heard again after a silence: what it sends now had waited.
    pub(super) fn resumed(&mut self, now: Instant) {
        self.rescue_until = Some(self.nanos(now));
    }

    fn tell_lull(&mut self, now: Instant) {
        let Some(lull) = &self.lull else { return };
        let reason = lull.reason(&self.camera, &self.watch(), now);
        if let Some(told) = &self.told {
            let due = now.saturating_duration_since(told.at) >= TELL_AGAIN;
            if !due && told.cause == reason.cause {
                return;
            }
        }
        // What was let out ends there; what still waits in the camera may yet fill some of it.
        let begin = match self.told {
            Some(told) => told.begin,
            None => match (lull.begin, self.splice.end()) {
                (Begin::Silence | Begin::Ended, Some(end)) => self.wall(end),
                _ => self.wall(self.nanos(lull.since)),
            },
        };
        self.told = Some(Told {
            begin,
            at: now,
            cause: reason.cause,
        });
        self.tell(begin, None, reason.cause, reason.detail);
    }

    fn tell(&self, begin: CaptureTime, end: Option<CaptureTime>, cause: GapCause, detail: String) {
        let Some(ledger) = &self.ledger else { return };
        ledger.tell(Evidence {
            camera: self.camera.clone(),
            witness: Witness::Intake,
            begin,
            end,
            cause,
            detail,
        });
    }

    /// Units come out again; gives the begin of what was told of the lull.
    fn lull_ends(&mut self, now: Instant) -> Option<CaptureTime> {
        let lull = self.lull.take()?;
        let (since, until) = (self.nanos(lull.since), self.nanos(now));
        let mut reason = lull.reason(&self.camera, &self.watch(), now);
        if lull.begin == Begin::Silence {
            reason = self.lulls.in_its_wake(since, until, reason);
        }
        let begin = self.told.take().map(|told| told.begin);
        if let (Some(begin), Some(ledger)) = (begin, &self.ledger) {
            // What is missing is told when it shows: it may be less.
            ledger.withdraw(&self.camera, Witness::Intake, begin);
        }
        let recovery = lull
            .alive
            .filter(|_| lull.begin == Begin::Silence)
            .map(|alive| now.saturating_duration_since(alive));
        self.events
            .resumed(now.saturating_duration_since(lull.since), recovery);
        self.lulls.push(since, until, reason);
        begin
    }

    /// Footage between two instants of capture is missing.
    fn missing(&mut self, since: i64, until: i64) {
        let reason = self.lulls.reason(
            since,
            self.delayed.unwrap_or(0),
            std::mem::take(&mut self.losses),
        );
        let Reason {
            cause,
            detail,
            camera_from,
        } = reason;
        let (begin, end) = (self.wall(since), self.wall(until));
        self.events
            .missing(cause, (until - since) as f64 / 1e9, begin, &detail);
        let split = camera_from
            .map(|from| self.nanos(from))
            .filter(|from| (since..until).contains(from));
        match split {
            Some(from) => {
                let middle = self.wall(from);
                self.tell(begin, Some(middle), cause, detail.clone());
                let detail = format!("the path was back, the camera was not; before: {detail}");
                self.tell(middle, Some(end), GapCause::Camera, detail);
            }
            None => self.tell(begin, Some(end), cause, detail),
        }
    }

    /// The camera is not wanted from now on, as planned.
    pub(super) fn pause_begins(&mut self, now: CaptureTime, end: Option<CaptureTime>) {
        // What was missing until now is not made right by the plan.
        if let (Some(told), Some(lull)) = (self.told.take(), self.lull.take()) {
            let reason = lull.reason(&self.camera, &self.watch(), Instant::now());
            self.tell(told.begin, Some(now), reason.cause, reason.detail);
        }
        self.lull = None;
        self.pause = Some(now);
        self.tell_pause(now, end);
    }

    /// The pause that lasts ends at another time than was planned.
    pub(super) fn pause_changes(&mut self, end: Option<CaptureTime>) {
        if let Some(begin) = self.pause {
            self.tell_pause(begin, end);
        }
    }

    /// It is pulled from again, because it is wanted from `end` on: now, or soon.
    pub(super) fn pause_ends(&mut self, now: Instant, end: CaptureTime) {
        if let Some(begin) = self.pause.take() {
            self.tell_pause(begin, Some(end));
            // What is missing from now on has not begun before the pause.
            self.not_before = self.nanos(now);
        }
        self.lull(Begin::Start, now);
    }

    fn tell_pause(&self, begin: CaptureTime, end: Option<CaptureTime>) {
        let Some(ledger) = &self.ledger else { return };
        ledger.tell(Evidence {
            camera: self.camera.clone(),
            witness: Witness::Plan,
            begin,
            end,
            cause: GapCause::Planned,
            detail: "planned pause".to_owned(),
        });
    }

    // --- Units ---------------------------------------------------------------------------------

    /// A unit of the kept session.
    pub(super) fn kept(&mut self, unit: Passed) -> Verdict {
        let mut out = std::mem::take(&mut self.out);
        let verdict = self.splice.kept(unit, &mut out);
        self.tie();
        self.pour(&mut out);
        self.out = out;
        verdict
    }

    /// A unit of the fresh session.
    pub(super) fn fresh(&mut self, unit: Passed) -> Verdict {
        let verdict = self.splice.fresh(unit);
        self.events.splice_bytes(self.splice.waiting_bytes());
        verdict
    }

    /// The fresh session is of no use.
    pub(super) fn forget_fresh(&mut self, session: SessionId) {
        self.splice.forget_fresh();
        self.events.splice_bytes(0);
        self.clock.end(session);
    }

    /// A session takes the place of the one before, which has just ended or is about to.
    pub(super) fn take_over(
        &mut self,
        has_video: bool,
        streams: impl Fn(TrackKind) -> Option<usize>,
        (before, session): (Option<SessionId>, SessionId),
    ) {
        self.rescue_until = None;
        let clock = &self.clock;
        let offset = |kind: TrackKind| {
            let offset = clock.offset(streams(kind)?, session, before?)?;
            Some(offset.ticks)
        };
        let mut out = std::mem::take(&mut self.out);
        self.splice.take_over(has_video, offset, &mut out);
        self.events.splice_bytes(0);
        self.sessions = before.map(|before| (before, session));
        self.tie();
        self.pour(&mut out);
        self.out = out;
    }

    /// Tells the clock what the last two sessions have in common.
    fn tie(&mut self) {
        if let (Some(tie), Some((kept, fresh))) = (self.splice.take_tie(), self.sessions) {
            let (stream, ticks) = tie.kept;
            self.clock.same(stream, (kept, ticks), (fresh, tie.fresh.1));
        }
    }

    fn pour(&mut self, out: &mut Vec<Out>) {
        for out in out.drain(..) {
            self.push(out);
        }
    }

    fn push(&mut self, out: Out) {
        let Out {
            unit,
            new_timeline,
            discontinuity,
            missing_since,
        } = out;
        if new_timeline {
            self.timeline = next_timeline();
        }
        if let Some(seen) = unit.parameters {
            self.tracks.update(unit.stream, seen);
        }
        let Some(track) = self.tracks.of(unit.stream) else {
            return;
        };
        let (track, tracks) = (Arc::clone(track), Arc::clone(self.tracks.set()));
        let main = unit.kind == TrackKind::Video || !tracks.has_video();
        if main {
            let told = self.lull_ends(Instant::now());
            // Before the first unit there is no end of another to count from.
            let first = told.filter(|_| self.delayed.is_none());
            let first = first.map(|begin| begin.unix_nanos().saturating_sub(self.wall_offset));
            let not_before = std::mem::replace(&mut self.not_before, i64::MIN);
            if let Some(since) = missing_since
                .or(first)
                .map(|since| since.max(not_before))
                .filter(|since| *since < unit.captured)
            {
                self.missing(since, unit.captured);
            }
            (self.delayed, self.losses) = (Some(unit.delayed), Losses::default());
            if self.rescue_until.is_some_and(|until| unit.captured < until) {
                self.events.rescued(unit.payload.len());
            }
        }
        let captured = self.wall(unit.captured);
        if main {
            self.newest = Some((captured, unit.uncertainty_nanos));
        }
        self.events.unit(unit.kind, unit.payload.len(), captured);
        if unit.kind == TrackKind::Video {
            if new_timeline || discontinuity || missing_since.is_some() {
                self.key = None;
            }
            if unit.random_access
                && let Some(before) = self.key.replace(unit.captured)
            {
                self.events.key_frame((unit.captured - before) as f64 / 1e9);
            }
        }
        let held = self.hold.push(Unit {
            sequence: 0,
            track,
            tracks,
            media_time: unit.media_time,
            duration: unit.duration,
            timeline: self.timeline,
            captured,
            uncertainty_nanos: unit.uncertainty_nanos,
            random_access: unit.random_access,
            discontinuity,
            payload: unit.payload,
        });
        self.events.hold_bytes(held);
    }

    /// A stream's track, before its first unit.
    pub(super) fn update_track(&mut self, stream: usize, seen: crate::hold::Track) {
        self.tracks.update(stream, seen);
    }

    /// Streams that the next session has; `codec` tells what a stream is coded with, if it is taken.
    pub(super) fn keep_tracks(&mut self, codec: impl Fn(usize) -> Option<crate::hold::Codec>) {
        self.tracks.keep(codec);
    }
}

impl Drop for Outflow {
    /// What the task has told without an end ends with it, be it by a defect: another task's
    /// evidence has another beginning.
    fn drop(&mut self) {
        if let (Some(told), Some(lull)) = (self.told.take(), self.lull.take()) {
            let reason = lull.reason(&self.camera, &self.watch(), Instant::now());
            let now = CaptureTime::now();
            self.tell(told.begin, Some(now), reason.cause, reason.detail);
        }
    }
}
