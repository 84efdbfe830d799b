//! The options of `forebay lapse`.

use std::num::NonZeroUsize;
use std::path::PathBuf;

use clap::ValueEnum;
use jiff::civil::Date;

use crate::commands::ConfigFile;

#[derive(Debug, clap::Args)]
pub(in crate::commands) struct LapseArguments {
    /// The camera whose stills or key frames are taken; none with --frames
    #[arg(
        value_name = "CAMERA",
        required_unless_present = "frames",
        conflicts_with = "frames"
    )]
    pub(super) camera: Option<String>,
    #[command(flatten)]
    pub(super) file: ConfigFile,
    /// Instead of a camera's: a folder of JPEGs of any maker, with times in Exif or in their names
    #[arg(long, value_name = "DIR")]
    pub(super) frames: Option<PathBuf>,
    /// What of a camera is taken
    #[arg(long, value_enum, default_value_t = What::Auto, value_name = "WHAT")]
    pub(super) source: What,
    /// First day; that of the first frame where it is left out
    #[arg(long, value_name = "DATE")]
    pub(super) from: Option<Date>,
    /// Last day, included
    #[arg(long, value_name = "DATE")]
    pub(super) to: Option<Date>,
    /// How long the film is, as 3m or 90s
    #[arg(
        long,
        value_name = "TIME",
        required_unless_present = "every",
        conflicts_with = "every"
    )]
    pub(super) length: Option<String>,
    /// Instead of a length: a frame each so much of the wanted hours, as 10m
    #[arg(long, value_name = "TIME")]
    pub(super) every: Option<String>,
    /// Frames a second
    #[arg(long, default_value_t = 25, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=120))]
    pub(super) fps: u32,
    /// Wanted hours by the site's clock; with seconds, too; a whole day is 00:00-24:00
    #[arg(long, value_name = "HH:MM-HH:MM", default_value = "08:00-17:00", conflicts_with_all = ["sun_above", "azimuth"])]
    pub(super) window: String,
    /// Instead of clock times: while the sun is so many degrees above the horizon
    #[arg(
        long,
        value_name = "DEGREES",
        conflicts_with = "azimuth",
        allow_negative_numbers = true
    )]
    pub(super) sun_above: Option<f64>,
    /// Instead: when the sun stands in these directions, degrees from north over east, as 120,180,240;
    /// so shadows stay where they are
    #[arg(long, value_name = "DEGREES", value_delimiter = ',')]
    pub(super) azimuth: Vec<f64>,
    /// Days of the week, as mon-sat or mon,wed,fri
    #[arg(long, value_name = "DAYS", default_value = "mon-sun")]
    pub(super) days: String,
    /// How far from its instant a frame may be; half the distance of two where it is left out
    #[arg(long, value_name = "TIME")]
    pub(super) reach: Option<String>,
    /// Time zone, by its name in the IANA database; the site's where it is left out, of a folder UTC
    #[arg(long, value_name = "ZONE")]
    pub(super) zone: Option<String>,
    /// Position, for the sun; the site's where it is left out
    #[arg(
        long,
        value_name = "DEGREES",
        requires = "longitude",
        allow_negative_numbers = true
    )]
    pub(super) latitude: Option<f64>,
    /// Position, for the sun
    #[arg(
        long,
        value_name = "DEGREES",
        requires = "latitude",
        allow_negative_numbers = true
    )]
    pub(super) longitude: Option<f64>,
    /// What is shown where there is no frame
    #[arg(long, value_enum, default_value_t = WhenMissing::Hold, value_name = "WHAT")]
    pub(super) missing: WhenMissing,
    /// Take this frame for its place in the film; a file below the source, or a time in UTC
    #[arg(long, value_name = "FRAME")]
    pub(super) keep: Vec<String>,
    /// Don't take this one
    #[arg(long, value_name = "FRAME")]
    pub(super) drop: Vec<String>,
    /// Lines `keep FRAME` and `drop FRAME`, like choices.txt of an earlier run
    #[arg(long, value_name = "FILE")]
    pub(super) choices: Option<PathBuf>,
    /// How frames are chosen, as TOML: weights of the scores, the least score
    #[arg(long, value_name = "FILE")]
    pub(super) taste: Option<PathBuf>,
    /// Candidates that are looked at for each place of the film
    #[arg(long, default_value_t = 12, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1000))]
    pub(super) consider: u16,
    /// How much flicker is taken out, 0 to 1
    #[arg(long, default_value_t = 1.0, value_name = "SHARE")]
    pub(super) level: f64,
    /// The window of that, in frames of the film (standard deviation)
    #[arg(long, value_name = "FRAMES")]
    pub(super) level_frames: Option<f64>,
    /// How movement of the camera is taken out
    #[arg(long, value_enum, default_value_t = Align::Affine, value_name = "HOW")]
    pub(super) align: Align,
    /// Put neighbours together: mean:N blurs what moves, median:N takes people and vehicles out
    #[arg(long, default_value = "none", value_name = "none|mean:N|median:N")]
    pub(super) blend: String,
    /// Parts of the picture that don't count, or are blurred or filled for good: polygons, as TOML
    #[arg(long, value_name = "FILE")]
    pub(super) regions: Option<PathBuf>,
    /// 2160p, 1440p, 1080p, square, upright, or WIDTHxHEIGHT; the material's own where it is left out
    #[arg(long, value_name = "SIZE")]
    pub(super) size: Option<String>,
    /// Where a narrower film is cut, at its begin and its end, 0 left or above to 1, as 0.2-0.8
    #[arg(long, value_name = "SHARE-SHARE", default_value = "0.5-0.5")]
    pub(super) pan: String,
    /// Draw the date into the film, in the notation of strftime, as '%Y-%m-%d'
    #[arg(long, value_name = "FORMAT")]
    pub(super) date: Option<String>,
    /// Where the date stands
    #[arg(long, value_enum, default_value_t = DateCorner::LowerRight, value_name = "CORNER")]
    pub(super) date_corner: DateCorner,
    /// Who codes film.mp4: the encoder that is built in, or an ffmpeg in the program path, whose files
    /// are smaller
    #[arg(long, value_enum, default_value_t = Who::BuiltIn, value_name = "WHO")]
    pub(super) encoder: Who,
    /// How well film.mp4 is coded
    #[arg(long, value_enum, default_value_t = HowWell::Good, value_name = "HOW")]
    pub(super) quality: HowWell,
    /// Quality of the JPEGs in frames/
    #[arg(long, default_value_t = 92, value_name = "1-100", value_parser = clap::value_parser!(u8).range(1..=100))]
    pub(super) frame_quality: u8,
    /// Threads; as many as there are processors where it is left out
    #[arg(long, value_name = "N")]
    pub(super) jobs: Option<NonZeroUsize>,
    /// A new folder for the film, or that of an interrupted run
    #[arg(long, value_name = "DIR", required_unless_present = "plan")]
    pub(super) out: Option<PathBuf>,
    /// Only tell what it will be made of, and how long that takes
    #[arg(long)]
    pub(super) plan: bool,
    /// Begin anew in a folder of a film with other options
    #[arg(long)]
    pub(super) again: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum What {
    /// Stills where there are any, else key frames
    Auto,
    /// What the stills plugin has taken
    Stills,
    /// Key frames of the footage; they become intra.mp4, too
    KeyFrames,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum WhenMissing {
    /// The frame before stands still
    Hold,
    /// Nothing
    Skip,
    /// The frame before turns into the next one
    Dissolve,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Align {
    /// Not at all
    None,
    /// Shifts
    Shift,
    /// Shifts, turns and stretching
    Affine,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum DateCorner {
    UpperLeft,
    UpperRight,
    LowerLeft,
    LowerRight,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Who {
    BuiltIn,
    Ffmpeg,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum HowWell {
    High,
    Good,
    Small,
}
