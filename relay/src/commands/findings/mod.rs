//! `forebay findings`: what analyzers have seen.

mod csv;
mod json;
mod text;

use std::io::{self, BufWriter, Write as _};

use super::coverage::{When, chosen, window};
use super::{ConfigFile, Failure, exit, output};
use crate::archive::Disk;
use crate::archive::catalog::{Catalog, CatalogError};
use crate::archive::findings::{Asked, Episode, Kind, Passed, is_kind, told, utc};
use crate::archive::ledger::Span;
use crate::config::{Camera, Config, Site};
use crate::units::{CaptureTime, Name};

#[derive(Debug, clap::Args)]
pub(super) struct FindingsArguments {
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
    /// Only this kind; may be given more than once
    #[arg(long = "kind", value_name = "KIND", value_parser = kind)]
    kinds: Vec<String>,
    /// Only what this sink has seen; may be given more than once
    #[arg(long = "sink", value_name = "NAME", value_parser = sink)]
    sinks: Vec<Name>,
    /// Only findings of this score or more, 0 to 1
    #[arg(long, value_name = "SCORE", default_value_t = 0.0, value_parser = score)]
    min_score: f64,
    /// How to tell it
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[derive(Debug, Clone, Copy, Default, clap::ValueEnum)]
enum Format {
    /// Tables for a terminal
    #[default]
    Text,
    /// One object for scripts
    Json,
    /// One row a finding, after RFC 4180, with a heading
    Csv,
}

fn kind(text: &str) -> Result<String, String> {
    let wrong = "a kind has 1 to 32 characters a-z, 0-9 and '-', and begins with a letter";
    is_kind(text)
        .then(|| text.to_owned())
        .ok_or_else(|| wrong.to_owned())
}

fn sink(text: &str) -> Result<Name, String> {
    Name::new(text).map_err(|error| error.to_string())
}

fn score(text: &str) -> Result<f64, String> {
    let score = text.parse().ok();
    let score = score.filter(|score| (0.0..=1.0).contains(score));
    score.ok_or_else(|| "a number from 0 to 1".to_owned())
}

/// Tells findings as they come. Cameras stand with their site.
trait Teller {
    fn begin(&mut self, made: CaptureTime) -> io::Result<()>;
    fn site(&mut self, site: &Site, window: Span) -> io::Result<()>;
    fn camera(&mut self, site: &Site, camera: &Name) -> io::Result<()>;
    fn episode(&mut self, site: &Site, camera: &Name, episode: &Episode) -> io::Result<()>;
    fn camera_end(&mut self, passed: Passed) -> io::Result<()>;
    fn site_end(&mut self) -> io::Result<()>;
    fn end(&mut self) -> io::Result<()>;
}

pub(super) fn findings(arguments: &FindingsArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    let cameras = chosen(&arguments.cameras, &config, &arguments.file)?;
    let out = BufWriter::new(io::stdout().lock());
    let (told, mut out) = arguments.tell((&config, &*disk), &cameras, CaptureTime::now(), out)?;
    let told = told.and_then(|passed| out.flush().map(|()| passed));
    match told {
        Ok(passed) => complain(passed),
        // Whoever closed the pipe has read enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        Err(error) => Err(Failure::new(
            exit::CANT_CREATE,
            format!("can't write the findings: {error}"),
        )),
    }
}

/// What was passed over is told beside the findings, and files that can't be read by the exit
/// code, too.
fn complain(passed: Passed) -> Result<(), Failure> {
    let Passed {
        damaged_lines,
        unreadable_files,
    } = passed;
    if damaged_lines > 0 {
        output::complain(&format!(
            "forebay: {damaged_lines} damaged lines were passed over"
        ));
    }
    match unreadable_files {
        0 => Ok(()),
        number => Err(Failure::new(
            exit::UNAVAILABLE,
            format!("{number} files or folders of findings could not be read, see above"),
        )),
    }
}

impl FindingsArguments {
    /// Gives what came of writing, and the writer.
    fn tell<W: io::Write>(
        &self,
        (config, disk): (&Config, &dyn Disk),
        cameras: &[&Camera],
        now: CaptureTime,
        mut out: W,
    ) -> Result<(io::Result<Passed>, W), Failure> {
        let mut sites = Vec::new();
        for site in &config.sites {
            let here = cameras.iter().filter(|camera| camera.site == site.name);
            let names: Vec<_> = here.map(|camera| &camera.name).collect();
            if !names.is_empty() {
                let window = window((self.from, self.to), self.days, site, now)?;
                sites.push((site, window, names));
            }
        }
        let catalog = known(Catalog::open_to_read(&config.relay.spool));
        let told = {
            let mut teller: Box<dyn Teller + '_> = match self.format {
                Format::Text => Box::new(text::Text::new(&mut out)),
                Format::Json => Box::new(json::Json::new(&mut out)),
                Format::Csv => Box::new(csv::Csv::new(&mut out)),
            };
            let books = (disk, catalog.as_ref());
            self.write(config, books, &sites, now, &mut *teller)
        };
        Ok((told, out))
    }

    fn write(
        &self,
        config: &Config,
        (disk, catalog): (&dyn Disk, Option<&Catalog>),
        sites: &[(&Site, Span, Vec<&Name>)],
        now: CaptureTime,
        teller: &mut dyn Teller,
    ) -> io::Result<Passed> {
        let mut all = Passed::default();
        teller.begin(now)?;
        for (site, window, names) in sites {
            teller.site(site, *window)?;
            for name in names {
                teller.camera(site, name)?;
                let mut written = Ok(());
                let relay = &config.relay;
                let asked = Asked {
                    disk,
                    archive: &relay.archive,
                    spool: &relay.spool,
                    catalog,
                    camera: name,
                    window: *window,
                    wants: &|kind| self.wants(kind),
                    min_score: self.min_score,
                };
                let passed = told(&asked, &complain_of_catalog, &mut |episode| {
                    if written.is_ok() {
                        written = teller.episode(site, name, &episode);
                    }
                });
                written?;
                teller.camera_end(passed)?;
                all.damaged_lines += passed.damaged_lines;
                all.unreadable_files += passed.unreadable_files;
            }
            teller.site_end()?;
        }
        teller.end()?;
        Ok(all)
    }

    fn wants(&self, (sink, kind): &Kind) -> bool {
        let wanted = self.kinds.is_empty() || self.kinds.contains(kind);
        wanted && (self.sinks.is_empty() || self.sinks.contains(sink))
    }
}

/// What the catalog says. Where it fails, findings are told without it.
fn known<T>(answer: Result<T, CatalogError>) -> Option<T> {
    answer.map_err(complain_of_catalog).ok()
}

fn complain_of_catalog(error: CatalogError) {
    let error = anyhow::Error::from(error);
    output::complain(&format!(
        "forebay: of states that began or ended more than a day from the times asked for only \
         one end is told: {error:#}"
    ));
}

#[cfg(test)]
mod tests;
