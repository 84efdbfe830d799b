//! Frames and film from what was chosen and measured.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::Timestamp;

use super::encode::PieceCoder;
use super::source::{Candidate, LoadFault, Material};
use super::store::{Measure, Store};
use super::work::{Stage, Teller, ordered};
use super::{LapseError, LapseRequest, Progress, load, lost, mux, stamp};
use forebay_darkroom::blend::dissolve;
use forebay_darkroom::calendar::Instant;
use forebay_darkroom::colour::FilmFrame;
use forebay_darkroom::film::{Shown, Taken, cut};
use forebay_darkroom::frame::Frame;
use forebay_darkroom::level::{Leveller, Table};
use forebay_darkroom::region::Cover;
use forebay_darkroom::resample::{Area, moved, scaled};

/// Frames of a piece: a film can be searched by them, and an interrupted one goes on behind the last.
const PIECE: usize = 75;
/// Width of the pictures of the contact sheet.
const THUMB_WIDTH: usize = 240;

/// All that frames are made of.
pub(super) struct Scene<'a> {
    pub(super) request: &'a LapseRequest,
    pub(super) material: &'a dyn Material,
    pub(super) candidates: &'a [Candidate],
    /// Pixels that all frames are brought to.
    pub(super) size: (usize, usize),
    pub(super) film_size: (usize, usize),
    pub(super) taken: &'a [Taken],
    pub(super) shown: &'a [Shown],
    pub(super) measures: &'a [Measure],
    pub(super) leveller: &'a Leveller,
    pub(super) common: Area,
    pub(super) cover: Cover,
    /// Frames of the film that the contact sheet has.
    pub(super) thumbs: HashSet<usize>,
}

/// A frame of the material, brought to the size of all. None where it has another shape.
pub(super) fn brought(frame: Frame, size: (usize, usize)) -> Option<Frame> {
    let (width, height) = frame.size();
    if (width, height) == size {
        return Some(frame);
    }
    let stretch = width as f64 * size.1 as f64 / (height as f64 * size.0 as f64);
    let alike = (stretch - 1.0).abs() < 0.01;
    alike.then(|| scaled(&frame, Area::whole((width, height)), size))
}

impl Scene<'_> {
    pub(super) fn time(&self, taken: usize) -> Instant {
        let candidate = self
            .taken
            .get(taken)
            .and_then(|taken| self.candidates.get(taken.candidate));
        candidate.map_or(0, |candidate| candidate.at)
    }

    pub(super) fn table(&self, taken: usize) -> Option<Table> {
        self.leveller.table(taken)
    }

    /// A chosen frame, laid upon the others, levelled and covered; uncut.
    fn whole(&self, taken: usize) -> Result<Frame, LapseError> {
        let candidate = self
            .taken
            .get(taken)
            .and_then(|taken| self.candidates.get(taken.candidate));
        let (Some(candidate), Some(measure)) = (candidate, self.measures.get(taken)) else {
            return Err(LapseError::NothingKept);
        };
        let gone = |fault| lost(candidate, fault);
        let frame = load(self.material, candidate).map_err(gone)?;
        let frame = brought(frame, self.size)
            .ok_or_else(|| gone(LoadFault::unusable("another size than before")))?;
        let mut frame = moved(&frame, &measure.pose.affine);
        if let Some(table) = self.table(taken) {
            table.apply(&mut frame);
        }
        self.cover.apply(&mut frame);
        Ok(frame)
    }

    /// Numbers of the taken frames that are put together for one.
    fn neighbours(&self, taken: usize) -> std::ops::RangeInclusive<usize> {
        let side = self.request.blend.side();
        let view = |taken: usize| self.measures.get(taken).map(|measure| measure.pose.view);
        let own = view(taken);
        let mut from = taken;
        while from > 0 && taken - (from - 1) <= side && view(from - 1) == own {
            from -= 1;
        }
        let mut to = taken;
        while to + 1 < self.taken.len() && to + 1 - taken <= side && view(to + 1) == own {
            to += 1;
        }
        from..=to
    }

    /// A frame of the film, cut, with its date.
    fn frame(&self, number: usize, cache: &mut Cache) -> Result<Option<Frame>, LapseError> {
        let Some(shown) = self.shown.get(number) else {
            return Ok(None);
        };
        let mut frame = self.blended(shown.first(), cache)?;
        if let Shown::Between(_, second, part) = shown {
            frame = dissolve(&frame, &self.blended(*second, cache)?, *part);
        }
        let part = number as f64 / self.shown.len().saturating_sub(1).max(1) as f64;
        let area = cut(self.common, self.film_size, &self.request.size, part);
        let mut frame = scaled(&frame, area, self.film_size);
        if let Some((format, corner)) = &self.request.date
            && let Ok(at) = Timestamp::from_nanosecond(self.time(shown.first()).into())
        {
            let zoned = at.to_zoned(self.request.zone.clone());
            let text = jiff::fmt::strtime::format(format, &zoned).unwrap_or_default();
            stamp::draw(&mut frame, &text, *corner);
        }
        Ok(Some(frame))
    }

    fn blended(&self, taken: usize, cache: &mut Cache) -> Result<Frame, LapseError> {
        let range = self.neighbours(taken);
        for number in range.clone() {
            if !cache.frames.contains_key(&number) {
                let frame = self.whole(number)?;
                cache.put(number, frame);
            }
        }
        let frames: Vec<&Frame> = range
            .filter_map(|number| cache.frames.get(&number))
            .collect();
        self.request
            .blend
            .of(&frames)
            .ok_or(LapseError::NothingKept)
    }
}

/// Frames that neighbours share.
struct Cache {
    frames: HashMap<usize, Frame>,
    order: VecDeque<usize>,
    most: usize,
}

impl Cache {
    fn new(side: usize) -> Self {
        Self {
            frames: HashMap::new(),
            order: VecDeque::new(),
            // Those of a frame, and of the one that it may turn into.
            most: 2 * side + 2,
        }
    }

    fn put(&mut self, number: usize, frame: Frame) {
        while self.order.len() >= self.most {
            if let Some(oldest) = self.order.pop_front() {
                self.frames.remove(&oldest);
            }
        }
        self.order.push_back(number);
        self.frames.insert(number, frame);
    }
}

/// Makes all frames, and the film of them.
pub(super) fn render(
    scene: &Scene<'_>,
    store: &Store,
    stop: &(dyn Fn() -> bool + Sync),
    tell: &dyn Fn(&Progress),
) -> Result<(), LapseError> {
    store.folder("frames")?;
    store.folder(".work/thumbs")?;
    let frames = scene.shown.len();
    let range = |piece: usize| piece * PIECE..((piece + 1) * PIECE).min(frames);
    let pieces = frames.div_ceil(PIECE);
    let whole = |piece: usize| mux::frames_of(&store.piece(piece)) == Some(range(piece).len());
    let missing: Vec<usize> = (0..pieces).filter(|piece| !whole(*piece)).collect();
    let skipped = frames
        - missing
            .iter()
            .map(|piece| range(*piece).len())
            .sum::<usize>();
    let done = AtomicUsize::new(skipped);
    let mut teller = Teller::new(
        tell,
        Stage::Render,
        (skipped, frames),
        std::time::Duration::ZERO,
    );
    let work = |nth: usize| match missing.get(nth) {
        Some(piece) => make_piece(scene, store, *piece, range(*piece), stop, &done),
        None => Ok(()),
    };
    let outcome = ordered(
        scene.request.jobs,
        (0, missing.len()),
        stop,
        &work,
        |_, result| {
            result?;
            teller.done(done.load(Ordering::Relaxed));
            Ok(())
        },
    );
    outcome?;
    let paths: Vec<_> = (0..pieces).map(|piece| store.piece(piece)).collect();
    store.make("film.mp4".as_ref(), |out| {
        mux::write(
            out,
            &paths,
            scene.film_size,
            scene.request.frames_per_second,
        )
    })
}

fn make_piece(
    scene: &Scene<'_>,
    store: &Store,
    piece: usize,
    range: std::ops::Range<usize>,
    stop: &(dyn Fn() -> bool + Sync),
    done: &AtomicUsize,
) -> Result<(), LapseError> {
    let request = scene.request;
    let mut coder = PieceCoder::new(
        &request.coder,
        request.quality,
        scene.film_size,
        request.frames_per_second,
    )?;
    let mut cache = Cache::new(request.blend.side());
    for number in range {
        if stop() {
            return Err(LapseError::Interrupted);
        }
        let Some(frame) = scene.frame(number, &mut cache)? else {
            continue;
        };
        let path = store.path(&format!("frames/{:06}.jpg", number + 1));
        let jpeg = |frame: &Frame, quality| {
            frame.to_jpeg(quality).map_err(|error| LapseError::Write {
                path: path.clone(),
                source: std::io::Error::other(error),
            })
        };
        std::fs::write(&path, jpeg(&frame, request.frame_quality)?)
            .map_err(LapseError::write(&path))?;
        if scene.thumbs.contains(&number) {
            let (width, height) = frame.size();
            let size = (THUMB_WIDTH, (THUMB_WIDTH * height / width.max(1)).max(2));
            let thumb = scaled(&frame, Area::whole((width, height)), size);
            let path = store.path(&thumb_name(number));
            std::fs::write(&path, jpeg(&thumb, 80)?).map_err(LapseError::write(&path))?;
        }
        coder.add(&FilmFrame::of(&frame))?;
        done.fetch_add(1, Ordering::Relaxed);
    }
    let coded = coder.finish()?;
    let path = store.piece(piece);
    let name = path
        .strip_prefix(store.path(""))
        .map(std::path::Path::to_owned)
        .unwrap_or(path);
    store.make(&name, |out| mux::write_piece(out, &coded))
}

/// Where a picture of the contact sheet lies.
pub(super) fn thumb_name(number: usize) -> String {
    format!(".work/thumbs/{:06}.jpg", number + 1)
}
