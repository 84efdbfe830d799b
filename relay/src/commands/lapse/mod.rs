//! `forebay lapse`: from years of frames to a film.

mod arguments;
mod request;
mod tell;
mod whence;

use std::cell::Cell;
use std::io;

pub(super) use self::arguments::LapseArguments;
use super::{Failure, exit, output};
use crate::Shutdown;
use crate::lapse::{LapseError, Made, Progress, make, plan};
use crate::supervise::signals;

fn usage(text: impl std::fmt::Display) -> Failure {
    Failure::new(exit::USAGE, text)
}

pub(super) async fn lapse(arguments: LapseArguments) -> Result<(), Failure> {
    film(arguments, signals::catch).await.map(drop)
}

/// Plans, makes, and tells of both; nothing is made where only the plan is wanted. `stop` is asked for once
/// something is written: until then a signal may end the program as it ends any other.
pub(super) async fn film(
    arguments: LapseArguments,
    stop: impl FnOnce() -> io::Result<Shutdown> + Send + 'static,
) -> Result<Option<Made>, Failure> {
    let (request, material) = arguments.request()?;
    let only_plan = arguments.plan;
    let work = tokio::task::spawn_blocking(move || {
        let material = &*material;
        let plan = plan(&request, material).map_err(failed)?;
        tell::plan(&plan, &request);
        if only_plan {
            return Ok(None);
        }
        let stop = stop().map_err(|error| Failure::caused(exit::OS, error))?;
        let terminal = std::io::IsTerminal::is_terminal(&std::io::stderr());
        let told = Cell::new((None, 0));
        let follow = |progress: &Progress| tell::progress(progress, terminal, &told);
        let made = make(&request, plan, material, &|| stop.is_requested(), &follow);
        if terminal {
            output::erase_line();
        }
        let made = made.map_err(failed)?;
        tell::made(&made, &request);
        Ok(Some(made))
    });
    work.await
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))?
}

fn failed(error: LapseError) -> Failure {
    let code = match &error {
        LapseError::List { .. }
        | LapseError::NoFrames { .. }
        | LapseError::NotNear(_)
        | LapseError::NothingKept(_)
        | LapseError::Gone { .. }
        | LapseError::State { .. } => exit::NO_INPUT,
        LapseError::Calendar { .. }
        | LapseError::Date(..)
        | LapseError::Size(_)
        | LapseError::OtherOptions { .. }
        | LapseError::NotOurs(_) => exit::USAGE,
        LapseError::Write { .. } => exit::CANT_CREATE,
        LapseError::Busy(_) | LapseError::Interrupted | LapseError::Unreached { .. } => {
            exit::TRY_LATER
        }
        LapseError::Code(_) => exit::UNAVAILABLE,
        LapseError::Defect(_) => exit::SOFTWARE,
    };
    Failure::caused(code, error)
}
