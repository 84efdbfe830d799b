//! `forebay run`

use super::{ConfigFile, Failure, exit};
use crate::archive::OpenError;
use crate::config::{Config, Severity};
use crate::lease::{LeaseAt, LeaseError};
use crate::supervise::{RunError, signals};

#[derive(Debug, clap::Args)]
pub(super) struct RunArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Work only while this relay holds a lease, and wait while another one does. FILE is shared by
    /// both, on a file system that has hard links; `kubernetes` (or `kubernetes:NAME`) is a Lease
    /// object in the pod's namespace. A relay that loses its lease ends with exit code 75: started
    /// again it waits
    #[arg(long, value_name = "FILE|kubernetes")]
    lease: Option<LeaseAt>,
}

pub(super) async fn run(arguments: RunArguments) -> Result<(), Failure> {
    let RunArguments { file, lease } = arguments;
    let config = file.load()?;
    // Beside the start, which must not wait for a folder that does not answer.
    let checked = config.clone();
    tokio::task::spawn_blocking(move || tell_of_surroundings(&checked));
    let stop = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    let run = crate::run_in_turn(config, lease.as_ref(), stop, |_| {});
    run.await.map_err(|error| {
        let code = match &error {
            RunError::LeaseLost | RunError::Lease(LeaseError::Taken(_)) => exit::TRY_LATER,
            RunError::Lease(LeaseError::Spool { .. }) => exit::CANT_CREATE,
            RunError::Lease(LeaseError::Cluster(_)) => exit::CONFIG,
            RunError::Lease(LeaseError::Thread(_)) => exit::OS,
            RunError::Archive(OpenError::Locked { .. }) => exit::TRY_LATER,
            RunError::Archive(_) => exit::CANT_CREATE,
            RunError::Listen { .. } => exit::UNAVAILABLE,
            RunError::Token(_) | RunError::Store(_) => exit::CONFIG,
            RunError::Engine(_) | RunError::Thread(_) => exit::OS,
            RunError::Task(_) => exit::SOFTWARE,
        };
        Failure::caused(code, error)
    })
}

fn tell_of_surroundings(config: &Config) {
    for problem in config.check_surroundings() {
        match problem.severity {
            // A camera without its password, or a sink without its plugin, must not keep the others
            // from being recorded: each is tried again while the relay runs.
            Severity::Error => tracing::error!(
                problem = problem.message,
                advice = problem.advice,
                "configuration"
            ),
            Severity::Warning => tracing::warn!(
                problem = problem.message,
                advice = problem.advice,
                "configuration"
            ),
        }
    }
}
