//! Start-up, order of shutdown, and what keeps tasks alive.

mod keep;
mod shutdown;
pub mod signals;
mod systemd;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::task::JoinSet;

pub use shutdown::{Shutdown, Trigger, shutdown};

use crate::archive::{Archive, ArchiveOptions, OpenError, RealDisk};
use crate::config::{Config, SecretError};
use crate::hold::Hold;
use crate::intake::{CameraStatus, CameraTask};
use crate::outlet::Outlet;
use crate::sinks::{Engine, LoadError, SinkTask, Surroundings};
use crate::telemetry::{ArchiveEvents, CameraEvents, SinkEvents, SupervisorEvents, Telemetry};

/// Everything ends within this time after the request to stop: systemd and people wait for it.
const SHUTDOWN_TIME: Duration = Duration::from_secs(5);
/// Share of it that the cameras' good-byes may take.
const CAMERAS_TIME: Duration = Duration::from_secs(2);
/// What is kept for the archive after the sinks.
const ARCHIVE_TIME: Duration = Duration::from_millis(500);
const SPACE_PERIOD: Duration = Duration::from_secs(10);

/// Why the relay could not start, or ended.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The address can't be listened on.
    #[error("can't listen on {address}")]
    Listen {
        /// What `listen` says.
        address: SocketAddr,
        /// The system's words.
        source: std::io::Error,
    },
    /// The spool can't be used.
    #[error("the archive can't be opened")]
    Archive(#[from] OpenError),
    /// Plugins can't run here.
    #[error("the plugin engine can't start")]
    Engine(#[from] LoadError),
    /// The token can't be read.
    #[error("the token can't be read")]
    Token(#[from] SecretError),
    /// A part of the relay failed by a defect.
    #[error("a part of the relay failed")]
    Task(#[from] tokio::task::JoinError),
}

/// What a caller may want to know of a running relay.
#[derive(Debug, Clone)]
pub struct Running {
    /// Where HTTP is served: tells the port where the configuration says 0.
    pub address: SocketAddr,
    /// Every metric.
    pub telemetry: Arc<Telemetry>,
}

/// Runs the relay until `stop` is requested, then ends within 5 s with everything published that
/// can be. `started` is called once everything runs.
///
/// # Errors
/// When it can't start. Afterwards nothing ends it but the request.
pub async fn run(
    config: Config,
    mut stop: Shutdown,
    started: impl FnOnce(&Running),
) -> Result<(), RunError> {
    let telemetry = Arc::new(Telemetry::new());
    // Early: two relays by mistake are told apart before one touches the other's spool.
    let token = config.relay.read_token()?;
    let outlet = Outlet::bind(config.relay.listen, token, Arc::clone(&telemetry))
        .await
        .map_err(|source| RunError::Listen { address: config.relay.listen, source })?;
    let running = Running { address: outlet.address(), telemetry: Arc::clone(&telemetry) };
    let (http_trigger, http_shutdown) = shutdown();
    let readiness = outlet.readiness();
    let http = tokio::spawn(outlet.serve(http_shutdown));

    let archive_events = ArchiveEvents::new(&telemetry);
    let archive = open_archive(&config, archive_events.clone()).await?;
    let cache = config.relay.plugin_cache.clone();
    let engine = tokio::task::spawn_blocking(move || Engine::new(Some(&cache))).await??;

    let supervisor = SupervisorEvents::new(&telemetry);
    let (camera_trigger, camera_shutdown) = shutdown();
    let (sink_trigger, sink_shutdown) = shutdown();
    let mut cameras = JoinSet::new();
    let mut sinks = JoinSet::new();
    for camera in &config.cameras {
        let hold = Hold::new(camera.hold.as_usize());
        // Sinks first: their cursors stand at the beginning before the first unit arrives.
        for sink in config.sinks_of(&camera.name) {
            let Some(site) = config.site(&camera.site) else { continue };
            let limits = sink.limits;
            let events = SinkEvents::new(
                &telemetry,
                &camera.name,
                &sink.name,
                limits.memory.bytes(),
                limits.held.bytes(),
            );
            let surroundings = Surroundings::new(
                camera.name.clone(),
                Arc::new(site.clone()),
                Arc::new(sink.clone()),
                Some(archive.clone()),
                Some(events.clone()),
            );
            let task = SinkTask {
                engine: Arc::clone(&engine),
                cursor: hold.cursor(sink.when_behind),
                surroundings,
                events,
            };
            let name = format!("{}/{}", camera.name, sink.name);
            let (when_behind, hold) = (sink.when_behind, Arc::clone(&hold));
            sinks.spawn(keep::alive(
                supervisor.clone(),
                ("sink", name),
                sink_shutdown.clone(),
                task,
                SinkTask::run,
                move |task| task.anew(hold.cursor(when_behind)),
            ));
        }
        let task = CameraTask {
            camera: Arc::new(camera.clone()),
            hold: Arc::clone(&hold),
            status: Arc::new(CameraStatus::default()),
            events: CameraEvents::new(&telemetry, &camera.name, hold.bytes_max()),
        };
        cameras.spawn(keep::alive(
            supervisor.clone(),
            ("camera", camera.name.to_string()),
            camera_shutdown.clone(),
            task,
            CameraTask::run,
            CameraTask::clone,
        ));
    }
    let sampler = tokio::spawn(sample(archive.clone(), archive_events));
    readiness.ready();
    systemd::ready();
    let watchdog = tokio::spawn(systemd::watchdog());
    tracing::info!(
        address = %running.address, cameras = config.cameras.len(), sinks = sinks.len(),
        archive = %config.relay.archive.display(), "relay started"
    );
    started(&running);

    stop.requested().await;
    let deadline = Instant::now() + SHUTDOWN_TIME;
    tracing::info!("shutting down");
    systemd::stopping();
    readiness.stopping();
    camera_trigger.pull();
    settle(&mut cameras, Instant::now() + CAMERAS_TIME).await;
    sink_trigger.pull();
    settle(&mut sinks, deadline - ARCHIVE_TIME).await;
    sampler.abort();
    watchdog.abort();
    let patience = deadline.saturating_duration_since(Instant::now()).max(ARCHIVE_TIME / 2);
    // The archive's threads may be in a call that a hung disk never answers: don't wait for them.
    let closing = tokio::task::spawn_blocking(move || archive.close(patience));
    let closed = tokio::time::timeout(patience + ARCHIVE_TIME, closing).await;
    if !matches!(closed, Ok(Ok(true))) {
        tracing::warn!("not everything could be published; the next start goes on with it");
    }
    http_trigger.pull();
    if tokio::time::timeout(ARCHIVE_TIME, http).await.is_err() {
        tracing::debug!("HTTP connections were cut");
    }
    tracing::info!("relay ended");
    Ok(())
}

async fn open_archive(config: &Config, events: ArchiveEvents) -> Result<Archive, RunError> {
    let options = ArchiveOptions::new(&config.relay.spool, &config.relay.archive);
    let on_event = Arc::new(move |event| events.note(&event));
    let opening =
        tokio::task::spawn_blocking(move || Archive::open(options, Arc::new(RealDisk), on_event));
    let (archive, report) = opening.await??;
    if report != crate::archive::RecoveryReport::default() {
        tracing::info!(
            published = report.published, repaired = report.repaired, set_aside = report.set_aside,
            deferred = report.deferred, bytes_cut = report.bytes_cut, empty = report.empty,
            unknown = report.unknown, failed = report.failed, "left from the last run"
        );
    }
    Ok(archive)
}

/// Waits for tasks to end; cuts off those that don't in time.
async fn settle(tasks: &mut JoinSet<()>, deadline: Instant) {
    let all = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout_at(deadline.into(), all).await.is_err() {
        tracing::warn!(tasks = tasks.len(), "tasks did not end in time and are cut off");
        tasks.abort_all();
    }
}

/// Watches the archive's file systems. A file system that hangs keeps one thread, not many.
async fn sample(archive: Archive, events: ArchiveEvents) {
    let mut tick = tokio::time::interval(SPACE_PERIOD);
    loop {
        tick.tick().await;
        events.open_objects(archive.open_objects());
        let archive = archive.clone();
        match tokio::task::spawn_blocking(move || archive.space()).await {
            Ok(Ok(spaces)) => {
                for (index, space) in spaces.iter().enumerate() {
                    events.space(index, space.free_bytes, space.total_bytes);
                }
            }
            Ok(Err(error)) => tracing::warn!(%error, "can't tell the free space"),
            Err(error) => tracing::warn!(%error, "can't tell the free space"),
        }
    }
}
