//! `forebay run`

use super::{ConfigFile, Failure, exit};
use crate::archive::OpenError;
use crate::config::{Config, Severity};
use crate::lease::{LeaseAt, LeaseError};
use crate::supervise::{Reload, RunError, Service, run_service, signals};
use crate::telemetry::logs;

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

/// `level_is_given`: the command line says how much is logged.
pub(super) async fn run(arguments: RunArguments, level_is_given: bool) -> Result<(), Failure> {
    let RunArguments { file, lease } = arguments;
    let os = |error| Failure::caused(exit::OS, error);
    // From the first moment on: whoever sends it must not end the relay.
    let hang_ups = signals::catch_hang_ups().map_err(os)?;
    let config = file.load()?;
    if !level_is_given {
        logs::set_level(config.relay.log_level);
    }
    // Beside the start, which must not wait for a folder that does not answer.
    let checked = config.clone();
    tokio::task::spawn_blocking(move || tell_of_surroundings(&checked));
    let stop = signals::catch().map_err(os)?;
    let service = Service {
        lease: lease.as_ref(),
        reload: Some(Reload::new(file.config, hang_ups, level_is_given)),
    };
    let run = run_service(config, service, stop, |_| {});
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
