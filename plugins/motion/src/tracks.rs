//! What stands out in one picture is noise until it is seen again: things last, drops don't.

use crate::blobs::Blob;

/// Narrower than this (in cells) is a streak of rain, a wire, or the shift of an edge.
const BREADTH_MIN: f32 = 4.5;
/// Sightings that a thing needs at least, and a thin one.
const SIGHTINGS_MIN: u32 = 2;
/// See above.
const SIGHTINGS_THIN_MIN: u32 = 4;
/// No thing needs more.
const SIGHTINGS_MAX: u32 = 1000;
/// In so many of all pictures may parts that have nothing to do with each other look like one thing.
const CHANCE_MAX: f32 = 3e-4;
/// The number of parts that come to nothing is learned over about so many pictures.
const CLUTTER_PICTURES: f32 = 20.0;
/// So many times larger than it must be, a thing counts at once where pictures are far apart.
const ALONE: f32 = 2.0;
/// Between two pictures a thing moves by no more than this share of its length, and `STEP_CELLS`.
const STEP_SHARE: f32 = 1.2;
const STEP_CELLS: f32 = 6.0;
/// Seen twice, it is where its movement takes it, give or take this.
const STRAY_SHARE: f32 = 0.4;
const STRAY_CELLS: f32 = 3.0;
/// Sizes of one thing in two pictures differ by no more than this factor.
const SIZE_RATIO: f32 = 3.0;
/// A thing may be out of sight for so many pictures.
const MISSED_MAX: u32 = 1;
/// Tracks kept.
const TRACKS_MAX: usize = 64;
/// Deviations at which a thing stands out fully.
const STRAYS_FULL: f32 = 8.0;
/// The score of what has not been confirmed stays below that of what has.
const UNCONFIRMED_SCORE_MAX: f32 = 0.3;

/// The thing that stands out most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sighting {
    /// 0 to 1.
    pub score: f32,
    /// As seen in this picture.
    pub blob: Blob,
}

#[derive(Debug, Clone, Copy)]
struct Track {
    blob: Blob,
    /// Cells a picture, once it has been seen twice.
    step: Option<(f32, f32)>,
    sightings: u32,
    missed: u32,
    /// It came from nowhere, or turned up elsewhere than foretold.
    stray: bool,
}

/// Sizes are counted by powers of two.
const SIZES: usize = 18;

/// Things that were seen.
#[derive(Debug)]
pub struct Tracks {
    cells_min: f32,
    /// Of the picture.
    cells: f32,
    tracks: Vec<Track>,
    /// Parts of each size, in a picture on the average, that were never seen again, or not where foretold.
    clutter: [f32; SIZES],
}

impl Tracks {
    /// `cells_min` is how large a thing must be, `cells` how large the picture is.
    #[must_use]
    pub fn new(cells_min: f32, cells: f32) -> Self {
        Self {
            cells_min: cells_min.max(1.0),
            cells: cells.max(1.0),
            tracks: Vec::new(),
            clutter: [0.0; SIZES],
        }
    }

    /// Forgets the things, not how many come to nothing.
    pub fn clear(&mut self) {
        self.tracks.clear();
    }

    /// The parts of the next picture. `near`: it follows soon enough upon the one before that
    /// a thing is seen in both.
    pub fn step(&mut self, blobs: Vec<Blob>, near: bool) -> Option<Sighting> {
        if !near {
            self.clear();
        }
        let mut blobs: Vec<Blob> = blobs
            .into_iter()
            .filter(|blob| blob.cells as f32 >= self.cells_min * 0.5)
            .collect();
        blobs.sort_by_key(|blob| std::cmp::Reverse(blob.cells));
        blobs.truncate(TRACKS_MAX);
        let mut before = std::mem::take(&mut self.tracks);
        self.tracks = blobs
            .into_iter()
            .map(|blob| matched(&mut before, blob))
            .collect();
        let mut stray = [0.0; SIZES];
        for track in self.tracks.iter().filter(|track| track.stray) {
            count(&mut stray, &track.blob);
        }
        let mut lost = [0.0; SIZES];
        for track in self.tracks.iter().filter(|t| t.stray && t.sightings > 1) {
            count(&mut lost, &track.blob);
        }
        let mut best: Option<Sighting> = None;
        for track in &self.tracks {
            let blob = track.blob;
            let itself = if track.stray { 1.0 } else { 0.0 };
            let others = similar(&stray, &blob) - itself;
            let score = self.score(track, near, others.max(similar(&self.clutter, &blob)));
            if best.is_none_or(|best| score > best.score) {
                best = Some(Sighting { score, blob });
            }
        }
        for mut track in before {
            track.missed += 1;
            if track.missed <= MISSED_MAX && self.tracks.len() < TRACKS_MAX {
                self.tracks.push(track);
            } else if track.sightings == 1 {
                count(&mut lost, &track.blob);
            }
        }
        for (mean, lost) in self.clutter.iter_mut().zip(lost) {
            *mean += (lost - *mean) / CLUTTER_PICTURES;
        }
        best
    }

    fn score(&self, track: &Track, near: bool, others: f32) -> f32 {
        let blob = &track.blob;
        let cells = blob.cells as f32;
        let strays = blob.strays / cells.max(1.0) / STRAYS_FULL;
        let size = cells / self.cells_min;
        let score = 1.0 - (-size * strays.clamp(0.7, 1.5)).exp2();
        let confirmed = if near {
            track.sightings >= self.needed(blob, others)
        } else {
            !is_thin(blob) && size >= ALONE
        };
        if confirmed {
            score
        } else {
            score.min(UNCONFIRMED_SCORE_MAX)
        }
    }

    /// Sightings until a part is hardly one by chance, where `others` of its size lie anywhere in
    /// each picture: how likely one of those is found where the thing may have moved to follows
    /// from their density (Poisson).
    fn needed(&self, blob: &Blob, others: f32) -> u32 {
        let found = |reach: f32| {
            let expected = others * std::f32::consts::PI * reach * reach / self.cells;
            (1.0 - (-expected).exp()).clamp(1e-6, 0.999)
        };
        let again = found(reach(blob.length()));
        let foretold = found(STRAY_SHARE * blob.length() as f32 + STRAY_CELLS);
        let twice = others * again;
        let more = if twice > CHANCE_MAX {
            ((CHANCE_MAX / twice).ln() / foretold.ln()).ceil() as u32
        } else {
            0
        };
        let least = if is_thin(blob) {
            SIGHTINGS_THIN_MIN
        } else {
            SIGHTINGS_MIN
        };
        (SIGHTINGS_MIN + more).clamp(least, SIGHTINGS_MAX)
    }
}

fn size_class(blob: &Blob) -> usize {
    (blob.cells.max(1).ilog2() as usize).min(SIZES - 1)
}

fn count(counts: &mut [f32; SIZES], blob: &Blob) {
    if let Some(count) = counts.get_mut(size_class(blob)) {
        *count += 1.0;
    }
}

/// Those of about the size.
fn similar(counts: &[f32; SIZES], blob: &Blob) -> f32 {
    let class = size_class(blob);
    let near = counts.iter().take(class + 2).skip(class.saturating_sub(1));
    near.sum()
}

/// The track that a part goes on, taken from those before; a new one where there is none.
fn matched(before: &mut Vec<Track>, blob: Blob) -> Track {
    let foretold = |track: &Track| {
        let (dx, dy) = track.step?;
        let pictures = (track.missed + 1) as f32;
        let (x, y) = (track.blob.x + dx * pictures, track.blob.y + dy * pictures);
        let stray = (blob.x - x).hypot(blob.y - y);
        (stray <= STRAY_SHARE * blob.length() as f32 + STRAY_CELLS).then_some(stray)
    };
    let alike = before
        .iter()
        .enumerate()
        .filter(|(_, t)| fits(&t.blob, &blob));
    // One that is where it was foretold goes before one that is just near.
    let nearest = alike
        .map(|(at, track)| match foretold(track) {
            Some(stray) => (at, true, stray),
            None => (at, false, distance(&track.blob, &blob)),
        })
        .min_by(|a, b| b.1.cmp(&a.1).then(a.2.total_cmp(&b.2)));
    let Some((at, foretold, _)) = nearest else {
        return Track {
            blob,
            step: None,
            sightings: 1,
            missed: 0,
            stray: true,
        };
    };
    let known = before.swap_remove(at);
    let pictures = (known.missed + 1) as f32;
    // Where it goes is not known before its second sighting.
    let second = known.step.is_none();
    let step = (
        (blob.x - known.blob.x) / pictures,
        (blob.y - known.blob.y) / pictures,
    );
    Track {
        blob,
        step: Some(step),
        // What turned up near, but not where it was foretold, is as good as seen twice.
        sightings: if foretold || second {
            known.sightings + 1
        } else {
            2
        },
        missed: 0,
        stray: !foretold && !second,
    }
}

fn is_thin(blob: &Blob) -> bool {
    blob.breadth < BREADTH_MIN
}

fn reach(length: usize) -> f32 {
    STEP_SHARE * length as f32 + STEP_CELLS
}

fn distance(a: &Blob, b: &Blob) -> f32 {
    (a.x - b.x).hypot(a.y - b.y)
}

fn fits(before: &Blob, now: &Blob) -> bool {
    let reach = reach(before.length().max(now.length()));
    let ratio = before.cells as f32 / (now.cells as f32).max(1.0);
    distance(before, now) <= reach && ratio <= SIZE_RATIO && ratio * SIZE_RATIO >= 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blob(x: f32, y: f32, side: usize) -> Blob {
        let half = side as f32 * 0.5;
        let cells = (side * side) as u32;
        Blob {
            cells,
            left: (x - half).max(0.0) as usize,
            top: (y - half).max(0.0) as usize,
            right: (x + half) as usize,
            bottom: (y + half) as usize,
            strays: 10.0 * cells as f32,
            tone: 20.0,
            x,
            y,
            breadth: side as f32,
        }
    }

    fn tracks() -> Tracks {
        Tracks::new(30.0, 57_600.0)
    }

    #[test]
    fn a_thing_counts_from_its_second_sighting() {
        let mut tracks = tracks();
        let first = tracks.step(vec![blob(50.0, 90.0, 10)], true).unwrap();
        assert!(first.score <= UNCONFIRMED_SCORE_MAX);
        let second = tracks.step(vec![blob(58.0, 90.0, 10)], true).unwrap();
        assert!(second.score > 0.9, "{second:?}");
        // Out of sight in one picture.
        assert_eq!(tracks.step(Vec::new(), true), None);
        let third = tracks.step(vec![blob(74.0, 91.0, 10)], true).unwrap();
        assert!(third.score > 0.9);
        // Far away is another one, and so is a much larger one.
        let far = tracks.step(vec![blob(250.0, 40.0, 10)], true).unwrap();
        assert!(far.score <= UNCONFIRMED_SCORE_MAX);
        let large = tracks.step(vec![blob(250.0, 40.0, 30)], true).unwrap();
        assert!(large.score <= UNCONFIRMED_SCORE_MAX);
    }

    #[test]
    fn scattered_parts_are_no_thing_but_one_that_moves_on_among_them_is() {
        let mut tracks = tracks();
        let mut state = 1u64;
        let mut chance = |bound: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            ((state >> 33) % bound) as f32
        };
        let (mut wrong, mut right) = (0, 0);
        for picture in 0..2000 {
            let mut blobs: Vec<Blob> = (0..12).map(|_| blob(chance(320), chance(180), 8)).collect();
            let thing = (picture % 100 > 60).then_some((picture % 100) as f32 * 4.0 - 240.0);
            blobs.extend(thing.map(|x| blob(x + 10.0, 100.0, 8)));
            let best = tracks.step(blobs, true).unwrap();
            if best.score > 0.5 {
                let is_thing = thing.is_some_and(|x| (best.blob.x - x - 10.0).abs() < 8.0);
                right += u32::from(is_thing);
                wrong += u32::from(!is_thing);
            }
        }
        assert!(wrong < 10, "{wrong} of 2000 by chance");
        assert!(right > 20 * 20, "{right} of 780");
    }
}
