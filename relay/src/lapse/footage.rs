//! Key frames of an archive as material: of footage, and of what the ladder has left of it.

use std::io::{self, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use forebay_darkroom::calendar::Instant;
use forebay_darkroom::frame::Frame;
use tokio::runtime::Handle;

use super::mux::{Buffer, Side};
use super::source::{Candidate, CopyFault, Listing, LoadFault, MakeFile, Material};
use crate::archive::ladder::KEY_FRAMES;
use crate::archive::ledger::FOOTAGE;
use crate::archive::replay::{Fault, Film, Spot, files};
use crate::archive::{Disk, is_outage};
use crate::clip::group::StreamKind;
use crate::clip::movie::{Chunk, Track as MovieTrack, header};
use crate::clip::table::{Sample, Table};
use crate::hold::{Track, TrackKind, TrackSet, Unit};
use crate::pictures::render::Renderer;
use crate::pictures::{DecodeFault, Decoder, DecoderOptions, PixelFormat, Request, Source};
use crate::sinks::Engine;
use crate::units::{CameraName, CaptureTime};

/// How much a time in a file may be off the one it was found by, where the file was thinned meanwhile.
const NEAR_NANOS: i64 = 1_000_000;

/// A camera's key frames. They are decoded in the sandbox, like all that comes from outside.
#[derive(Debug)]
pub struct KeyFrames {
    disk: Arc<dyn Disk>,
    archive: PathBuf,
    camera: CameraName,
    engine: Arc<Engine>,
    options: DecoderOptions,
    handle: Handle,
}

/// A key frame as it lies in its file.
struct Found {
    path: PathBuf,
    film: Film,
    track: Arc<Track>,
    spot: Spot,
}

impl KeyFrames {
    /// Of an archive. `handle`: a runtime of several threads; the material is asked from others.
    #[must_use]
    pub fn new(
        (disk, archive): (Arc<dyn Disk>, PathBuf),
        camera: CameraName,
        (engine, options): (Arc<Engine>, DecoderOptions),
        handle: Handle,
    ) -> Self {
        Self {
            disk,
            archive,
            camera,
            engine,
            options,
            handle,
        }
    }

    fn root(&self) -> PathBuf {
        self.archive.join(self.camera.as_str())
    }

    fn open(&self, path: &Path) -> Result<Film, Fault> {
        Film::open(self.disk.fetch(path)?, files::begin(path))
    }

    /// The file of a candidate; that with its key frames, where the whole has gone meanwhile.
    fn film(&self, candidate: &Candidate) -> Result<(PathBuf, Film), Fault> {
        let path = self.root().join(&candidate.source);
        match self.open(&path) {
            Err(Fault::Read(error)) if error.kind() == io::ErrorKind::NotFound => {
                let whole = Path::new(&candidate.source).strip_prefix(FOOTAGE);
                let below = whole.map_err(|_| Fault::Read(error))?;
                let thinned = self.root().join(KEY_FRAMES).join(below);
                self.open(&thinned).map(|film| (thinned, film))
            }
            film => film.map(|film| (path, film)),
        }
    }

    fn find(&self, candidate: &Candidate) -> Result<Found, LoadFault> {
        let (path, mut film) = self.film(candidate).map_err(fault)?;
        while let Some(spot) = film.next_spot().map_err(fault)? {
            if !is_key(&film, &spot) {
                continue;
            }
            let away = spot.captured.unix_nanos().saturating_sub(candidate.at);
            if candidate.offset != 0 && away.abs() > NEAR_NANOS {
                continue;
            }
            let stream = film.streams().get(spot.stream);
            let stream = stream.ok_or_else(|| LoadFault::unusable("its stream is gone"))?;
            let track = Arc::new(stream.track.clone());
            return Ok(Found {
                path,
                film,
                track,
                spot,
            });
        }
        Err(LoadFault::unusable("the key frame is not where it was"))
    }

    /// The key frames of a file that are so many nanoseconds apart.
    fn keys(&self, path: &Path, below: &str, apart: i64, listing: &mut Listing) -> io::Result<()> {
        let mut film = match self.open(path) {
            Ok(film) => film,
            Err(Fault::Read(error)) if is_outage(&error) => return Err(error),
            Err(_) => {
                listing.pass("files that can't be read", path);
                return Ok(());
            }
        };
        let mut last: Option<i64> = None;
        loop {
            let spot = match film.next_spot() {
                Ok(Some(spot)) => spot,
                Ok(None) => return Ok(()),
                Err(_) => {
                    listing.pass("files that can't be read to their end", path);
                    return Ok(());
                }
            };
            let at = spot.captured.unix_nanos();
            let soon = last.is_some_and(|last| at.saturating_sub(last).abs() < apart);
            if soon || !is_key(&film, &spot) {
                continue;
            }
            last = Some(at);
            listing.candidates.push(Candidate {
                at,
                source: below.to_owned(),
                offset: spot.offset,
                bytes: 0,
            });
        }
    }
}

fn is_key(film: &Film, spot: &Spot) -> bool {
    let stream = film.streams().get(spot.stream);
    spot.sync && stream.is_some_and(|stream| stream.track.codec.kind() == TrackKind::Video)
}

fn fault(fault: Fault) -> LoadFault {
    match fault {
        Fault::Read(error) => LoadFault::read(&error),
        fault => LoadFault::unusable(fault),
    }
}

impl Material for KeyFrames {
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> io::Result<Listing> {
        let time = |at: Option<Instant>| at.map(CaptureTime::from_unix_nanos);
        let (disk, archive) = (&*self.disk, &*self.archive);
        let found = files::recorded(disk, archive, &self.camera, time(from), time(to));
        let found = match found {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Default::default(),
            found => found?,
        };
        let mut listing = Listing::default();
        let root = self.root();
        for (path, begin) in found {
            let below = path.strip_prefix(&root).unwrap_or(&path);
            let Some(begin) = begin else {
                continue;
            };
            // A recorder's file begins with a key frame, and its name tells when.
            listing.candidates.push(Candidate {
                at: begin.unix_nanos(),
                source: below.to_string_lossy().into_owned(),
                offset: 0,
                bytes: 0,
            });
        }
        Ok(listing.ordered())
    }

    fn look_into(
        &self,
        listing: Listing,
        apart: i64,
        wanted: &dyn Fn(Instant, Instant) -> bool,
    ) -> io::Result<Listing> {
        let mut all = Listing {
            candidates: Vec::with_capacity(listing.candidates.len()),
            passed_over: listing.passed_over,
        };
        let nexts = listing.candidates.iter().skip(1).map(|next| next.at);
        let ends: Vec<Instant> = nexts.chain([Instant::MAX]).collect();
        for (candidate, end) in listing.candidates.into_iter().zip(ends) {
            let end = end.min(candidate.at.saturating_add(files::LENGTH_MAX_NANOS));
            // What is followed so soon has no second one that is worth a look.
            let short = end - candidate.at < apart.saturating_add(apart / 2);
            if short || !wanted(candidate.at, end) {
                all.candidates.push(candidate);
                continue;
            }
            let path = self.root().join(&candidate.source);
            self.keys(&path, &candidate.source, apart, &mut all)?;
        }
        Ok(all.ordered())
    }

    fn load(&self, candidate: &Candidate) -> Result<Frame, LoadFault> {
        let Found {
            film, track, spot, ..
        } = self.find(candidate)?;
        let payload = film.read(spot).map_err(fault)?;
        let unit = Unit {
            sequence: 0,
            tracks: Arc::new(TrackSet {
                generation: 0,
                tracks: vec![Arc::clone(&track)],
            }),
            track,
            media_time: spot.media_time,
            duration: 0,
            timeline: 0,
            captured: spot.captured,
            uncertainty_nanos: 0,
            random_access: true,
            discontinuity: false,
            payload,
        };
        let mut decoder = Decoder::new(Arc::clone(&self.engine), self.options.clone());
        let decoded = self.handle.block_on(decoder.decode_key(&unit));
        let decoded = decoded.map_err(|fault| match fault {
            // Out of time, on a busy machine, or out of memory.
            DecodeFault::Ended(_) => LoadFault::Unread(fault.to_string()),
            fault => LoadFault::unusable(fault),
        })?;
        let request = Request {
            rate: 0.0,
            longest_side: 0,
            format: PixelFormat::I420,
            source: Source::Main,
        };
        let (planes, width, height) = Renderer::new().render(&decoded, &request);
        let mut frame = Frame::filled(width as usize, height as usize, [0, 128, 128]);
        for (out, plane) in frame.planes.iter_mut().zip(&planes) {
            let rows = plane.bytes.chunks(plane.stride.max(1) as usize);
            let tight = rows.flat_map(|row| row.iter().take(plane.width as usize));
            out.samples = tight.copied().collect();
            if out.samples.len() != out.width * out.height {
                let words = "its planes have another size than they should";
                return Err(LoadFault::unusable(words));
            }
        }
        Ok(frame)
    }

    fn place(&self) -> String {
        format!("key frames of {}", self.root().display())
    }

    fn copy_intra(
        &self,
        candidates: &[&Candidate],
        rate: u32,
        step: &dyn Fn(usize) -> Result<(), CopyFault>,
        make: &mut MakeFile<'_>,
    ) -> Result<(), CopyFault> {
        let mut runs: Vec<Run> = Vec::new();
        for candidate in candidates {
            step(0)?;
            let gone = |fault| CopyFault::Load(candidate.name(), fault);
            let found = self.find(candidate).map_err(gone)?;
            let stream = found.film.streams().get(found.spot.stream);
            let entry = stream.map(|stream| found.film.entry(stream).to_vec());
            let entry = entry.unwrap_or_default();
            let place = (found.path, found.spot.offset, found.spot.size);
            match runs.last_mut() {
                Some(run) if run.entry == entry => run.places.push(place),
                _ => runs.push(Run {
                    entry,
                    track: found.track,
                    places: vec![place],
                }),
            }
        }
        let mut copied = 0;
        for (run, number) in runs.iter().zip(1..) {
            let name = if number == 1 {
                "intra.mp4".to_owned()
            } else {
                format!("intra-{number}.mp4")
            };
            let step = |own: usize| step(copied + own);
            // What stopped it is told as what it is, not as a file that can't be written.
            let mut broken = None;
            let made = make(&name, &mut |out| {
                let written = run.write(&*self.disk, out, rate, &step);
                written.map_err(|fault| {
                    broken = Some(fault);
                    io::ErrorKind::Other.into()
                })
            });
            match broken {
                Some(fault) => return Err(fault),
                None => made.map_err(CopyFault::Write)?,
            }
            copied += run.places.len();
        }
        Ok(())
    }
}

/// Key frames with the same parameters.
struct Run {
    entry: Vec<u8>,
    track: Arc<Track>,
    places: Vec<(PathBuf, u64, u32)>,
}

impl Run {
    /// The film of them, bytes as they were recorded.
    fn write(
        &self,
        disk: &dyn Disk,
        out: &mut dyn Write,
        rate: u32,
        step: &dyn Fn(usize) -> Result<(), CopyFault>,
    ) -> Result<(), CopyFault> {
        const TICKS: u32 = 1000;
        let mut table = Table::default();
        let mut media = 0;
        for ((_, _, size), nth) in self.places.iter().zip(0i64..) {
            let at = nth * i64::from(TICKS);
            table.push(Sample {
                decode: at,
                shown: at,
                duration: TICKS,
                size: *size,
                sync: true,
            });
            media += u64::from(*size);
        }
        table.finish();
        let kind = StreamKind {
            codec: self.track.codec,
            rfc6381: self.track.rfc6381.clone(),
            rate: rate * TICKS,
            width: self.track.width,
            height: self.track.height,
            channels: 0,
            entry: self.entry.clone(),
        };
        let track = MovieTrack {
            kind: &kind,
            table: &table,
            chunks: &[Chunk {
                offset: 0,
                samples: self.places.len() as u32,
            }],
        };
        let header = header(&[track], CaptureTime::from_unix_nanos(0), media);
        out.write_all(&header).map_err(CopyFault::Write)?;
        let mut buffer = Buffer::default();
        for ((path, offset, size), copied) in self.places.iter().zip(0..) {
            step(copied)?;
            let gone = |error| CopyFault::Load(path.display().to_string(), LoadFault::read(&error));
            let mut file = disk.fetch(path).map_err(gone)?;
            file.seek(SeekFrom::Start(*offset)).map_err(gone)?;
            let bytes = u64::from(*size);
            let copied = buffer
                .copy(&mut file, out, bytes)
                .map_err(|side| match side {
                    Side::From(error) => gone(error),
                    Side::To(error) => CopyFault::Write(error),
                })?;
            if copied < bytes {
                return Err(gone(io::ErrorKind::UnexpectedEof.into()));
            }
        }
        step(self.places.len())
    }
}
