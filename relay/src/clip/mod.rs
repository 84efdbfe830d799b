//! A stretch of a camera's footage, cut out to be given away: MP4 that anything plays, with a
//! manifest and sums that anybody can check.
//!
//! In the order of the data: `sources` finds the files, `group` reads each as groups that begin where
//! decoding can, `union` makes one stream of them, `line` and `table` (both pure) give each sample its
//! place, `part` gathers a file and copies what it is made of, `movie` writes what stands before that.
//! `gaps` (pure) says what is missing and why, `manifest` all of it, and `output` brings the clip to
//! its place, whole or not at all. `verify` holds the sources against what was noted of them.
//!
//! The same stretches are looked at, without anything being written: `film` is one as a file whose
//! bytes are read where they lie, `slices` are pieces of a few seconds.
//!
//! Nothing is coded anew: samples and sample entries are those of the footage, byte for byte.
//! Everything is read from files, while a relay writes others; no catalog is needed. Memory holds the
//! tables of one file (some 16 MiB) and the groups at hand.

mod film;
mod gaps;
pub(crate) mod group;
mod line;
mod manifest;
pub(crate) mod movie;
mod output;
mod part;
mod slices;
mod sources;
pub(crate) mod table;
#[cfg(test)]
mod tests;
mod union;
mod verify;
#[cfg(test)]
mod verify_tests;

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub(crate) use film::{Film, Shelf};
pub use gaps::ClipGap;
pub(crate) use line::{SIDE_NANOS, SideLine};
pub use manifest::{NewFile, Passed, Sound};
pub use output::Target;
pub(crate) use slices::{Slice, slices};

use self::gaps::{Known, gaps};
use self::manifest::{CaptureTimes, FileEntry, Manifest, SOFTWARE, SourceEntry, stamp};
use self::output::Desk;
use self::part::Part;
use self::sources::{Place, SourceFile, digest};
use self::union::Union;
use crate::archive::Disk;
use crate::archive::catalog::CatalogError;
use crate::archive::ledger::{Span, open_footage, told_by_files};
use crate::supervise::Shutdown;
use crate::units::{CameraName, CaptureTime, SiteName};

/// What is wanted.
#[derive(Debug, Clone)]
pub struct ClipRequest {
    /// Whose footage.
    pub camera: CameraName,
    /// Where the camera stands, for the manifest; none for one that is no longer configured.
    pub site: Option<SiteName>,
    /// The IANA name of its zone, for the manifest.
    pub time_zone: String,
    /// What archive and spool are on.
    pub disk: Arc<dyn Disk>,
    /// Where footage has its final names.
    pub archive: PathBuf,
    /// Where it waits for them.
    pub spool: PathBuf,
    /// From when to when; the clip begins at the last random access point that is not later.
    pub asked: Span,
    /// Without sound.
    pub redact_audio: bool,
    /// Where to.
    pub target: Target,
}

/// A clip that was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// What was written: the films, the manifest, the sums.
    pub paths: Vec<PathBuf>,
    /// The films among them, each with its capture times and the reason for which it was begun.
    pub files: Vec<(PathBuf, Span, NewFile)>,
    /// From the first picture to the end of the last.
    pub bounds: Span,
    /// What was asked for and is missing.
    pub gaps: Vec<ClipGap>,
    /// What became of the sound.
    pub sound: Sound,
    /// Number of the files that it was cut from.
    pub sources: usize,
    /// Of these: number of those that have their key frames alone.
    pub thinned: usize,
    /// Of these: those that are not what was published, and how they differ.
    pub damaged: Vec<Passed>,
    /// Files that could not be read.
    pub passed: Vec<Passed>,
    /// The greatest uncertainty of a capture time in nanoseconds, where the journals tell it.
    pub uncertainty_nanos: Option<u64>,
}

/// Why there is no clip. Nothing of it is left then.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClipError {
    /// The camera's folder.
    #[error("the footage in {} can't be listed", .0.display())]
    List(PathBuf, #[source] io::Error),
    /// No picture.
    #[error("{camera} has no footage from {} to {}{}", stamp(asked.begin), stamp(asked.end), hint(why))]
    Nothing {
        /// Whose.
        camera: CameraName,
        /// When.
        asked: Span,
        /// In words; may be empty.
        why: Vec<String>,
    },
    /// A source.
    #[error("can't read {}", path.display())]
    Read {
        /// Which one.
        path: PathBuf,
        /// The system's words.
        source: io::Error,
    },
    /// A source that was there.
    #[error(
        "{} was removed or carried off while the clip was cut from it: cut it again",
        .0.display()
    )]
    Gone(PathBuf),
    /// The target.
    #[error("can't write {}", path.display())]
    Write {
        /// Which file.
        path: PathBuf,
        /// The system's words.
        source: io::Error,
    },
    /// The disk of the target is full.
    #[error(
        "there is no room for {}: it takes {}{}; free some, or name a place on another disk",
        path.display(), megabytes(*bytes),
        free.map(|free| format!(", and {} are free", megabytes(free))).unwrap_or_default()
    )]
    Full {
        /// Which file.
        path: PathBuf,
        /// What it takes.
        bytes: u64,
        /// What is free.
        free: Option<u64>,
    },
    /// Something is where the clip should be.
    #[error("{} is there already, and nothing is overwritten: name another place", .0.display())]
    Exists(PathBuf),
    /// By a signal.
    #[error("interrupted: nothing was written")]
    Interrupted,
    /// The account in memory.
    #[error(transparent)]
    Books(#[from] CatalogError),
}

impl ClipError {
    fn read(path: &Path, source: io::Error) -> Self {
        let path = path.to_owned();
        Self::Read { path, source }
    }

    fn write(path: &Path, source: io::Error) -> Self {
        let path = path.to_owned();
        Self::Write { path, source }
    }

    /// With what a file takes, where the disk is full.
    fn of_size(self, bytes: u64) -> Self {
        match self {
            Self::Write { path, source }
                if matches!(
                    source.kind(),
                    io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded
                ) =>
            {
                Self::Full {
                    path,
                    bytes,
                    free: None,
                }
            }
            other => other,
        }
    }
}

fn hint(why: &[String]) -> String {
    match why {
        [] => String::new(),
        why => format!(": {}", why.join("; ")),
    }
}

fn megabytes(bytes: u64) -> String {
    format!("{:.1} MB", bytes as f64 / 1e6)
}

/// Cuts a clip. Blocks on disks; `shutdown` ends it within a block of a MiB.
///
/// # Errors
/// [`ClipError`]; then nothing is left of the clip.
pub fn cut(request: &ClipRequest, shutdown: &Shutdown) -> Result<Clip, ClipError> {
    let ClipRequest {
        camera,
        disk,
        archive,
        spool,
        asked,
        ..
    } = request;
    let place = Place {
        disk: &**disk,
        archive,
        spool,
        camera,
    };
    let mut work = Work {
        desk: Desk::new(request.target.clone())?,
        place,
        shutdown,
        files: Vec::new(),
        spans: Vec::new(),
        stretches: Vec::new(),
        taken: BTreeMap::new(),
        has_sound: false,
    };
    // Before the footage is listed: what is finished meanwhile counts as open, and not as missing.
    let open = open_footage(spool, camera).filter(|open| *open < asked.end);
    let candidates = place
        .candidates(*asked)
        .map_err(|source| ClipError::List(archive.join(camera.as_str()), source))?;
    let mut union = Union::new(place, *asked, !request.redact_audio, candidates);
    let mut part: Option<Part> = None;
    while let Some(group) = union.next()? {
        work.proceed()?;
        let reason = match &mut part {
            Some(part) => match part.break_before(&group) {
                None => {
                    part.push(&group);
                    continue;
                }
                Some(reason) => reason,
            },
            None => NewFile::Begin,
        };
        work.write(part.take(), &union.sources)?;
        part = Part::new(reason, group);
    }
    work.write(part.take(), &union.sources)?;
    let told = told_by_files(&**disk, (archive, spool), camera, *asked)?;
    work.proceed()?;
    let mut passed = std::mem::take(&mut union.passed);
    passed.extend(told.unreadable.iter().map(|(path, fault)| Passed {
        source: place.name(path),
        fault: fault.clone(),
    }));
    let known = Known {
        coverage: told.coverage.as_ref(),
        open,
    };
    let gaps = gaps(*asked, &work.stretches, known);
    let (Some(first), Some(last)) = (work.stretches.first(), work.stretches.last()) else {
        let why = gaps.iter().map(|gap| match (gap.cause, &gap.detail) {
            (Some(cause), detail) if detail.is_empty() => cause.as_str().to_owned(),
            (Some(cause), detail) => format!("{} ({detail})", cause.as_str()),
            (None, detail) => detail.clone(),
        });
        let faults = passed
            .iter()
            .map(|passed| format!("{}: {}", passed.source, passed.fault));
        return Err(ClipError::Nothing {
            camera: camera.clone(),
            asked: *asked,
            why: why.chain(faults).take(8).collect(),
        });
    };
    let bounds = Span {
        begin: first.begin,
        end: last.end,
    };
    let sound = match (request.redact_audio, work.has_sound) {
        (true, _) => Sound::Redacted,
        (false, true) => Sound::Kept,
        (false, false) => Sound::None,
    };
    let sources = work.sources(&union.sources);
    let number = sources.len();
    let thinned = sources.iter().filter(|entry| entry.key_frames_only).count();
    let damaged = sources.iter().filter(|entry| entry.verified == Some(false));
    let damaged = damaged.map(|entry| Passed {
        source: entry.name.clone(),
        fault: entry.remark.clone(),
    });
    let damaged = damaged.collect();
    let manifest = Manifest {
        manifest: "clip of recorded footage",
        version: 1,
        software: SOFTWARE,
        made: stamp(CaptureTime::now()),
        camera: camera.as_str(),
        site: request.site.as_ref().map(SiteName::as_str),
        time_zone: &request.time_zone,
        asked: (*asked).into(),
        bounds: bounds.into(),
        sound,
        files: std::mem::take(&mut work.files),
        capture_time: CaptureTimes::new(&told.clocks),
        gaps: gaps.iter().map(Into::into).collect(),
        sources,
        passed_over: &passed,
    };
    let spans = std::mem::take(&mut work.spans);
    let paths = work.publish(&manifest)?;
    Ok(Clip {
        paths,
        files: spans,
        bounds,
        gaps,
        sound,
        sources: number,
        thinned,
        damaged,
        passed,
        uncertainty_nanos: told.clocks.iter().map(|s| s.uncertainty_nanos).max(),
    })
}

/// What has been written so far.
struct Work<'a> {
    desk: Desk,
    place: Place<'a>,
    shutdown: &'a Shutdown,
    files: Vec<FileEntry>,
    spans: Vec<(PathBuf, Span, NewFile)>,
    stretches: Vec<Span>,
    /// Of each source that was copied from: when, and its sum.
    taken: BTreeMap<usize, (Span, String)>,
    has_sound: bool,
}

impl Work<'_> {
    fn proceed(&self) -> Result<(), ClipError> {
        match self.shutdown.is_requested() {
            true => Err(ClipError::Interrupted),
            false => Ok(()),
        }
    }

    /// Writes a file that was gathered.
    fn write(&mut self, part: Option<Part>, sources: &[SourceFile]) -> Result<(), ClipError> {
        let Some(mut part) = part else { return Ok(()) };
        part.finish();
        let span = part.span();
        let nth = self.files.len() + 1;
        let name = self.desk.file_name(self.place.camera, span.begin, nth);
        self.desk.check_room(&name, part.media_bytes())?;
        let (place, shutdown) = (self.place, self.shutdown);
        let mut bytes = 0;
        let written = self.desk.write(&name, |out| {
            part.write(&place, sources, &mut |block| {
                if shutdown.is_requested() {
                    return Err(ClipError::Interrupted);
                }
                bytes += block.len() as u64;
                out(block)
            })
        });
        let sum = written.map_err(|error| error.of_size(part.media_bytes()))?;
        self.has_sound |= part.streams().any(|(kind, _)| !kind.is_video());
        self.spans.push((self.desk.place(&name), span, part.reason));
        self.stretches.extend(part.stretches.iter().map(|s| s.span));
        for (number, span) in &part.taken {
            if let Some((known, _)) = self.taken.get_mut(number) {
                known.end = known.end.max(span.end);
            } else if let Some(file) = sources.get(*number) {
                // At once: what was copied is the most likely to be there still, and to be in memory.
                let source = self.place.reopen(file)?;
                let sha256 = digest(&file.path, &source, &mut || self.proceed())?;
                self.taken.insert(*number, (*span, sha256));
            }
        }
        self.files
            .push(FileEntry::new(&part, name, bytes, sum.sha256));
        Ok(())
    }

    /// The sources with their sums.
    fn sources(&self, files: &[SourceFile]) -> Vec<SourceEntry> {
        let entry = |(number, (span, sha256)): (&usize, &(Span, String))| {
            let file = files.get(*number)?;
            Some(SourceEntry {
                name: self.place.name(&file.path),
                bytes: file.bytes,
                sha256: sha256.clone(),
                verified: None,
                remark: String::new(),
                key_frames_only: self.place.is_thinned(&file.path),
                times: (*span).into(),
            })
        };
        let mut entries: Vec<_> = self.taken.iter().filter_map(entry).collect();
        verify::verify(&self.place, &mut entries);
        entries
    }

    /// Writes manifest and sums, and brings all to its place.
    fn publish(mut self, manifest: &Manifest<'_>) -> Result<Vec<PathBuf>, ClipError> {
        let name = self.desk.manifest_name();
        let mut text = serde_json::to_vec_pretty(manifest)
            .map_err(|error| ClipError::write(&self.desk.place(&name), error.into()))?;
        text.push(b'\n');
        let written = self.desk.write(&name, |out| out(&text));
        written.map_err(|error| error.of_size(text.len() as u64))?;
        self.proceed()?;
        let bytes = text.len() as u64;
        self.desk.publish().map_err(|error| error.of_size(bytes))
    }
}
