//! What is begun and ended once for all cameras: the archive with what keeps and reads it.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::task::JoinSet;

use super::{ARCHIVE_TIME, FINDINGS_TIME, LEDGER_TIME, RunError};
use crate::archive::findings::FindingsHandle;
use crate::archive::ladder::{LadderHandle, LadderOptions};
use crate::archive::ledger::{Ledger, LedgerFeed, LedgerInbox, LedgerOptions};
use crate::archive::scrub::{ScrubOptions, Scrubber};
use crate::archive::{Archive, ArchiveOptions, CarryOptions, place};
use crate::config::Config;
use crate::telemetry::{ArchiveEvents, LadderEvents, ScrubEvents, StoreEvents, Telemetry};

const SPACE_PERIOD: Duration = Duration::from_secs(10);
/// Of what needs no disk to be told.
const STATE_PERIOD: Duration = Duration::from_secs(1);

pub(super) async fn open_archive(
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

pub(super) fn start_ledger(
    config: &Config,
    archive: &Archive,
    inbox: LedgerInbox,
) -> std::io::Result<Ledger> {
    let cameras = config.cameras.iter();
    let options = LedgerOptions {
        spool: config.relay.spool.clone(),
        cameras: cameras.map(|c| (c.name.clone(), c.site.clone())).collect(),
    };
    Ledger::start(inbox, archive, options)
}

pub(super) fn start_scrub(
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
pub(super) fn start_ladder(
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

pub(super) async fn close_ladder(ladder: Option<LadderHandle>) {
    let Some(ladder) = ladder else { return };
    // What it is cut off in is done again: nothing is lost, so nothing is said.
    let closing = tokio::task::spawn_blocking(move || ladder.close(LEDGER_TIME));
    if !matches!(closing.await, Ok(true)) {
        tracing::debug!("the ladder is cut off in a step; the next start does it again");
    }
}

pub(super) async fn close_ledger(ledger: Ledger) {
    let closing = tokio::task::spawn_blocking(move || ledger.close(LEDGER_TIME));
    if !matches!(closing.await, Ok(true)) {
        tracing::warn!("the ledger did not end in time; the next start goes on with it");
    }
}

pub(super) async fn close_findings(findings: FindingsHandle) {
    let closing = tokio::task::spawn_blocking(move || findings.close(FINDINGS_TIME));
    if !matches!(closing.await, Ok(true)) {
        tracing::warn!("the last findings did not reach the archive in time; some may be missing");
    }
}

pub(super) async fn close_archive(archive: Archive, deadline: Instant) {
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
pub(super) async fn sample(archive: Archive, events: ArchiveEvents) {
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
