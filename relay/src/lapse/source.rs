//! Where frames come from: a folder of JPEGs, or what else lists and loads them ([`super::footage`],
//! [`super::stills`]).

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufRead as _, BufReader};
use std::path::{Path, PathBuf};

use exif::{In, Tag, Value};
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{Offset, TimeZone};

use crate::archive::is_outage;
use crate::archive::replay::files;
use crate::units::CaptureTime;
use forebay_darkroom::calendar::Instant;
use forebay_darkroom::frame::Frame;

/// Folders within folders that are looked into.
const DEPTH_MAX: usize = 8;
/// Files that are listed; five years of one each minute.
const FILES_MAX: usize = 3_000_000;
/// A longer file is no still.
pub(super) const FILE_BYTES_MAX: u64 = 256 << 20;
/// Times before 1990 and after 2100 are those of a clock that was never set.
const EARLIEST: Instant = 631_152_000 * 1_000_000_000;
const LATEST: Instant = 4_102_444_800 * 1_000_000_000;

/// A frame that may be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// When it was captured.
    pub at: Instant,
    /// Which file it is in, below the root of the material.
    pub source: String,
    /// Where in the file it begins; 0 where it is the file's only or first one.
    pub offset: u64,
    /// Bytes of the file where it may be changed, or taken for another: a folder of somebody's. What is
    /// in an archive under its name stays as it is.
    pub bytes: u64,
}

impl Candidate {
    /// How it is named in texts: the file, and where there are several in one, its place.
    #[must_use]
    pub fn name(&self) -> String {
        match self.offset {
            0 => self.source.clone(),
            offset => format!("{}#{offset}", self.source),
        }
    }
}

/// Makes a file of a name, of what is written into it.
pub type MakeFile<'a> =
    dyn FnMut(&str, &mut dyn FnMut(&mut dyn io::Write) -> io::Result<()>) -> io::Result<()> + 'a;

/// What there is, and what can't be used.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Listing {
    /// In order of their times; no two at the same.
    pub candidates: Vec<Candidate>,
    /// Files that were passed over, by reason.
    pub passed_over: BTreeMap<&'static str, Passed>,
}

/// How many files were passed over for a reason, and one of them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Passed {
    /// How many.
    pub count: usize,
    /// The first.
    pub example: String,
}

impl Listing {
    pub(super) fn pass(&mut self, reason: &'static str, example: &Path) {
        let passed = self.passed_over.entry(reason).or_default();
        passed.count += 1;
        if passed.example.is_empty() {
            passed.example = example.display().to_string();
        }
    }

    /// Sorts them, and leaves out what was captured at the same instant as another.
    #[must_use]
    pub fn ordered(mut self) -> Self {
        self.candidates
            .sort_by(|a, b| (a.at, &a.source, a.offset).cmp(&(b.at, &b.source, b.offset)));
        let mut twice = Vec::new();
        let mut last = None;
        self.candidates.retain(|candidate| {
            let again = last.replace(candidate.at) == Some(candidate.at);
            if again {
                twice.push(candidate.source.clone());
            }
            !again
        });
        for source in twice {
            self.pass(
                "captured at the same instant as another",
                Path::new(&source),
            );
        }
        self
    }
}

/// Why a frame could not be had.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LoadFault {
    /// What is wrong with it, in words: it will be so the next time.
    Unusable(String),
    /// Why it could not be read or decoded this time: another try may be another matter.
    Unread(String),
    /// Why it can't be had now.
    Unreachable(String),
}

impl LoadFault {
    pub(super) fn unusable(error: impl std::fmt::Display) -> Self {
        Self::Unusable(error.to_string())
    }

    pub(super) fn read(error: &io::Error) -> Self {
        use io::ErrorKind as Kind;
        let text = error.to_string();
        match error.kind() {
            Kind::NotFound | Kind::UnexpectedEof | Kind::InvalidData | Kind::FileTooLarge => {
                Self::Unusable(text)
            }
            // The next ones would fare alike: nothing could be fetched, or nothing opened.
            Kind::StorageFull | Kind::QuotaExceeded | Kind::OutOfMemory => Self::Unreachable(text),
            _ if is_outage(error) || is_out_of_files(error) => Self::Unreachable(text),
            _ => Self::Unread(text),
        }
    }

    pub(super) fn text(&self) -> &str {
        let (Self::Unusable(text) | Self::Unread(text) | Self::Unreachable(text)) = self;
        text
    }
}

fn is_out_of_files(error: &io::Error) -> bool {
    use rustix::io::Errno;
    matches!(
        Errno::from_io_error(error),
        Some(Errno::MFILE | Errno::NFILE)
    )
}

/// Why frames were not copied.
#[derive(Debug)]
pub enum CopyFault {
    /// One can't be had any more.
    Load(String, LoadFault),
    /// They can't be written.
    Write(io::Error),
    /// It was stopped.
    Stopped,
}

/// Frames of one camera. Called from several threads.
pub trait Material: Sync {
    /// What there is from one instant to before another, as far as names tell.
    ///
    /// # Errors
    /// Where the material can't be listed at all.
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> io::Result<Listing>;

    /// The same with more frames of those files that hold more than their names tell: one each `apart`
    /// nanoseconds. It may cost as much as reading these files: only those are looked into that may hold
    /// a wanted time, from one instant to another.
    ///
    /// # Errors
    /// Where the material can't be had now.
    fn look_into(
        &self,
        listing: Listing,
        _apart: i64,
        _wanted: &dyn Fn(Instant, Instant) -> bool,
    ) -> io::Result<Listing> {
        Ok(listing)
    }

    /// One of them.
    ///
    /// # Errors
    /// [`LoadFault`].
    fn load(&self, candidate: &Candidate) -> Result<Frame, LoadFault>;

    /// Where it is, for texts.
    fn place(&self) -> String;

    /// Copies frames as they were coded into `intra.mp4`, where the material is coded so that each can
    /// be decoded alone. `make` makes a file of a name, of what is written into it; `step` is told again
    /// and again how many were copied, and says where it is to be stopped.
    ///
    /// # Errors
    /// [`CopyFault`].
    fn copy_intra(
        &self,
        _candidates: &[&Candidate],
        _frames_per_second: u32,
        _step: &dyn Fn(usize) -> Result<(), CopyFault>,
        _make: &mut MakeFile<'_>,
    ) -> Result<(), CopyFault> {
        Ok(())
    }
}

/// JPEG files in a folder and those below it. Capture times are those of Exif 2.3 (`DateTimeOriginal`
/// with `OffsetTimeOriginal`, else by the zone's clock), else those of names as an archive has them
/// (`2026-05-04T073100.120Z.jpg`) or of fourteen digits (`gate-7_20260504_073100.jpg`, by the zone's clock).
#[derive(Debug)]
pub struct Folder {
    root: PathBuf,
    zone: TimeZone,
}

impl Folder {
    /// Files of any maker.
    #[must_use]
    pub fn new(root: PathBuf, zone: TimeZone) -> Self {
        Self { root, zone }
    }

    fn walk(
        &self,
        folder: &Path,
        depth: usize,
        listing: &mut Listing,
        keep: &dyn Fn(Instant) -> bool,
    ) -> io::Result<()> {
        let entries = match std::fs::read_dir(folder) {
            Ok(entries) => entries,
            // One that is nobody's business, as `lost+found`, must not cost the others.
            Err(error) if depth > 0 && !is_outage(&error) => {
                listing.pass("folders that can't be read", folder);
                return Ok(());
            }
            Err(error) => return Err(error),
        };
        for entry in entries {
            let entry = entry?;
            let (path, kind) = (entry.path(), entry.file_type()?);
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if name.starts_with('.') {
                continue;
            }
            if kind.is_dir() {
                match depth < DEPTH_MAX {
                    true => self.walk(&path, depth + 1, listing, keep)?,
                    false => listing.pass("folders too deep within others", &path),
                }
                continue;
            }
            let jpeg = path.extension().is_some_and(|extension| {
                extension.eq_ignore_ascii_case("jpg") || extension.eq_ignore_ascii_case("jpeg")
            });
            if !jpeg {
                // Who links a folder wants what is in it; but links may go round in a circle.
                if kind.is_symlink() && path.is_dir() {
                    listing.pass("links to folders", &path);
                }
                continue;
            }
            if listing.candidates.len() >= FILES_MAX {
                listing.pass("beyond the number of files that are read", &path);
                continue;
            }
            // A pipe that is opened waits for who writes into it.
            let bytes = match std::fs::metadata(&path) {
                Ok(found) if found.is_file() => found.len(),
                Ok(_) => {
                    listing.pass("no files, whatever they are called", &path);
                    continue;
                }
                Err(error) if is_outage(&error) => return Err(error),
                Err(_) => {
                    listing.pass("links to nothing, or not to be looked at", &path);
                    continue;
                }
            };
            match bytes {
                0 => {
                    listing.pass("empty", &path);
                    continue;
                }
                bytes if bytes > FILE_BYTES_MAX => {
                    listing.pass("larger than 256 MiB", &path);
                    continue;
                }
                _ => {}
            }
            let by_name = || {
                let of_archive = files::begin(&path).map(CaptureTime::unix_nanos);
                of_archive.or_else(|| by_digits(&name, &self.zone))
            };
            let at = exif_time(&path, &self.zone).or_else(by_name);
            let below = path.strip_prefix(&self.root).unwrap_or(&path);
            match at {
                None => listing.pass("no capture time in Exif or name", &path),
                Some(at) if !(EARLIEST..LATEST).contains(&at) => {
                    listing.pass(
                        "captured before 1990 or after 2100, by a clock that was not set",
                        &path,
                    );
                }
                Some(at) if !keep(at) => {}
                Some(at) => listing.candidates.push(Candidate {
                    at,
                    source: below.to_string_lossy().into_owned(),
                    offset: 0,
                    bytes,
                }),
            }
        }
        Ok(())
    }
}

impl Material for Folder {
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> io::Result<Listing> {
        let mut listing = Listing::default();
        let keep = |at| from.is_none_or(|from| at >= from) && to.is_none_or(|to| at < to);
        self.walk(&self.root, 0, &mut listing, &keep)?;
        Ok(listing.ordered())
    }

    fn load(&self, candidate: &Candidate) -> Result<Frame, LoadFault> {
        let path = self.root.join(&candidate.source);
        let bytes = std::fs::read(&path).map_err(|error| LoadFault::read(&error))?;
        let frame = Frame::from_jpeg(&bytes).map_err(LoadFault::unusable)?;
        Ok(frame.upright(orientation(&bytes)))
    }

    fn place(&self) -> String {
        self.root.display().to_string()
    }
}

/// Exif 2.3, `Orientation`: 1 to 8; 1 is as it lies.
fn orientation(jpeg: &[u8]) -> u32 {
    let exif = exif::Reader::new().read_from_container(&mut io::Cursor::new(jpeg));
    let field = exif
        .as_ref()
        .ok()
        .and_then(|exif| exif.get_field(Tag::Orientation, In::PRIMARY));
    field.and_then(|field| field.value.get_uint(0)).unwrap_or(1)
}

/// The first fourteen digits of a name that are a time, whatever stands between them. A year begins with a
/// run of four digits or more: numbers of cameras and cards, and their addresses, are mostly shorter, and
/// what is none is told by its date.
fn by_digits(name: &str, zone: &TimeZone) -> Option<Instant> {
    const YEAR: usize = 4;
    let (stem, _) = name.rsplit_once('.')?;
    let bytes = stem.as_bytes();
    let is_digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    let begins = (0..bytes.len()).filter(|at| {
        let first = at.checked_sub(1).is_none_or(|before| !is_digit(before));
        first && (*at..at + YEAR).all(is_digit)
    });
    let times = begins.filter_map(|at| time_of_digits(bytes.get(at..)?, zone));
    let times: Vec<Instant> = times.collect();
    let own = times.iter().find(|at| (EARLIEST..LATEST).contains(at));
    // Of a clock that was not set, that is told.
    own.or(times.first()).copied()
}

fn time_of_digits(text: &[u8], zone: &TimeZone) -> Option<Instant> {
    let digits = text.iter().filter(|byte| byte.is_ascii_digit());
    let digits: Vec<i16> = digits.map(|byte| i16::from(byte - b'0')).take(14).collect();
    let number = |range: std::ops::Range<usize>| {
        let digits = digits.get(range)?;
        Some(
            digits
                .iter()
                .fold(0, |number: i16, digit| number * 10 + digit),
        )
    };
    let small = |range| i8::try_from(number(range)?).ok();
    let date = Date::new(number(0..4)?, small(4..6)?, small(6..8)?).ok()?;
    let time = Time::new(small(8..10)?, small(10..12)?, small(12..14)?, 0).ok()?;
    instant(date.to_datetime(time), zone)
}

fn instant(civil: DateTime, zone: &TimeZone) -> Option<Instant> {
    let zoned = zone.to_ambiguous_zoned(civil).compatible().ok()?;
    i64::try_from(zoned.timestamp().as_nanosecond()).ok()
}

/// Exif 2.3: `DateTimeOriginal`, `SubSecTimeOriginal`, `OffsetTimeOriginal`.
fn exif_time(path: &Path, zone: &TimeZone) -> Option<Instant> {
    let mut file = BufReader::new(File::open(path).ok()?);
    // Of other kinds of files the reader would have all in memory.
    if !file.fill_buf().ok()?.starts_with(&[0xff, 0xd8]) {
        return None;
    }
    let exif = exif::Reader::new().read_from_container(&mut file).ok()?;
    let text = |tag| {
        let field = exif.get_field(tag, In::PRIMARY)?;
        match &field.value {
            Value::Ascii(texts) => texts.first().cloned(),
            _ => None,
        }
    };
    let stamp = text(Tag::DateTimeOriginal).or_else(|| text(Tag::DateTimeDigitized))?;
    let mut stamp = exif::DateTime::from_ascii(&stamp).ok()?;
    if let Some(part) = text(Tag::SubSecTimeOriginal) {
        stamp.parse_subsec(&part).ok();
    }
    if let Some(offset) = text(Tag::OffsetTimeOriginal) {
        stamp.parse_offset(&offset).ok();
    }
    let small = |value: u8| i8::try_from(value).ok();
    let year = i16::try_from(stamp.year).ok()?;
    let date = Date::new(year, small(stamp.month)?, small(stamp.day)?).ok()?;
    let nanos = i32::try_from(stamp.nanosecond.unwrap_or(0)).ok()?;
    let time = Time::new(
        small(stamp.hour)?,
        small(stamp.minute)?,
        small(stamp.second)?,
        nanos,
    )
    .ok()?;
    let civil = date.to_datetime(time);
    match stamp.offset {
        Some(minutes) => {
            let offset = Offset::from_seconds(i32::from(minutes) * 60).ok()?;
            let at = offset.to_timestamp(civil).ok()?;
            i64::try_from(at.as_nanosecond()).ok()
        }
        None => instant(civil, zone),
    }
}

#[cfg(test)]
#[path = "source_tests.rs"]
pub(super) mod tests;
