//! `forebay catalog`: work on the index of the archive.

use std::time::{Duration, Instant};

use super::output::{complain, say};
use super::{ConfigFile, Failure, exit};
use crate::archive::OpenError;
use crate::archive::ledger::{RebuildError, Scanned, rebuild};

/// How often a long rebuild shows that it goes on.
const PROGRESS: Duration = Duration::from_secs(2);

#[derive(Debug, clap::Subcommand)]
pub(super) enum CatalogCommand {
    /// Make the catalog anew from the files of archive and spool, while no relay runs
    Rebuild(ConfigFile),
}

pub(super) fn catalog(command: &CatalogCommand) -> Result<(), Failure> {
    let CatalogCommand::Rebuild(file) = command;
    let (config, disk) = file.load_with_archive()?;
    let relay = &config.relay;
    let mut said = Instant::now();
    let mut progress = |Scanned {
                            footage,
                            journals,
                            manifests,
                            findings,
                            ..
                        }: Scanned| {
        if said.elapsed() >= PROGRESS {
            said = Instant::now();
            complain(&format!(
                "{journals} journals, {manifests} manifests, {footage} files of footage and {findings} \
                 of findings read"
            ));
        }
    };
    let rebuilt =
        rebuild(&*disk, &relay.archive, &relay.spool, &mut progress).map_err(|error| {
            let code = match &error {
                RebuildError::Spool(OpenError::Locked { .. }) => exit::TRY_LATER,
                _ => exit::CANT_CREATE,
            };
            Failure::caused(code, error)
        })?;
    let Scanned {
        footage,
        journals,
        manifests,
        findings,
        damaged_lines,
        failed,
    } = rebuilt.scanned;
    say(&format!(
        "{}: made anew from {footage} files of footage, {findings} of findings, {journals} journals \
         and {manifests} manifests{}{}",
        rebuilt.path.display(),
        some(failed, "files could not be read, see above"),
        some(damaged_lines, "damaged lines of findings were passed over")
    ));
    Ok(())
}

/// Words for what went wrong, if any did.
fn some(number: u64, words: &str) -> String {
    match number {
        0 => String::new(),
        _ => format!("; {number} {words}"),
    }
}
