//! `forebay budget`: whether it fits.

mod json;
mod text;

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::time::Duration;

use super::output::{complain, say};
use super::{ConfigFile, Failure, archive_answers, disk, exit};
use crate::archive::catalog::Catalog;
use crate::archive::ladder::forecast::{Inflow, Point, Start, forecast};
use crate::archive::ladder::{Form, LadderOptions, Room, survey};
use crate::archive::{Disk, RealDisk};
use crate::budget::film::{Film, film};
use crate::budget::optics::{Sight, sight};
use crate::budget::uplink::{MONTH, volume};
use crate::budget::{
    Measured, SiteUse, Spool, Stream, assumed_of_the_wire, sites, streams, warnings,
};
use crate::config::{Config, Lens, Plugin, View};
use crate::units::{CameraName, CaptureTime, SinkName};

/// Footage of so long tells how much a camera sends.
const MEASURED: Duration = Duration::from_secs(7 * 24 * 3600);
/// Which part of footage its key frames are, where no footage tells: a picture in 50 that takes eight
/// times as much as the others.
const KEY_FRAME_SHARE: f64 = 0.14;
/// Minutes between stills for which the film is told.
const INTERVALS: [f64; 6] = [1.0, 5.0, 10.0, 15.0, 30.0, 60.0];

#[derive(Debug, clap::Args)]
pub(super) struct BudgetArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// How many days the site will be filmed, and how many the archive is looked ahead
    #[arg(long, value_name = "N", default_value_t = 730, value_parser = clap::value_parser!(u32).range(1..=3660))]
    days: u32,
    /// Pictures a second of the film that is made of stills
    #[arg(long, value_name = "N", default_value_t = 25.0, value_parser = positive)]
    frames_per_second: f64,
    /// How to tell it
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    #[command(flatten)]
    lens: LensArguments,
}

/// A camera that is yet to be chosen: then only what it would see is told, and no configuration is
/// read.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "What a camera would see")]
struct LensArguments {
    /// Pixels across its picture
    #[arg(long, value_name = "N", requires = "distance", value_parser = clap::value_parser!(u32).range(16..=65_536))]
    pixels: Option<u32>,
    /// How far away what it looks at is, in metres
    #[arg(long, value_name = "METRES", requires = "pixels", value_parser = positive)]
    distance: Option<f64>,
    /// Its horizontal angle of view, in degrees
    #[arg(long, value_name = "DEGREES", requires = "pixels", conflicts_with = "focal", value_parser = angle)]
    angle: Option<f64>,
    /// Or its focal length, in millimetres
    #[arg(long, value_name = "MM", requires = "sensor", value_parser = positive)]
    focal: Option<f64>,
    /// With the width of its sensor, in millimetres
    #[arg(long, value_name = "MM", requires = "focal", value_parser = positive)]
    sensor: Option<f64>,
}

fn positive(text: &str) -> Result<f64, String> {
    let number = text.parse().ok();
    number
        .filter(|number: &f64| *number > 0.0 && *number <= 1e6)
        .ok_or_else(|| "a number above 0".to_owned())
}

fn angle(text: &str) -> Result<f64, String> {
    let number = text.parse().ok();
    number
        .filter(|number: &f64| (0.1..=179.0).contains(number))
        .ok_or_else(|| "degrees from 0.1 to 179".to_owned())
}

#[derive(Debug, Clone, Copy, Default, clap::ValueEnum)]
enum Format {
    /// For a terminal
    #[default]
    Text,
    /// One object for scripts
    Json,
}

impl LensArguments {
    fn view(&self) -> Result<Option<View>, Failure> {
        let Some((width_pixels, distance_metres)) = self.pixels.zip(self.distance) else {
            return Ok(None);
        };
        let lens = match (self.angle, self.focal, self.sensor) {
            (Some(degrees), _, _) => Lens::Angle { degrees },
            (None, Some(focal_mm), Some(sensor_mm)) => Lens::Focal {
                focal_mm,
                sensor_mm,
            },
            _ => {
                let missing = "how wide the camera looks is missing: give --angle, or --focal and \
                               --sensor";
                return Err(Failure::new(exit::USAGE, missing));
            }
        };
        Ok(Some(View {
            width_pixels,
            distance_metres,
            lens,
        }))
    }
}

/// A schedule of stills.
#[derive(Debug, Clone, PartialEq)]
struct Schedule {
    /// The sink whose it is; none for one to compare with.
    sink: Option<SinkName>,
    minutes: f64,
    hours: f64,
    film: Film,
}

/// All that is told.
struct Told {
    file: String,
    made: CaptureTime,
    streams: Vec<Stream>,
    sites: Vec<SiteUse>,
    spool: Spool,
    /// The archive, day by day.
    points: Vec<Point>,
    films: Vec<Schedule>,
    frames_per_second: f64,
    views: Vec<(String, View, Sight)>,
    warnings: Vec<String>,
    /// What the numbers rest on that nobody has measured or configured.
    assumed: Vec<String>,
}

/// What the numbers of sight rest on.
const ASSUMED_OF_SIGHT: &str = "sight: a lens that draws straight lines straight. Detect, observe, \
     recognise and identify are the classes of EN 62676-4:2015; monitor and inspect are common practice.";

pub(super) fn budget(arguments: &BudgetArguments) -> Result<(), Failure> {
    if let Some(view) = arguments.lens.view()? {
        let views = vec![("as given".to_owned(), view, sight(&view))];
        let told = match arguments.format {
            Format::Text => text::views_alone(&views),
            Format::Json => json::views(&views).to_string(),
        };
        say(told.trim_end());
        return Ok(());
    }
    let told = look(arguments, &arguments.file.load()?)?;
    let told = match arguments.format {
        Format::Text => text::write(&told),
        Format::Json => json::write(&told).to_string(),
    };
    say(told.trim_end());
    Ok(())
}

fn look(arguments: &BudgetArguments, config: &Config) -> Result<Told, Failure> {
    let now = CaptureTime::now();
    let week = i64::try_from(MEASURED.as_nanos()).unwrap_or(i64::MAX);
    let since = CaptureTime::from_unix_nanos(now.unix_nanos().saturating_sub(week));
    // Without a catalog no relay has run here; a damaged one is put right by the next that does.
    let catalog = Catalog::open_to_read(&config.relay.spool).ok();
    let streams = streams(config, now, |camera| {
        let (bytes, seconds) = catalog.as_ref()?.footage_since(camera, since).ok()?;
        Some(Measured { bytes, seconds })
    });
    let sites = sites(config, &streams);
    let (archive, spool) = (&config.relay.archive, &config.relay.spool);
    let disk = disk(config)?;
    if disk.is_far(archive) {
        let answers = archive_answers(config, &disk);
        answers.map_err(|words| Failure::new(exit::UNAVAILABLE, words))?;
    }
    let shared = !disk.is_far(archive) && same_disk(archive, spool);
    let spool = Spool::new(&streams, free(spool)?, shared);
    let (start, guessed) = start((config, &*disk), &streams, now)?;
    let points = forecast(start, arguments.days);
    let warnings = warnings(&streams, &sites, &spool, &points);
    let views = config.cameras.iter().filter_map(|camera| {
        let view = camera.expected.view?;
        Some((camera.name.to_string(), view, sight(&view)))
    });
    let views: Vec<_> = views.collect();
    let mut assumed = vec![
        assumed_of_the_wire(),
        "a month: 30 days, without the times at which cameras pause.".to_owned(),
    ];
    if !guessed.is_empty() {
        let guessed: Vec<_> = guessed.iter().map(CameraName::as_str).collect();
        assumed.push(format!(
            "key frames: {:.0} % of footage, as none of {} has been recorded in the last days.",
            KEY_FRAME_SHARE * 100.0,
            guessed.join(", ")
        ));
    }
    assumed.push("the archive: days to come are like the last ones, or as expected.".to_owned());
    if !views.is_empty() {
        assumed.push(ASSUMED_OF_SIGHT.to_owned());
    }
    Ok(Told {
        file: arguments.file.config.display().to_string(),
        made: now,
        sites,
        spool,
        points,
        films: films(
            config,
            f64::from(arguments.days),
            arguments.frames_per_second,
        ),
        frames_per_second: arguments.frames_per_second,
        views,
        warnings,
        assumed,
        streams,
    })
}

/// What there is in the archive, and what comes: as the last week was, where there has been one, else
/// as the streams' rates say. Of the latter cameras nobody knows how much their key frames are: they
/// are given, too.
fn start(
    (config, disk): (&Config, &dyn Disk),
    streams: &[Stream],
    now: CaptureTime,
) -> Result<(Start, Vec<CameraName>), Failure> {
    let mut guessed = Vec::new();
    let options = LadderOptions::new(config);
    let cameras = || config.cameras.iter().map(|camera| &camera.name);
    let mut start = if disk.is_far(&options.archive) || options.archive.exists() {
        let found = survey(disk, &options, now, &mut |_, _| {});
        found
            .map_err(|error| Failure::caused(exit::NO_INPUT, error))?
            .start
    } else {
        Start {
            objects: Vec::new(),
            pinned: Vec::new(),
            inflow: Vec::new(),
            rules: BTreeMap::new(),
            room: Room {
                free_bytes: free(&options.archive)?,
                floor_bytes: options.free_bytes,
                used_bytes: BTreeMap::new(),
                quota_bytes: BTreeMap::new(),
            },
            now,
        }
    };
    start.rules.extend(options.rules(cameras()));
    start.room.quota_bytes.extend(options.quotas(cameras()));
    // Of cameras that have been taken out nothing comes any more.
    start
        .inflow
        .retain(|flow| cameras().any(|camera| *camera == flow.camera));
    for stream in streams.iter().filter(|stream| stream.is_recorded) {
        let of_stream = |flow: &Inflow| flow.camera == stream.camera && flow.form == Form::Footage;
        if let (Some((rate, _)), false) = (stream.media, start.inflow.iter().any(of_stream)) {
            let share = stream.wanted_seconds / MONTH.as_secs_f64();
            let bytes = volume(rate, 86_400.0 * share);
            guessed.push(stream.camera.clone());
            start.inflow.push(Inflow {
                camera: stream.camera.clone(),
                form: Form::Footage,
                bytes: bytes as u64,
                thinned_bytes: (bytes * KEY_FRAME_SHARE) as u64,
            });
        }
    }
    Ok((start, guessed))
}

/// The nearest that exists, of a folder and those above it.
fn existing(folder: &Path) -> &Path {
    let mut above = folder.ancestors().filter(|above| above.exists());
    above.next().unwrap_or(Path::new("/"))
}

fn free(folder: &Path) -> Result<u64, Failure> {
    let room = RealDisk.room(existing(folder)).map_err(|error| {
        let message = format!("can't tell the free space of {}: {error}", folder.display());
        Failure::new(exit::UNAVAILABLE, message)
    })?;
    Ok(room.free_bytes)
}

fn same_disk(one: &Path, other: &Path) -> bool {
    let device = |folder: &Path| existing(folder).metadata().map(|found| found.dev()).ok();
    device(one) == device(other)
}

/// The films of the configured schedules, and of some to compare them with.
fn films(config: &Config, days: f64, frames_per_second: f64) -> Vec<Schedule> {
    let mut films = Vec::new();
    let schedule = |sink: Option<SinkName>, minutes: f64, hours: f64| Schedule {
        sink,
        minutes,
        hours,
        film: film(days, hours, minutes * 60.0, frames_per_second),
    };
    let stills = Plugin::Builtin("stills");
    for sink in config.sinks.iter().filter(|sink| sink.plugin == stills) {
        let number = |key: &str| match sink.settings.get(key) {
            Some(toml::Value::Integer(number)) => Some(*number as f64),
            Some(toml::Value::Float(number)) => Some(*number),
            _ => None,
        };
        // The plugin's own default, and its own judgement of other values (`forebay check`).
        let minutes = number("every_minutes").filter(|minutes| *minutes > 0.0);
        let hours = sink.settings.get("between").and_then(hours_between);
        if sink.settings.contains_key("between") && hours.is_none() {
            complain(&format!(
                "sink {}: its `between` is not understood",
                sink.name
            ));
        }
        let (minutes, hours) = (minutes.unwrap_or(10.0), hours.unwrap_or(24.0));
        films.push(schedule(Some(sink.name.clone()), minutes, hours));
    }
    let hours = films.first().map_or(10.0, |film: &Schedule| film.hours);
    films.extend(INTERVALS.map(|minutes| schedule(None, minutes, hours)));
    films
}

/// From one clock time to another, over midnight too.
fn hours_between(value: &toml::Value) -> Option<f64> {
    let [from, to] = value.as_array()?.as_slice() else {
        return None;
    };
    let minutes = |value: &toml::Value| {
        let (hours, minutes) = value.as_str()?.split_once(':')?;
        let (hours, minutes): (f64, f64) = (hours.parse().ok()?, minutes.parse().ok()?);
        Some(hours * 60.0 + minutes)
    };
    Some((minutes(to)? - minutes(from)?).rem_euclid(1440.0) / 60.0)
}

/// A camera or stream as a row is named.
fn stream_name(stream: &Stream) -> String {
    match stream.is_analysis {
        true => format!("{} (second)", stream.camera),
        false => stream.camera.to_string(),
    }
}

/// The days of which the archive is told: now, a week, a month, a quarter, and each half year.
fn milestones(points: &[Point]) -> impl Iterator<Item = (usize, &Point)> {
    let last = points.len().saturating_sub(1);
    points.iter().enumerate().filter(move |(day, _)| {
        [0, 7, 30, 91, last].contains(day) || (*day > 0 && day % 182 == 0 && last - day > 30)
    })
}

#[cfg(test)]
mod tests;
