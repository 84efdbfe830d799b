//! What stands out in one picture is noise until it is seen again: things last, drops don't.

use crate::blobs::Blob;

/// Narrower than this (in cells) is a streak of rain, a wire, or the shift of an edge.
const BREADTH_MIN: f32 = 4.5;
/// Sightings that a thing needs, and a thin one.
const SIGHTINGS: u32 = 2;
const SIGHTINGS_THIN: u32 = 4;
/// Thin things may be seen again by chance, where there are many of them: in so many pictures of
/// all may that happen.
const CHANCE_MAX: f32 = 1e-4;
/// The number of thin things is learned over about so many pictures.
const THIN_PICTURES: f32 = 20.0;
/// So many times larger than it must be, a thing counts at once where pictures are far apart.
const ALONE: f32 = 2.0;
/// Between two pictures a thing moves by no more than this share of its length, and `STEP_CELLS`.
const STEP_SHARE: f32 = 1.2;
const STEP_CELLS: f32 = 6.0;
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
    sightings: u32,
    missed: u32,
}

/// Things that were seen.
#[derive(Debug)]
pub struct Tracks {
    cells_min: f32,
    tracks: Vec<Track>,
    cells: f32,
    thin_mean: f32,
    thin_now: f32,
}

impl Tracks {
    /// `cells_min` is how large a thing must be, `cells` how large the picture is.
    #[must_use]
    pub fn new(cells_min: f32, cells: f32) -> Self {
        Self {
            cells_min: cells_min.max(1.0),
            tracks: Vec::new(),
            cells: cells.max(1.0),
            thin_mean: 0.0,
            thin_now: 0.0,
        }
    }

    /// Forgets all.
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
        let thin = blobs.iter().filter(|blob| is_thin(blob)).count() as f32;
        self.thin_mean += (thin - self.thin_mean) / THIN_PICTURES;
        self.thin_now = thin.max(self.thin_mean);
        blobs.sort_by(|a, b| b.cells.cmp(&a.cells));
        blobs.truncate(TRACKS_MAX);
        let mut before = std::mem::take(&mut self.tracks);
        let mut best: Option<Sighting> = None;
        for blob in blobs {
            let nearest = before
                .iter()
                .enumerate()
                .filter(|(_, track)| fits(&track.blob, &blob))
                .min_by(|(_, a), (_, b)| {
                    distance(&a.blob, &blob).total_cmp(&distance(&b.blob, &blob))
                })
                .map(|(at, _)| at);
            let known = nearest.map(|at| before.swap_remove(at));
            let track = Track {
                blob,
                sightings: known.map_or(1, |track| track.sightings + 1),
                missed: 0,
            };
            self.tracks.push(track);
            let score = self.score(&track, near);
            if best.is_none_or(|best| score > best.score) {
                best = Some(Sighting { score, blob });
            }
        }
        for mut track in before {
            track.missed += 1;
            if track.missed <= MISSED_MAX && self.tracks.len() < TRACKS_MAX {
                self.tracks.push(track);
            }
        }
        best
    }

    fn score(&self, track: &Track, near: bool) -> f32 {
        let blob = &track.blob;
        let cells = blob.cells as f32;
        let strays = blob.strays / cells.max(1.0) / STRAYS_FULL;
        let size = cells / self.cells_min;
        let score = 1.0 - (-size * strays.clamp(0.7, 1.5)).exp2();
        let thin = is_thin(blob);
        let needed = if thin {
            self.needed_thin(blob)
        } else {
            SIGHTINGS
        };
        let confirmed = if near {
            track.sightings >= needed
        } else {
            !thin && size >= ALONE
        };
        if confirmed {
            score
        } else {
            score.min(UNCONFIRMED_SCORE_MAX)
        }
    }
}

impl Tracks {
    /// Sightings until a thin thing is hardly one by chance: another one lies within reach of where
    /// it was in a share of the pictures that follows from their number (Poisson).
    fn needed_thin(&self, blob: &Blob) -> u32 {
        let reach = reach(blob.length());
        let expected = self.thin_now * std::f32::consts::PI * reach * reach / self.cells;
        let again = (1.0 - (-expected).exp()).clamp(1e-6, 0.999);
        let sightings = 1.0 + (CHANCE_MAX / self.thin_now.max(1.0)).ln() / again.ln();
        (sightings.ceil() as u32).max(SIGHTINGS_THIN)
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
