//! The tasks of all cameras and sinks, and the order in which they end.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio::task::JoinSet;

use super::intake_thread::IntakeThread;
use super::{Shutdown, Trigger, keep, shutdown};
use crate::archive::Archive;
use crate::archive::findings::FindingsHandle;
use crate::archive::ledger::Ledger;
use crate::config::{Camera, Config, Sink};
use crate::hold::Hold;
use crate::intake::{CameraStatus, CameraTask, Door, SharedWatch, Turn};
use crate::pictures::{Lane, NoteFinding, PictureBoard, Source, Workshop};
use crate::sinks::{Engine, SinkTask, Surroundings, Tell, Told};
use crate::telemetry::{CameraEvents, PictureEvents, SinkEvents, SupervisorEvents, Telemetry};
use crate::units::{CameraName, SiteName};

/// How long the cameras' good-byes may take at shutdown.
const CAMERAS_TIME: Duration = Duration::from_millis(1200);
/// A task that is cut off ends where it next waits; guests do so at each epoch.
const DROP_TIME: Duration = Duration::from_millis(200);

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

/// Everything that runs for cameras and sinks.
#[derive(Debug)]
pub(super) struct Crew {
    cameras: JoinSet<()>,
    sinks: JoinSet<()>,
    /// Of pictures; they end with the sinks.
    lanes: JoinSet<()>,
    camera_trigger: Trigger,
    sink_trigger: Trigger,
    intake: IntakeThread,
    /// The cameras of each site, as each other's witnesses.
    watches: HashMap<SiteName, SharedWatch>,
}

/// Where everything that is to be kept goes.
#[derive(Debug, Clone)]
pub(super) struct Books {
    pub(super) archive: Archive,
    pub(super) ledger: Ledger,
    pub(super) findings: FindingsHandle,
}

/// What each task is made from.
struct Yard<'a> {
    config: &'a Config,
    telemetry: &'a Arc<Telemetry>,
    books: &'a Books,
    engine: &'a Arc<Engine>,
    workshop: Arc<Workshop>,
    supervisor: SupervisorEvents,
}

impl Crew {
    pub(super) fn start(
        config: &Config,
        telemetry: &Arc<Telemetry>,
        books: &Books,
        engine: &Arc<Engine>,
    ) -> std::io::Result<(Self, Vec<RunningCamera>)> {
        let supervisor = SupervisorEvents::new(telemetry);
        let findings = books.findings.clone();
        let note: NoteFinding = Arc::new(move |camera, finding| findings.note(camera, finding));
        let yard = Yard {
            config,
            telemetry,
            books,
            engine,
            workshop: Workshop::new(engine, &config.pictures, note),
            supervisor,
        };
        let (camera_trigger, camera_shutdown) = shutdown();
        let (sink_trigger, sink_shutdown) = shutdown();
        let mut crew = Self {
            cameras: JoinSet::new(),
            sinks: JoinSet::new(),
            lanes: JoinSet::new(),
            camera_trigger,
            sink_trigger,
            intake: IntakeThread::start()?,
            watches: HashMap::new(),
        };
        let mut running = Vec::new();
        for camera in &config.cameras {
            let hold = Hold::new(camera.hold.as_usize());
            let board = picture_board(&yard, camera);
            // Sinks first: their cursors stand at the beginning before the first unit arrives.
            for sink in config.sinks_of(&camera.name) {
                crew.start_sink(&yard, (camera, &board), sink, &hold, &sink_shutdown);
            }
            crew.start_lane(&yard, &board, (camera, Source::Main), &hold, &sink_shutdown);
            let door = Arc::new(Door::default());
            let analysis = camera.analysis().map(|camera| {
                let hold = Hold::new(camera.hold.as_usize());
                crew.start_lane(
                    &yard,
                    &board,
                    (&camera, Source::Analysis),
                    &hold,
                    &sink_shutdown,
                );
                let status = crew.start_stream(
                    &yard,
                    (&camera, Source::Analysis),
                    (&hold, &door),
                    &camera_shutdown,
                );
                RunningAnalysis { hold, status }
            });
            let status = crew.start_stream(
                &yard,
                (camera, Source::Main),
                (&hold, &door),
                &camera_shutdown,
            );
            running.push(RunningCamera {
                name: camera.name.clone(),
                hold,
                status,
                board,
                analysis,
            });
        }
        Ok((crew, running))
    }

    fn start_sink(
        &mut self,
        yard: &Yard<'_>,
        (camera, board): (&Camera, &PictureBoard),
        sink: &Sink,
        hold: &Arc<Hold>,
        shutdown: &Shutdown,
    ) {
        // A checked configuration has the site of each camera.
        let Some(site) = yard.config.site(&camera.site) else {
            return;
        };
        let events = SinkEvents::new(yard.telemetry, &camera.name, &sink.name, &sink.limits);
        let surroundings = Surroundings::new(
            camera.name.clone(),
            Arc::new(site.clone()),
            Arc::new(sink.clone()),
            Some(yard.books.archive.clone()),
            Some(events.clone()),
        )
        .with_ledger(&yard.books.ledger)
        .with_plan(camera.plan.clone())
        .with_findings(tell(&yard.books.findings));
        let name = format!("{}/{}", camera.name, sink.name);
        let (engine, hold, when_behind) =
            (Arc::clone(yard.engine), Arc::clone(hold), sink.when_behind);
        let board = board.clone();
        let make = move || SinkTask {
            engine: Arc::clone(&engine),
            cursor: hold.cursor(when_behind),
            board: board.clone(),
            surroundings: surroundings.clone(),
            events: events.clone(),
        };
        self.sinks.spawn(keep::alive(
            yard.supervisor.clone(),
            ("sink", name),
            shutdown.clone(),
            make(),
            SinkTask::run,
            make,
        ));
    }

    /// Makes pictures of one stream of a camera, once somebody wants some.
    fn start_lane(
        &mut self,
        yard: &Yard<'_>,
        board: &PictureBoard,
        (camera, source): (&Camera, Source),
        hold: &Arc<Hold>,
        shutdown: &Shutdown,
    ) {
        let lane = Lane {
            camera: camera.name.clone(),
            source,
            hold: Arc::clone(hold),
            board: board.clone(),
            workshop: Arc::clone(&yard.workshop),
        };
        self.lanes.spawn(keep::alive(
            yard.supervisor.clone(),
            ("pictures", format!("{}/{}", camera.name, source.as_str())),
            shutdown.clone(),
            lane.clone(),
            Lane::run,
            move || lane.clone(),
        ));
    }

    /// Pulls one stream of a camera into its hold.
    fn start_stream(
        &mut self,
        yard: &Yard<'_>,
        (camera, source): (&Camera, Source),
        (hold, door): (&Arc<Hold>, &Arc<Door>),
        shutdown: &Shutdown,
    ) -> Arc<CameraStatus> {
        let (turn, name, ledger, watch) = match source {
            Source::Main => (
                Turn::First,
                camera.name.to_string(),
                Some(yard.books.ledger.clone()),
                Arc::clone(self.watches.entry(camera.site.clone()).or_default()),
            ),
            Source::Analysis => (
                Turn::Second,
                format!("{} (analysis)", camera.name),
                None,
                SharedWatch::default(),
            ),
        };
        let task = CameraTask {
            camera: Arc::new(camera.clone()),
            hold: Arc::clone(hold),
            status: Arc::new(CameraStatus::default()),
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
        let status = Arc::clone(&task.status);
        let kept = keep::alive(
            yard.supervisor.clone(),
            ("camera", name),
            shutdown.clone(),
            task.clone(),
            CameraTask::run,
            move || task.clone(),
        );
        self.cameras.spawn_on(kept, self.intake.handle());
        status
    }

    /// Where the cameras' tasks run.
    pub(super) fn intake(&self) -> Handle {
        self.intake.handle().clone()
    }

    /// Ends the cameras, then the sinks: what arrived last is still recorded.
    pub(super) async fn stop(&mut self, deadline: Instant) {
        self.camera_trigger.pull();
        settle(&mut self.cameras, Instant::now() + CAMERAS_TIME).await;
        self.sink_trigger.pull();
        settle(&mut self.sinks, deadline).await;
        // With their plugins gone they have nothing to do; what they decode now nobody sees.
        settle(&mut self.lanes, deadline).await;
    }
}

/// The board of a camera, without anybody at it yet.
fn picture_board(yard: &Yard<'_>, camera: &Camera) -> PictureBoard {
    let events =
        |source| PictureEvents::new(yard.telemetry, &camera.name, source, &yard.config.pictures);
    let analysis = camera.analysis_url.as_ref();
    PictureBoard::new(
        events(Source::Main),
        analysis.map(|_| events(Source::Analysis)),
    )
}

/// Where an analyzer's findings go.
fn tell(findings: &FindingsHandle) -> Tell {
    let findings = findings.clone();
    Tell::to(move |camera, told| match told {
        Told::Finding(finding) => findings.note(camera, finding),
        Told::Score(finding) => findings.observe(camera, &finding),
    })
}

/// Waits for tasks to end; cuts off those that don't in time.
async fn settle(tasks: &mut JoinSet<()>, deadline: Instant) {
    let all = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout_at(deadline.into(), all).await.is_err() {
        tracing::warn!(
            tasks = tasks.len(),
            "tasks did not end in time and are cut off"
        );
        tasks.abort_all();
        // Dropped, they say how what they were at has ended, to those who end next.
        let dropped = async { while tasks.join_next().await.is_some() {} };
        if tokio::time::timeout(DROP_TIME, dropped).await.is_err() {
            tracing::warn!(
                tasks = tasks.len(),
                "tasks that were cut off have not ended"
            );
        }
    }
}
