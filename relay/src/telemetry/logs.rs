//! The log: one line an event, as text for people or as JSON for machines, to standard error.

use std::io::IsTerminal as _;
use std::sync::OnceLock;

use clap::ValueEnum;
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;
use tracing_subscriber::{Registry, reload};

/// How log lines look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum LogFormat {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line.
    Json,
}

/// How much is logged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum LogLevel {
    /// What needs an operator now.
    Error,
    /// And what may need one.
    Warn,
    /// And what happens.
    #[default]
    Info,
    /// And what helps to find a defect.
    Debug,
}

/// Writes out what is left of the log when it is dropped.
#[derive(Debug)]
#[must_use = "the log ends with it"]
pub struct LogEnd {
    _worker: tracing_appender::non_blocking::WorkerGuard,
}

/// How much the running log tells.
static LEVEL: OnceLock<reload::Handle<Targets, Registry>> = OnceLock::new();

fn targets(level: LogLevel) -> Targets {
    let level = match level {
        LogLevel::Error => LevelFilter::ERROR,
        LogLevel::Warn => LevelFilter::WARN,
        LogLevel::Info => LevelFilter::INFO,
        LogLevel::Debug => LevelFilter::DEBUG,
    };
    Targets::new().with_target("forebay::", level)
}

/// From now on so much is logged. Without a log nothing happens.
pub fn set_level(level: LogLevel) {
    if let Some(handle) = LEVEL.get() {
        // The only error is a log that is gone.
        handle.reload(targets(level)).ok();
    }
}

/// Starts the log; a second call changes nothing. Only the relay's own events are logged: what
/// libraries write may hold addresses and session descriptions.
///
/// A thread of its own writes: a reader of the log that stalls must not stop a camera. What such a
/// reader makes it keep is bounded (128 000 lines); more is dropped.
pub fn start(format: LogFormat, level: LogLevel) -> LogEnd {
    let (filter, level) = reload::Layer::new(targets(level));
    let registry = tracing_subscriber::registry().with(filter);
    let (writer, worker) = tracing_appender::non_blocking(std::io::stderr());
    let layer = tracing_subscriber::fmt::layer()
        .with_writer(writer)
        .with_target(false);
    // The only error is that a log was started before (tests do): that one stays.
    let started = match format {
        LogFormat::Text => registry
            .with(layer.with_ansi(std::io::stderr().is_terminal()))
            .try_init(),
        LogFormat::Json => registry.with(layer.json().flatten_event(true)).try_init(),
    };
    if started.is_ok() {
        // Nobody else sets it: the log is started once.
        LEVEL.set(level).ok();
    }
    LogEnd { _worker: worker }
}
