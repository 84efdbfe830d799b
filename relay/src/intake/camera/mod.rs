//! The task of one camera: does what the line decides, and passes what its sessions give on to the
//! outflow. It waits for nothing but the camera.

mod media;
mod sessions;

use std::future::Future;
use std::pin::Pin;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use futures_util::StreamExt as _;
use futures_util::stream::FuturesUnordered;
use retina::client::SessionGroup;
use tokio::net::TcpStream;

use super::cause::{EndCause, SessionError};
use super::clock::SessionId;
use super::door::{Door, Turn};
use super::line::{Line, LineTimes};
use super::lull::Begin;
use super::outflow::{Outflow, SharedWatch};
use super::phase::Phase;
use super::session::{Item, Session, farewell};
use super::step::{Event, Slot, Step};
use super::wire::Sent;
use crate::archive::ledger::Ledger;
use crate::config::{Camera, LivePlan, Plan};
use crate::hold::Hold;
use crate::supervise::Shutdown;
use crate::telemetry::{CameraEvents, KickOutcome};
use crate::units::CaptureTime;
use sessions::Active;

/// How often a session is polled anew: a request that a camera sends to us stalls the RTSP library
/// until something polls it.
const PULSE: Duration = Duration::from_millis(500);
/// How long one connect may take while the path is looked for: the round trip of a satellite far
/// out, and some queue.
const PROBE_TIME: Duration = Duration::from_secs(3);

/// What others may know of a camera's task while it runs.
#[derive(Debug, Default)]
pub struct CameraStatus {
    phase: AtomicU8,
    told: Mutex<Told>,
}

#[derive(Debug, Default, Clone)]
struct Told {
    since: Option<CaptureTime>,
    error: Option<(SessionError, CaptureTime)>,
}

impl CameraStatus {
    /// What the line is doing now.
    #[must_use]
    pub fn phase(&self) -> Phase {
        let value = self.phase.load(Ordering::Relaxed);
        let known = Phase::ALL.into_iter().find(|phase| *phase as u8 == value);
        known.unwrap_or(Phase::Resting)
    }

    /// Since when, by the home clock; none before anything was done.
    #[must_use]
    pub fn since(&self) -> Option<CaptureTime> {
        self.told().since
    }

    /// Why the last session ended or could not be made, and when; none once one plays again.
    #[must_use]
    pub fn error(&self) -> Option<(SessionError, CaptureTime)> {
        self.told().error.clone()
    }

    fn set(&self, phase: Phase) {
        self.phase.store(phase as u8, Ordering::Relaxed);
        let mut told = self.told();
        told.since = Some(CaptureTime::now());
        if phase == Phase::Flowing {
            told.error = None;
        }
    }

    fn note(&self, error: &SessionError) {
        self.told().error = Some((error.clone(), CaptureTime::now()));
    }

    /// Held for a copy of a line of text, by the few who ask once a second.
    fn told(&self) -> MutexGuard<'_, Told> {
        self.told.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Pulls one camera into its hold.
#[derive(Debug, Clone)]
pub struct CameraTask {
    /// What the operator configured.
    pub camera: Arc<Camera>,
    /// When it is wanted.
    pub plan: LivePlan,
    /// Where units go.
    pub hold: Arc<Hold>,
    /// What the line is doing, for others to read.
    pub status: Arc<CameraStatus>,
    /// Logs and metrics of this camera.
    pub events: CameraEvents,
    /// Where missing footage is told; nothing for a stream that nobody wants kept.
    pub ledger: Option<Ledger>,
    /// The cameras of its site; for an analysis stream a watch of its own: a camera's two streams
    /// would be two witnesses of one.
    pub watch: SharedWatch,
    /// Where it takes turns with the camera's other stream, and which turn is its own.
    pub door: (Arc<Door>, Turn),
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
    /// Connections that ended right after a report, in a row.
    report_strikes: u32,
    /// Since when connects go unanswered without a session.
    unanswered: Option<Instant>,
    wanted: bool,
    /// The plan that was looked at last.
    plan: Arc<Plan>,
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
            report_strikes: 0,
            unanswered: None,
            wanted: true,
            plan: task.plan.now(),
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
                    return self.rest_quiet(now).map_or(until, |quiet| quiet.min(until));
                }
                Step::Probe => {
                    let camera = Arc::clone(&self.task.camera);
                    self.probes.push(match self.task.door.clone() {
                        (_, Turn::First) => Box::pin(probe(camera)),
                        (door, Turn::Second) => {
                            Box::pin(async move { door.aside(|| probe(Arc::clone(&camera))).await })
                        }
                    });
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
        let (door, turn) = self.task.door.clone();
        self.opening = Some(Box::pin(async move {
            match turn {
                Turn::First => door.first(Box::pin(Session::open(&camera, &group))).await,
                Turn::Second => {
                    let open = async |again| {
                        if again {
                            // Half a session may stand at the camera.
                            farewell(&group).await;
                        }
                        Box::pin(Session::open(&camera, &group)).await
                    };
                    door.second(open).await
                }
            }
        }));
    }

    fn kick(&mut self) {
        let Some(kept) = &mut self.kept else { return };
        match kept.session.kick() {
            Sent::Whole => {
                self.kicked = true;
                kept.reported = Some(Instant::now());
            }
            Sent::Busy => {
                self.line.on(Event::NoKick, Instant::now());
                self.task.events.kick(KickOutcome::Impossible);
            }
            Sent::Impossible => self.task.events.kick(KickOutcome::Impossible),
            Sent::Broken => kept.rests = false,
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
            Probed::Silent => self.outflow.path_silent(),
            Probed::Impossible(error) => {
                let error = SessionError::new(EndCause::Connect, format!("connect: {error}"));
                if self.kept.is_none() {
                    self.outflow.note(&error);
                    self.task.status.note(&error);
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
            self.task.status.note(&error);
            self.task.events.session_ended(&error);
        }
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
