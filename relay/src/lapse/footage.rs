//! Key frames of an archive as material: of footage, and of what the ladder has left of it.

use std::io::{self, Read as _, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use forebay_darkroom::calendar::Instant;
use forebay_darkroom::frame::Frame;
use tokio::runtime::Handle;

use super::source::{Candidate, Listing, MakeFile, Material};
use crate::archive::ladder::KEY_FRAMES;
use crate::archive::ledger::FOOTAGE;
use crate::archive::replay::{Film, Spot, files};
use crate::clip::group::StreamKind;
use crate::clip::movie::{Chunk, Track as MovieTrack, header};
use crate::clip::table::{Sample, Table};
use crate::hold::{Track, TrackKind, TrackSet, Unit};
use crate::pictures::render::Renderer;
use crate::pictures::{Decoder, DecoderOptions, PixelFormat, Request, Source};
use crate::sinks::Engine;
use crate::units::{CameraName, CaptureTime};

/// Key frames nearer to each other than this are as good as one.
const APART_NANOS: i64 = 60_000_000_000;

/// A camera's key frames. They are decoded in the sandbox, like all that comes from outside.
#[derive(Debug)]
pub struct KeyFrames {
    root: PathBuf,
    engine: Arc<Engine>,
    options: DecoderOptions,
    handle: Handle,
}

/// A key frame as it lies in its file.
struct Found {
    film: Film,
    track: Arc<Track>,
    spot: Spot,
}

impl KeyFrames {
    /// Of an archive. `handle`: a runtime of several threads; the material is asked from others.
    #[must_use]
    pub fn new(
        archive: &Path,
        camera: &CameraName,
        engine: Arc<Engine>,
        options: DecoderOptions,
        handle: Handle,
    ) -> Self {
        Self {
            root: archive.join(camera.as_str()),
            engine,
            options,
            handle,
        }
    }

    fn find(&self, candidate: &Candidate) -> Result<Found, String> {
        let path = self.root.join(&candidate.source);
        let mut film = Film::open(&path, files::begin(&path)).map_err(|fault| fault.to_string())?;
        while let Some(spot) = film.next_spot().map_err(|fault| fault.to_string())? {
            if spot.offset != candidate.offset {
                continue;
            }
            let stream = film
                .streams()
                .get(spot.stream)
                .ok_or("its stream is gone")?;
            let track = Arc::new(stream.track.clone());
            return Ok(Found { film, track, spot });
        }
        Err("the key frame is not where it was".to_owned())
    }
}

impl Material for KeyFrames {
    fn list(&self, from: Option<Instant>, to: Option<Instant>) -> io::Result<Listing> {
        let mut listing = Listing::default();
        let (from, to) = (
            from.map(CaptureTime::from_unix_nanos),
            to.map(CaptureTime::from_unix_nanos),
        );
        for folder in [FOOTAGE, KEY_FRAMES] {
            let found = match files::between(&self.root.join(folder), from, to) {
                Ok(found) => found,
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                Err(error) => return Err(error),
            };
            for (path, begin) in found {
                let below = path.strip_prefix(&self.root).unwrap_or(&path);
                let below = below.to_string_lossy().into_owned();
                let Ok(mut film) = Film::open(&path, begin) else {
                    listing.pass("files that can't be read", &path);
                    continue;
                };
                let mut last = None;
                loop {
                    let spot = match film.next_spot() {
                        Ok(Some(spot)) => spot,
                        Ok(None) => break,
                        Err(_) => {
                            listing.pass("files that can't be read to their end", &path);
                            break;
                        }
                    };
                    let at = spot.captured.unix_nanos();
                    let video = film
                        .streams()
                        .get(spot.stream)
                        .is_some_and(|stream| stream.track.codec.kind() == TrackKind::Video);
                    let outside = from.is_some_and(|from| spot.captured < from)
                        || to.is_some_and(|to| spot.captured >= to);
                    let soon =
                        last.is_some_and(|last: i64| at.saturating_sub(last).abs() < APART_NANOS);
                    if !video || !spot.sync || outside || soon {
                        continue;
                    }
                    last = Some(at);
                    listing.candidates.push(Candidate {
                        at,
                        source: below.clone(),
                        offset: spot.offset,
                        bytes: spot.size.into(),
                    });
                }
            }
        }
        Ok(listing.ordered())
    }

    fn load(&self, candidate: &Candidate) -> Result<Frame, String> {
        let Found { film, track, spot } = self.find(candidate)?;
        let payload = film.read(spot).map_err(|fault| fault.to_string())?;
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
        let decoded = decoded.map_err(|fault| fault.to_string())?;
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
                return Err("its planes have another size than they should".to_owned());
            }
        }
        Ok(frame)
    }

    fn place(&self) -> String {
        format!("key frames of {}", self.root.display())
    }

    fn copy_intra(
        &self,
        candidates: &[&Candidate],
        rate: u32,
        make: &mut MakeFile<'_>,
    ) -> io::Result<()> {
        let mut runs: Vec<Run> = Vec::new();
        for candidate in candidates {
            let found = self.find(candidate).map_err(io::Error::other)?;
            let entry = found
                .film
                .streams()
                .get(found.spot.stream)
                .map(|stream| found.film.entry(stream));
            let entry = entry.unwrap_or_default().to_vec();
            let place = (
                self.root.join(&candidate.source),
                found.spot.offset,
                found.spot.size,
            );
            match runs.last_mut() {
                Some(run) if run.entry == entry => run.places.push(place),
                _ => runs.push(Run {
                    entry,
                    track: found.track,
                    places: vec![place],
                }),
            }
        }
        for (run, number) in runs.iter().zip(1..) {
            let name = if number == 1 {
                "intra.mp4".to_owned()
            } else {
                format!("intra-{number}.mp4")
            };
            make(&name, &mut |out| run.write(out, rate))?;
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
    fn write(&self, out: &mut dyn Write, rate: u32) -> io::Result<()> {
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
        out.write_all(&header(&[track], CaptureTime::from_unix_nanos(0), media))?;
        for (path, offset, size) in &self.places {
            let mut file = std::fs::File::open(path)?;
            file.seek(SeekFrom::Start(*offset))?;
            let copied = io::copy(&mut file.take((*size).into()), out)?;
            if copied != u64::from(*size) {
                return Err(io::Error::other(format!(
                    "{} has become shorter",
                    path.display()
                )));
            }
        }
        Ok(())
    }
}
