//! `forebay coverage`: what is recorded, what is missing, and why.

use std::path::PathBuf;

use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan as _};

use super::{ConfigFile, Failure, disk, exit, output};
use crate::archive::Disk;
use crate::archive::findings::each;
use crate::archive::ledger::Span;
use crate::config::{Camera, Config, Site};
pub(super) use crate::coverage::When;
use crate::coverage::days::midnight;
use crate::coverage::{
    Account, AccountError, Sheet, SiteAccounts, accounts, html, json, local_long, nothing, text,
};
use crate::units::{CameraName, CaptureTime};

/// Width of the text where it does not go to a terminal.
const WIDTH: usize = 120;

#[derive(Debug, clap::Args)]
pub(super) struct CoverageArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Only this camera; may be given more than once
    #[arg(long = "camera", value_name = "NAME")]
    cameras: Vec<String>,
    /// From when on: a date (its midnight), a date and time in the site's zone, or RFC 3339
    #[arg(long, value_name = "WHEN", conflicts_with = "days")]
    from: Option<When>,
    /// Until when, written like --from: a date is not included itself [default: now]
    #[arg(long, value_name = "WHEN")]
    to: Option<When>,
    /// How many days of the site's calendar, the last one included
    #[arg(long, value_name = "N", default_value_t = 7, value_parser = clap::value_parser!(u16).range(1..=3660))]
    days: u16,
    /// How to tell it
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// File to write; it takes its name when it is whole [default: standard output]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, Default, clap::ValueEnum)]
enum Format {
    /// Tables for a terminal
    #[default]
    Text,
    /// One object for scripts
    Json,
    /// One page for a browser or for paper
    Html,
}

pub(super) fn coverage(arguments: &CoverageArguments) -> Result<(), Failure> {
    let config = arguments.file.load()?;
    let cameras = arguments.cameras(&config)?;
    let account = accounts(&config.relay.spool).map_err(unavailable)?;
    let mut sheet = arguments.sheet(&config, &cameras, CaptureTime::now(), account)?;
    // The account itself is in the spool.
    let disk = disk(&config)?;
    match super::archive_answers(&config, &disk) {
        Ok(()) => count_stills(&config, &*disk, &mut sheet),
        Err(words) => output::complain(&format!("forebay: stills are not counted: {words}")),
    }
    let told = match arguments.format {
        Format::Text => text::write(&sheet, arguments.width()),
        Format::Json => {
            json::write(&sheet).map_err(|error| Failure::caused(exit::SOFTWARE, error))?
        }
        Format::Html => html::write(&sheet).map_err(|error| Failure::caused(exit::USAGE, error))?,
    };
    match &arguments.out {
        Some(path) => output::write_whole(path, &told).map_err(|error| {
            let message = format!("can't write {}: {error}", path.display());
            Failure::new(exit::CANT_CREATE, message)
        }),
        None => {
            output::say(told.trim_end());
            Ok(())
        }
    }
}

/// Counts the stills of each camera: they are told of by findings.
fn count_stills(config: &Config, disk: &dyn Disk, sheet: &mut Sheet) {
    let relay = &config.relay;
    for site in &mut sheet.sites {
        let (asked, zone) = (site.asked, &site.time_zone);
        for camera in &mut site.cameras {
            let name = camera.camera.clone();
            // What is passed over is logged; here it is one finding less.
            let places = (relay.archive.as_path(), relay.spool.as_path());
            each(disk, places, &name, asked, &mut |finding| {
                camera.stills.note(&finding, zone);
            });
        }
    }
}

fn unavailable(error: AccountError) -> Failure {
    Failure::caused(exit::UNAVAILABLE, error)
}

impl CoverageArguments {
    fn cameras<'a>(&self, config: &'a Config) -> Result<Vec<&'a Camera>, Failure> {
        chosen(&self.cameras, config, &self.file)
    }

    /// Asks for the accounts, site by site: days are those of a site's zone.
    fn sheet(
        &self,
        config: &Config,
        cameras: &[&Camera],
        now: CaptureTime,
        mut account: impl FnMut(&CameraName, Span) -> Account,
    ) -> Result<Sheet, Failure> {
        let mut sites = Vec::new();
        for site in &config.sites {
            let here = cameras.iter().filter(|camera| camera.site == site.name);
            let names: Vec<_> = here.map(|camera| &camera.name).collect();
            if names.is_empty() {
                continue;
            }
            let asked = self.window(site, now)?;
            let accounts = names.into_iter().map(|name| {
                let known = account(name, asked)?;
                Ok(known.unwrap_or_else(|| nothing(name, site, asked)))
            });
            sites.push(SiteAccounts {
                site: site.name.clone(),
                time_zone: site.time_zone.clone(),
                time_zone_name: site.time_zone_name.clone(),
                asked,
                accounts: accounts.collect::<Result<_, _>>().map_err(unavailable)?,
            });
        }
        Ok(Sheet::new(now, sites))
    }

    fn window(&self, site: &Site, now: CaptureTime) -> Result<Span, Failure> {
        window((self.from, self.to), self.days, site, now)
    }

    fn width(&self) -> usize {
        let stdout = std::io::stdout();
        let size = match self.out {
            None => rustix::termios::tcgetwinsize(&stdout).ok(),
            Some(_) => None,
        };
        // A terminal that doesn't know its size says 0.
        let columns = size.map(|size| usize::from(size.ws_col));
        columns.filter(|columns| *columns > 0).unwrap_or(WIDTH)
    }
}

/// The cameras asked for, in the order of the configuration; all where none is.
pub(super) fn chosen<'a>(
    names: &[String],
    config: &'a Config,
    file: &ConfigFile,
) -> Result<Vec<&'a Camera>, Failure> {
    let known = |name: &String| config.cameras.iter().any(|c| c.name.as_str() == name);
    if let Some(unknown) = names.iter().find(|name| !known(name)) {
        let names: Vec<_> = config.cameras.iter().map(|c| c.name.as_str()).collect();
        return Err(Failure::new(
            exit::USAGE,
            format!(
                "--camera {unknown}: no such camera in {}; it has {}",
                file.config.display(),
                names.join(", ")
            ),
        ));
    }
    let asked = |camera: &&Camera| {
        names.is_empty() || names.iter().any(|name| name == camera.name.as_str())
    };
    Ok(config.cameras.iter().filter(asked).collect())
}

/// The window asked for; it ends now at the latest.
pub(super) fn window(
    (from, to): (Option<When>, Option<When>),
    days: u16,
    site: &Site,
    now: CaptureTime,
) -> Result<Span, Failure> {
    let zone = &site.time_zone;
    let wrong = |message: String| Failure::new(exit::USAGE, message);
    let resolve = |option: &str, when: When| {
        let years = "a time between the years 1678 and 2261 is needed";
        let time = when.at(zone);
        time.ok_or_else(|| wrong(format!("{option}: {years}")))
    };
    let to = to.map(|when| resolve("--to", when)).transpose()?;
    let end = to.unwrap_or(now).min(now);
    let begin = match from {
        Some(when) => resolve("--from", when)?,
        None => {
            let begin = first_midnight(end, days, zone);
            begin.ok_or_else(|| wrong(format!("--days {days}: too many")))?
        }
    };
    let told = |time| local_long(time, zone);
    if begin >= now {
        return Err(wrong(format!(
            "site {}: --from {} has not come yet: it is {}",
            site.name,
            told(begin),
            told(now)
        )));
    }
    if begin >= end {
        return Err(wrong(format!(
            "site {}: --from {} is not before --to {}: swap them, or leave --to out for now",
            site.name,
            told(begin),
            told(end)
        )));
    }
    Ok(Span { begin, end })
}

/// Midnight of the first of so many days, of which the last holds the time just before `end`.
fn first_midnight(end: CaptureTime, days: u16, zone: &TimeZone) -> Option<CaptureTime> {
    let last = Timestamp::from_nanosecond(i128::from(end.unix_nanos()) - 1).ok()?;
    let last = last.to_zoned(zone.clone()).date();
    let first = last.checked_sub((i64::from(days) - 1).days()).ok()?;
    midnight(first, zone)
}

#[cfg(test)]
#[path = "coverage_tests.rs"]
mod tests;
