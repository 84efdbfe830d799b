//! Start-up, order of shutdown, and what keeps tasks alive.

mod crew;
mod intake_thread;
mod keep;
mod member;
mod post;
mod reload;
mod shutdown;
pub mod signals;
mod systemd;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::watch;

pub use shutdown::{Shutdown, Trigger, shutdown};

use crate::archive::findings::FindingsHandle;
use crate::archive::ladder::{LadderHandle, LadderOptions};
use crate::archive::ledger::{Ledger, LedgerFeed, LedgerInbox, LedgerOptions};
use crate::archive::scrub::{ScrubOptions, Scrubber};
use crate::archive::{Archive, ArchiveOptions, OpenError, RealDisk};
use crate::config::{Config, Secret, SecretError};
use crate::outlet::Outlet;
use crate::sinks::{Engine, LoadError};
use crate::telemetry::{
    ArchiveEvents, FindingsEvents, LadderEvents, LedgerEvents, ScrubEvents, SupervisorEvents,
    Telemetry, logs,
};
use crew::{Books, Crew, Secrets};
use reload::Next;

pub use post::{RunningAnalysis, RunningCamera};
pub use reload::Reload;

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
/// How long passwords may take to be read at the start; cameras read them again by themselves.
const SECRETS_TIME: Duration = Duration::from_secs(2);
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
    /// A thread can't be started.
    #[error("can't start a thread")]
    Thread(#[source] std::io::Error),
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
    /// The same as it is now: a reload may change it.
    pub roster: watch::Receiver<Vec<RunningCamera>>,
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
    run_reloading(config, None, stop, started).await
}

/// The same, and reads its configuration again when it is asked to.
///
/// # Errors
/// As for [`run`]: a configuration that is read again and is wrong is told, and not followed.
pub async fn run_reloading(
    config: Config,
    mut reload: Option<Reload>,
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
    let readiness = outlet.readiness();
    let (http_trigger, http_shutdown) = shutdown();
    let http = tokio::spawn(outlet.serve(http_shutdown));

    let events = ArchiveEvents::new(&telemetry);
    let (feed, inbox) = LedgerFeed::new(&LedgerEvents::new(&telemetry));
    let archive = tokio::select! {
        opened = open_archive(&config, events.clone(), feed) => opened?,
        // Much to repair takes long; what is not repaired now is repaired at the next start.
        () = stop.requested() => return Ok(()),
    };
    let ledger = start_ledger(&config, &archive, inbox).map_err(RunError::Thread)?;
    let cache = config.relay.plugin_cache.clone();
    let engine = tokio::task::spawn_blocking(move || Engine::new(Some(&cache))).await??;

    let findings = FindingsHandle::start(&archive, FindingsEvents::new(&telemetry))
        .map_err(RunError::Thread)?;
    let ladder = start_ladder(&config, &archive, &ledger, &telemetry).map_err(RunError::Thread)?;
    let books = Books {
        archive: archive.clone(),
        ledger: ledger.clone(),
        findings: findings.clone(),
    };
    let secrets = secrets(&config).await;
    let crew =
        Crew::start(&config, &secrets, &telemetry, books, &engine).map_err(RunError::Thread)?;
    let sampler = tokio::spawn(sample(archive.clone(), events));
    let scrubber = start_scrub(&config, &archive, &ledger, &telemetry).map_err(RunError::Thread)?;
    let watchdog = tokio::spawn(systemd::watchdog(crew.intake()));
    readiness.ready();
    systemd::ready();
    let roster = crew.roster();
    let cameras = roster.borrow().clone();
    tracing::info!(
        %address, cameras = cameras.len(), sinks = config.sinks.len(),
        archive = %config.relay.archive.display(), "relay started"
    );
    started(&Running {
        address,
        telemetry: Arc::clone(&telemetry),
        cameras,
        roster,
    });

    let events = SupervisorEvents::new(&telemetry);
    let mut parts = Parts {
        config,
        token,
        crew,
        engine,
        ladder,
        scrubber,
        archive,
        ledger,
        telemetry,
        events,
    };
    while !stop.is_requested() {
        let Some(reload) = &mut reload else {
            stop.requested().await;
            break;
        };
        tokio::select! {
            () = stop.requested() => {}
            () = reload.hang_ups.next() => parts.reload(reload, &mut stop).await,
        }
    }
    let deadline = Instant::now() + SHUTDOWN_TIME;
    tracing::info!("shutting down");
    systemd::stopping();
    readiness.stopping();
    let Parts {
        crew,
        ladder,
        scrubber,
        archive,
        ledger,
        ..
    } = parts;
    // Asked to end, not waited for: it may be reading from an archive that hangs.
    drop(scrubber);
    if let Some(ladder) = &ladder {
        ladder.ask();
    }
    crew.stop(deadline - ARCHIVE_TIME - LEDGER_TIME - FINDINGS_TIME)
        .await;
    sampler.abort();
    watchdog.abort();
    tokio::join!(close_ladder(ladder), close_findings(findings));
    close_ledger(ledger).await;
    close_archive(archive, deadline).await;
    http_trigger.pull();
    if tokio::time::timeout(HTTP_TIME, http).await.is_err() {
        tracing::debug!("HTTP connections were cut");
    }
    tracing::info!("relay ended");
    Ok(())
}

/// What of a running relay another configuration may change.
struct Parts {
    config: Config,
    token: Option<Secret>,
    crew: Crew,
    engine: Arc<Engine>,
    ladder: Option<LadderHandle>,
    scrubber: Option<Scrubber>,
    archive: Archive,
    ledger: Ledger,
    telemetry: Arc<Telemetry>,
    events: SupervisorEvents,
}

impl Parts {
    /// Reads the configuration again, and follows it where it is right.
    async fn reload(&mut self, reload: &Reload, stop: &mut Shutdown) {
        systemd::reloading();
        let present = (&self.config, self.token.as_ref());
        let read = tokio::select! {
            read = reload::read(&reload.path, present, &self.engine) => read,
            () = stop.requested() => return,
        };
        match read {
            Ok(next) => {
                self.follow(next, reload, stop).await;
                systemd::reloaded("running");
            }
            Err(problems) => {
                self.events.reload_refused(&problems);
                let first = problems.lines().next().unwrap_or_default();
                systemd::reloaded(&format!(
                    "running; the new configuration is refused: {first}"
                ));
            }
        }
    }

    async fn follow(&mut self, next: Next, reload: &Reload, stop: &mut Shutdown) {
        for problem in &next.warnings {
            self.events.reload_warns(&problem.message, &problem.advice);
        }
        // What runs goes on with the code that it has; what is begun gets the new one.
        self.engine.replace(next.plugins);
        let change = self
            .crew
            .change(&next.config, &next.secrets, &next.shared, stop);
        let mut told = change.await;
        if !stop.is_requested() {
            self.change_ladder(&next.config, &mut told);
            self.change_scrub(&next.config, &mut told);
        }
        let level = next.config.relay.log_level;
        if level != self.config.relay.log_level && !reload.level_is_given {
            logs::set_level(level);
            told.push("log_level".to_owned());
        }
        self.config = next.config;
        match told.is_empty() {
            true => self.events.reload_changed_nothing(),
            false => self.events.reloaded(&told.join("; ")),
        }
    }

    fn change_ladder(&mut self, next: &Config, told: &mut Vec<String>) {
        let options = LadderOptions::new(next);
        if options == LadderOptions::new(&self.config) {
            return;
        }
        told.push("ladder: what is kept for how long".to_owned());
        match &self.ladder {
            Some(ladder) => ladder.change(options),
            None => match start_ladder(next, &self.archive, &self.ledger, &self.telemetry) {
                Ok(ladder) => self.ladder = ladder,
                Err(error) => tracing::error!(%error, "can't start the ladder"),
            },
        }
    }

    fn change_scrub(&mut self, next: &Config, told: &mut Vec<String>) {
        if next.scrub == self.config.scrub {
            return;
        }
        told.push("scrub: how the archive is read again".to_owned());
        // It ends at its next file, and leaves behind where it was.
        drop(self.scrubber.take());
        match start_scrub(next, &self.archive, &self.ledger, &self.telemetry) {
            Ok(scrubber) => self.scrubber = scrubber,
            Err(error) => tracing::error!(%error, "can't start the scrub"),
        }
    }
}

/// The passwords as they are at the start; a disk that hangs has a while.
async fn secrets(config: &Config) -> Secrets {
    let config = config.clone();
    let reading = tokio::task::spawn_blocking(move || reload::read_secrets(&config));
    let read = tokio::time::timeout(SECRETS_TIME, reading).await;
    read.ok().and_then(Result::ok).unwrap_or_default()
}

async fn open_archive(
    config: &Config,
    events: ArchiveEvents,
    feed: LedgerFeed,
) -> Result<Archive, RunError> {
    let options = ArchiveOptions::new(&config.relay.spool, &config.relay.archive);
    let on_event = Arc::new(move |event| {
        events.note(&event);
        feed.note(&event);
    });
    let opening =
        tokio::task::spawn_blocking(move || Archive::open(options, Arc::new(RealDisk), on_event));
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
        rest: ScrubOptions::REST,
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

/// Watches the archive's file systems. A file system that hangs keeps one thread, not many.
async fn sample(archive: Archive, events: ArchiveEvents) {
    let mut tick = tokio::time::interval(SPACE_PERIOD);
    loop {
        tick.tick().await;
        events.open_objects(archive.open_objects(), archive.unflushed_bytes());
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
