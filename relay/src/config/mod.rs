//! The configuration: one TOML file, read whole, checked whole, and only then believed.
//!
//! [`load`] and [`parse`] check everything that the file alone can tell and report all problems at
//! once, each with its place, the offending line and what is allowed.
//! [`Config::check_surroundings`] checks what needs the machine: folders, secrets, plugin files.
//!
//! The way through the files: `document` gives TOML's tree and its syntax errors, `fields` takes
//! typed values out of one table, `relay`, `pictures`, `carry`, `ladder`, `camera`, `pause` and `sink` know the tables
//! and the rules between them, `model` is what comes out, `plan` the part of it that knows when a camera is
//! wanted. `excerpt` shows lines of the file without the secrets in them, `wording` and `problem`
//! put the message together.

mod budget;
mod camera;
mod carry;
mod document;
mod excerpt;
mod fields;
mod heartbeat;
mod ladder;
mod model;
mod pause;
mod pictures;
mod plan;
#[cfg(test)]
mod plan_tests;
mod problem;
mod quantity;
mod relay;
mod scrub;
mod secrets;
mod sink;
mod store;
mod surroundings;
#[cfg(test)]
mod tests;
mod wording;

use std::fs::File;
use std::io::Read;
use std::path::Path;

pub use model::{
    BUILTIN_PLUGINS, BitRate, Camera, Carry, Config, Expected, FirstSequence, Heartbeat,
    LADDER_SINK, Ladder, LadderRule, Lens, Limits, PICTURES_SINK, Period, Pictures, Plugin,
    Position, Quirks, Relay, Scrub, SenderReports, SessionId, Sink, Site, StartTime, Store,
    StrayData, Transport, UPLOAD_BYTES_MAX, Uplink, View, WhenBehind, WhenFull,
};
pub use plan::{LivePlan, Pause, Plan};
pub use problem::{ConfigError, Place, Problem, Severity};
pub use quantity::{ByteCount, ByteCountError};
pub use secrets::{Credentials, PasswordSource, Secret, SecretError};

use problem::Report;

/// The largest file that is read. A camera takes about 300 bytes.
const FILE_BYTES_MAX: u64 = 1024 * 1024;

/// Reads and checks the file at `path`. Relative paths in it are taken from its folder.
///
/// # Errors
/// [`ConfigError`] lists what is wrong: the file can't be read, or its problems.
pub fn load(path: &Path) -> Result<Config, ConfigError> {
    let unreadable = |why: &str, advice: &str| {
        let problem = Problem::new(format!("{} {why}", path.display()), advice);
        ConfigError::new(path, vec![problem])
    };
    let bytes = read(path).map_err(|error| {
        unreadable(
            &format!("can't be read: {error}"),
            "Check the path, and that the user who runs the relay may read the file.",
        )
    })?;
    if bytes.len() as u64 > FILE_BYTES_MAX {
        return Err(unreadable(
            "is larger than 1 MiB",
            "Is it the configuration? Give the TOML file that holds [relay] and [[camera]].",
        ));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let lines = error
            .as_bytes()
            .iter()
            .take(good)
            .filter(|byte| **byte == b'\n')
            .count();
        unreadable(
            &format!(
                "isn't UTF-8 text: line {} holds a byte that is none",
                lines + 1
            ),
            "Save the file as UTF-8 in your editor.",
        )
    })?;
    parse(&text, path)
}

fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    // Opening a pipe that nobody writes to would wait for ever.
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::Error::other("it isn't a regular file"));
    }
    let mut bytes = Vec::new();
    File::open(path)?
        .take(FILE_BYTES_MAX + 1)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Checks the text of a configuration file; `path` is where it comes from: it stands in messages,
/// and relative paths in the text are taken from its folder. Touches no file.
///
/// # Errors
/// [`ConfigError`] lists every problem of the text, in the order of the lines.
pub fn parse(text: &str, path: &Path) -> Result<Config, ConfigError> {
    let report = Report::default();
    // Absolute, for the relay may be started anywhere and some folders must be named so. Only a
    // working directory that is gone fails here, and then paths stay as they are.
    let folder = path.parent().unwrap_or(Path::new(""));
    let absolute = std::path::absolute(if folder == "" { Path::new(".") } else { folder });
    let folder = absolute.as_deref().unwrap_or(folder);
    let config = document::read(text, &report)
        .and_then(|document| relay::read_config(&document, folder, &report));
    match config {
        Some(config) if report.is_empty() => Ok(config),
        _ => Err(report.into_error(text, path)),
    }
}
