//! `forebay lapse`: from years of frames to a film.

use std::cell::Cell;
use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::ValueEnum;
use forebay_sun::Place;
use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;

use super::{ConfigFile, Failure, duration, exit, output};
use crate::config::Config;
use crate::coverage::length as in_words;
use crate::lapse::align::Motion;
use crate::lapse::blend::{BLEND_MAX, Blend};
use crate::lapse::calendar::{Pace, Window};
use crate::lapse::choose::{Taste, Verdict};
use crate::lapse::encode::{Coder, Quality, find_ffmpeg};
use crate::lapse::film::{Missing, Size};
use crate::lapse::footage::KeyFrames;
use crate::lapse::region::Regions;
use crate::lapse::source::{Folder, Material};
use crate::lapse::stamp::Corner;
use crate::lapse::{LapseError, LapseRequest, Made, Plan, Progress, Verdicts, length, make, plan};
use crate::pictures::DecoderOptions;
use crate::supervise::signals;
use crate::trial::engine;
use crate::units::Name;

#[derive(Debug, clap::Args)]
pub(super) struct LapseArguments {
    /// The camera whose stills or key frames are taken; none with --frames
    #[arg(
        value_name = "CAMERA",
        required_unless_present = "frames",
        conflicts_with = "frames"
    )]
    camera: Option<String>,
    #[command(flatten)]
    file: ConfigFile,
    /// Instead of a camera's: a folder of JPEGs of any maker, with times in Exif or in their names
    #[arg(long, value_name = "DIR")]
    frames: Option<PathBuf>,
    /// What of a camera is taken
    #[arg(long, value_enum, default_value_t = What::Auto, value_name = "WHAT")]
    source: What,
    /// First day; that of the first frame where it is left out
    #[arg(long, value_name = "DATE")]
    from: Option<Date>,
    /// Last day, included
    #[arg(long, value_name = "DATE")]
    to: Option<Date>,
    /// How long the film is, as 3m or 90s
    #[arg(
        long,
        value_name = "TIME",
        required_unless_present = "every",
        conflicts_with = "every"
    )]
    length: Option<String>,
    /// Instead of a length: a frame each so much of the wanted hours, as 10m
    #[arg(long, value_name = "TIME")]
    every: Option<String>,
    /// Frames a second
    #[arg(long, default_value_t = 25, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=120))]
    fps: u32,
    /// Wanted hours by the site's clock
    #[arg(long, value_name = "HH:MM-HH:MM", default_value = "08:00-17:00", conflicts_with_all = ["sun_above", "azimuth"])]
    window: String,
    /// Instead of clock times: while the sun is so many degrees above the horizon
    #[arg(
        long,
        value_name = "DEGREES",
        conflicts_with = "azimuth",
        allow_negative_numbers = true
    )]
    sun_above: Option<f64>,
    /// Instead: when the sun stands in these directions, degrees from north over east, as 120,180,240;
    /// so shadows stay where they are
    #[arg(long, value_name = "DEGREES", value_delimiter = ',')]
    azimuth: Vec<f64>,
    /// Days of the week, as mon-sat or mon,wed,fri
    #[arg(long, value_name = "DAYS", default_value = "mon-sun")]
    days: String,
    /// How far from its instant a frame may be; half the distance of two where it is left out
    #[arg(long, value_name = "TIME")]
    reach: Option<String>,
    /// Time zone of a folder of frames, by its name in the IANA database
    #[arg(long, value_name = "ZONE", requires = "frames")]
    zone: Option<String>,
    /// Position of a folder of frames, for the sun
    #[arg(long, value_name = "DEGREES", requires_all = ["frames", "longitude"], allow_negative_numbers = true)]
    latitude: Option<f64>,
    /// Position of a folder of frames, for the sun
    #[arg(long, value_name = "DEGREES", requires_all = ["frames", "latitude"], allow_negative_numbers = true)]
    longitude: Option<f64>,
    /// What is shown where there is no frame
    #[arg(long, value_enum, default_value_t = WhenMissing::Hold, value_name = "WHAT")]
    missing: WhenMissing,
    /// Take this frame for its place in the film; a file below the source, or a time in UTC
    #[arg(long, value_name = "FRAME")]
    keep: Vec<String>,
    /// Don't take this one
    #[arg(long, value_name = "FRAME")]
    drop: Vec<String>,
    /// Lines `keep FRAME` and `drop FRAME`, like choices.txt of an earlier run
    #[arg(long, value_name = "FILE")]
    choices: Option<PathBuf>,
    /// How frames are chosen, as TOML: weights of the scores, the least score
    #[arg(long, value_name = "FILE")]
    taste: Option<PathBuf>,
    /// Candidates that are looked at for each place of the film
    #[arg(long, default_value_t = 12, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1000))]
    consider: u16,
    /// How much flicker is taken out, 0 to 1
    #[arg(long, default_value_t = 1.0, value_name = "SHARE")]
    level: f64,
    /// The window of that, in frames of the film (standard deviation)
    #[arg(long, value_name = "FRAMES")]
    level_frames: Option<f64>,
    /// How movement of the camera is taken out
    #[arg(long, value_enum, default_value_t = Align::Affine, value_name = "HOW")]
    align: Align,
    /// Put neighbours together: mean:N blurs what moves, median:N takes people and vehicles out
    #[arg(long, default_value = "none", value_name = "none|mean:N|median:N")]
    blend: String,
    /// Parts of the picture that don't count, or are blurred or filled for good: polygons, as TOML
    #[arg(long, value_name = "FILE")]
    regions: Option<PathBuf>,
    /// 2160p, 1440p, 1080p, square, upright, or WIDTHxHEIGHT; the material's own where it is left out
    #[arg(long, value_name = "SIZE")]
    size: Option<String>,
    /// Where a narrower film is cut, at its begin and its end, 0 left or above to 1, as 0.2-0.8
    #[arg(long, value_name = "SHARE-SHARE", default_value = "0.5-0.5")]
    pan: String,
    /// Draw the date into the film, in the notation of strftime, as '%Y-%m-%d'
    #[arg(long, value_name = "FORMAT")]
    date: Option<String>,
    /// Where the date stands
    #[arg(long, value_enum, default_value_t = DateCorner::LowerRight, value_name = "CORNER")]
    date_corner: DateCorner,
    /// Who codes film.mp4: the encoder that is built in, or an ffmpeg in the program path, whose files
    /// are a third smaller
    #[arg(long, value_enum, default_value_t = Who::BuiltIn, value_name = "WHO")]
    encoder: Who,
    /// How well film.mp4 is coded
    #[arg(long, value_enum, default_value_t = HowWell::Good, value_name = "HOW")]
    quality: HowWell,
    /// Quality of the JPEGs in frames/
    #[arg(long, default_value_t = 92, value_name = "1-100", value_parser = clap::value_parser!(u8).range(1..=100))]
    frame_quality: u8,
    /// Threads; as many as there are processors where it is left out
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// A new folder for the film, or that of an interrupted run
    #[arg(long, value_name = "DIR", required_unless_present = "plan")]
    out: Option<PathBuf>,
    /// Only tell what it will be made of, and how long that takes
    #[arg(long)]
    plan: bool,
    /// Begin anew in a folder of a film with other options
    #[arg(long)]
    again: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum What {
    /// Stills where there are any, else key frames
    Auto,
    /// What the stills plugin has taken
    Stills,
    /// Key frames of the footage; they become intra.mp4, too
    KeyFrames,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum WhenMissing {
    /// The frame before stands still
    Hold,
    /// Nothing
    Skip,
    /// The frame before turns into the next one
    Dissolve,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Align {
    /// Not at all
    None,
    /// Shifts
    Shift,
    /// Shifts, turns and stretching
    Affine,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum DateCorner {
    UpperLeft,
    UpperRight,
    LowerLeft,
    LowerRight,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Who {
    BuiltIn,
    Ffmpeg,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum HowWell {
    High,
    Good,
    Small,
}

fn usage(text: impl std::fmt::Display) -> Failure {
    Failure::new(exit::USAGE, text)
}

pub(super) async fn lapse(arguments: LapseArguments) -> Result<(), Failure> {
    let shutdown = signals::catch().map_err(|error| Failure::caused(exit::OS, error))?;
    let (request, material) = arguments.request()?;
    let only_plan = arguments.plan;
    let work = tokio::task::spawn_blocking(move || {
        let material = &*material;
        let plan = plan(&request, material)?;
        tell_plan(&plan, &request);
        if only_plan {
            return Ok(());
        }
        let terminal = std::io::IsTerminal::is_terminal(&std::io::stderr());
        let told = Cell::new((None, 0));
        let tell = |progress: &Progress| tell_progress(progress, terminal, &told);
        let made = make(&request, plan, material, &|| shutdown.is_requested(), &tell);
        if terminal {
            output::erase_line();
        }
        let made = made?;
        tell_made(&made, &request);
        Ok(())
    });
    let done = work
        .await
        .map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
    done.map_err(failed)
}

fn failed(error: LapseError) -> Failure {
    let code = match &error {
        LapseError::List { .. }
        | LapseError::NoFrames { .. }
        | LapseError::NotNear(_)
        | LapseError::NothingKept
        | LapseError::Gone { .. }
        | LapseError::State { .. } => exit::NO_INPUT,
        LapseError::Calendar(_)
        | LapseError::Date(..)
        | LapseError::Size(_)
        | LapseError::OtherOptions { .. }
        | LapseError::NotOurs(_) => exit::USAGE,
        LapseError::Write { .. } => exit::CANT_CREATE,
        LapseError::Busy(_) | LapseError::Interrupted => exit::TRY_LATER,
        LapseError::Code(_) => exit::UNAVAILABLE,
        LapseError::Defect(_) => exit::SOFTWARE,
    };
    Failure::caused(code, error)
}

/// What comes of a camera or a folder.
struct Whence {
    zone: TimeZone,
    place: Option<Place>,
    material: Box<dyn Material + Send>,
}

impl LapseArguments {
    fn request(&self) -> Result<(LapseRequest, Box<dyn Material + Send>), Failure> {
        let Whence {
            zone,
            place,
            material,
        } = match &self.frames {
            Some(folder) => self.folder(folder)?,
            None => self.camera()?,
        };
        let range = Duration::from_secs(1)..=Duration::from_secs(100 * 3600);
        let time = |name: &str, text: &str| {
            duration(text, range.clone()).ok_or_else(|| {
                usage(format!(
                    "{name} {text}: a time as 90s, 3m, 1h, from 1 s to 100 h"
                ))
            })
        };
        let pace = match (&self.length, &self.every) {
            (Some(text), _) => {
                let frames = time("--length", text)?.as_secs_f64() * f64::from(self.fps);
                Pace::Frames(frames.round() as usize)
            }
            (None, Some(text)) => Pace::Every(nanos(time("--every", text)?)),
            (None, None) => return Err(usage("--length or --every is needed")),
        };
        let reach = self
            .reach
            .as_deref()
            .map(|text| time("--reach", text).map(nanos))
            .transpose()?;
        if self.from.zip(self.to).is_some_and(|(from, to)| from > to) {
            return Err(usage("--to is before --from"));
        }
        for (name, value) in [("--level", self.level)] {
            if !(0.0..=1.0).contains(&value) {
                return Err(usage(format!(
                    "{name} {value}: 0 (nothing) to 1 (all of it)"
                )));
            }
        }
        if self
            .level_frames
            .is_some_and(|frames| !(0.1..=250.0).contains(&frames))
        {
            return Err(usage("--level-frames: 0.1 to 250 frames"));
        }
        let coder = match self.encoder {
            Who::BuiltIn => Coder::BuiltIn,
            Who::Ffmpeg => Coder::Ffmpeg(find_ffmpeg().ok_or_else(|| {
                let text = "--encoder ffmpeg: no ffmpeg with libx264 is in the program path";
                Failure::new(exit::UNAVAILABLE, text)
            })?),
        };
        let request = LapseRequest {
            zone,
            place,
            first: self.from,
            last: self.to,
            days: days(&self.days)?,
            window: self.window()?,
            pace,
            reach_nanos: reach,
            frames_per_second: self.fps,
            missing: match self.missing {
                WhenMissing::Hold => Missing::Hold,
                WhenMissing::Skip => Missing::Skip,
                WhenMissing::Dissolve => Missing::Dissolve,
            },
            taste: self.taste()?,
            consider: self.consider.into(),
            verdicts: self.verdicts()?,
            level: self.level,
            level_frames: self.level_frames,
            align: match self.align {
                Align::None => None,
                Align::Shift => Some(Motion::Shift),
                Align::Affine => Some(Motion::Affine),
            },
            blend: blend(&self.blend)?,
            regions: self.regions()?,
            size: self.size()?,
            date: self.date.clone().map(|format| {
                let corner = match self.date_corner {
                    DateCorner::UpperLeft => Corner::UpperLeft,
                    DateCorner::UpperRight => Corner::UpperRight,
                    DateCorner::LowerLeft => Corner::LowerLeft,
                    DateCorner::LowerRight => Corner::LowerRight,
                };
                (format, corner)
            }),
            coder,
            quality: match self.quality {
                HowWell::High => Quality::High,
                HowWell::Good => Quality::Good,
                HowWell::Small => Quality::Small,
            },
            frame_quality: self.frame_quality,
            jobs: self
                .jobs
                .or(std::thread::available_parallelism().ok())
                .map_or(1, NonZeroUsize::get)
                .min(64),
            out: self.out.clone().unwrap_or_default(),
            again: self.again,
        };
        Ok((request, material))
    }

    fn folder(&self, folder: &std::path::Path) -> Result<Whence, Failure> {
        let zone = match &self.zone {
            Some(name) => TimeZone::get(name).map_err(|_| {
                usage(format!(
                    "--zone {name}: no such time zone; write it as Europe/Oslo"
                ))
            })?,
            None => TimeZone::UTC,
        };
        let place = self.latitude.zip(self.longitude);
        if place.is_some_and(|(lat, lon)| {
            !(-90.0..=90.0).contains(&lat) || !(-180.0..=180.0).contains(&lon)
        }) {
            return Err(usage("--latitude is -90 to 90, --longitude -180 to 180"));
        }
        Ok(Whence {
            material: Box::new(Folder::new(folder.to_owned(), zone.clone())),
            zone,
            place: place.map(|(latitude, longitude)| Place::new(latitude, longitude)),
        })
    }

    fn camera(&self) -> Result<Whence, Failure> {
        let config = self.file.load()?;
        let text = self.camera.as_deref().unwrap_or_default();
        let camera = Name::new(text).map_err(|error| usage(format!("CAMERA {text}: {error}")))?;
        let known = config.cameras.iter().find(|known| known.name == camera);
        let Some(site) = known.and_then(|known| config.site(&known.site)) else {
            let names: Vec<_> = config
                .cameras
                .iter()
                .map(|camera| camera.name.as_str())
                .collect();
            return Err(usage(format!(
                "CAMERA {camera}: no such camera in {}, which has {}; a folder of frames can be named with \
                 --frames",
                self.file.config.display(),
                names.join(", ")
            )));
        };
        let stills = config.relay.archive.join(camera.as_str()).join("stills");
        let has_stills =
            std::fs::read_dir(&stills).is_ok_and(|mut entries| entries.next().is_some());
        let key_frames = match self.source {
            What::Auto => !has_stills,
            What::Stills => false,
            What::KeyFrames => true,
        };
        let material: Box<dyn Material + Send> = match key_frames {
            true => Box::new(self.key_frames(&config, &camera)?),
            false => Box::new(Folder::of_archive(stills, site.time_zone.clone())),
        };
        Ok(Whence {
            zone: site.time_zone.clone(),
            place: site
                .position
                .map(|position| Place::new(position.latitude, position.longitude)),
            material,
        })
    }

    fn key_frames(&self, config: &Config, camera: &Name) -> Result<KeyFrames, Failure> {
        let engine = engine(Some(&config.relay.plugin_cache), |name| {
            std::env::var_os(name)
        });
        let engine = engine.map_err(|error| Failure::caused(exit::OS, error))?;
        let handle = tokio::runtime::Handle::current();
        let options = DecoderOptions {
            memory: config.pictures.decoder_memory,
            call: config.pictures.decode,
            pixels_max: config.pictures.pixels_max,
            ffmpeg: config.pictures.ffmpeg.clone(),
        };
        Ok(KeyFrames::new(
            &config.relay.archive,
            camera,
            Arc::clone(&engine),
            options,
            handle,
        ))
    }

    fn window(&self) -> Result<Window, Failure> {
        if let Some(degrees) = self.sun_above {
            if !(-90.0..=90.0).contains(&degrees) {
                return Err(usage(format!("--sun-above {degrees}: -90 to 90 degrees")));
            }
            return Ok(Window::SunAbove(degrees));
        }
        if !self.azimuth.is_empty() {
            if self.azimuth.len() > 24 || !self.azimuth.iter().all(|a| (0.0..360.0).contains(a)) {
                return Err(usage(
                    "--azimuth: 1 to 24 directions, from 0 (north) over 90 (east) to below 360",
                ));
            }
            return Ok(Window::Azimuth(self.azimuth.clone()));
        }
        let bad = || {
            usage(format!(
                "--window {}: two clock times, as 08:00-17:00",
                self.window
            ))
        };
        let clock = |text: &str| {
            let (hour, minute) = text.trim().split_once(':')?;
            Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok()
        };
        let (from, to) = self.window.split_once('-').ok_or_else(bad)?;
        match clock(from).zip(clock(to)) {
            Some((from, to)) if from != to => Ok(Window::Clock(from, to)),
            _ => Err(bad()),
        }
    }

    fn taste(&self) -> Result<Taste, Failure> {
        let Some(path) = &self.taste else {
            return Ok(Taste::default());
        };
        let text = read(path)?;
        toml::from_str(&text)
            .map_err(|error| Failure::new(exit::DATA, format!("{}: {error}", path.display())))
    }

    fn regions(&self) -> Result<Regions, Failure> {
        let Some(path) = &self.regions else {
            return Ok(Regions::default());
        };
        let text = read(path)?;
        Regions::parse(&text)
            .map_err(|error| Failure::new(exit::DATA, format!("{}: {error}", path.display())))
    }

    fn verdicts(&self) -> Result<Verdicts, Failure> {
        let mut verdicts = Verdicts::default();
        if let Some(path) = &self.choices {
            let text = read(path)?;
            verdicts.add_text(&text).map_err(|(line, error)| {
                Failure::new(exit::DATA, format!("{}:{line}: {error}", path.display()))
            })?;
        }
        for (list, verdict) in [(&self.keep, Verdict::Keep), (&self.drop, Verdict::Drop)] {
            for frame in list {
                verdicts.add(verdict, frame).map_err(usage)?;
            }
        }
        Ok(verdicts)
    }

    fn size(&self) -> Result<Size, Failure> {
        let pixels = match self.size.as_deref() {
            None => None,
            Some("2160p") => Some((3840, 2160)),
            Some("1440p") => Some((2560, 1440)),
            Some("1080p") => Some((1920, 1080)),
            Some("square") => Some((1080, 1080)),
            Some("upright") => Some((1080, 1920)),
            Some(text) => {
                let both = text
                    .split_once('x')
                    .and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
                Some(both.ok_or_else(|| {
                    usage(format!(
                        "--size {text}: 2160p, 1440p, 1080p, square, upright, or WIDTHxHEIGHT"
                    ))
                })?)
            }
        };
        let bad = || {
            usage(format!(
                "--pan {}: two shares from 0 to 1, as 0.2-0.8",
                self.pan
            ))
        };
        let (from, to) = self.pan.split_once('-').ok_or_else(bad)?;
        let share = |text: &str| {
            text.parse::<f64>()
                .ok()
                .filter(|share| (0.0..=1.0).contains(share))
        };
        let pan = share(from).zip(share(to)).ok_or_else(bad)?;
        Ok(Size { pixels, pan })
    }
}

fn nanos(time: Duration) -> i64 {
    i64::try_from(time.as_nanos()).unwrap_or(i64::MAX)
}

fn read(path: &std::path::Path) -> Result<String, Failure> {
    const BYTES_MAX: u64 = 64 << 20;
    let text = || {
        if std::fs::metadata(path)?.len() > BYTES_MAX {
            return Err(std::io::Error::other("larger than 64 MiB"));
        }
        std::fs::read_to_string(path)
    };
    text().map_err(|error| Failure::new(exit::NO_INPUT, format!("{}: {error}", path.display())))
}

fn days(text: &str) -> Result<Vec<Weekday>, Failure> {
    const NAMES: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
    let bad = || usage(format!("--days {text}: days as mon-sat or mon,wed,fri"));
    let number = |name: &str| {
        NAMES
            .iter()
            .position(|known| *known == name.trim())
            .ok_or_else(bad)
    };
    let mut wanted = [false; 7];
    for part in text.split(',') {
        let (from, to) = match part.split_once('-') {
            Some((from, to)) => (number(from)?, number(to)?),
            None => (number(part)?, number(part)?),
        };
        let mut day = from;
        loop {
            if let Some(wanted) = wanted.get_mut(day) {
                *wanted = true;
            }
            if day == to {
                break;
            }
            day = (day + 1) % 7;
        }
    }
    let all = wanted.iter().zip(0i8..).filter(|(wanted, _)| **wanted);
    Ok(all
        .filter_map(|(_, day)| Weekday::from_monday_zero_offset(day).ok())
        .collect())
}

fn blend(text: &str) -> Result<Blend, Failure> {
    let bad = || {
        usage(format!(
            "--blend {text}: none, mean:N or median:N, N odd, from 3 to {BLEND_MAX}"
        ))
    };
    if text == "none" {
        return Ok(Blend::None);
    }
    let (how, count) = text.split_once(':').ok_or_else(bad)?;
    let count = count
        .parse()
        .ok()
        .filter(|n| (3..=BLEND_MAX).contains(n) && n % 2 == 1)
        .ok_or_else(bad)?;
    match how {
        "mean" => Ok(Blend::Mean(count)),
        "median" => Ok(Blend::Median(count)),
        _ => Err(bad()),
    }
}

fn tell_plan(plan: &Plan, request: &LapseRequest) {
    let days = &plan.calendar.days;
    let slots = plan.calendar.slots.len();
    let (first, last) = match (days.first(), days.last()) {
        (Some(first), Some(last)) => (first.date.to_string(), last.date.to_string()),
        _ => Default::default(),
    };
    output::say(&format!(
        "{first} to {last}: {} days with wanted hours, {} without a frame; {} frames there, {} of them near \
         what is wanted",
        days.len(),
        plan.missing_days.len(),
        plan.candidates.len(),
        plan.looked_at()
    ));
    for (reason, passed) in &plan.passed_over {
        output::complain(&format!(
            "passed over: {} {reason}, as {}",
            passed.count, passed.example
        ));
    }
    let nanos = plan.calendar.interval_nanos.unsigned_abs();
    let a_day = match plan.calendar.slots_a_day {
        0 => "less than one a day".to_owned(),
        a_day => format!("up to {a_day} a day, at the same times"),
    };
    output::say(&format!(
        "{slots} places in the film ({a_day}; one each {} of the wanted hours), {} of them without a candidate",
        in_words(nanos),
        plan.empty_slots
    ));
    let seconds = length(slots, request.frames_per_second).as_secs_f64();
    output::say(&format!(
        "{seconds:.1} s at {} frames a second, {} × {} of {} × {}",
        request.frames_per_second,
        plan.film_size.0,
        plan.film_size.1,
        plan.material_size.0,
        plan.material_size.1
    ));
    if let Pace::Frames(wanted) = request.pace
        && wanted > slots
    {
        output::say(&format!(
            "That is shorter than asked for: the material has no more than {} frames a day in the wanted hours. \
             Fewer frames a second (--fps {}) would fill the length.",
            plan.calendar.slots_a_day,
            (slots as u64 * u64::from(request.frames_per_second) / wanted.max(1) as u64).max(1)
        ));
    }
    output::say(&format!(
        "It will take about {}, on {} threads",
        in_words(u64::try_from(plan.cost.all().as_nanos()).unwrap_or(u64::MAX)),
        request.jobs
    ));
}

fn tell_progress(
    progress: &Progress,
    terminal: bool,
    told: &Cell<(Option<crate::lapse::Stage>, usize)>,
) {
    let percent = 100 * progress.done / progress.of.max(1);
    let left = progress.left.map(|left| {
        let seconds = left.as_secs().max(1) * 1_000_000_000;
        format!(", about {} left", in_words(seconds))
    });
    let text = format!(
        "{}: {} of {} ({percent} %){}",
        progress.stage.words(),
        progress.done,
        progress.of,
        left.unwrap_or_default()
    );
    if terminal {
        output::replace_line(&text);
        return;
    }
    // A log has a line for each tenth.
    let now = (Some(progress.stage), percent / 10);
    if told.replace(now) != now {
        output::complain(&text);
    }
}

fn tell_made(made: &Made, request: &LapseRequest) {
    let seconds = length(made.shown.len(), request.frames_per_second).as_secs_f64();
    output::say(&format!(
        "{} frames chosen, {} held or dissolved; {seconds:.1} s",
        made.taken.len(),
        made.shown.len() - made.taken.len()
    ));
    if !made.unreadable.is_empty() {
        output::say(&format!(
            "{} candidates could not be used: see the report",
            made.unreadable.len()
        ));
    }
    if !made.missing_days.is_empty() {
        output::say(&format!(
            "{} days have no frame in the film: see the report",
            made.missing_days.len()
        ));
    }
    for step in made.steps.iter().take(20) {
        let candidate = made
            .taken
            .get(step.taken)
            .and_then(|taken| made.plan.candidates.get(taken.candidate));
        let when =
            candidate.map(|candidate| crate::units::CaptureTime::from_unix_nanos(candidate.at));
        output::say(&format!(
            "The camera was knocked before {}: {:+.1} pixels to the right, {:+.1} down, turned {:+.2}°",
            when.map_or_else(String::new, |when| crate::coverage::local(
                when,
                &request.zone
            )),
            step.pixels.0,
            step.pixels.1,
            step.degrees
        ));
    }
    output::say(&request.out.join("film.mp4").display().to_string());
    output::say(&request.out.join("report.html").display().to_string());
}
