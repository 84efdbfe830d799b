//! All that runs for one camera, and what of it a new configuration touches.

use std::sync::Arc;

use tokio::runtime::Handle;

use super::crew::Books;
use super::difference::{Fate, Stay};
use super::member::Member;
use super::{Shutdown, keep};
use crate::archive::findings::FindingsHandle;
use crate::config::{ByteCount, Camera, Config, LivePlan, Pictures, Sink, Site};
use crate::hold::{Cursor, Hold};
use crate::intake::{CameraStatus, CameraTask, Door, SharedWatch, Turn};
use crate::pictures::{Lane, PictureBoard, Source, Workshop};
use crate::sinks::{Engine, SinkTask, Surroundings, Tell, Told};
use crate::telemetry::{CameraEvents, PictureEvents, SinkEvents, SupervisorEvents, Telemetry};
use crate::units::{CameraName, SiteName};

/// A camera of a running relay.
#[derive(Debug, Clone)]
pub struct RunningCamera {
    /// Its name.
    pub name: CameraName,
    /// Its recent units.
    pub hold: Arc<Hold>,
    /// What its line is doing.
    pub status: Arc<CameraStatus>,
    /// Where its pictures are handed out.
    pub board: PictureBoard,
    /// Its second stream, where it has one.
    pub analysis: Option<RunningAnalysis>,
}

/// The analysis stream of a camera.
#[derive(Debug, Clone)]
pub struct RunningAnalysis {
    /// Its recent units.
    pub hold: Arc<Hold>,
    /// What its line is doing.
    pub status: Arc<CameraStatus>,
}

/// What tasks are made from.
pub(super) struct Yard<'a> {
    pub(super) telemetry: &'a Arc<Telemetry>,
    pub(super) books: &'a Books,
    pub(super) engine: &'a Arc<Engine>,
    pub(super) workshop: &'a Arc<Workshop>,
    pub(super) supervisor: &'a SupervisorEvents,
    pub(super) pictures: &'a Pictures,
    /// Where lines run, and where everything else does.
    pub(super) intake: Handle,
    pub(super) others: Handle,
}

/// What a configuration says of one camera.
pub(super) struct Orders<'a> {
    camera: &'a Camera,
    site: &'a Site,
    sinks: Vec<&'a Sink>,
}

impl<'a> Orders<'a> {
    /// None where there is no such camera, or no site, which a checked configuration has.
    pub(super) fn of(config: &'a Config, name: &CameraName) -> Option<Self> {
        let camera = config.cameras.iter().find(|camera| camera.name == *name)?;
        Some(Self {
            camera,
            site: config.site(&camera.site)?,
            sinks: config.sinks_of(name).collect(),
        })
    }
}

/// Tasks that are to end, in the order in which they are asked to.
#[derive(Debug, Default)]
pub(super) struct Leaving {
    pub(super) lines: Vec<Member>,
    pub(super) sinks: Vec<Member>,
    pub(super) lanes: Vec<Member>,
}

/// All that runs for one camera.
#[derive(Debug)]
pub(super) struct Post {
    camera: Camera,
    site: Site,
    plan: LivePlan,
    board: PictureBoard,
    door: Arc<Door>,
    main: Stream,
    analysis: Option<Stream>,
    sinks: Vec<Seat>,
}

/// One stream of a camera: what runs for it, or is to be begun.
#[derive(Debug)]
struct Stream {
    hold: Arc<Hold>,
    status: Arc<CameraStatus>,
    line: Option<Member>,
    lane: Option<Member>,
}

impl Stream {
    fn new(hold: ByteCount) -> Self {
        Self {
            hold: Hold::new(hold.as_usize()),
            status: Arc::default(),
            line: None,
            lane: None,
        }
    }

    /// It is to be pulled anew, as `camera` says.
    fn renew(&mut self, camera: &Camera, leaving: &mut Leaving) {
        self.hold.resize(camera.hold.as_usize());
        leaving.lines.extend(self.line.take());
    }

    fn leave(&mut self, leaving: &mut Leaving) {
        leaving.lines.extend(self.line.take());
        leaving.lanes.extend(self.lane.take());
    }
}

/// A sink on this camera: what runs, or is to be begun.
#[derive(Debug)]
struct Seat {
    sink: Sink,
    task: Option<Member>,
    /// Where it begins to read: kept from before the one that ended had been asked to, so that
    /// nothing falls between the two.
    cursor: Option<Cursor>,
}

impl Post {
    /// Nothing runs yet.
    pub(super) fn new(yard: &Yard<'_>, orders: &Orders<'_>) -> Self {
        let camera = orders.camera;
        Self {
            board: PictureBoard::new(picture_events(yard, camera, Source::Main), None),
            plan: camera.plan.clone().into(),
            door: Arc::default(),
            main: Stream::new(camera.hold),
            analysis: None,
            sinks: orders.sinks.iter().map(|sink| Seat::new(sink)).collect(),
            camera: camera.clone(),
            site: orders.site.clone(),
        }
    }

    /// Whose it is, and where.
    pub(super) fn place(&self) -> (CameraName, SiteName) {
        (self.camera.name.clone(), self.camera.site.clone())
    }

    pub(super) fn running(&self) -> RunningCamera {
        RunningCamera {
            name: self.camera.name.clone(),
            hold: Arc::clone(&self.main.hold),
            status: Arc::clone(&self.main.status),
            board: self.board.clone(),
            analysis: self.analysis.as_ref().map(|stream| RunningAnalysis {
                hold: Arc::clone(&stream.hold),
                status: Arc::clone(&stream.status),
            }),
        }
    }

    /// All of it ends.
    pub(super) fn leave(&mut self, leaving: &mut Leaving) {
        self.main.leave(leaving);
        if let Some(stream) = &mut self.analysis {
            stream.leave(leaving);
        }
        leaving
            .sinks
            .extend(self.sinks.drain(..).filter_map(|seat| seat.task));
    }

    /// Takes new orders: what they touch ends, and is begun by [`begin_lines`](Self::begin_lines) and
    /// [`fill`](Self::fill). `pictures`: they are decoded in another way.
    pub(super) fn change(
        &mut self,
        orders: &Orders<'_>,
        stay: &Stay,
        pictures: bool,
        leaving: &mut Leaving,
    ) {
        self.camera = orders.camera.clone();
        self.site = orders.site.clone();
        if stay.plan {
            self.plan.replace(self.camera.plan.clone());
        }
        if stay.line {
            self.main.renew(&self.camera, leaving);
        }
        match (stay.analysis, &mut self.analysis, self.camera.analysis()) {
            (Some(Fate::Renewed), Some(stream), Some(camera)) => stream.renew(&camera, leaving),
            (Some(Fate::Removed), Some(stream), _) => {
                stream.leave(leaving);
                self.analysis = None;
                self.board.set_analysis(None);
            }
            _ => {}
        }
        if pictures {
            leaving.lanes.extend(self.main.lane.take());
            leaving
                .lanes
                .extend(self.analysis.as_mut().and_then(|stream| stream.lane.take()));
        }
        let mut before = std::mem::take(&mut self.sinks);
        for sink in &orders.sinks {
            let known = before.iter().position(|seat| seat.sink.name == sink.name);
            let Some(mut seat) = known.map(|known| before.swap_remove(known)) else {
                self.sinks.push(Seat::new(sink));
                continue;
            };
            if stay.of(&sink.name) != Fate::Kept {
                seat.cursor = Some(self.main.hold.cursor(sink.when_behind));
                leaving.sinks.extend(seat.task.take());
            }
            seat.sink = (*sink).clone();
            self.sinks.push(seat);
        }
        leaving
            .sinks
            .extend(before.into_iter().filter_map(|seat| seat.task));
    }

    /// Begins all that doesn't run.
    pub(super) fn fill(&mut self, yard: &Yard<'_>, watch: &SharedWatch) {
        // Sinks first: their cursors stand at the beginning before the first unit arrives.
        for seat in &mut self.sinks {
            if seat.task.is_none() {
                let place = (&self.camera, &self.site, &self.plan);
                seat.task = Some(seat_task(yard, place, &self.board, &self.main.hold, seat));
            }
        }
        let second = self.camera.analysis();
        if let (Some(camera), None) = (&second, &self.analysis) {
            self.analysis = Some(Stream::new(camera.hold));
            let events = picture_events(yard, camera, Source::Analysis);
            self.board.set_analysis(Some(events));
        }
        let streams = [
            (Source::Main, Some(&self.camera), Some(&mut self.main)),
            (Source::Analysis, second.as_ref(), self.analysis.as_mut()),
        ];
        for (source, camera, stream) in streams {
            if let (Some(camera), Some(stream)) = (camera, stream)
                && stream.lane.is_none()
            {
                // The bounds of decoding in the metrics may be others now.
                drop(picture_events(yard, camera, source));
                stream.lane = Some(lane(yard, &self.board, (camera, source), &stream.hold));
            }
        }
        self.begin_lines(yard, watch);
    }

    /// Begins lines that don't run.
    pub(super) fn begin_lines(&mut self, yard: &Yard<'_>, watch: &SharedWatch) {
        let second = self.camera.analysis();
        if let (Some(stream), Some(camera)) = (&mut self.analysis, &second)
            && stream.line.is_none()
        {
            // A camera's two streams would be two witnesses that always agree.
            let shared = (&self.door, SharedWatch::default(), &self.plan);
            stream.line = Some(line(yard, (camera, Source::Analysis), stream, shared));
        }
        if self.main.line.is_none() {
            let shared = (&self.door, Arc::clone(watch), &self.plan);
            self.main.line = Some(line(yard, (&self.camera, Source::Main), &self.main, shared));
        }
    }
}

impl Seat {
    fn new(sink: &Sink) -> Self {
        Self {
            sink: sink.clone(),
            task: None,
            cursor: None,
        }
    }
}

fn picture_events(yard: &Yard<'_>, camera: &Camera, source: Source) -> PictureEvents {
    PictureEvents::new(yard.telemetry, &camera.name, source, yard.pictures)
}

fn seat_task(
    yard: &Yard<'_>,
    (camera, site, plan): (&Camera, &Site, &LivePlan),
    board: &PictureBoard,
    hold: &Arc<Hold>,
    seat: &mut Seat,
) -> Member {
    let sink = &seat.sink;
    let events = SinkEvents::new(yard.telemetry, &camera.name, &sink.name, &sink.limits);
    let surroundings = Surroundings::new(
        camera.name.clone(),
        Arc::new(site.clone()),
        Arc::new(sink.clone()),
        Some(yard.books.archive.clone()),
        Some(events.clone()),
    )
    .with_ledger(&yard.books.ledger)
    .with_plan(plan.clone())
    .with_findings(tell(&yard.books.findings));
    let name = format!("{}/{}", camera.name, sink.name);
    let (engine, hold, when_behind) = (Arc::clone(yard.engine), Arc::clone(hold), sink.when_behind);
    let board = board.clone();
    let first = seat.cursor.take();
    let make = move |cursor: Option<Cursor>| SinkTask {
        engine: Arc::clone(&engine),
        cursor: cursor.unwrap_or_else(|| hold.cursor(when_behind)),
        board: board.clone(),
        surroundings: surroundings.clone(),
        events: events.clone(),
    };
    let task = make(first);
    let label = ("sink", name);
    start(yard, &yard.others, label, task, SinkTask::run, move || {
        make(None)
    })
}

/// Makes pictures of one stream of a camera, once somebody wants some.
fn lane(
    yard: &Yard<'_>,
    board: &PictureBoard,
    (camera, source): (&Camera, Source),
    hold: &Arc<Hold>,
) -> Member {
    let lane = Lane {
        camera: camera.name.clone(),
        source,
        hold: Arc::clone(hold),
        board: board.clone(),
        workshop: Arc::clone(yard.workshop),
    };
    let label = ("pictures", format!("{}/{}", camera.name, source.as_str()));
    start(
        yard,
        &yard.others,
        label,
        lane.clone(),
        Lane::run,
        move || lane.clone(),
    )
}

/// Pulls one stream of a camera into its hold.
fn line(
    yard: &Yard<'_>,
    (camera, source): (&Camera, Source),
    stream: &Stream,
    (door, watch, plan): (&Arc<Door>, SharedWatch, &LivePlan),
) -> Member {
    let hold = &stream.hold;
    let (turn, name, ledger) = match source {
        Source::Main => (
            Turn::First,
            camera.name.to_string(),
            Some(yard.books.ledger.clone()),
        ),
        Source::Analysis => (Turn::Second, format!("{} (analysis)", camera.name), None),
    };
    let task = CameraTask {
        camera: Arc::new(camera.clone()),
        plan: plan.clone(),
        hold: Arc::clone(hold),
        status: Arc::clone(&stream.status),
        events: CameraEvents::new(
            yard.telemetry,
            (&camera.name, &camera.site),
            source,
            (hold.bytes_max(), camera.splice_bytes_max()),
        ),
        ledger,
        watch,
        door: (Arc::clone(door), turn),
    };
    let label = ("camera", name);
    start(
        yard,
        &yard.intake,
        label,
        task.clone(),
        CameraTask::run,
        move || task.clone(),
    )
}

/// Starts a task that is kept alive.
fn start<T, F>(
    yard: &Yard<'_>,
    runtime: &Handle,
    label: (&'static str, String),
    task: T,
    run: impl Fn(T, Shutdown) -> F + Send + 'static,
    again: impl Fn() -> T + Send + 'static,
) -> Member
where
    T: Send + 'static,
    F: Future<Output = ()> + Send + 'static,
{
    let events = yard.supervisor.clone();
    Member::start(runtime, |shutdown| {
        keep::alive(events, label, shutdown, task, run, again)
    })
}

/// Where an analyzer's findings go.
fn tell(findings: &FindingsHandle) -> Tell {
    let findings = findings.clone();
    Tell::to(move |camera, told| match told {
        Told::Finding(finding) => findings.note(camera, finding),
        Told::Score(finding) => findings.observe(camera, &finding),
    })
}
