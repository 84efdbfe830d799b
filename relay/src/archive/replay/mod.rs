//! Recorded files, read back into the units that they were made of.
//!
//! Fragmented MP4 as the recorder writes it, with capture times from `prft`; fragmented MP4 of any
//! other maker, and plain MP4 with its samples in the movie header: there capture times count from
//! a beginning that the file's name or its creation time tells. One sample is in memory at a time,
//! beside the descriptions of those of a fragment; the movie header of a plain file stays, too.
//!
//! What a file can't tell: the uncertainty of a capture time (0 here) and units that the recorder
//! left out without a hole in its times.

pub(crate) mod files;
mod film;
mod keys;
mod movie;
mod payload;
mod sample;

#[cfg(test)]
mod tests;

use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use bytes::Bytes;

pub(crate) use self::film::{Film, Spot};
pub(super) use self::keys::{Group, Keys};
pub(crate) use self::movie::Stream;
use crate::archive::disk::{Disk, RealDisk};
use crate::hold::{Track, TrackKind, TrackSet, Unit};
use crate::units::{CameraName, CaptureTime};

/// Between files: where more is missing, the next one begins with a discontinuity.
const PAUSE_NANOS: i64 = 1_000_000_000;
/// Tracks that are told apart; a camera that changes its parameters at each start is bounded, too.
const TRACKS_MAX: usize = 256;

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// The first box is no `ftyp`.
    #[error("it does not begin with an MP4 file type box: only MP4 files can be read")]
    NotMp4,
    /// No whole `moov`.
    #[error("its movie header is missing or cut")]
    NoHeader,
    /// More than is read into memory.
    #[error("its {what} has {bytes} bytes, and more than {most} are not read")]
    Large {
        /// Which part.
        what: &'static str,
        /// Its length.
        bytes: u64,
        /// The bound.
        most: u64,
    },
    /// No stream that the relay has a codec for.
    #[error(
        "it has no pictures or sound that the relay knows (H.264, H.265, JPEG, AAC, G.711){}",
        if .0.is_empty() { String::new() } else { format!(", but {}", .0) }
    )]
    NoStream(String),
    /// An edit list that puts several pieces together.
    #[error(
        "its edit list puts several pieces of a stream together, and only whole streams are read: \
         `ffmpeg -i FILE -c copy NEW.mp4` writes it anew as one"
    )]
    Pieces,
    /// Samples in the movie header, where fragments are needed.
    #[error("its samples are not in fragments")]
    NotFragmented,
    /// Neither fragments nor samples.
    #[error("it holds no samples")]
    Empty,
    /// A part contradicts itself or the file's length.
    #[error("its {what} at byte {offset} is damaged or cut")]
    Damaged {
        /// Which part.
        what: &'static str,
        /// Where.
        offset: u64,
    },
    /// The disk's words.
    #[error("it can't be read")]
    Read(#[from] io::Error),
}

/// Why there are no (more) units of a file.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A file.
    #[error("{}", path.display())]
    File {
        /// Which one.
        path: PathBuf,
        /// What is wrong with it.
        source: Fault,
    },
    /// What a camera has can't be listed.
    #[error("can't list the footage in {}", folder.display())]
    Unreached {
        /// Where it should be.
        folder: PathBuf,
        /// The system's words.
        source: io::Error,
    },
    /// The folder of a camera's footage.
    #[error("the camera {camera} has no footage in {}", folder.display())]
    NoFootage {
        /// Whose.
        camera: CameraName,
        /// Where it should be.
        folder: PathBuf,
    },
}

/// Gives recorded units in order. A file that can't be read (any further) gives an error, and the
/// next file follows.
#[derive(Debug)]
pub struct Replay {
    disk: Arc<dyn Disk>,
    files: VecDeque<(PathBuf, Option<CaptureTime>)>,
    film: Option<(PathBuf, Film)>,
    from: Option<CaptureTime>,
    to: Option<CaptureTime>,
    /// Every track met, so that the same one keeps its id.
    known: Vec<Arc<Track>>,
    set: Arc<TrackSet>,
    /// For each stream of the present file.
    tracks: Vec<Arc<Track>>,
    sequence: u64,
    timeline: u32,
    /// The latest capture time given.
    reached: Option<CaptureTime>,
    /// The latest capture time of files before the present one: what they hold is not given again.
    before: Option<CaptureTime>,
    /// A group has begun: what follows can be decoded.
    running: bool,
}

impl Replay {
    /// The units of one file, from the first group that begins at `from` or later to what is captured
    /// before `to`. Capture times of a file without `prft` count from the time in its name, where
    /// that is one of the archive's, else from its creation time, else from 1970.
    ///
    /// # Errors
    /// When the file is none that can be read.
    pub fn file(
        path: &Path,
        from: Option<CaptureTime>,
        to: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        Self::file_from(path, None, from, to)
    }

    /// As [`file`](Self::file), with the capture time of the file's beginning.
    ///
    /// # Errors
    /// As there.
    pub fn file_from(
        path: &Path,
        base: Option<CaptureTime>,
        from: Option<CaptureTime>,
        to: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        let base = base.or_else(|| files::begin(path));
        let mut replay = Self::over(
            Arc::new(RealDisk),
            [(path.to_owned(), base)].into(),
            from,
            to,
        );
        replay.open_next().unwrap_or(Ok(()))?;
        Ok(replay)
    }

    /// The units of a camera's footage in an archive; of what was thinned its key frames.
    ///
    /// # Errors
    /// When the camera has none there. What is wrong with its files comes in their place.
    pub fn archive(
        disk: Arc<dyn Disk>,
        root: &Path,
        camera: &CameraName,
        from: Option<CaptureTime>,
        to: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        let files = files::recorded(&*disk, root, camera, from, to);
        let folder = || root.join(camera.as_str()).join(super::ledger::FOOTAGE);
        let files = match files {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(ReplayError::Unreached {
                    folder: folder(),
                    source: error,
                });
            }
            files => files.unwrap_or_default(),
        };
        if files.is_empty() {
            return Err(ReplayError::NoFootage {
                camera: camera.clone(),
                folder: folder(),
            });
        }
        Ok(Self::over(disk, files, from, to))
    }

    fn over(
        disk: Arc<dyn Disk>,
        files: VecDeque<(PathBuf, Option<CaptureTime>)>,
        from: Option<CaptureTime>,
        to: Option<CaptureTime>,
    ) -> Self {
        Self {
            disk,
            files,
            film: None,
            from,
            to,
            known: Vec::new(),
            set: Arc::default(),
            tracks: Vec::new(),
            sequence: 0,
            timeline: 0,
            reached: None,
            before: None,
            running: false,
        }
    }

    /// The tracks of the present file.
    #[must_use]
    pub fn tracks(&self) -> &Arc<TrackSet> {
        &self.set
    }

    /// Files that are still to come, and of the present one its length and how much of it was read,
    /// in bytes.
    #[must_use]
    pub fn progress(&self) -> (usize, u64, u64) {
        let (size, read) = self
            .film
            .as_ref()
            .map_or((0, 0), |(_, film)| film.progress());
        (self.files.len(), size, read)
    }

    /// None where no file is left.
    fn open_next(&mut self) -> Option<Result<(), ReplayError>> {
        let (path, base) = self.files.pop_front()?;
        let fetched = self.disk.fetch(&path).map_err(Fault::Read);
        let film = match fetched.and_then(|file| Film::open(file, base)) {
            Ok(film) => film,
            Err(source) => return Some(Err(ReplayError::File { path, source })),
        };
        self.tracks = film
            .streams()
            .iter()
            .map(|stream| stream.track.clone())
            .map(Arc::new)
            .collect();
        let known = &mut self.known;
        for track in &mut self.tracks {
            let like = |other: &&Arc<Track>| {
                let id = other.id;
                ***other
                    == Track {
                        id,
                        ..Track::clone(track)
                    }
            };
            let same = known.iter().find(like);
            if let Some(same) = same {
                *track = Arc::clone(same);
                continue;
            }
            if known.len() >= TRACKS_MAX {
                known.remove(0);
            }
            let id = known.last().map_or(0, |last| last.id).saturating_add(1);
            *track = Arc::new(Track {
                id,
                ..Track::clone(track)
            });
            known.push(Arc::clone(track));
        }
        if self.set.tracks != self.tracks {
            self.set = Arc::new(TrackSet {
                generation: self.set.generation + 1,
                tracks: self.tracks.clone(),
            });
        }
        self.timeline = self.timeline.saturating_add(1);
        self.before = self.reached;
        self.running = false;
        self.film = Some((path, film));
        Some(Ok(()))
    }

    /// The unit at a spot; none for one that is not asked for.
    fn unit(&mut self, spot: Spot, payload: Bytes) -> Option<Arc<Unit>> {
        let track = Arc::clone(self.tracks.get(spot.stream)?);
        let sound = track.codec.kind() == TrackKind::Audio;
        let every = sound || track.codec == crate::hold::Codec::Jpeg;
        let mut unit = Unit {
            sequence: self.sequence,
            tracks: Arc::clone(&self.set),
            media_time: spot.media_time,
            duration: if sound { spot.duration } else { 0 },
            timeline: self.timeline,
            captured: spot.captured,
            uncertainty_nanos: 0,
            random_access: spot.sync || every,
            discontinuity: spot.discontinuity,
            payload,
            track,
        };
        let early = |limit: Option<CaptureTime>| limit.is_some_and(|limit| unit.captured < limit);
        let again = self.before.is_some_and(|before| unit.captured <= before);
        if !self.running {
            if early(self.from) || again || !unit.starts_group() {
                return None;
            }
            self.running = true;
            let gap = self.before.map_or(0, |before| {
                unit.captured
                    .unix_nanos()
                    .saturating_sub(before.unix_nanos())
            });
            unit.discontinuity |= gap > PAUSE_NANOS;
        }
        if self.to.is_some_and(|to| unit.captured >= to) {
            return None;
        }
        self.sequence += 1;
        self.reached = self.reached.max(Some(unit.captured));
        Some(Arc::new(unit))
    }

    /// Whether a spot shows that no more of this file is asked for: some seconds behind the end, as
    /// pictures are not shown in the order in which they are coded.
    fn is_over(&self, spot: &Spot) -> bool {
        let margin = 10 * PAUSE_NANOS;
        self.to
            .is_some_and(|to| spot.captured.unix_nanos().saturating_sub(margin) > to.unix_nanos())
    }
}

impl Iterator for Replay {
    type Item = Result<Arc<Unit>, ReplayError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let Some((path, film)) = &mut self.film else {
                match self.open_next()? {
                    Ok(()) => continue,
                    Err(error) => return Some(Err(error)),
                }
            };
            match film.next() {
                Ok(Some((spot, payload))) => {
                    if self.is_over(&spot) {
                        self.film = None;
                    } else if let Some(unit) = self.unit(spot, payload) {
                        return Some(Ok(unit));
                    }
                }
                Ok(None) => self.film = None,
                Err(source) => {
                    let path = path.clone();
                    self.film = None;
                    return Some(Err(ReplayError::File { path, source }));
                }
            }
        }
    }
}
