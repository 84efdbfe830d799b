//! Start-up, order of shutdown, and what keeps tasks alive.

mod crew;
mod heartbeat;
mod intake_thread;
mod keep;
mod shutdown;
pub mod signals;
mod systemd;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

pub use shutdown::{Shutdown, Trigger, shutdown};
use tokio::task::JoinSet;

use crate::archive::findings::FindingsHandle;
use crate::archive::ladder::{LadderHandle, LadderOptions};
use crate::archive::ledger::{Ledger, LedgerFeed, LedgerInbox, LedgerOptions};
use crate::archive::place::PlaceError;
use crate::archive::scrub::{ScrubOptions, Scrubber};
use crate::archive::{Archive, ArchiveOptions, CarryOptions, OpenError, place};
use crate::config::{Config, SecretError};
use crate::lease::{Lease, LeaseAt, LeaseError};
use crate::outlet::{Outlet, Readiness};
use crate::sinks::{Engine, LoadError};
use crate::telemetry::{
    ArchiveEvents, FindingsEvents, LadderEvents, LeaseEvents, LedgerEvents, ScrubEvents,
    StoreEvents, Telemetry,
};
use crew::{Books, Crew};

pub use crew::{RunningAnalysis, RunningCamera};

/// What has not ended so long after the request to stop is cut off: with the last answers to HTTP
/// that makes the 5 s that systemd and people wait for.
const SHUTDOWN_TIME: Duration = Duration::from_millis(4500);
/// What is kept for the findings after the sinks.
const FINDINGS_TIME: Duration = Duration::from_millis(200);
/// What is kept for the ledger after the findings, whose last files it lists.
const LEDGER_TIME: Duration = Duration::from_millis(600);
/// What is kept for the archive after the ledger.
const ARCHIVE_TIME: Duration = Duration::from_millis(500);
/// What answers to HTTP may still take.
const HTTP_TIME: Duration = Duration::from_millis(200);
/// What giving the lease back may take: who waits for it takes it over anyway, only later.
const RELEASE_TIME: Duration = Duration::from_millis(500);
const SPACE_PERIOD: Duration = Duration::from_secs(10);
/// Of what needs no disk to be told.
const STATE_PERIOD: Duration = Duration::from_secs(1);

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
    /// The store that the archive is in can't be used.
    #[error("the store of the archive can't be used")]
    Store(#[from] PlaceError),
    /// Plugins can't run here.
    #[error("the plugin engine can't start")]
    Engine(#[from] LoadError),
    /// The token can't be read.
    #[error("the token can't be read")]
    Token(#[from] SecretError),
    /// A thread can't be started.
    #[error("can't start a thread")]
    Thread(#[source] std::io::Error),
    /// The lease can't be contended for.
    #[error(transparent)]
    Lease(#[from] LeaseError),
    /// Another relay may be at work by now.
    #[error("the lease is lost; started again, this relay waits for it")]
    LeaseLost,
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
    /// The cameras, in the order of the configuration.
    pub cameras: Vec<RunningCamera>,
}

/// Runs the relay until `stop` is requested, then ends within 5 s with everything published that
/// can be. `started` is called once everything runs.
///
/// # Errors
/// When it can't start. Afterwards nothing ends it but the request.
pub async fn run(
    config: Config,
    stop: Shutdown,
    started: impl FnOnce(&Running),
) -> Result<(), RunError> {
    run_in_turn(config, None, stop, started).await
}

/// The same for one of several relays: it works while it holds the lease.
///
/// # Errors
/// As [`run`]; and [`RunError::LeaseLost`] once the lease is lost and all work has ended. The process
/// is to end then.
pub async fn run_in_turn(
    config: Config,
    lease: Option<&LeaseAt>,
    mut stop: Shutdown,
    started: impl FnOnce(&Running),
) -> Result<(), RunError> {
    let telemetry = Arc::new(Telemetry::new());
    // Early: two relays by mistake are told apart before one touches the other's spool.
    let token = config.relay.read_token()?;
    let outlet = Outlet::bind(config.relay.listen, token, Arc::clone(&telemetry))
        .await
        .map_err(|source| RunError::Listen {
            address: config.relay.listen,
            source,
        })?;
    let address = outlet.address();
    let (readiness, doors) = (outlet.readiness(), outlet.doors());
    let (http_trigger, http_shutdown) = shutdown();
    let http = tokio::spawn(outlet.serve(http_shutdown.clone()));

    let turn = match lease {
        Some(at) => match take_turn((&config, at), &telemetry, &readiness, &mut stop).await? {
            Some(turn) => Some(turn),
            None => return Ok(()),
        },
        None => None,
    };
    let (mut lease, prepared) = turn.unzip();
    let taken = Instant::now();
    let events = ArchiveEvents::new(&telemetry);
    for camera in &config.cameras {
        events.camera(&camera.name);
    }
    let (feed, inbox) = LedgerFeed::new(&LedgerEvents::new(&telemetry));
    let archive = tokio::select! {
        opened = open_archive(&config, &telemetry, events.clone(), feed) => opened?,
        // Much to repair takes long; what is not repaired now is repaired at the next start.
        () = stop.requested() => return Ok(()),
        () = lost(&mut lease) => return Err(RunError::LeaseLost),
    };
    let ledger = start_ledger(&config, &archive, inbox).map_err(RunError::Thread)?;
    let engine = match prepared {
        Some(engine) => engine,
        None => start_engine(&config).await?,
    };

    let findings = FindingsHandle::start(&archive, FindingsEvents::new(&telemetry))
        .map_err(RunError::Thread)?;
    let ladder = start_ladder(&config, &archive, &ledger, &telemetry).map_err(RunError::Thread)?;
    let books = Books {
        archive: archive.clone(),
        ledger: ledger.clone(),
        findings: findings.clone(),
    };
    let (mut crew, cameras) =
        Crew::start(&config, &telemetry, &books, &engine).map_err(RunError::Thread)?;
    drop(books);
    let sampler = tokio::spawn(sample(archive.clone(), events));
    let scrubber = start_scrub(&config, &archive, &ledger, &telemetry).map_err(RunError::Thread)?;
    let watchdog = tokio::spawn(systemd::watchdog(crew.intake()));
    doors.open(&config, archive.disk(), &cameras, &http_shutdown);
    let heartbeat = config.heartbeat.clone().map(|heartbeat| {
        let cameras = config.cameras.iter().map(|c| c.name.clone()).collect();
        let (intake, telemetry) = (crew.intake(), Arc::clone(&telemetry));
        tokio::spawn(heartbeat::beat(heartbeat, cameras, intake, telemetry))
    });
    readiness.ready();
    systemd::ready("recording");
    if lease.is_some() {
        LeaseEvents::new(&telemetry).at_work(taken.elapsed().as_secs_f64());
    }
    tracing::info!(
        %address, cameras = cameras.len(), sinks = config.sinks.len(),
        archive = %config.relay.archive.display(), "relay started"
    );
    started(&Running {
        address,
        telemetry,
        cameras,
    });

    tokio::select! {
        () = stop.requested() => {}
        () = lost(&mut lease) => {}
    }
    let deadline = Instant::now() + SHUTDOWN_TIME;
    tracing::info!("shutting down");
    systemd::stopping();
    readiness.stopping();
    // Asked to end, not waited for: it may be reading from an archive that hangs.
    drop(scrubber);
    if let Some(ladder) = &ladder {
        ladder.ask();
    }
    crew.stop(deadline - ARCHIVE_TIME - LEDGER_TIME - FINDINGS_TIME)
        .await;
    sampler.abort();
    watchdog.abort();
    if let Some(heartbeat) = heartbeat {
        heartbeat.abort();
    }
    tokio::join!(close_ladder(ladder), close_findings(findings));
    close_ledger(ledger).await;
    close_archive(archive, deadline).await;
    let is_lost = match lease {
        Some(lease) => give_back(lease).await,
        None => false,
    };
    http_trigger.pull();
    if tokio::time::timeout(HTTP_TIME, http).await.is_err() {
        tracing::debug!("HTTP connections were cut");
    }
    tracing::info!("relay ended");
    if is_lost {
        return Err(RunError::LeaseLost);
    }
    Ok(())
}

async fn start_engine(config: &Config) -> Result<Arc<Engine>, RunError> {
    let cache = config.relay.plugin_cache.clone();
    Ok(tokio::task::spawn_blocking(move || Engine::new(Some(&cache))).await??)
}

/// Waits until this relay holds the lease, with all compiled that it will need. None where it is asked
/// to end before.
async fn take_turn(
    (config, at): (&Config, &LeaseAt),
    telemetry: &Arc<Telemetry>,
    readiness: &Readiness,
    stop: &mut Shutdown,
) -> Result<Option<(Lease, Arc<Engine>)>, RunError> {
    readiness.waiting();
    let watchdog = tokio::spawn(systemd::watchdog(tokio::runtime::Handle::current()));
    let engine = start_engine(config).await?;
    // Before it contends: whoever holds the lease works.
    tokio::select! {
        () = engine.prepare(config) => {}
        () = stop.requested() => return Ok(None),
    }
    let mut lease = Lease::start(at, &config.relay.spool, LeaseEvents::new(telemetry))?;
    // Ready means started, to whoever starts it: to wait is its work now.
    systemd::ready(&format!("waiting for the lease {at}"));
    let held = tokio::select! {
        epoch = lease.held() => Some(epoch),
        () = stop.requested() => None,
    };
    watchdog.abort();
    if held.is_none() {
        systemd::stopping();
        readiness.stopping();
        give_back(lease).await;
        return Ok(None);
    }
    readiness.starting();
    Ok(Some((lease, engine)))
}

async fn lost(lease: &mut Option<Lease>) {
    match lease {
        Some(lease) => lease.lost().await,
        None => std::future::pending().await,
    }
}

/// Gives the lease back; whether it had been lost before.
async fn give_back(lease: Lease) -> bool {
    let is_lost = lease.is_lost();
    // The thread that renews it may be in a call that is never answered.
    let released = tokio::task::spawn_blocking(move || lease.release(RELEASE_TIME)).await;
    if !is_lost && !matches!(released, Ok(true)) {
        tracing::warn!("the lease could not be given back; who waits for it takes it over later");
    }
    is_lost
}

async fn open_archive(
    config: &Config,
    telemetry: &Arc<Telemetry>,
    events: ArchiveEvents,
    feed: LedgerFeed,
) -> Result<Archive, RunError> {
    let mut options = ArchiveOptions::new(&config.relay.spool, &config.relay.archive);
    let bytes = |count: crate::config::ByteCount| count.bytes();
    options.carry = CarryOptions {
        waiting_max: config.carry.waiting_max.map(bytes),
        when_full: config.carry.when_full,
        bytes_per_second: config.carry.bytes_per_second.map_or(0, bytes),
        floor_bytes: config.ladder.free_space.map(bytes),
    };
    let on_event = Arc::new(move |event| {
        events.note(&event);
        feed.note(&event);
    });
    let disk = place::disk(config, StoreEvents::new(telemetry))?;
    let opening = tokio::task::spawn_blocking(move || Archive::open(options, disk, on_event));
    let (archive, report) = opening.await??;
    if report != crate::archive::RecoveryReport::default() {
        tracing::info!(
            published = report.published,
            repaired = report.repaired,
            set_aside = report.set_aside,
            deferred = report.deferred,
            bytes_cut = report.bytes_cut,
            empty = report.empty,
            unknown = report.unknown,
            failed = report.failed,
            "left from the last run"
        );
    }
    Ok(archive)
}

fn start_ledger(config: &Config, archive: &Archive, inbox: LedgerInbox) -> std::io::Result<Ledger> {
    let cameras = config.cameras.iter();
    let options = LedgerOptions {
        spool: config.relay.spool.clone(),
        cameras: cameras.map(|c| (c.name.clone(), c.site.clone())).collect(),
    };
    Ledger::start(inbox, archive, options)
}

fn start_scrub(
    config: &Config,
    archive: &Archive,
    ledger: &Ledger,
    telemetry: &Arc<Telemetry>,
) -> std::io::Result<Option<Scrubber>> {
    if !config.scrub.enabled {
        return Ok(None);
    }
    let options = ScrubOptions {
        spool: config.relay.spool.clone(),
        bytes_per_second: config.scrub.bytes_per_second.bytes(),
        quarantine: config.scrub.quarantine,
        rest: config.scrub.first_after,
    };
    let events = ScrubEvents::new(telemetry);
    Scrubber::start(archive, ledger.clone(), events, options).map(Some)
}

/// None where everything is kept for good.
fn start_ladder(
    config: &Config,
    archive: &Archive,
    ledger: &Ledger,
    telemetry: &Arc<Telemetry>,
) -> std::io::Result<Option<LadderHandle>> {
    let options = LadderOptions::new(config);
    if !options.lets_go() {
        return Ok(None);
    }
    LadderHandle::start(options, archive, ledger, LadderEvents::new(telemetry)).map(Some)
}

async fn close_ladder(ladder: Option<LadderHandle>) {
    let Some(ladder) = ladder else { return };
    // What it is cut off in is done again: nothing is lost, so nothing is said.
    let closing = tokio::task::spawn_blocking(move || ladder.close(LEDGER_TIME));
    if !matches!(closing.await, Ok(true)) {
        tracing::debug!("the ladder is cut off in a step; the next start does it again");
    }
}

async fn close_ledger(ledger: Ledger) {
    let closing = tokio::task::spawn_blocking(move || ledger.close(LEDGER_TIME));
    if !matches!(closing.await, Ok(true)) {
        tracing::warn!("the ledger did not end in time; the next start goes on with it");
    }
}

async fn close_findings(findings: FindingsHandle) {
    let closing = tokio::task::spawn_blocking(move || findings.close(FINDINGS_TIME));
    if !matches!(closing.await, Ok(true)) {
        tracing::warn!("the last findings did not reach the archive in time; some may be missing");
    }
}

async fn close_archive(archive: Archive, deadline: Instant) {
    let patience = deadline
        .saturating_duration_since(Instant::now())
        .max(ARCHIVE_TIME / 2);
    // Its threads may be in a call that a hung disk never answers: don't wait for them.
    let closing = tokio::task::spawn_blocking(move || archive.close(patience));
    let closed = tokio::time::timeout(patience + ARCHIVE_TIME / 2, closing).await;
    if !matches!(closed, Ok(Ok(true))) {
        tracing::warn!("not everything could be published; the next start goes on with it");
    }
}

/// Watches the archive and its file systems.
async fn sample(archive: Archive, events: ArchiveEvents) {
    let places = archive.folders().map(|folder| folder.map(Path::to_owned));
    let mut spaces = JoinSet::new();
    for (index, folder) in places.into_iter().enumerate() {
        if let Some(folder) = folder {
            spaces.spawn(sample_space(archive.clone(), events.clone(), index, folder));
        }
    }
    let mut tick = tokio::time::interval(STATE_PERIOD);
    loop {
        tick.tick().await;
        events.open_objects(archive.open_objects(), archive.unflushed_bytes());
        events.spool(&archive.spool_state());
    }
}

/// A file system that hangs keeps one thread, and not that of the other one.
async fn sample_space(archive: Archive, events: ArchiveEvents, index: usize, folder: PathBuf) {
    let mut tick = tokio::time::interval(SPACE_PERIOD);
    loop {
        tick.tick().await;
        let (archive, folder) = (archive.clone(), folder.clone());
        match tokio::task::spawn_blocking(move || archive.space(&folder)).await {
            Ok(Ok(space)) => events.space(index, space.free_bytes, space.total_bytes),
            Ok(Err(error)) => events.space_unknown(index, &error),
            Err(error) => tracing::warn!(%error, "can't tell the free space"),
        }
    }
}
