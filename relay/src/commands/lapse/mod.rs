//! `forebay lapse`: from years of frames to a film.

mod arguments;
mod request;
mod tell;
mod whence;

use std::cell::Cell;

pub(super) use self::arguments::LapseArguments;
use super::{Failure, exit, output};
use crate::Shutdown;
use crate::lapse::{LapseError, Made, Progress, make, plan};
use crate::supervise::signals;

fn usage(text: impl std::fmt::Display) -> Failure {
    Failure::new(exit::USAGE, text)
}

pub(super) async fn lapse(arguments: LapseArguments) -> Result<(), Failure> {
    let stop = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    film(arguments, stop).await.map(drop)
}

/// Plans, makes, and tells of both; nothing is made where only the plan is wanted.
pub(super) async fn film(
    arguments: LapseArguments,
    stop: Shutdown,
) -> Result<Option<Made>, Failure> {
    let (request, material) = arguments.request()?;
    let only_plan = arguments.plan;
    let work = tokio::task::spawn_blocking(move || {
        let material = &*material;
        let plan = plan(&request, material)?;
        tell::plan(&plan, &request);
        if only_plan {
            return Ok(None);
        }
        let terminal = std::io::IsTerminal::is_terminal(&std::io::stderr());
        let told = Cell::new((None, 0));
        let follow = |progress: &Progress| tell::progress(progress, terminal, &told);
        let made = make(&request, plan, material, &|| stop.is_requested(), &follow);
        if terminal {
            output::erase_line();
        }
        let made = made?;
        tell::made(&made, &request);
        Ok(Some(made))
    });
    let done = work
        .await
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
    done.map_err(failed)
}

fn failed(error: LapseError) -> Failure {
    let code = match &error {
        LapseError::List { .. }
        | LapseError::NoFrames { .. }
        | LapseError::NotNear(_)
        | LapseError::NothingKept
        | LapseError::Gone { .. }
        | LapseError::State { .. } => exit::NO_INPUT,
        LapseError::Calendar(_)
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
