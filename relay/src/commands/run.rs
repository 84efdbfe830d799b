//! `forebay run`

use super::{ConfigFile, Failure, exit};
use crate::archive::OpenError;
use crate::config::{Config, Severity};
use crate::supervise::{RunError, signals};

pub(super) async fn run(file: ConfigFile) -> Result<(), Failure> {
    let config = file.load()?;
    // Beside the start, which must not wait for a folder that does not answer.
    let checked = config.clone();
    tokio::task::spawn_blocking(move || tell_of_surroundings(&checked));
    let stop = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    crate::run(config, stop, |_| {}).await.map_err(|error| {
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
