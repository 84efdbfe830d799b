//! `forebay scrub`: reads the archive again, and tells what is not what was written.

use std::io::{self, Write};
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::tz::TimeZone;
use serde::Serialize;

use super::coverage::When;
use super::output::{complain, say};
use super::{ConfigFile, Failure, exit};
use crate::archive::ledger::Span;
use crate::archive::scrub::{Fault, Offline, Pace, Scrub, ScrubEvent, Scrubbed};
use crate::archive::{Disk, OpenError, is_outage};
use crate::config::{ByteCount, Config};
use crate::units::{CameraName, CaptureTime, Name};

/// How often a long scrub shows that it goes on.
const PROGRESS: Duration = Duration::from_secs(10);
/// How long the last lines of the books may take.
const CLOSE_TIME: Duration = Duration::from_secs(60);
/// Of the JSON object's shape.
const VERSION: u32 = 1;

#[derive(Debug, clap::Args)]
pub(super) struct ScrubArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Only these cameras [default: all that archive and catalog know]
    #[arg(value_name = "CAMERA", value_parser = camera)]
    cameras: Vec<Name>,
    /// Only what begins from then on: a date (its midnight), a date and time in the site's zone, or
    /// RFC 3339. Manifests are read whole in any case
    #[arg(long, value_name = "WHEN")]
    from: Option<When>,
    /// Only what begins before then, written like --from
    #[arg(long, value_name = "WHEN")]
    to: Option<When>,
    /// Read no faster than this, as 20MB/s [default: as fast as it goes]
    #[arg(long, value_name = "RATE", value_parser = rate)]
    rate: Option<ByteCount>,
    /// Move damaged files to .quarantine in the archive, while no relay runs; what they held counts
    /// as missing then
    #[arg(long)]
    quarantine: bool,
    /// Write down that you know of a missing file, or a missing or altered manifest, by its path as
    /// told, while no relay runs: it is not told again as it is now. May be given more than once
    #[arg(
        long,
        value_name = "PATH",
        requires = "reason",
        conflicts_with = "quarantine"
    )]
    acknowledge: Vec<String>,
    /// Why, for --acknowledge; it is kept in the manifest
    #[arg(long, value_name = "TEXT", requires = "acknowledge")]
    reason: Option<String>,
    /// How to tell it
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// A line for each fault
    #[default]
    Text,
    /// One object for scripts
    Json,
}

fn camera(text: &str) -> Result<Name, String> {
    Name::new(text).map_err(|error| error.to_string())
}

fn rate(text: &str) -> Result<ByteCount, String> {
    let bytes: ByteCount = text
        .strip_suffix("/s")
        .unwrap_or(text)
        .parse()
        .map_err(|error| format!("{error}; a rate is written 20MB/s"))?;
    let wrong = "a rate of 0 would never come to an end";
    (bytes.bytes() > 0)
        .then_some(bytes)
        .ok_or_else(|| wrong.to_owned())
}

/// What a scrub tells, for scripts.
#[derive(Serialize)]
struct Row<'a> {
    fault: &'static str,
    /// Null for the catalog as a whole.
    camera: Option<&'a str>,
    /// Below the archive, or of the catalog.
    path: &'a str,
    detail: &'a str,
}

/// Writes as it comes.
struct Teller<W> {
    out: W,
    format: Format,
    told: u64,
    quarantined: u64,
    failed: io::Result<()>,
}

impl<W: Write> Teller<W> {
    fn write(&mut self, text: &str) {
        if self.failed.is_ok() {
            self.failed = writeln!(self.out, "{text}");
        }
    }

    fn begin(&mut self) {
        if self.format == Format::Json {
            let made = serde_json::Value::from(CaptureTime::now().to_string());
            self.write(&format!(
                r#"{{"format":"forebay-scrub","version":{VERSION},"made":{made},"faults":["#
            ));
        }
    }

    fn fault(&mut self, fault: &Fault) {
        self.told += 1;
        let text = match self.format {
            Format::Text => {
                let Fault {
                    kind, path, detail, ..
                } = fault;
                let plain = crate::coverage::plain;
                format!("{:<10}  {}: {}", kind.as_str(), plain(path), plain(detail))
            }
            Format::Json => {
                let row = Row {
                    fault: fault.kind.as_str(),
                    camera: fault.camera.as_ref().map(CameraName::as_str),
                    path: &fault.path,
                    detail: &fault.detail,
                };
                let row = serde_json::to_string(&row).unwrap_or_default();
                let comma = if self.told > 1 { "," } else { "" };
                format!("{comma}{row}")
            }
        };
        self.write(&text);
    }

    fn end(&mut self, scrubbed: &Scrubbed) {
        let Scrubbed {
            objects,
            bytes,
            manifests,
            waiting,
            faults,
            ..
        } = *scrubbed;
        let quarantined = self.quarantined;
        let text = match self.format {
            Format::Text => {
                let more = |number: u64, words: &str| match number {
                    0 => String::new(),
                    _ => format!("; {number} {words}"),
                };
                format!(
                    "{objects} objects of {bytes} bytes and {manifests} manifests read: {}{}{}",
                    match faults {
                        0 => "all as it was written".to_owned(),
                        1 => "1 fault".to_owned(),
                        _ => format!("{faults} faults"),
                    },
                    more(quarantined, "moved to .quarantine"),
                    more(waiting, "too young to be in a manifest")
                )
            }
            Format::Json => format!(
                r#"],"objects":{objects},"bytes":{bytes},"manifests":{manifests},"waiting":{waiting},"quarantined":{quarantined}}}"#
            ),
        };
        self.write(&text);
    }
}

/// Notes what somebody knows of.
fn acknowledge(
    config: &Config,
    disk: &Arc<dyn Disk>,
    paths: &[String],
    reason: &str,
) -> Result<(), Failure> {
    let reason: String = reason.split_whitespace().collect::<Vec<_>>().join(" ");
    if reason.is_empty() {
        return Err(Failure::new(
            exit::USAGE,
            "--reason: say why, in some words",
        ));
    }
    let mut offline = books(config, disk)?;
    let mut wrong = Vec::new();
    for path in paths {
        match offline.acknowledge(path, &reason) {
            Ok(()) => say(&format!("{path}: noted in the manifest of its camera")),
            Err(error) => wrong.push(error),
        }
    }
    offline.close(CLOSE_TIME).map_err(|error| {
        let message = format!("not all could be noted: {error}");
        Failure::new(exit::CANT_CREATE, message)
    })?;
    match wrong.as_slice() {
        [] => Ok(()),
        wrong => Err(Failure::new(exit::USAGE, wrong.join("; "))),
    }
}

pub(super) fn scrub(arguments: &ScrubArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    if let Some(reason) = &arguments.reason {
        return acknowledge(&config, &disk, &arguments.acknowledge, reason);
    }
    let mut offline = match arguments.quarantine {
        true => Some(books(&config, &disk)?),
        false => None,
    };
    let mut teller = Teller {
        out: io::BufWriter::new(io::stdout().lock()),
        format: arguments.format,
        told: 0,
        quarantined: 0,
        failed: Ok(()),
    };
    let worked = arguments.work(&config, &*disk, &mut teller, offline.as_mut());
    if let Ok(scrubbed) = &worked {
        teller.end(scrubbed);
    }
    let told = teller.failed.and_then(|()| teller.out.flush());
    if let Some(offline) = offline {
        offline.close(CLOSE_TIME).map_err(|error| {
            let message = format!("not all that was moved aside could be noted: {error}");
            Failure::new(exit::CANT_CREATE, message)
        })?;
    }
    let scrubbed = worked?;
    match told {
        // Whoever closed the pipe has read enough.
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(Failure::new(
            exit::CANT_CREATE,
            format!("can't write the report: {error}"),
        )),
        _ if scrubbed.faults > 0 => Err(Failure::silent(exit::DATA)),
        _ => Ok(()),
    }
}

fn books(config: &Config, disk: &Arc<dyn Disk>) -> Result<Offline, Failure> {
    let relay = &config.relay;
    Offline::open(disk, &relay.archive, &relay.spool).map_err(|error| match error {
        OpenError::Locked { .. } => Failure::new(
            exit::TRY_LATER,
            format!(
                "a relay uses the spool {}: stop it, or have it move damaged files aside itself \
                 (quarantine = true below [scrub])",
                relay.spool.display()
            ),
        ),
        error => Failure::caused(exit::CANT_CREATE, error),
    })
}

impl ScrubArguments {
    fn work<W: Write>(
        &self,
        config: &Config,
        disk: &dyn Disk,
        teller: &mut Teller<W>,
        mut offline: Option<&mut Offline>,
    ) -> Result<Scrubbed, Failure> {
        let relay = &config.relay;
        let pace = Pace::new(self.rate.map_or(0, ByteCount::bytes));
        let mut said = Instant::now();
        let (mut objects, mut read) = (0_u64, 0_u64);
        let mut away = None;
        teller.begin();
        let mut tell = |event| match event {
            ScrubEvent::Fault(fault) => teller.fault(&fault),
            ScrubEvent::Checked { bytes, .. } => {
                (objects, read) = (objects + 1, read + bytes);
                if said.elapsed() >= PROGRESS {
                    said = Instant::now();
                    complain(&format!("{objects} objects of {read} bytes read"));
                }
            }
            // Somebody waits for it.
            ScrubEvent::Away(error) => {
                away = Some(error);
                pace.stop();
            }
            ScrubEvent::Back | ScrubEvent::Unlisted { .. } => {}
            ScrubEvent::Quarantined { object, reason, .. } => {
                teller.quarantined += 1;
                if let Some(offline) = &mut offline {
                    offline.quarantined(&object, &reason);
                }
            }
        };
        let mut scrub = Scrub {
            disk,
            archive: &relay.archive,
            spool: &relay.spool,
            pace: &pace,
            quarantine: self.quarantine,
            young: Scrub::YOUNG,
            tell: &mut tell,
            scrubbed: Scrubbed::default(),
        };
        let catalog = scrub.catalog();
        let there = scrub.cameras(catalog.as_ref()).map_err(|error| {
            let archive = relay.archive.display();
            let message = format!("the archive {archive} can't be read: {error}");
            let code = match is_outage(&error) {
                true => exit::UNAVAILABLE,
                false => exit::NO_INPUT,
            };
            Failure::new(code, message)
        })?;
        let configured = |name: &Name| config.cameras.iter().any(|camera| camera.name == *name);
        if let Some(unknown) = self
            .cameras
            .iter()
            .find(|name| !there.contains(*name) && !configured(name))
        {
            let names: Vec<_> = there.iter().map(Name::as_str).collect();
            let message = format!(
                "{unknown}: no such camera in {}; it has {}",
                relay.archive.display(),
                names.join(", ")
            );
            return Err(Failure::new(exit::USAGE, message));
        }
        let chosen =
            |camera: &&CameraName| self.cameras.is_empty() || self.cameras.contains(camera);
        for camera in there.iter().filter(chosen) {
            let window = self.window(config, camera)?;
            scrub.camera(camera, window, None, catalog.as_ref());
            if scrub.scrubbed.stopped {
                break;
            }
        }
        let scrubbed = scrub.scrubbed;
        match away {
            None => Ok(scrubbed),
            Some(error) => Err(Failure::new(
                exit::UNAVAILABLE,
                format!(
                    "the archive {} can't be read any more: {error}. Of it {} objects were read; scrub it \
                     again when it is back",
                    relay.archive.display(),
                    scrubbed.objects
                ),
            )),
        }
    }

    /// In the zone of the camera's site; a camera that is not configured any more has UTC.
    fn window(&self, config: &Config, camera: &CameraName) -> Result<Option<Span>, Failure> {
        if self.from.is_none() && self.to.is_none() {
            return Ok(None);
        }
        let site = config.cameras.iter().find(|c| c.name == *camera);
        let site = site.and_then(|camera| config.site(&camera.site));
        let zone = site.map_or(TimeZone::UTC, |site| site.time_zone.clone());
        let wrong = |message: &str| Failure::new(exit::USAGE, message);
        let resolve = |when: Option<When>, without: i64| match when {
            Some(when) => when
                .at(&zone)
                .ok_or_else(|| wrong("a time between the years 1678 and 2261 is needed")),
            None => Ok(CaptureTime::from_unix_nanos(without)),
        };
        let begin = resolve(self.from, i64::MIN)?;
        let end = resolve(self.to, i64::MAX)?;
        let window = Span::new(begin, end);
        window
            .map(Some)
            .ok_or_else(|| wrong("--from is not before --to: swap them"))
    }
}

#[cfg(test)]
#[path = "scrub_tests.rs"]
mod tests;
