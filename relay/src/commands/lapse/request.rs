//! From options to what is asked for.

use std::num::NonZeroUsize;
use std::path::Path;
use std::time::Duration;

use jiff::civil::{Time, Weekday};

use super::arguments::{Align, DateCorner, HowWell, LapseArguments, WhenMissing, Who};
use super::usage;
use super::whence::Whence;
use crate::commands::{Failure, duration, exit};
use crate::lapse::align::Motion;
use crate::lapse::blend::{BLEND_MAX, Blend};
use crate::lapse::calendar::{Pace, Window};
use crate::lapse::choose::{Taste, Verdict};
use crate::lapse::encode::{Coder, Quality, find_ffmpeg};
use crate::lapse::film::{Missing, Size};
use crate::lapse::region::Regions;
use crate::lapse::source::Material;
use crate::lapse::stamp::Corner;
use crate::lapse::{LapseRequest, Verdicts};

impl LapseArguments {
    pub(super) fn request(&self) -> Result<(LapseRequest, Box<dyn Material + Send>), Failure> {
        let Whence {
            zone,
            place,
            material,
        } = self.whence()?;
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
        if !(0.0..=1.0).contains(&self.level) {
            return Err(usage(format!(
                "--level {}: 0 (nothing) to 1 (all of it)",
                self.level
            )));
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
                "--window {}: two clock times, as 08:00-17:00 or 08:00:30-08:02:00; a whole day is 00:00-24:00",
                self.window
            ))
        };
        let clock = |text: &str| text.trim().parse::<Time>().ok();
        let (from, to) = self.window.split_once('-').ok_or_else(bad)?;
        // The end of a day is the next one's midnight.
        let to_midnight = matches!(to.trim(), "24:00" | "24:00:00");
        let to = match to_midnight {
            true => Some(Time::midnight()),
            false => clock(to),
        };
        match clock(from).zip(to) {
            Some((from, to)) if from != to || to_midnight => Ok(Window::Clock(from, to)),
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

fn read(path: &Path) -> Result<String, Failure> {
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
