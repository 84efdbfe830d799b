//! The command line. Each command is a file; this one holds what they share.

mod budget;
mod catalog;
mod check;
mod clip;
mod coverage;
#[cfg(feature = "demo")]
mod demo;
mod findings;
mod health;
mod ladder;
mod lapse;
mod manual;
mod output;
mod pin;
mod run;
mod scrub;
mod trial;

use std::fmt::Display;
use std::ops::RangeInclusive;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::{Parser, Subcommand};
use jiff::SignedDuration;

use crate::archive::{Disk, place};
use crate::config::{Config, ConfigError};
use crate::telemetry::logs::{LogFormat, LogLevel};
use crate::telemetry::{StoreEvents, Telemetry};

/// Exit codes, after sysexits.h of BSD 4.3, which scripts and systemd know.
pub mod exit {
    /// The command line is wrong (`EX_USAGE`).
    pub const USAGE: u8 = 64;
    /// Data is not what it should be (`EX_DATAERR`): a scrub has found something.
    pub const DATA: u8 = 65;
    /// What is to be read is not there or can't be read (`EX_NOINPUT`).
    pub const NO_INPUT: u8 = 66;
    /// Something that is needed can't be reached (`EX_UNAVAILABLE`).
    pub const UNAVAILABLE: u8 = 69;
    /// A defect of the program (`EX_SOFTWARE`).
    pub const SOFTWARE: u8 = 70;
    /// The system refuses something basic (`EX_OSERR`).
    pub const OS: u8 = 71;
    /// A file can't be made or written (`EX_CANTCREAT`).
    pub const CANT_CREATE: u8 = 73;
    /// Trying again later may help (`EX_TEMPFAIL`): another relay holds the spool.
    pub const TRY_LATER: u8 = 75;
    /// The configuration is wrong (`EX_CONFIG`).
    pub const CONFIG: u8 = 78;
}

const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), " (", env!("FOREBAY_COMMIT"), ")");

/// Records cameras that stand behind an unreliable uplink: pulls their RTSP streams, keeps what
/// is recent in memory, and hands it to sandboxed plugins that write a durable archive.
#[derive(Debug, Parser)]
#[command(name = "forebay", version = VERSION, propagate_version = true)]
#[command(after_help = "Start with `forebay demo`: it needs no camera and no configuration.")]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// How log lines look (they go to standard error)
    #[arg(
        long,
        global = true,
        value_enum,
        default_value_t,
        value_name = "FORMAT"
    )]
    log_format: LogFormat,
    /// How much is logged
    #[arg(long, global = true, value_enum, value_name = "LEVEL")]
    log_level: Option<LogLevel>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the relay until SIGTERM or SIGINT; SIGHUP has it read its configuration again
    Run(run::RunArguments),
    /// Check a configuration without running it, and with --probe the cameras too
    Check(check::CheckArguments),
    /// Tell whether it fits: uplink, spool, archive, the film of stills, and what cameras see
    Budget(Box<budget::BudgetArguments>),
    /// Ask the relay of a configuration, on this machine, whether it works, or waits for a lease: for health checks
    Health(ConfigFile),
    /// Tell what of the wanted footage is in the archive, what is missing, and why
    Coverage(coverage::CoverageArguments),
    /// List what analyzers have seen, from the archive
    Findings(findings::FindingsArguments),
    /// Cut a stretch of footage out to give it away: MP4, a manifest, and sums to check both by
    Clip(clip::ClipArguments),
    /// Make a film of years of stills or key frames: chosen, levelled, aligned
    Lapse(Box<lapse::LapseArguments>),
    /// Read the archive again, and tell what is not what was written
    Scrub(scrub::ScrubArguments),
    /// Tell what of the archive would go when, and how much space it takes in the next two years
    Ladder(ladder::LadderArguments),
    /// Keep a stretch of a camera's time whatever the rules of [ladder] say, also while a relay runs
    Pin(pin::PinArguments),
    /// End a pin
    Unpin(pin::UnpinArguments),
    /// List what is pinned
    Pins(pin::PinsArguments),
    /// Work on the index of the archive
    #[command(subcommand)]
    Catalog(catalog::CatalogCommand),
    /// Write man pages, one for each command
    Manual(manual::ManualArguments),
    /// Print what has a shell complete this command line
    Completions(manual::CompletionsArguments),
    /// Run a plugin on footage that is there already, as fast as it goes, and tell what it does
    Try(Box<trial::TrialArguments>),
    /// Record a simulated building site: no camera, no network, nothing to configure
    #[cfg(feature = "demo")]
    Demo(demo::DemoArguments),
}

#[derive(Debug, clap::Args)]
struct ConfigFile {
    /// The configuration file
    #[arg(long, value_name = "FILE", default_value = "/etc/forebay/forebay.toml")]
    config: PathBuf,
}

impl ConfigFile {
    fn load(&self) -> Result<Config, Failure> {
        crate::config::load(&self.config).map_err(Failure::from)
    }

    /// For commands that are of no use without the archive.
    fn load_with_archive(&self) -> Result<(Config, Arc<dyn Disk>), Failure> {
        let config = self.load()?;
        let disk = disk(&config)?;
        let answers = archive_answers(&config, &disk);
        answers.map_err(|words| Failure::new(exit::UNAVAILABLE, words))?;
        Ok((config, disk))
    }
}

fn archive_answers(config: &Config, disk: &Arc<dyn Disk>) -> Result<(), String> {
    crate::archive::answers(disk, &config.relay.archive, &config.relay.spool)
}

/// What archive and spool of a configuration are on.
fn disk(config: &Config) -> Result<Arc<dyn Disk>, Failure> {
    let events = StoreEvents::new(&Arc::new(Telemetry::new()));
    place::disk(config, events).map_err(|error| Failure::caused(exit::CONFIG, error))
}

/// A time as people write it: `60s`, `2m`, `1h30m`; a number alone counts seconds. `None` where it
/// is none, or not allowed.
fn duration(text: &str, allowed: RangeInclusive<Duration>) -> Option<Duration> {
    let text = if text.ends_with(|c: char| c.is_ascii_digit()) {
        format!("{text}s")
    } else {
        text.to_owned()
    };
    let parsed: SignedDuration = text.parse().ok()?;
    let time = Duration::try_from(parsed).ok()?;
    allowed.contains(&time).then_some(time)
}

/// A command that failed: what to print and how to exit.
#[derive(Debug)]
pub struct Failure {
    /// One of [`exit`].
    pub code: u8,
    message: String,
}

impl Failure {
    fn new(code: u8, message: impl Display) -> Self {
        Self {
            code,
            message: format!("forebay: {message}"),
        }
    }

    /// What is wrong has been said.
    fn silent(code: u8) -> Self {
        let message = String::new();
        Self { code, message }
    }

    /// An error and the chain of what caused it.
    fn caused(code: u8, error: impl Into<anyhow::Error>) -> Self {
        Self::new(code, format!("{:#}", error.into()))
    }

    /// Prints it.
    pub fn report(&self) {
        if !self.message.is_empty() {
            output::complain(self.message.trim_end());
        }
    }
}

impl From<ConfigError> for Failure {
    fn from(error: ConfigError) -> Self {
        // Each problem begins with its place, which editors and terminals know to open.
        let message = error.to_string();
        Self {
            code: exit::CONFIG,
            message,
        }
    }
}

/// Runs a command.
///
/// # Errors
/// [`Failure`] says what went wrong, to be printed, and the exit code.
pub fn execute(arguments: Arguments) -> Result<(), Failure> {
    let quiet = !matches!(arguments.command, Command::Run(_));
    // Commands that talk to a person keep to the point; the relay tells what happens.
    let level = arguments.log_level.unwrap_or(if quiet {
        LogLevel::Warn
    } else {
        LogLevel::Info
    });
    let _log = crate::telemetry::logs::start(arguments.log_format, level);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .thread_name("forebay")
        // A busy plugin holds a worker for an epoch at a time; with the default of 61 turns the
        // sockets would be looked at once a second.
        .event_interval(3)
        .build()
        .map_err(|error| Failure::caused(exit::OS, error))?;
    let result = runtime.block_on(async {
        match arguments.command {
            Command::Run(given) => run::run(given, arguments.log_level.is_some()).await,
            Command::Check(arguments) => check::check(arguments).await,
            Command::Budget(arguments) => budget::budget(&arguments),
            Command::Health(file) => health::health(&file),
            Command::Coverage(arguments) => coverage::coverage(&arguments),
            Command::Findings(arguments) => findings::findings(&arguments),
            Command::Clip(arguments) => clip::clip(arguments).await,
            Command::Lapse(arguments) => lapse::lapse(*arguments).await,
            Command::Scrub(arguments) => scrub::scrub(&arguments),
            Command::Ladder(arguments) => ladder::ladder(&arguments),
            Command::Pin(arguments) => pin::pin(&arguments),
            Command::Unpin(arguments) => pin::unpin(&arguments),
            Command::Pins(arguments) => pin::list(&arguments),
            Command::Catalog(command) => catalog::catalog(&command),
            Command::Manual(arguments) => manual::manual(&arguments),
            Command::Completions(arguments) => {
                manual::completions(&arguments);
                Ok(())
            }
            Command::Try(arguments) => trial::trial(*arguments).await,
            #[cfg(feature = "demo")]
            Command::Demo(arguments) => demo::demo(arguments).await,
        }
    });
    // A thread may hang in a call that a dead disk never answers; nothing waits for it.
    runtime.shutdown_background();
    result
}
