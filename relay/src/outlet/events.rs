//! `/v1/events`: what changes, as it happens (server-sent events, HTML §9.2), and the task that looks.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::{HeaderMap, Uri, header};
use axum::response::Response;
use bytes::Bytes;
use futures_util::stream;
use serde::Serialize;
use tokio::sync::OwnedSemaphorePermit;
use tokio::sync::broadcast::{self, error::RecvError};
use tokio::time::MissedTickBehavior;

use super::error::Problem;
use super::query::Query;
use super::range;
use super::roll::{Roll, Spot};
use super::shop::Shop;
use super::state::{OpenState, Sight, SinkWord, State};
use crate::archive::findings::Episodes;
use crate::archive::findings::{Finding, Phase, Row, utc};
use crate::archive::ledger::Gap;
use crate::coverage::plain;
use crate::intake::Phase as LinePhase;
use crate::supervise::Shutdown;
use crate::telemetry::{News, Refusal, Telemetry};
use crate::units::{CameraName, CaptureTime, SinkName};

/// How often cameras are looked at.
const LOOK: Duration = Duration::from_secs(1);
/// Events that are kept for those who come back, and that wait for a slow listener.
const KEPT: usize = 512;
/// A line of nothing now and then: so both ends notice when the other is gone.
const PULSE: Duration = Duration::from_secs(15);
/// Open states of one camera; the kinds of a configuration are fewer.
const STATES_MAX: usize = 256;

/// Something that has changed.
#[derive(Debug)]
pub(super) struct Event {
    number: u64,
    camera: CameraName,
    kind: &'static str,
    data: String,
}

/// Looks at the cameras, and tells what changes.
#[derive(Debug)]
pub(super) struct Hub {
    /// Tells the runs of a relay apart.
    run: u64,
    inner: Mutex<Inner>,
    sender: broadcast::Sender<Arc<Event>>,
}

#[derive(Debug, Default)]
struct Inner {
    next: u64,
    kept: VecDeque<Arc<Event>>,
    states: HashMap<CameraName, State>,
    open: HashMap<CameraName, BTreeMap<(SinkName, String), OpenState>>,
    /// The last gap of each camera: it may go on.
    gaps: HashMap<CameraName, Gap>,
}

#[derive(Serialize)]
struct OfState<'a> {
    camera: &'a str,
    at: String,
    #[serde(flatten)]
    state: &'a State,
}

#[derive(Serialize)]
struct OfFinding<'a> {
    camera: &'a str,
    /// `begin` or `end` of a state, else empty.
    phase: &'static str,
    #[serde(flatten)]
    finding: Row<'a>,
}

#[derive(Serialize)]
struct OfGap<'a> {
    camera: &'a str,
    begin: String,
    end: String,
    seconds: f64,
    cause: &'static str,
    detail: String,
    lasts: bool,
}

impl Hub {
    /// Begins to look, until shutdown.
    pub(super) fn start(
        roll: &Arc<Roll>,
        telemetry: &Arc<Telemetry>,
        shutdown: &Shutdown,
    ) -> Arc<Self> {
        let begun = CaptureTime::now();
        let hub = Arc::new(Self {
            run: u64::try_from(begun.unix_nanos() / 1_000_000_000).unwrap_or(0),
            inner: Mutex::default(),
            sender: broadcast::Sender::new(KEPT),
        });
        let mut news = telemetry.news();
        let watch = Watch {
            hub: Arc::clone(&hub),
            roll: Arc::clone(roll),
            telemetry: Arc::clone(telemetry),
            seen: HashMap::new(),
        };
        let mut shutdown = shutdown.clone();
        tokio::spawn(async move {
            let mut watch = watch;
            let mut tick = tokio::time::interval(LOOK);
            tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
            loop {
                tokio::select! {
                    _ = tick.tick() => watch.look(),
                    told = news.recv() => match told {
                        Ok(told) => watch.hub.note(told),
                        Err(RecvError::Lagged(number)) => {
                            tracing::debug!(number, "news were too many to be told");
                        }
                        Err(RecvError::Closed) => break,
                    },
                    () = shutdown.requested() => break,
                }
            }
        });
        hub
    }

    /// How a camera is.
    pub(super) fn state(&self, camera: &CameraName) -> Option<State> {
        self.inner().states.get(camera).cloned()
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn tell(&self, camera: &CameraName, kind: &'static str, data: &impl Serialize) {
        let Ok(data) = serde_json::to_string(data) else {
            return;
        };
        let mut inner = self.inner();
        inner.next += 1;
        let event = Arc::new(Event {
            number: inner.next,
            camera: camera.clone(),
            kind,
            data,
        });
        if inner.kept.len() >= KEPT {
            inner.kept.pop_front();
        }
        inner.kept.push_back(Arc::clone(&event));
        // Nobody may be listening. Under the lock: numbers come in order.
        self.sender.send(event).ok();
    }

    fn note(&self, news: News) {
        match news {
            News::Finding(camera, finding) => self.finding(&camera, finding),
            News::Gap(camera, gap) => self.gap(&camera, gap),
        }
    }

    fn finding(&self, camera: &CameraName, finding: Finding) {
        let key = (finding.sink.clone(), finding.kind.clone());
        {
            let mut inner = self.inner();
            let open = inner.open.entry(camera.clone()).or_default();
            match finding.phase {
                Phase::Mark => {}
                Phase::Begin => {
                    if open.len() < STATES_MAX || open.contains_key(&key) {
                        let state = OpenState {
                            sink: SinkWord(finding.sink.clone()),
                            kind: finding.kind.clone(),
                            since: finding.at,
                            score: finding.score,
                            text: plain(&finding.text),
                        };
                        open.insert(key, state);
                    }
                }
                Phase::End => {
                    open.remove(&key);
                }
            }
        }
        let phase = finding.phase.as_str();
        // A finding by itself, told as what it begins, ends, or is.
        let mut one = Episodes::default();
        let told = one.push(finding).into_iter().chain(one.finish());
        for episode in told {
            let data = OfFinding {
                camera: camera.as_str(),
                phase,
                finding: Row::from(&episode),
            };
            self.tell(camera, "finding", &data);
        }
    }

    fn gap(&self, camera: &CameraName, mut gap: Gap) {
        {
            let mut inner = self.inner();
            if let Some(last) = inner.gaps.get(camera)
                && last.span.end == gap.span.begin
                && last.cause == gap.cause
            {
                // Settled piece by piece, it is one gap.
                gap.span.begin = last.span.begin;
            }
            inner.gaps.insert(camera.clone(), gap.clone());
        }
        let data = OfGap {
            camera: camera.as_str(),
            begin: utc(gap.span.begin),
            end: utc(gap.span.end),
            seconds: gap.span.nanos().max(0) as f64 / 1e9,
            cause: gap.cause.as_str(),
            detail: plain(&gap.detail),
            lasts: gap.lasts,
        };
        self.tell(camera, "gap", &data);
    }

    /// Keeps what a camera is judged to be; tells it where it has changed.
    fn judged(&self, camera: &CameraName, state: State) {
        let differs = {
            let mut inner = self.inner();
            let before = inner.states.insert(camera.clone(), state.clone());
            let kinds = |state: &State| -> Vec<_> {
                let told = state.problems.iter();
                told.map(|problem| (problem.kind, problem.text.clone()))
                    .collect()
            };
            before
                .is_none_or(|before| before.state != state.state || kinds(&before) != kinds(&state))
        };
        if differs {
            self.tell(camera, "state", &of_state(camera, &state));
        }
    }
}

fn of_state<'a>(camera: &'a CameraName, state: &'a State) -> OfState<'a> {
    OfState {
        camera: camera.as_str(),
        at: utc(CaptureTime::now()),
        state,
    }
}

/// What was seen of a camera before.
#[derive(Debug)]
struct Seen {
    /// When it was seen first: the relay had just begun with it.
    begun: CaptureTime,
    units: u64,
    newest: Option<(CaptureTime, CaptureTime)>,
    idle: BTreeMap<SinkName, CaptureTime>,
}

/// Looks at all cameras once a second.
struct Watch {
    hub: Arc<Hub>,
    roll: Arc<Roll>,
    telemetry: Arc<Telemetry>,
    seen: HashMap<CameraName, Seen>,
}

impl Watch {
    fn look(&mut self) {
        let now = CaptureTime::now();
        let spots = self.roll.spots();
        self.forget(&spots);
        let sights: Vec<_> = spots.iter().map(|spot| self.sight(spot, now)).collect();
        for sight in &sights {
            let others = sights.iter().filter(|other| {
                other.site == sight.site
                    && other.camera != sight.camera
                    && other.phase != LinePhase::Paused
            });
            let (heard, silent): (Vec<_>, Vec<_>) = others.partition(|other| other.is_heard());
            let mut sight = sight.clone();
            sight.others = (heard.len(), silent.len());
            let state = sight.judge(self.hub.state(&sight.camera).as_ref());
            self.hub.judged(&sight.camera, state);
        }
        for spot in spots.iter() {
            spot.audience.look(Instant::now());
            spot.channel.look();
        }
    }

    /// What was known of cameras, and of sinks on them, that are not there any more.
    fn forget(&mut self, spots: &[Arc<Spot>]) {
        let spot = |camera: &CameraName| spots.iter().find(|spot| spot.name == *camera);
        self.seen.retain(|camera, seen| {
            let Some(spot) = spot(camera) else {
                return false;
            };
            seen.idle.retain(|sink, _| spot.sinks.contains(sink));
            true
        });
        let mut inner = self.hub.inner();
        inner.states.retain(|camera, _| spot(camera).is_some());
        inner.gaps.retain(|camera, _| spot(camera).is_some());
        inner.open.retain(|camera, _| spot(camera).is_some());
    }

    fn sight(&mut self, spot: &Spot, now: CaptureTime) -> Sight {
        let seen = self.seen.entry(spot.name.clone()).or_insert(Seen {
            begun: now,
            units: 0,
            newest: None,
            idle: BTreeMap::new(),
        });
        let units = spot.hold.units_pushed();
        if units != seen.units {
            seen.units = units;
            seen.newest = spot.hold.newest().map(|unit| (unit.captured, now));
        }
        for sink in &spot.sinks {
            match self.telemetry.is_plugin_up(&spot.name, sink) {
                true => {
                    seen.idle.remove(sink);
                }
                false => {
                    seen.idle.entry(sink.clone()).or_insert(now);
                }
            }
        }
        let states = {
            let inner = self.hub.inner();
            let open = inner.open.get(&spot.name);
            open.map(|open| open.values().cloned().collect())
        };
        let gap = self.telemetry.gap_begin_seconds(&spot.name);
        Sight {
            camera: spot.name.clone(),
            site: spot.site.name.clone(),
            now,
            begun: seen.begun,
            phase: spot.status.phase(),
            phase_since: spot.status.since(),
            error: spot
                .status
                .error()
                .map(|(error, at)| (error.cause, error.message, at)),
            newest: seen.newest,
            gap: gap.map(|seconds| CaptureTime::from_unix_nanos((seconds * 1e9) as i64)),
            idle_sinks: seen
                .idle
                .iter()
                .map(|(sink, since)| (sink.clone(), *since))
                .collect(),
            states: states.unwrap_or_default(),
            others: (0, 0),
        }
    }
}

/// Begins to tell.
///
/// # Errors
/// Where too many listen.
pub(super) fn listen(shop: &Shop, uri: &Uri, headers: &HeaderMap) -> Result<Response, Problem> {
    let query = Query::of(uri, &["camera"])?;
    let only = query
        .get("camera")
        .map(|name| shop.spot(name))
        .transpose()?;
    let only = only.map(|spot| spot.name.clone());
    let Ok(place) = Arc::clone(&shop.listeners).try_acquire_owned() else {
        shop.events.refused(Refusal::Viewers, None);
        return Err(Problem::later(
            "too many listeners",
            "as many streams of events as this relay sends at a time are open",
            "Close some, or fetch /v1/cameras now and then.",
            10,
        ));
    };
    let hub = &shop.hub;
    let last = headers.get("last-event-id").and_then(|id| id.to_str().ok());
    let receiver = hub.sender.subscribe();
    let mut listener = Listener {
        run: hub.run,
        waiting: VecDeque::new(),
        receiver,
        told: 0,
        only,
        shutdown: shop.shutdown.clone(),
        _place: place,
    };
    listener.catch_up(hub, &shop.roll.spots(), last);
    let body = stream::unfold(listener, |mut listener| async move {
        let text = listener.next().await?;
        let text = Ok::<_, std::convert::Infallible>(Bytes::from(text));
        Some((text, listener))
    });
    let mut response = Response::new(Body::from_stream(body));
    range::set(
        response.headers_mut(),
        header::CONTENT_TYPE,
        "text/event-stream",
    );
    Ok(response)
}

struct Listener {
    run: u64,
    waiting: VecDeque<String>,
    receiver: broadcast::Receiver<Arc<Event>>,
    /// Number of the last event told.
    told: u64,
    only: Option<CameraName>,
    shutdown: Shutdown,
    _place: OwnedSemaphorePermit,
}

impl Listener {
    /// What was missed since the last one, or how all cameras are now.
    fn catch_up(&mut self, hub: &Hub, spots: &[Arc<Spot>], last: Option<&str>) {
        let (kept, next) = {
            let inner = hub.inner();
            (inner.kept.clone(), inner.next)
        };
        self.told = next;
        let last = last.and_then(|id| id.split_once('-'));
        let last = last.filter(|(run, _)| *run == hub.run.to_string());
        let last: Option<u64> = last.and_then(|(_, number)| number.parse().ok());
        let oldest = kept.front().map_or(next, |event| event.number);
        if let Some(last) = last.filter(|last| last.saturating_add(1) >= oldest && *last <= next) {
            let missed = kept.iter().filter(|event| event.number > last);
            for event in missed {
                self.push(event);
            }
            return;
        }
        for spot in spots {
            let other = self.only.as_ref().is_some_and(|only| *only != spot.name);
            if let Some(state) = hub.state(&spot.name).filter(|_| !other)
                && let Ok(data) = serde_json::to_string(&of_state(&spot.name, &state))
            {
                self.waiting
                    .push_back(text("state", Some((self.run, next)), &data));
            }
        }
        // So that something is sent at once.
        self.waiting.push_back(":\n\n".to_owned());
    }

    fn push(&mut self, event: &Event) {
        if self.only.as_ref().is_none_or(|only| *only == event.camera) {
            let id = (self.run, event.number);
            self.waiting
                .push_back(text(event.kind, Some(id), &event.data));
        }
    }

    async fn next(&mut self) -> Option<String> {
        loop {
            if let Some(text) = self.waiting.pop_front() {
                return Some(text);
            }
            let received = tokio::select! {
                received = self.receiver.recv() => received,
                () = tokio::time::sleep(PULSE) => return Some(":\n\n".to_owned()),
                () = self.shutdown.requested() => return None,
            };
            match received {
                Ok(event) if event.number > self.told => self.push(&event),
                Ok(_) => {}
                Err(RecvError::Lagged(number)) => {
                    return Some(text("missed", None, &format!("{{\"events\":{number}}}")));
                }
                Err(RecvError::Closed) => return None,
            }
        }
    }
}

/// JSON has no line feeds of its own.
fn text(kind: &str, id: Option<(u64, u64)>, data: &str) -> String {
    let id = id.map(|(run, number)| format!("id: {run}-{number}\n"));
    format!("event: {kind}\n{}data: {data}\n\n", id.unwrap_or_default())
}
