//! Frames and film from what was chosen and measured.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::Timestamp;
use sha2::{Digest as _, Sha256};

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
use forebay_darkroom::level::{Curves, Leveller, Levelling, Table};
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
    pub(super) levels: &'a Levels,
    pub(super) common: Area,
    pub(super) cover: Cover,
    /// Frames of the film that the contact sheet has.
    pub(super) thumbs: HashSet<usize>,
}

/// What becomes of the brightness of each frame.
pub(super) struct Levels {
    pub(super) whole: Leveller,
    /// What is levelled by itself, and where that is.
    apart: Option<(Leveller, Frame)>,
}

impl Levels {
    pub(super) fn new(
        request: &LapseRequest,
        (measures, times): (&[Measure], &[Instant]),
        levelling: Levelling,
        size: (usize, usize),
    ) -> Self {
        let leveller = |curves: Vec<Curves>| {
            let views = measures.iter().map(|measure| measure.pose.view);
            Leveller::timed(curves, views.collect(), times.to_vec(), levelling)
        };
        let apart: Option<Vec<Curves>> = measures.iter().map(|measure| measure.apart).collect();
        Self {
            whole: leveller(measures.iter().map(|measure| measure.curves).collect()),
            apart: apart.map(leveller).zip(request.regions.apart(size)),
        }
    }

    /// Of the whole, and of what is levelled by itself.
    fn tables(&self, taken: usize) -> (Option<Table>, Option<Table>) {
        let apart = self.apart.as_ref();
        (
            self.whole.table(taken),
            apart.and_then(|(leveller, _)| leveller.table(taken)),
        )
    }

    fn apply(&self, taken: usize, frame: &mut Frame) {
        let (whole, apart) = self.tables(taken);
        match (whole, apart, &self.apart) {
            (Some(whole), Some(apart), Some((_, weights))) => {
                whole.apply_beside(&apart, weights, frame);
            }
            (Some(whole), ..) => whole.apply(frame),
            _ => {}
        }
    }
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
        self.candidate(taken).map_or(0, |candidate| candidate.at)
    }

    /// A chosen frame, laid upon the others, levelled and covered; uncut.
    fn whole(&self, taken: usize) -> Result<Frame, LapseError> {
        let (Some(candidate), Some(measure)) = (self.candidate(taken), self.measures.get(taken))
        else {
            return Err(LapseError::Defect(taken));
        };
        let gone = |fault| lost(candidate.name(), fault);
        let frame = load(self.material, candidate).map_err(gone)?;
        let frame = brought(frame, self.size)
            .ok_or_else(|| gone(LoadFault::unusable("another size than before")))?;
        let mut frame = moved(&frame, &measure.pose.affine);
        self.levels.apply(taken, &mut frame);
        self.cover.apply(&mut frame);
        Ok(frame)
    }

    /// All that makes a chosen frame what it is, but for the options: its file, how it lies, and what becomes
    /// of its brightness.
    fn digest(&self, taken: usize) -> String {
        let candidate = self.candidate(taken);
        let text = format!(
            "{:?} {:?} {:?}",
            candidate.map(|one| (one.name(), one.at, one.bytes)),
            self.measures.get(taken).map(|measure| measure.pose),
            self.levels.tables(taken)
        );
        format!("{:x}", Sha256::digest(text))
    }

    /// All that makes some frames of the film what they are, but for the options: the frames they are made
    /// of, by their [`digest`](Self::digest), and where they are cut. What was made of the same needs not be
    /// made again; where the choice has changed meanwhile, since there is more to choose from, it must.
    fn origin(&self, range: std::ops::Range<usize>, digests: &[String]) -> String {
        let mut sum = Sha256::new();
        let mut add = |text: &str| {
            sum.update(text.as_bytes());
            sum.update([0]);
        };
        add(&self.request.coder.identity());
        add(&format!("{:?} {:?}", self.size, self.film_size));
        for number in range {
            let Some(shown) = self.shown.get(number) else {
                continue;
            };
            add(&format!("{shown:?} {:?}", self.area(number)));
            let second = match shown {
                Shown::Between(_, second, _) => Some(*second),
                _ => None,
            };
            for taken in [Some(shown.first()), second].into_iter().flatten() {
                let own = digests.get(self.neighbours(taken));
                own.into_iter().flatten().for_each(|digest| add(digest));
            }
        }
        format!("{:x}", sum.finalize())
    }

    fn candidate(&self, taken: usize) -> Option<&Candidate> {
        let taken = self.taken.get(taken)?;
        self.candidates.get(taken.candidate)
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
        let mut frame = scaled(&frame, self.area(number), self.film_size);
        if let Some((format, corner)) = &self.request.date
            && let Ok(at) = Timestamp::from_nanosecond(self.time(shown.first()).into())
        {
            let zoned = at.to_zoned(self.request.zone.clone());
            let text = jiff::fmt::strtime::format(format, &zoned).unwrap_or_default();
            stamp::draw(&mut frame, &text, *corner);
        }
        Ok(Some(frame))
    }

    /// What of it a frame of the film shows.
    fn area(&self, number: usize) -> Area {
        let part = number as f64 / self.shown.len().saturating_sub(1).max(1) as f64;
        cut(self.common, self.film_size, &self.request.size, part)
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
            .ok_or(LapseError::Defect(taken))
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
    store.cut(frames, pieces)?;
    let mut digests = Vec::with_capacity(scene.taken.len());
    for taken in 0..scene.taken.len() {
        if stop() {
            return Err(LapseError::Interrupted);
        }
        digests.push(scene.digest(taken));
    }
    let origins: Vec<String> = (0..pieces)
        .map(|piece| scene.origin(range(piece), &digests))
        .collect();
    let whole = |(piece, origin): (usize, &String)| {
        // A power cut may leave a picture empty, though its name is there.
        let there =
            |name: String| std::fs::metadata(store.path(&name)).is_ok_and(|found| found.len() > 0);
        mux::is_whole(&store.piece(piece), range(piece).len(), origin)
            && range(piece).all(|number| {
                there(frame_name(number))
                    && (!scene.thumbs.contains(&number) || there(thumb_name(number)))
            })
    };
    let missing: Vec<(usize, &String)> = (0..).zip(&origins).filter(|one| !whole(*one)).collect();
    let skipped = frames
        - missing
            .iter()
            .map(|(piece, _)| range(*piece).len())
            .sum::<usize>();
    let done = AtomicUsize::new(skipped);
    let mut teller = Teller::new(
        tell,
        Stage::Render,
        (skipped, frames),
        std::time::Duration::ZERO,
    );
    let work = |nth: usize| match missing.get(nth) {
        Some((piece, origin)) => {
            let made = make_piece(scene, store, (*piece, origin), range(*piece), stop, &done);
            // A service manager signals the encoder, too, and what it says then is of no matter.
            match made {
                Err(_) if stop() => Err(LapseError::Interrupted),
                made => made,
            }
        }
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
    (piece, origin): (usize, &str),
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
        let path = store.path(&frame_name(number));
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
    store.make(&name, |out| mux::write_piece(out, &coded, origin))
}

fn frame_name(number: usize) -> String {
    format!("frames/{:06}.jpg", number + 1)
}

/// Where a picture of the contact sheet lies.
pub(super) fn thumb_name(number: usize) -> String {
    format!(".work/thumbs/{:06}.jpg", number + 1)
}
