//! `forebay ladder --dry-run`: what would go when, and how the archive grows.

mod json;
mod svg;
pub(super) mod text;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::output::{complain, say};
use super::{ConfigFile, Failure, exit, output};
use crate::archive::ladder::forecast::{Point, forecast};
use crate::archive::ladder::pins::PinError;
use crate::archive::ladder::{LadderOptions, Survey, survey};
use crate::config::{Config, LadderRule};
use crate::units::CaptureTime;

/// How often a long look at an archive shows that it goes on.
const PROGRESS: Duration = Duration::from_secs(2);

#[derive(Debug, clap::Args)]
pub(super) struct LadderArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Only look; `forebay run` is what lets things go
    #[arg(long, required = true)]
    dry_run: bool,
    /// How many days ahead
    #[arg(long, value_name = "N", default_value_t = 730, value_parser = clap::value_parser!(u32).range(1..=3660))]
    days: u32,
    /// How to tell it
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// A picture of the curve of space, beside what is told; it takes its name when it is whole
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, Default, clap::ValueEnum)]
enum Format {
    /// Tables for a terminal
    #[default]
    Text,
    /// One object for scripts
    Json,
}

/// All that is told.
struct Outlook {
    made: CaptureTime,
    /// For cameras without a rule of their own, and those that have one, with its camera.
    rules: Vec<(String, LadderRule)>,
    floor_bytes: u64,
    survey: Survey,
    points: Vec<Point>,
}

pub(super) fn ladder(arguments: &LadderArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    let options = LadderOptions::new(&config);
    let now = CaptureTime::now();
    let mut said = Instant::now();
    let mut progress = |done, all| {
        if said.elapsed() >= PROGRESS {
            said = Instant::now();
            complain(&format!("{done} of {all} days of cameras looked at"));
        }
    };
    let survey = survey(&*disk, &options, now, &mut progress).map_err(|error| {
        let code = match &error {
            PinError::Damaged(_) => exit::UNAVAILABLE,
            _ => exit::NO_INPUT,
        };
        Failure::caused(code, error)
    })?;
    let outlook = Outlook {
        made: now,
        rules: rules(&config),
        floor_bytes: options.free_bytes,
        points: forecast(survey.start.clone(), arguments.days),
        survey,
    };
    let told = match arguments.format {
        Format::Text => text::write(&outlook),
        Format::Json => {
            json::write(&outlook).map_err(|error| Failure::caused(exit::SOFTWARE, error))?
        }
    };
    say(told.trim_end());
    if let Some(path) = &arguments.svg {
        output::write_whole(path, &svg::write(&outlook)).map_err(|error| {
            let message = format!("can't write {}: {error}", path.display());
            Failure::new(exit::CANT_CREATE, message)
        })?;
    }
    Ok(())
}

fn rules(config: &Config) -> Vec<(String, LadderRule)> {
    let all = ("[ladder]".to_owned(), config.ladder.rule.clone());
    let own = config
        .cameras
        .iter()
        .filter(|c| c.ladder != config.ladder.rule);
    let own = own.map(|camera| (camera.name.to_string(), camera.ladder.clone()));
    [all].into_iter().chain(own).collect()
}

/// Bytes for people, in powers of 1000 as disks are sold: `4.2 TB`.
pub(super) fn size(bytes: u64) -> String {
    const UNITS: [&str; 6] = ["B", "kB", "MB", "GB", "TB", "PB"];
    let mut value = bytes as f64;
    let mut unit = 0;
    // What would round to 1000 is 1 of the next.
    while value >= 999.5 && unit + 1 < UNITS.len() {
        value /= 1000.0;
        unit += 1;
    }
    let name = UNITS.get(unit).copied().unwrap_or_default();
    if unit == 0 || value >= 99.95 {
        format!("{value:.0} {name}")
    } else if value >= 9.995 {
        format!("{value:.1} {name}")
    } else {
        format!("{value:.2} {name}")
    }
}

/// A UTC day.
fn day(time: CaptureTime) -> String {
    time.day()
}

#[cfg(test)]
mod tests;
