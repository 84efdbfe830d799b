//! Start-up, order of shutdown, and what keeps tasks alive.

mod crew;
mod depot;
mod difference;
mod heartbeat;
mod intake_thread;
mod keep;
mod member;
mod parts;
mod post;
mod reload;
mod shutdown;
pub mod signals;
mod systemd;
mod turn;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

pub use reload::Reload;
pub use shutdown::{Shutdown, Trigger, shutdown};

use crate::archive::OpenError;
use crate::archive::findings::FindingsHandle;
use crate::archive::ledger::LedgerFeed;
use crate::archive::place::PlaceError;
use crate::config::{Config, SecretError};
use crate::lease::{LeaseAt, LeaseError};
use crate::outlet::Outlet;
use crate::sinks::LoadError;
use crate::telemetry::{
    ArchiveEvents, FindingsEvents, LeaseEvents, LedgerEvents, SupervisorEvents, Telemetry,
};
use crew::{Books, Crew};
use parts::{Parts, start_heartbeat};
use turn::{give_back, lost, start_engine, take_turn};

pub use post::{RunningAnalysis, RunningCamera};

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
    /// The cameras that it begins with, in the order of the configuration.
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
    run_service(config, Service::default(), stop, started).await
}

/// What a relay may have beside its configuration.
#[derive(Debug, Default)]
pub struct Service<'a> {
    /// It is one of several, and works while it holds this lease.
    pub lease: Option<&'a LeaseAt>,
    /// It reads its configuration again when it is asked to, and follows it.
    pub reload: Option<Reload>,
}

/// The same as a service.
///
/// # Errors
/// As [`run`]; and [`RunError::LeaseLost`] once the lease is lost and all work has ended. The process
/// is to end then. A configuration that is read again and is wrong is told, and not followed.
pub async fn run_service(
    config: Config,
    Service { lease, mut reload }: Service<'_>,
    mut stop: Shutdown,
    started: impl FnOnce(&Running),
) -> Result<(), RunError> {
    let telemetry = Arc::new(Telemetry::new());
    // Early: two relays by mistake are told apart before one touches the other's spool.
    let token = config.relay.read_token()?;
    let outlet = Outlet::bind(config.relay.listen, token.clone(), Arc::clone(&telemetry))
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
        Some(at) => {
            let asked = (&mut stop, &mut reload);
            match take_turn((&config, at), &telemetry, &readiness, asked).await? {
                Some(turn) => Some(turn),
                None => return Ok(()),
            }
        }
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
        opened = depot::open_archive(&config, &telemetry, events.clone(), feed) => opened?,
        // Much to repair takes long; what is not repaired now is repaired at the next start.
        () = stop.requested() => return Ok(()),
        () = lost(&mut lease) => return Err(RunError::LeaseLost),
    };
    let ledger = depot::start_ledger(&config, &archive, inbox).map_err(RunError::Thread)?;
    let engine = match prepared {
        Some(engine) => engine,
        None => start_engine(&config).await?,
    };

    let findings = FindingsHandle::start(&archive, FindingsEvents::new(&telemetry))
        .map_err(RunError::Thread)?;
    let ladder =
        depot::start_ladder(&config, &archive, &ledger, &telemetry).map_err(RunError::Thread)?;
    let books = Books {
        archive: archive.clone(),
        ledger: ledger.clone(),
        findings: findings.clone(),
    };
    let crew = Crew::start(&config, &telemetry, books, &engine).map_err(RunError::Thread)?;
    let cameras = crew.running();
    telemetry.keep_only(&config);
    let sampler = tokio::spawn(depot::sample(archive.clone(), events.clone()));
    let scrubber =
        depot::start_scrub(&config, &archive, &ledger, &telemetry).map_err(RunError::Thread)?;
    let watchdog = tokio::spawn(systemd::watchdog(crew.intake()));
    doors.open(&config, archive.disk(), &cameras, &http_shutdown);
    let heartbeat = start_heartbeat(&config, &crew, &telemetry);
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
        telemetry: Arc::clone(&telemetry),
        cameras,
    });

    let mut parts = Parts {
        config,
        token,
        crew,
        engine,
        ladder,
        scrubber,
        heartbeat,
        doors,
        http_shutdown,
        archive,
        archive_events: events,
        ledger,
        events: SupervisorEvents::new(&telemetry),
        telemetry,
    };
    tokio::select! {
        () = stop.requested() => {}
        () = lost(&mut lease) => {}
        () = parts.follow(reload) => {}
    }
    let Parts {
        crew,
        ladder,
        scrubber,
        heartbeat,
        archive,
        ledger,
        ..
    } = parts;
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
    drop(heartbeat);
    tokio::join!(depot::close_ladder(ladder), depot::close_findings(findings));
    depot::close_ledger(ledger).await;
    depot::close_archive(archive, deadline).await;
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
