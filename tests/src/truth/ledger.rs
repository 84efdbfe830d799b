//! What `forebay coverage --format json` says.

use std::process::Command;

use serde::Deserialize;

use super::Cause;
use crate::recording::unix_of_rfc3339;
use crate::{Configuration, Relay, run};

/// A gap; Unix seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// From when.
    pub begin: f64,
    /// Until when.
    pub end: f64,
    /// Why.
    pub cause: Cause,
    /// The evidence in words.
    pub detail: String,
}

/// The account of one camera; Unix seconds.
#[derive(Debug, Clone)]
pub struct Account {
    /// Whose.
    pub camera: String,
    /// Where it begins.
    pub begin: f64,
    /// Until when it is settled.
    pub end: f64,
    /// How long something was wanted, in seconds.
    pub wanted: f64,
    /// How much of it is recorded, in seconds.
    pub recorded: f64,
    /// All of them, in order.
    pub gaps: Vec<Gap>,
}

#[derive(Deserialize)]
struct Document {
    sites: Vec<Site>,
}

#[derive(Deserialize)]
struct Site {
    cameras: Vec<Camera>,
}

#[derive(Deserialize)]
struct Camera {
    camera: String,
    account_begin: Option<String>,
    settled_until: String,
    totals: Totals,
    gaps: Vec<Told>,
}

#[derive(Deserialize)]
struct Totals {
    wanted_seconds: f64,
    recorded_seconds: f64,
}

#[derive(Deserialize)]
struct Told {
    begin: String,
    end: String,
    cause: Cause,
    detail: String,
}

/// Asks the relay's own program, which reads the catalog.
#[must_use]
pub fn ask(configuration: &Configuration) -> Vec<Account> {
    let said = run(&mut command(
        configuration,
        &["coverage", "--format", "json"],
    ));
    parse(&String::from_utf8(said.stdout).unwrap())
}

/// Has the catalog made anew from files and journals.
pub fn rebuild(configuration: &Configuration) {
    run(&mut command(configuration, &["catalog", "rebuild"]));
}

fn command(configuration: &Configuration, words: &[&str]) -> Command {
    let mut command = Command::new(Relay::program());
    command.args(words).arg("--config");
    command.arg(configuration.folder().join("forebay.toml"));
    command
}

fn parse(text: &str) -> Vec<Account> {
    let document: Document =
        serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}:\n{text}"));
    let time = |text: &str| unix_of_rfc3339(text).unwrap_or_else(|| panic!("no time: {text}"));
    let cameras = document.sites.into_iter().flat_map(|site| site.cameras);
    cameras
        .map(|told| Account {
            begin: time(told.account_begin.as_deref().expect("an account")),
            end: time(&told.settled_until),
            camera: told.camera,
            wanted: told.totals.wanted_seconds,
            recorded: told.totals.recorded_seconds,
            gaps: told
                .gaps
                .into_iter()
                .map(|gap| Gap {
                    begin: time(&gap.begin),
                    end: time(&gap.end),
                    cause: gap.cause,
                    detail: gap.detail,
                })
                .collect(),
        })
        .collect()
}
