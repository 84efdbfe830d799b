//! What is asked for, and what can go wrong.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::io;
use std::path::PathBuf;

use forebay_sun::Place;
use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;

use super::encode::{CodeFault, Coder, Quality};
use forebay_darkroom::align::Motion;
use forebay_darkroom::blend::Blend;
use forebay_darkroom::calendar::{CalendarFault, Pace, Window};
use forebay_darkroom::choose::{Taste, Verdict};
use forebay_darkroom::film::{Missing, Size};
use forebay_darkroom::region::Regions;
use forebay_darkroom::stamp::Corner;

const SECOND_NANOS: i64 = 1_000_000_000;

/// A film that is wanted.
#[derive(Debug, Clone)]
pub struct LapseRequest {
    /// The site's zone: days and clock times are its.
    pub zone: TimeZone,
    /// Where the site is.
    pub place: Option<Place>,
    /// First day; that of the first candidate where there is none.
    pub first: Option<Date>,
    /// Last day, included.
    pub last: Option<Date>,
    /// Days of the week.
    pub days: Vec<Weekday>,
    /// Hours of the day.
    pub window: Window,
    /// How many frames.
    pub pace: Pace,
    /// How far from its instant a frame may be.
    pub reach_nanos: Option<i64>,
    /// Frames a second, 1 to 120.
    pub frames_per_second: u32,
    /// What stands where nothing is.
    pub missing: Missing,
    /// How frames are chosen.
    pub taste: Taste,
    /// Candidates of a slot that are looked at: the nearest to its instant.
    pub consider: usize,
    /// Somebody's decisions, by the name of a candidate or its time in UTC.
    pub verdicts: Verdicts,
    /// How much flicker is taken out: 0 to 1.
    pub level: f64,
    /// The window of that in frames; chosen by the frames of a day where there is none.
    pub level_frames: Option<f64>,
    /// How movement is taken out, if at all.
    pub align: Option<Motion>,
    /// Neighbours put together.
    pub blend: Blend,
    /// Parts of the picture that are treated apart.
    pub regions: Regions,
    /// Size of the film.
    pub size: Size,
    /// A date to be drawn, in the notation of strftime, and where.
    pub date: Option<(String, Corner)>,
    /// Who codes.
    pub coder: Coder,
    /// How well.
    pub quality: Quality,
    /// Quality of the JPEGs of the sequence, 1 to 100.
    pub frame_quality: u8,
    /// Threads.
    pub jobs: usize,
    /// Where all of it is put.
    pub out: PathBuf,
    /// What is there of a film made otherwise is thrown away.
    pub again: bool,
}

impl LapseRequest {
    /// All that makes a film another one, as text, by option.
    pub(super) fn fingerprint(&self, place: &str) -> BTreeMap<String, String> {
        let mut options = BTreeMap::new();
        let mut add = |name: &str, text: String| {
            options.insert(name.to_owned(), text);
        };
        add("source", place.to_owned());
        add("zone", self.zone.iana_name().unwrap_or("fixed").to_owned());
        add(
            "position",
            format!(
                "{:?}",
                self.place
                    .map(|p| (p.latitude_degrees, p.longitude_degrees))
            ),
        );
        add("from, to", format!("{:?} {:?}", self.first, self.last));
        add("days", format!("{:?}", self.days));
        add("hours", format!("{:?} {:?}", self.window, self.reach_nanos));
        add(
            "length",
            format!("{:?} {}", self.pace, self.frames_per_second),
        );
        add("missing", format!("{:?}", self.missing));
        add("choice", format!("{:?} {}", self.taste, self.consider));
        add("keep, drop", format!("{:?}", self.verdicts));
        add("level", format!("{} {:?}", self.level, self.level_frames));
        add("align", format!("{:?}", self.align));
        add("blend", format!("{:?}", self.blend));
        add("regions", format!("{:?}", self.regions));
        add("size", format!("{:?}", self.size));
        add("date", format!("{:?}", self.date));
        add(
            "coder",
            format!("{:?} {:?} {}", self.coder, self.quality, self.frame_quality),
        );
        options
    }
}

/// Somebody's decisions: a line each, `keep` or `drop` and a candidate, by its file or its time in UTC;
/// what stands behind a `#` that follows a space, or begins a line, is a remark. A name may stand in `"`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Verdicts {
    by_name: BTreeMap<String, Verdict>,
    /// By seconds since 1970, UTC.
    by_time: BTreeMap<i64, Verdict>,
}

impl Verdicts {
    /// Adds the lines of a text.
    ///
    /// # Errors
    /// The number of the first line that is none, and why.
    pub fn add_text(&mut self, text: &str) -> Result<(), (usize, String)> {
        for (line, number) in text.lines().zip(1..) {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
            let rest = rest.trim_start();
            let what = match rest.strip_prefix('"') {
                Some(quoted) => quoted.split_once('"').map(|(name, _)| name),
                None if rest.starts_with('#') => Some(""),
                None => rest.split(" #").next(),
            };
            let Some(what) = what else {
                return Err((
                    number,
                    "a name that begins with `\"` ends with one".to_owned(),
                ));
            };
            let verdict = match word {
                "keep" => Verdict::Keep,
                "drop" => Verdict::Drop,
                _ => {
                    return Err((
                        number,
                        format!("`{word}`: a line begins with `keep` or `drop`"),
                    ));
                }
            };
            self.add(verdict, what.trim())
                .map_err(|text| (number, text))?;
        }
        Ok(())
    }

    /// Adds one.
    ///
    /// # Errors
    /// Where nothing is named.
    pub fn add(&mut self, verdict: Verdict, what: &str) -> Result<(), String> {
        if what.is_empty() {
            return Err("which frame? Its file, or its time as 2026-05-04T07:30:00Z".to_owned());
        }
        match what.parse::<jiff::Timestamp>() {
            Ok(at) => {
                let nanos = i64::try_from(at.as_nanosecond()).unwrap_or(i64::MAX);
                self.by_time.insert(nanos.div_euclid(SECOND_NANOS), verdict);
            }
            Err(_) => {
                self.by_name.insert(what.to_owned(), verdict);
            }
        }
        Ok(())
    }

    /// Those that others lack, or have otherwise.
    pub(super) fn beyond(&self, others: &Self) -> Self {
        let mut own = self.clone();
        own.by_name
            .retain(|name, verdict| others.by_name.get(name) != Some(verdict));
        own.by_time
            .retain(|second, verdict| others.by_time.get(second) != Some(verdict));
        own
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.by_name.len() + self.by_time.len()
    }

    /// Those that concern no candidate, or none that is near a place of the film; as they were given.
    pub(super) fn unheeded(
        &self,
        candidates: &[super::source::Candidate],
        near: &BTreeSet<usize>,
    ) -> Vec<String> {
        let (mut names, mut times) = (BTreeSet::new(), BTreeSet::new());
        for (index, candidate) in candidates.iter().enumerate() {
            // What is dropped may lie anywhere.
            if near.contains(&index) || self.of(candidate) == Some(Verdict::Drop) {
                names.insert(candidate.name());
                times.insert(candidate.at.div_euclid(SECOND_NANOS));
            }
        }
        let by_name = self.by_name.keys().filter(|name| !names.contains(*name));
        let by_time = self.by_time.keys().filter(|second| !times.contains(second));
        by_name.cloned().chain(by_time.map(|at| utc(*at))).collect()
    }

    /// What is decided of a candidate; times count by whole seconds.
    pub(super) fn of(&self, candidate: &super::source::Candidate) -> Option<Verdict> {
        let by_name = self.by_name.get(&candidate.name());
        by_name
            .or_else(|| self.by_time.get(&candidate.at.div_euclid(SECOND_NANOS)))
            .copied()
    }
}

/// A line each, as [`Verdicts::add_text`] reads them.
impl fmt::Display for Verdicts {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = |verdict: &Verdict| match verdict {
            Verdict::Keep => "keep",
            Verdict::Drop => "drop",
        };
        for (name, verdict) in &self.by_name {
            writeln!(out, "{} {}", word(verdict), written(name))?;
        }
        for (at, verdict) in &self.by_time {
            writeln!(out, "{} {}", word(verdict), utc(*at))?;
        }
        Ok(())
    }
}

/// A name as [`Verdicts::add_text`] reads it.
pub(super) fn written(name: &str) -> Cow<'_, str> {
    let odd = name.contains(" #") || name.starts_with(['#', '"']) || name.trim() != name;
    match odd {
        true => Cow::Owned(format!("\"{name}\"")),
        false => Cow::Borrowed(name),
    }
}

fn utc(second: i64) -> String {
    jiff::Timestamp::from_second(second).map_or_else(|_| second.to_string(), |at| at.to_string())
}

/// Why there is no film.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LapseError {
    /// The material can't be listed.
    #[error("{place}: the frames can't be listed")]
    List {
        /// Where.
        place: String,
        /// The disk's words.
        source: io::Error,
    },
    /// Nothing there.
    #[error("{place}: no frames there{}{}", if *.dated { " of the wanted days" } else { "" }, why(.passed_over))]
    NoFrames {
        /// Where.
        place: String,
        /// Only those of some days were asked for.
        dated: bool,
        /// What was passed over, in words.
        passed_over: String,
    },
    /// The calendar.
    #[error("{fault}{}", .astray.as_ref().map(|text| format!(". {text}")).unwrap_or_default())]
    Calendar {
        /// What is wrong with it.
        fault: CalendarFault,
        /// A frame with an odd time that it may come from.
        astray: Option<String>,
    },
    /// Frames there, but not in the wanted hours.
    #[error(
        "none of the {0} frames is near a wanted instant: see the hours (--window, --sun-above, --azimuth), \
         the days, and the zone in which they count"
    )]
    NotNear(usize),
    /// All were refused; why.
    #[error("no frame can be used: {0}")]
    NothingKept(String),
    /// A date that can't be written.
    #[error("--date {0}: {1}")]
    Date(String, String),
    /// The film's size.
    #[error("{0}")]
    Size(String),
    /// Another film is being made there.
    #[error(
        "{} was begun with other options ({names}): take another folder, or add --again to begin anew with \
         these (what was measured of candidates is kept)", out.display()
    )]
    OtherOptions {
        /// The folder.
        out: PathBuf,
        /// Which options.
        names: String,
    },
    /// Something else is there.
    #[error("{} is not empty and no film was begun there: take a new folder", .0.display())]
    NotOurs(PathBuf),
    /// Another process is at it.
    #[error("{}: another process is making this film", .0.display())]
    Busy(PathBuf),
    /// A file can't be written.
    #[error("{} can't be written", path.display())]
    Write {
        /// Which one.
        path: PathBuf,
        /// The disk's words.
        source: io::Error,
    },
    /// A file of an earlier run can't be read.
    #[error("{} can't be read; --again begins anew", path.display())]
    State {
        /// Which one.
        path: PathBuf,
        /// The disk's words.
        source: io::Error,
    },
    /// A chosen frame is gone.
    #[error("{name}: {text}. It was there before: nothing may change while a film is made")]
    Gone {
        /// Which one.
        name: String,
        /// What is wrong with it.
        text: String,
    },
    /// The material can't be had now.
    #[error("{name}: {text}. The same command goes on from here when it can be reached again")]
    Unreached {
        /// Which frame of it.
        name: String,
        /// Why.
        text: String,
    },
    /// The encoder.
    #[error("the film can't be coded")]
    Code(#[from] CodeFault),
    /// Asked to stop.
    #[error("interrupted: the same command goes on from here")]
    Interrupted,
    /// A defect.
    #[error("a defect in this program broke off the work at piece {0}; its message is above")]
    Defect(usize),
}

fn why(passed_over: &str) -> String {
    match passed_over {
        "" => String::new(),
        text => format!(" that can be used: {text}"),
    }
}

impl LapseError {
    pub(super) fn write(path: &std::path::Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Write { path, source }
    }
}
