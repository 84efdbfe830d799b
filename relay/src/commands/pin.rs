//! `forebay pin`, `unpin`, `pins`: what is kept whatever the rules of the ladder say.

use std::io;
use std::path::Path;

use jiff::tz::TimeZone;
use serde::Serialize;

use super::coverage::When;
use super::output::{say, table};
use super::{ConfigFile, Failure, exit};
use crate::archive::Disk;
use crate::archive::ladder::pins::{self, Pin, PinError, REASON_CHARS_MAX};
use crate::archive::ledger::Span;
use crate::config::{Config, LadderRule};
use crate::coverage::{local_long, plain};
use crate::units::{CameraName, CaptureTime, Name};

#[derive(Debug, clap::Args)]
pub(super) struct PinArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// The camera, also one that is only in the archive
    #[arg(value_name = "CAMERA", value_parser = camera)]
    camera: Name,
    /// From when on: a date (its midnight), a date and time in the site's zone, or RFC 3339
    #[arg(value_name = "FROM")]
    from: When,
    /// Until when, written like FROM: a date is not included itself
    #[arg(value_name = "TO")]
    to: When,
    /// Why it is kept; it is listed with the pin
    #[arg(long, value_name = "TEXT", value_parser = reason)]
    reason: String,
    /// When the pin ends by itself, written like FROM [default: when it is unpinned]
    #[arg(long, value_name = "WHEN")]
    until: Option<When>,
}

#[derive(Debug, clap::Args)]
pub(super) struct UnpinArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// The camera
    #[arg(value_name = "CAMERA", value_parser = camera)]
    camera: Name,
    /// The pin, as `forebay pins` lists it
    #[arg(value_name = "ID")]
    id: String,
}

#[derive(Debug, clap::Args)]
pub(super) struct PinsArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Only this camera; may be given more than once
    #[arg(long = "camera", value_name = "NAME", value_parser = camera)]
    cameras: Vec<Name>,
    /// How to tell it
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[derive(Debug, Clone, Copy, Default, clap::ValueEnum)]
enum Format {
    /// A table for a terminal
    #[default]
    Text,
    /// One object for scripts
    Json,
}

fn camera(text: &str) -> Result<Name, String> {
    Name::new(text).map_err(|error| error.to_string())
}

fn reason(text: &str) -> Result<String, String> {
    let reason = plain(text);
    match reason.chars().count() {
        0 => Err("say why, for whoever reads it in a year".to_owned()),
        length if length > REASON_CHARS_MAX => Err(format!(
            "{length} characters, and at most {REASON_CHARS_MAX} are kept"
        )),
        _ => Ok(reason),
    }
}

/// Pins a stretch of a camera's time.
pub(super) fn pin(arguments: &PinArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    let camera = &arguments.camera;
    let zone = zone(&config, &*disk, camera, &arguments.file)?;
    let now = CaptureTime::now();
    let at = |name: &str, when: When| {
        let years = "a time between the years 1678 and 2261 is needed";
        when.at(&zone)
            .ok_or_else(|| Failure::new(exit::USAGE, format!("{name}: {years}")))
    };
    let (from, to) = (at("FROM", arguments.from)?, at("TO", arguments.to)?);
    let span = Span::new(from, to).ok_or_else(|| {
        let told = |time| local_long(time, &zone);
        Failure::new(
            exit::USAGE,
            format!(
                "FROM {} is not before TO {}: swap them",
                told(from),
                told(to)
            ),
        )
    })?;
    let until = arguments
        .until
        .map(|until| at("--until", until))
        .transpose()?;
    if let Some(until) = until
        && until <= now
    {
        let told = local_long(until, &zone);
        return Err(Failure::new(
            exit::USAGE,
            format!("--until {told} has passed: such a pin holds nothing"),
        ));
    }
    let relay = &config.relay;
    // Nothing goes while it is made: what is there then stays.
    let _guard = pins::guard(&*disk, &relay.spool).map_err(failed)?;
    let made = pins::add(
        &*disk,
        &relay.archive,
        camera,
        span,
        &arguments.reason,
        until,
    );
    let made = made.map_err(failed)?;
    say(&format!(
        "pinned {camera} from {} to {}: {}",
        local_long(from, &zone),
        local_long(to, &zone),
        made.id
    ));
    match until {
        Some(until) => say(&format!("until {}", local_long(until, &zone))),
        None => say(&format!(
            "until it is unpinned: forebay unpin {camera} {}",
            made.id
        )),
    }
    if let Some(warning) = beyond(&made, rule(&config, camera), &zone) {
        say(&warning);
    }
    Ok(())
}

/// Ends a pin.
pub(super) fn unpin(arguments: &UnpinArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    let camera = &arguments.camera;
    let zone = zone(&config, &*disk, camera, &arguments.file)?;
    let _guard = pins::guard(&*disk, &config.relay.spool).map_err(failed)?;
    let pin = pins::end(&*disk, &config.relay.archive, camera, &arguments.id).map_err(failed)?;
    say(&format!(
        "unpinned {camera} from {} to {} ({}): the rules of the ladder hold for it again",
        local_long(pin.span.begin, &zone),
        local_long(pin.span.end, &zone),
        pin.reason
    ));
    Ok(())
}

/// Lists pins.
pub(super) fn list(arguments: &PinsArguments) -> Result<(), Failure> {
    let (config, disk) = arguments.file.load_with_archive()?;
    let now = CaptureTime::now();
    let archive = &config.relay.archive;
    let cameras = match arguments.cameras.as_slice() {
        [] => archived(&*disk, archive)?,
        asked => {
            for camera in asked {
                zone(&config, &*disk, camera, &arguments.file)?;
            }
            asked.to_vec()
        }
    };
    let mut pins = Vec::new();
    for camera in cameras {
        pins.extend(pins::read(&*disk, archive, &camera).map_err(failed)?);
    }
    match arguments.format {
        Format::Text => text(&config, &pins, now),
        Format::Json => json(&config, &pins, now)?,
    }
    Ok(())
}

fn failed(error: PinError) -> Failure {
    let code = match &error {
        PinError::Unknown { .. } => exit::NO_INPUT,
        PinError::Damaged(_) => exit::UNAVAILABLE,
        PinError::Busy(_) => exit::TRY_LATER,
        PinError::Full { .. } | PinError::Storage(_) => exit::CANT_CREATE,
    };
    Failure::caused(code, error)
}

/// The cameras that the archive has a folder of.
fn archived(disk: &dyn Disk, archive: &Path) -> Result<Vec<CameraName>, Failure> {
    let mut names = Vec::new();
    let listed = disk.each_entry(archive, &mut |name| {
        names.extend(name.to_str().and_then(|name| Name::new(name).ok()));
    });
    listed.map_err(|error| {
        Failure::new(
            exit::NO_INPUT,
            format!("can't list {}: {error}", archive.display()),
        )
    })?;
    names.retain(|name| {
        let found = disk.metadata(&archive.join(name.as_str()));
        found.map_or(true, |found| !found.is_file)
    });
    names.sort();
    Ok(names)
}

/// Whether the archive has something of a camera.
pub(super) fn has_folder(
    config: &Config,
    disk: &dyn Disk,
    camera: &CameraName,
) -> Result<bool, Failure> {
    let folder = config.relay.archive.join(camera.as_str());
    match disk.each_entry(&folder, &mut |_| {}) {
        Ok(()) => Ok(true),
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            Ok(false)
        }
        Err(error) => Err(Failure::new(
            exit::UNAVAILABLE,
            format!("can't list the folder {}: {error}", folder.display()),
        )),
    }
}

/// The zone of a camera's site; UTC for one that is only in the archive.
fn zone(
    config: &Config,
    disk: &dyn Disk,
    camera: &CameraName,
    file: &ConfigFile,
) -> Result<TimeZone, Failure> {
    let known = config.cameras.iter().find(|known| known.name == *camera);
    if let Some(site) = known.and_then(|known| config.site(&known.site)) {
        return Ok(site.time_zone.clone());
    }
    if has_folder(config, disk, camera)? {
        return Ok(TimeZone::UTC);
    }
    let names: Vec<_> = config.cameras.iter().map(|c| c.name.as_str()).collect();
    Err(Failure::new(
        exit::USAGE,
        format!(
            "{camera}: no such camera in {}, which has {}, and none in the archive {}",
            file.config.display(),
            names.join(", "),
            config.relay.archive.display()
        ),
    ))
}

fn rule<'a>(config: &'a Config, camera: &CameraName) -> &'a LadderRule {
    let known = config.cameras.iter().find(|known| known.name == *camera);
    known.map_or(&config.ladder.rule, |known| &known.ladder)
}

/// What a pin holds against: the legal maximum.
fn beyond(pin: &Pin, rule: &LadderRule, zone: &TimeZone) -> Option<String> {
    let most = rule.most?;
    let ends = over(pin, rule)?;
    if pin.until.is_some_and(|until| until <= ends) {
        return None;
    }
    Some(format!(
        "note: most_days = {} would end it from {} on; the pin keeps it beyond that",
        most.as_secs_f64() / 86_400.0,
        local_long(ends, zone)
    ))
}

/// When what is pinned would begin to go by the legal maximum.
fn over(pin: &Pin, rule: &LadderRule) -> Option<CaptureTime> {
    let most = i64::try_from(rule.most?.as_nanos()).ok()?;
    let ends = pin.span.begin.unix_nanos().checked_add(most)?;
    Some(CaptureTime::from_unix_nanos(ends))
}

/// Whether only the pin keeps what may be kept no longer.
fn is_over(pin: &Pin, rule: &LadderRule, now: CaptureTime) -> bool {
    pin.is_in_force(now) && over(pin, rule).is_some_and(|ends| ends <= now)
}

fn text(config: &Config, pins: &[Pin], now: CaptureTime) {
    if pins.is_empty() {
        say("nothing is pinned");
        return;
    }
    let heading = ["camera", "id", "from", "to", "state", "reason"];
    let mut rows = vec![heading.map(ToOwned::to_owned).to_vec()];
    for pin in pins {
        let zone = config
            .cameras
            .iter()
            .find(|known| known.name == pin.camera)
            .and_then(|known| config.site(&known.site))
            .map_or(TimeZone::UTC, |site| site.time_zone.clone());
        let told = |time| local_long(time, &zone);
        let mut state = match pin.until {
            _ if !pin.is_in_force(now) => "ended".to_owned(),
            Some(until) => format!("until {}", told(until)),
            None => "in force".to_owned(),
        };
        if is_over(pin, rule(config, &pin.camera), now) {
            state.push_str(", beyond most_days");
        }
        rows.push(vec![
            pin.camera.to_string(),
            pin.id.clone(),
            told(pin.span.begin),
            told(pin.span.end),
            state,
            plain(&pin.reason),
        ]);
    }
    table(&rows);
}

#[derive(Debug, Serialize)]
struct Document {
    /// `forebay-pins`
    format: &'static str,
    version: u32,
    pins: Vec<PinTold>,
}

#[derive(Debug, Serialize)]
struct PinTold {
    camera: String,
    id: String,
    begin: String,
    end: String,
    reason: String,
    made: String,
    /// When it ends by itself; null: when it is unpinned.
    until: Option<String>,
    in_force: bool,
    /// Whether the legal maximum has passed, and only the pin keeps what is there.
    beyond_maximum: bool,
}

fn json(config: &Config, pins: &[Pin], now: CaptureTime) -> Result<(), Failure> {
    let utc = |time: CaptureTime| {
        let time = jiff::Timestamp::from_nanosecond(time.unix_nanos().into());
        time.unwrap_or(jiff::Timestamp::UNIX_EPOCH).to_string()
    };
    let told = |pin: &Pin| PinTold {
        camera: pin.camera.to_string(),
        id: pin.id.clone(),
        begin: utc(pin.span.begin),
        end: utc(pin.span.end),
        reason: pin.reason.clone(),
        made: utc(pin.made),
        until: pin.until.map(utc),
        in_force: pin.is_in_force(now),
        beyond_maximum: is_over(pin, rule(config, &pin.camera), now),
    };
    let document = Document {
        format: "forebay-pins",
        version: 1,
        pins: pins.iter().map(told).collect(),
    };
    let text = serde_json::to_string_pretty(&document)
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
    say(&text);
    Ok(())
}
