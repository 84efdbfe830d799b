//! The task of one camera: does what the line decides, and passes what its sessions give on to the
//! outflow. It waits for nothing but the camera.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::time::{Duration, Instant};

use futures_util::StreamExt as _;
use futures_util::stream::FuturesUnordered;
use retina::client::SessionGroup;
use tokio::net::TcpStream;

use super::cause::{EndCause, SessionError};
use super::clock::SessionId;
use super::desk::Desk;
use super::line::{Event, Line, LineTimes, Phase, Slot, Step, Why};
use super::lull::Begin;
use super::outflow::{Outflow, SharedWatch};
use super::session::{Item, Session, farewell};
use super::splice::Verdict;
use super::wire::Sent;
use crate::archive::ledger::Ledger;
use crate::config::Camera;
use crate::hold::{Hold, TrackKind};
use crate::supervise::Shutdown;
use crate::telemetry::{CameraEvents, HedgeOutcome, KickOutcome};
use crate::units::CaptureTime;

/// How often a session is polled anew: a request that a camera sends to us stalls the RTSP library
/// until something polls it.
const PULSE: Duration = Duration::from_millis(500);
/// How often a session that is left alone in a silence is looked at.
const GLANCE: Duration = Duration::from_millis(20);
/// The share of a dropout that a witness must have paused to count as silent too.
const PAUSE_SHARE: f64 = 0.6;
/// How long one connect may take while the path is looked for: the round trip of a satellite far
/// out, and some queue.
const PROBE_TIME: Duration = Duration::from_secs(3);
/// A connection that a camera ends so soon after a report was ended by it.
const REPORT_ANSWER: Duration = Duration::from_millis(1500);
/// Reports are sent only while packets come: one sent into an outage would be in the way.
const LIVELY: Duration = Duration::from_millis(100);
/// A camera is pulled from so long before it is wanted, so that its footage begins in time.
const AHEAD_OF_PLAN: Duration = Duration::from_secs(5);

/// What others may know of a camera's task while it runs.
#[derive(Debug, Default)]
pub struct CameraStatus(AtomicU8);

impl CameraStatus {
    /// What the line is doing now.
    #[must_use]
    pub fn phase(&self) -> Phase {
        let value = self.0.load(Ordering::Relaxed);
        let known = Phase::ALL.into_iter().find(|phase| *phase as u8 == value);
        known.unwrap_or(Phase::Resting)
    }

    fn set(&self, phase: Phase) {
        self.0.store(phase as u8, Ordering::Relaxed);
    }
}

/// Pulls one camera into its hold.
#[derive(Debug, Clone)]
pub struct CameraTask {
    /// What the operator configured.
    pub camera: Arc<Camera>,
    /// Where units go.
    pub hold: Arc<Hold>,
    /// What the line is doing, for others to read.
    pub status: Arc<CameraStatus>,
    /// Logs and metrics of this camera.
    pub events: CameraEvents,
    /// Where missing footage is told.
    pub ledger: Ledger,
    /// The cameras of its site.
    pub watch: SharedWatch,
}

impl CameraTask {
    /// Runs until shutdown.
    pub async fn run(self, mut shutdown: Shutdown) {
        let mut work = Work::new(&self);
        while !shutdown.is_requested() {
            let until = work.act().await.min(work.pulse_due);
            let happening = tokio::select! {
                happening = work.next() => Some(happening),
                () = tokio::time::sleep_until(until.into()) => None,
                () = shutdown.requested() => break,
            };
            if let Some(happening) = happening {
                work.take(happening).await;
            }
            // Not in a branch of its own: a camera that always has something ready would keep the
            // branches beside it from their turns.
            work.pulse().await;
        }
        work.close().await;
    }
}

/// A session that plays, and its desk.
struct Active {
    session: Session,
    desk: Desk,
    /// Bytes received when it was left alone in a silence.
    rests_at: Option<u64>,
    /// When a report was sent last that nothing has answered yet.
    reported: Option<Instant>,
}

impl Active {
    /// The next item; of a session that is left alone, once there is one to have.
    async fn next(&mut self) -> Result<Item, SessionError> {
        if let Some(bytes) = self.rests_at {
            while !self.session.has_more_than(bytes) {
                tokio::time::sleep(GLANCE).await;
            }
            self.rests_at = None;
        }
        self.session.next().await
    }

    fn stream_of(&self, kind: TrackKind) -> Option<usize> {
        self.session
            .assemblers()
            .find(|(_, assembler)| assembler.codec().kind() == kind)
            .map(|(index, _)| index)
    }
}

type Opening = Pin<Box<dyn Future<Output = Result<Session, SessionError>> + Send>>;
type Probing = Pin<Box<dyn Future<Output = Probed> + Send>>;

/// What came of a connect.
#[derive(Debug)]
enum Probed {
    /// By an open port, or by a closed one.
    Answered,
    Silent,
    /// The home network or the resolver says that there is no such place.
    Impossible(std::io::Error),
}

/// What happened on the way.
enum Happening {
    Item(Slot, Result<Item, SessionError>),
    Opened(Result<Session, SessionError>),
    Probed(Probed),
}

struct Work<'a> {
    task: &'a CameraTask,
    line: Line,
    group: Arc<SessionGroup>,
    kept: Option<Active>,
    fresh: Option<Active>,
    opening: Option<Opening>,
    /// The session being set up is a second one.
    hedging: bool,
    probes: FuturesUnordered<Probing>,
    outflow: Outflow,
    /// The session that was kept last.
    last_session: Option<SessionId>,
    /// When a packet of the kept session came last, as far as the line knows.
    heard: Option<Instant>,
    /// Since when the session is silent, as the site's cameras were told.
    silent: Option<Instant>,
    kicked: bool,
    /// Since when connects go unanswered without a session.
    unanswered: Option<Instant>,
    wanted: bool,
    /// Until when nothing changes by the plan.
    plan_holds_until: Option<CaptureTime>,
    /// The site's watch counts on this camera.
    testifies: bool,
    pulse_due: Instant,
}

impl<'a> Work<'a> {
    fn new(task: &'a CameraTask) -> Self {
        let times = LineTimes {
            first_unit: task.camera.first_unit,
            dropout: task.camera.dropout,
            silence: task.camera.silence,
        };
        let now = Instant::now();
        let mut outflow = Outflow::new(
            &task.camera,
            Arc::clone(&task.hold),
            task.events.clone(),
            task.ledger.clone(),
            Arc::clone(&task.watch),
        );
        outflow.lull(Begin::Start, now);
        Self {
            line: Line::new(times, now, fastrand::u64(..)),
            group: Arc::new(SessionGroup::default().named(task.camera.name.to_string())),
            kept: None,
            fresh: None,
            opening: None,
            hedging: false,
            probes: FuturesUnordered::new(),
            outflow,
            last_session: None,
            heard: None,
            silent: None,
            kicked: false,
            unanswered: None,
            wanted: true,
            plan_holds_until: None,
            testifies: false,
            pulse_due: now,
            task,
        }
    }

    fn slot(&mut self, slot: Slot) -> &mut Option<Active> {
        match slot {
            Slot::Kept => &mut self.kept,
            Slot::Fresh => &mut self.fresh,
        }
    }

    /// Does what the line decides, until it only waits; until when.
    async fn act(&mut self) -> Instant {
        loop {
            self.note_packets();
            self.note_acknowledged();
            let now = Instant::now();
            let step = self.line.step(now);
            self.note_silence(now);
            match step {
                Step::WaitUntil(until) => {
                    self.show(now);
                    return until;
                }
                Step::Probe => {
                    self.probes.push(Box::pin(probe(Arc::clone(&self.task.camera))));
                    self.note_unanswered(now);
                }
                Step::Open => self.open(),
                Step::Kick => self.kick(),
                Step::Drop(slot, why) => self.drop_session(slot, why).await,
            }
        }
    }

    fn open(&mut self) {
        // The watch over a set-up must not take a probe's connection for the session's.
        self.probes.clear();
        self.unanswered = None;
        self.hedging = self.kept.is_some();
        let (camera, group) = (Arc::clone(&self.task.camera), Arc::clone(&self.group));
        self.opening = Some(Box::pin(
            async move { Session::open(&camera, &group).await },
        ));
    }

    fn kick(&mut self) {
        let Some(kept) = &mut self.kept else { return };
        match kept.session.kick() {
            Sent::Whole => {
                self.kicked = true;
                kept.reported = Some(Instant::now());
            }
            Sent::Busy => self.task.events.kick(KickOutcome::Impossible),
            Sent::Broken => kept.rests_at = None,
        }
    }

    /// The next thing that happens. Cancel-safe.
    async fn next(&mut self) -> Happening {
        let opening = async {
            match &mut self.opening {
                Some(opening) => opening.await,
                None => std::future::pending().await,
            }
        };
        let probed = async {
            match self.probes.next().await {
                Some(probed) => probed,
                None => std::future::pending().await,
            }
        };
        let kept = async {
            match &mut self.kept {
                Some(active) => active.next().await,
                None => std::future::pending().await,
            }
        };
        let fresh = async {
            match &mut self.fresh {
                Some(active) => active.next().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            item = kept => Happening::Item(Slot::Kept, item),
            item = fresh => Happening::Item(Slot::Fresh, item),
            opened = opening => Happening::Opened(opened),
            probed = probed => Happening::Probed(probed),
        }
    }

    async fn take(&mut self, happening: Happening) {
        match happening {
            Happening::Item(slot, Ok(item)) => self.item(slot, item),
            Happening::Item(slot, Err(error)) => self.ended(slot, &error).await,
            Happening::Opened(opened) => {
                self.opening = None;
                match opened {
                    Ok(session) => self.playing(session),
                    Err(error) => self.not_opened(&error).await,
                }
            }
            Happening::Probed(probed) => self.probed(probed),
        }
    }

    fn probed(&mut self, probed: Probed) {
        let now = Instant::now();
        match probed {
            Probed::Answered => {
                self.line.on(Event::Answered, now);
                self.outflow.path_alive(now);
                self.probes.clear();
                self.unanswered = None;
            }
            Probed::Silent => {}
            Probed::Impossible(error) => {
                let error = SessionError::new(EndCause::Connect, format!("connect: {error}"));
                if self.kept.is_none() {
                    self.outflow.note(&error);
                    self.task.events.session_ended(&error);
                    self.unanswered = Some(now);
                }
            }
        }
    }

    /// Connects that nobody answers are told now and then, as a session that could not be made.
    fn note_unanswered(&mut self, now: Instant) {
        if self.kept.is_some() {
            return;
        }
        let since = *self.unanswered.get_or_insert(now);
        if now.saturating_duration_since(since) >= self.task.camera.step {
            self.unanswered = Some(now);
            let error = SessionError::timed_out("connect", self.task.camera.step);
            self.outflow.note(&error);
            self.task.events.session_ended(&error);
        }
    }

    // --- Sessions --------------------------------------------------------------------------------

    fn playing(&mut self, session: Session) {
        let now = Instant::now();
        self.line.on(Event::Playing, now);
        self.task.events.session_began(&session_summary(&session));
        let desk = Desk::new(&session, &mut self.outflow.clock);
        let active = Active {
            session,
            desk,
            rests_at: None,
            reported: None,
        };
        if self.kept.is_some() {
            self.fresh = Some(active);
        } else {
            self.keep(active);
        }
    }

    /// Makes a session the kept one.
    fn keep(&mut self, active: Active) {
        let before = self.last_session;
        let session = &active.session;
        self.outflow
            .keep_tracks(|index| Some(session.assembler(index)?.codec()));
        for (index, assembler) in session.assemblers() {
            // Most cameras tell their parameters before the first unit: then all tracks are
            // known at once, and a recorder need not begin twice.
            if let Some(track) = assembler.track() {
                self.outflow.update_track(index, track);
            }
        }
        self.outflow.take_over(
            active.desk.has_video(),
            |kind| active.stream_of(kind),
            (before, active.desk.id),
        );
        self.last_session = Some(active.desk.id);
        if let Some(before) = before {
            self.outflow.clock.end(before);
        }
        self.heard = active.session.heard();
        self.kicked = false;
        self.speaks_again();
        self.kept = Some(active);
    }

    /// The fresh session takes the kept one's place, which is left.
    fn splice(&mut self) {
        let Some(fresh) = self.fresh.take() else { return };
        let old = self.kept.take();
        self.finish_kick(false);
        self.keep(fresh);
        self.line.on(Event::Spliced, Instant::now());
        self.task.events.hedge(HedgeOutcome::TookOver);
        // Its good-bye is said in the background.
        drop(old);
    }

    async fn not_opened(&mut self, error: &SessionError) {
        self.outflow.note(error);
        if self.hedging {
            let refused = error.cause.is_refusal();
            self.task.events.hedge(if refused {
                HedgeOutcome::Refused
            } else {
                HedgeOutcome::Failed
            });
        }
        self.task.events.session_ended(error);
        self.line
            .on(Event::Ended(Slot::Fresh, error.cause), Instant::now());
        // Half a session may stand at the camera.
        if self.kept.is_none() && error.cause.leaves_link() {
            farewell(&self.group).await;
        }
    }

    async fn ended(&mut self, slot: Slot, error: &SessionError) {
        let now = Instant::now();
        self.task.events.session_ended(error);
        let active = self.slot(slot).take();
        if slot == Slot::Fresh {
            self.outflow.forget_fresh();
            self.task.events.hedge(HedgeOutcome::Failed);
            self.line.on(Event::Ended(slot, error.cause), now);
            return;
        }
        let Some(active) = active else { return };
        let flowed = self.line.silent_since(now).is_none();
        self.finish_kick(false);
        self.refuses_reports(&active, error, flowed, now);
        if flowed {
            self.outflow
                .lull(Begin::Ended, active.session.heard().unwrap_or(now));
            self.testify(None);
        }
        self.outflow.note(error);
        self.line.on(Event::Ended(slot, error.cause), now);
        self.leave(active, error.cause.leaves_link()).await;
    }

    /// A camera that ends the connection right after a report while all is well can't stand it.
    fn refuses_reports(&mut self, active: &Active, error: &SessionError, flowed: bool, now: Instant) {
        let soon = |at: Instant| now.saturating_duration_since(at) < REPORT_ANSWER;
        if flowed && error.cause == EndCause::Closed && active.reported.is_some_and(soon) {
            self.line.on(Event::NoReports, now);
            self.task.events.no_reports();
        }
    }

    /// The kept session is over: the fresh one, if there is one, goes on alone.
    async fn leave(&mut self, active: Active, polite: bool) {
        let session = active.session;
        match self.fresh.take() {
            Some(fresh) => {
                self.keep(fresh);
                self.task.events.hedge(HedgeOutcome::TookOver);
                drop(session);
            }
            None => {
                self.heard = None;
                if polite && self.opening.is_none() {
                    session.close(&self.group).await;
                }
            }
        }
    }

    async fn drop_session(&mut self, slot: Slot, why: Why) {
        let now = Instant::now();
        if slot == Slot::Fresh {
            let opening = self.opening.take();
            if opening.is_some() && self.kept.is_none() {
                drop(opening);
                return;
            }
            self.fresh = None;
            self.outflow.forget_fresh();
            self.task.events.hedge(if why == Why::NotNeeded {
                HedgeOutcome::NotNeeded
            } else {
                HedgeOutcome::Failed
            });
            return;
        }
        let Some(active) = self.kept.take() else { return };
        self.finish_kick(false);
        if why == Why::NotWanted {
            self.testify(None);
            active.session.close(&self.group).await;
            return;
        }
        let error = self.silent_error(why);
        self.task.events.session_ended(&error);
        self.outflow
            .lull(Begin::Silence, active.session.heard().unwrap_or(now));
        self.outflow.note(&error);
        // Over a path that is alive a good-bye is heard, and one with few sessions needs it.
        let polite = why == Why::Silent && !self.line.tolerance().second_session;
        self.leave(active, polite).await;
    }

    fn silent_error(&self, why: Why) -> SessionError {
        let camera = &self.task.camera;
        let text = match why {
            Why::NoUnit => format!("no unit arrived within {} s", camera.first_unit.as_secs_f64()),
            Why::NoWholeUnit => {
                let limit = camera.silence.as_secs_f64();
                format!("no unit arrived for {limit} s although packets did")
            }
            _ => "the session stayed silent although the path is alive".to_owned(),
        };
        SessionError::new(EndCause::Silent, text)
    }

    fn finish_kick(&mut self, resumed: bool) {
        if std::mem::take(&mut self.kicked) {
            self.task.events.kick(if resumed {
                KickOutcome::Resumed
            } else {
                KickOutcome::Unanswered
            });
        }
    }

    // --- Media -----------------------------------------------------------------------------------

    fn item(&mut self, slot: Slot, item: Item) {
        self.note_packets();
        let arrival = self.outflow.arrival();
        let active = match slot {
            Slot::Kept => &mut self.kept,
            Slot::Fresh => &mut self.fresh,
        };
        let Some(active) = active else { return };
        let (session, desk) = (&active.session, &mut active.desk);
        match item {
            Item::Frames { stream, frames } => {
                // Sound that goes on must not hide that the pictures have ceased.
                if desk.counts(session, stream) {
                    self.line.on(Event::Unit(slot), Instant::now());
                    if slot == Slot::Kept {
                        self.testify(Some(Instant::now()));
                    }
                }
                self.frames(slot, stream, frames, arrival);
            }
            Item::Rtcp(packet) => desk.sender_reports(&packet, &mut self.outflow.clock, arrival),
            Item::Fault {
                stream,
                oversize,
                message,
            } => {
                if let Some(stream) = stream {
                    desk.lost(stream);
                }
                if slot == Slot::Kept {
                    self.outflow.lost(0, 1);
                }
                self.task.events.stream_fault(oversize, &message);
            }
        }
    }

    fn frames(
        &mut self,
        slot: Slot,
        stream: usize,
        frames: Vec<super::assemble::Frame>,
        arrival: i64,
    ) {
        let mut reached = false;
        for frame in frames {
            let active = match slot {
                Slot::Kept => &mut self.kept,
                Slot::Fresh => &mut self.fresh,
            };
            let Some(active) = active else { return };
            if slot == Slot::Kept {
                self.outflow.lost(frame.packets_lost, 0);
            }
            let clock = (&mut self.outflow.clock, arrival);
            let passed =
                active
                    .desk
                    .take(&active.session, stream, frame, clock, &self.task.events);
            let Some(unit) = passed else { continue };
            let verdict = match slot {
                Slot::Kept => self.outflow.kept(unit),
                Slot::Fresh => self.outflow.fresh(unit),
            };
            if verdict == Verdict::Reached {
                reached = true;
                if slot == Slot::Kept {
                    break;
                }
            }
        }
        if reached {
            self.splice();
        }
    }

    // --- Silence ---------------------------------------------------------------------------------

    /// Tells the line and the site's watch what has arrived.
    fn note_packets(&mut self) {
        let Some(kept) = &mut self.kept else { return };
        let Some(heard) = kept.session.heard().filter(|heard| Some(*heard) != self.heard) else {
            return;
        };
        self.heard = Some(heard);
        let paused = kept.session.take_pause();
        let silence = self.line.silent_since(heard);
        self.line.on(Event::Heard(Slot::Kept), heard);
        let long = |since: &Instant| {
            heard.saturating_duration_since(*since) >= self.line.dropout().mul_f64(PAUSE_SHARE)
        };
        if let Some(since) = silence.or(paused).filter(long) {
            let dropout = self.watch().heard(&self.task.camera.name, since, heard);
            if let Some(dropout) = dropout {
                self.task.events.site_dropout(dropout);
            }
        }
        if silence.is_some() {
            self.silent = None;
            if let Some(kept) = &mut self.kept {
                kept.rests_at = None;
            }
            self.finish_kick(true);
            self.outflow.resumed(heard);
        }
    }

    /// Another session has taken the place of one that was silent.
    fn speaks_again(&mut self) {
        if let Some(since) = self.silent.take() {
            let dropout = self
                .watch()
                .heard(&self.task.camera.name, since, Instant::now());
            if let Some(dropout) = dropout {
                self.task.events.site_dropout(dropout);
            }
        }
    }

    /// Tells those who want to know that the line has fallen silent.
    fn note_silence(&mut self, now: Instant) {
        let Some(since) = self
            .line
            .silent_since(now)
            .filter(|_| self.silent.is_none())
        else {
            return;
        };
        self.silent = Some(since);
        self.watch().silent(&self.task.camera.name, since);
        self.outflow.lull(Begin::Silence, since);
        self.task.events.fell_silent();
        if let Some(kept) = &mut self.kept {
            kept.rests_at = kept.session.rests_at();
        }
    }

    /// Tells the line that a kicked session's camera has answered, if with nothing but its TCP.
    fn note_acknowledged(&mut self) {
        if self.kicked
            && let Some(kept) = &self.kept
            && kept.session.is_acknowledged()
        {
            self.line.on(Event::Acknowledged, Instant::now());
        }
    }

    fn watch(&self) -> std::sync::MutexGuard<'_, super::watch::SiteWatch> {
        self.task
            .watch
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// The camera's silence, or its sound, can speak for the site's link from now on; or no more.
    fn testify(&mut self, now: Option<Instant>) {
        if self.testifies != now.is_some() {
            self.testifies = now.is_some();
            self.watch().plays(&self.task.camera.name, now);
        }
    }

    /// What is due now and then.
    async fn pulse(&mut self) {
        let now = Instant::now();
        if now < self.pulse_due {
            return;
        }
        self.pulse_due = now + PULSE;
        self.follow_plan(now);
        for slot in [Slot::Kept, Slot::Fresh] {
            let Some(active) = self.slot(slot) else { continue };
            if let Err(error) = active.session.pulse() {
                self.ended(slot, &error).await;
            }
        }
        self.note_packets();
        let reports = self.line.tolerance().kick && self.silent.is_none();
        if let Some(kept) = &mut self.kept {
            let lively = |heard: Instant| now.saturating_duration_since(heard) < LIVELY;
            if reports && kept.session.heard().is_some_and(lively) {
                match kept.session.report(now) {
                    Some(Sent::Whole) => kept.reported = Some(now),
                    // The session is spoilt and will say so.
                    Some(Sent::Broken | Sent::Busy) | None => {}
                }
            }
            let shut = |since: Instant| since.elapsed() > 2 * self.task.camera.first_unit;
            if kept.desk.shut_since().is_some_and(shut) {
                self.task.events.gate_stays_shut();
            }
        }
        self.outflow.pulse(now);
    }

    /// Begins and ends planned pauses.
    fn follow_plan(&mut self, now: Instant) {
        let plan = &self.task.camera.plan;
        let wall = CaptureTime::now();
        if self.plan_holds_until.is_some_and(|until| wall < until) {
            return;
        }
        let ahead = i64::try_from(AHEAD_OF_PLAN.as_nanos()).unwrap_or(0);
        let soon = CaptureTime::from_unix_nanos(wall.unix_nanos().saturating_add(ahead));
        let wanted = plan.is_wanted(wall) || plan.is_wanted(soon);
        // Looked up at least each minute: the home clock may be set.
        let minute = CaptureTime::from_unix_nanos(wall.unix_nanos().saturating_add(60_000_000_000));
        let change = plan.next_change(soon).map_or(minute, |change| {
            CaptureTime::from_unix_nanos(change.unix_nanos().saturating_sub(ahead)).min(minute)
        });
        let change = plan.next_change(wall).map_or(change, |next| change.min(next));
        self.plan_holds_until = Some(change);
        if wanted == self.wanted {
            return;
        }
        self.wanted = wanted;
        self.line.on(Event::Wanted(wanted), now);
        if wanted {
            self.outflow.pause_ends(now);
        } else {
            self.outflow.pause_begins(wall, plan.next_change(wall));
        }
    }

    fn show(&mut self, now: Instant) {
        let phase = self.line.phase(now);
        if self.task.status.phase() != phase {
            self.task.status.set(phase);
            self.task.events.phase(phase);
        }
    }

    async fn close(mut self) {
        self.testify(None);
        self.fresh = None;
        self.opening = None;
        if let Some(kept) = self.kept.take() {
            kept.session.close(&self.group).await;
        }
        self.task.status.set(Phase::Resting);
        self.task.events.phase(Phase::Resting);
    }
}

/// Tries a connect, and no more.
async fn probe(camera: Arc<Camera>) -> Probed {
    let host = camera
        .url
        .host_str()
        .unwrap_or_default()
        .trim_matches(['[', ']']);
    let connect = TcpStream::connect((host, camera.url.port().unwrap_or(554)));
    match tokio::time::timeout(PROBE_TIME, connect).await {
        Ok(Ok(_)) => Probed::Answered,
        Ok(Err(error)) if error.kind() == std::io::ErrorKind::ConnectionRefused => Probed::Answered,
        // By a router: the path is not there, or not yet.
        Ok(Err(error)) if is_unreachable(&error) => Probed::Silent,
        Ok(Err(error)) if error.kind() == std::io::ErrorKind::TimedOut => Probed::Silent,
        Ok(Err(error)) => Probed::Impossible(error),
        Err(_) => Probed::Silent,
    }
}

fn is_unreachable(error: &std::io::Error) -> bool {
    use std::io::ErrorKind::{HostUnreachable, NetworkDown, NetworkUnreachable};
    matches!(
        error.kind(),
        HostUnreachable | NetworkUnreachable | NetworkDown
    )
}

fn session_summary(session: &Session) -> String {
    let codecs: Vec<_> = session
        .assemblers()
        .map(|(_, assembler)| assembler.codec().as_str())
        .collect();
    codecs.join("+")
}
