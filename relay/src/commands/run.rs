//! `forebay run`

use super::{ConfigFile, Failure, exit};
use crate::archive::OpenError;
use crate::config::Severity;
use crate::supervise::{Reload, RunError, signals};
use crate::telemetry::logs;

/// `level_is_given`: the command line says how much is logged.
pub(super) async fn run(file: ConfigFile, level_is_given: bool) -> Result<(), Failure> {
    let os = |error| Failure::caused(exit::OS, error);
    // From the first moment on: whoever sends it must not end the relay.
    let hang_ups = signals::catch_hang_ups().map_err(os)?;
    let config = file.load()?;
    if !level_is_given {
        logs::set_level(config.relay.log_level);
    }
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
    let stop = signals::catch().map_err(os)?;
    let reload = Reload {
        path: file.config,
        hang_ups,
        level_is_given,
    };
    let running = crate::run_reloading(config, Some(reload), stop, |_| {});
    running.await.map_err(|error| {
        let code = match &error {
            RunError::Archive(OpenError::Locked { .. }) => exit::TRY_LATER,
            RunError::Archive(_) => exit::CANT_CREATE,
            RunError::Listen { .. } => exit::UNAVAILABLE,
            RunError::Token(_) => exit::CONFIG,
            RunError::Engine(_) | RunError::Thread(_) => exit::OS,
            RunError::Task(_) => exit::SOFTWARE,
        };
        Failure::caused(code, error)
    })
}
