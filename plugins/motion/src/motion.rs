//! From pictures to a score: what stands out from the background, large enough, for long enough.

use crate::background::{Background, Tuning, part};
use crate::blobs::{Blob, Blobs};
use crate::field::Field;
use crate::frame::Frame;
use crate::light::{GAIN_MAX, GAIN_MIN};
use crate::polygon::{Area, looked_at};
use crate::tracks::{Sighting, Tracks};

/// The model has at most so many cells in a row; a cell is a square of whole pixels.
const CELLS_MAX: usize = 320;
/// A picture of which more than this (masks left out) stands out tells of the light or the view, not of a thing.
const GLOBAL_SHARE: f32 = 0.35;
/// So does a picture that strays everywhere so many times as far as it did.
const GLOBAL_SPREAD: f32 = 4.0;
/// Pictures further apart than this tell nothing of each other's movement.
const APART_SECONDS_MAX: f32 = 3.0;
/// After a pause as long as this the background is learned anew.
const PAUSE_SECONDS_MAX: f32 = 900.0;
/// The least number of pictures for the warm-up.
const WARM_PICTURES_MIN: u32 = 10;

/// What motion is.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Least share of the picture that a moving thing covers.
    pub minimum_area: f64,
    /// Pace and contrast of the background.
    pub tuning: Tuning,
    /// Nothing is motion until the background has been learned for so long; seconds.
    pub warm_up_seconds: f64,
    /// Where to look; the whole picture where there is none.
    pub zones: Vec<Area>,
    /// Where not to look.
    pub masks: Vec<Area>,
}

/// A part of the picture in shares of its sides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    /// 0 is the left edge.
    pub left: f64,
    /// 0 is the top edge.
    pub top: f64,
    /// Share of the picture's width.
    pub width: f64,
    /// Share of the picture's height.
    pub height: f64,
}

/// What was seen in a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// 0 to 1; 0.5 for a thing that is as large as it must be and stands out just enough.
    pub score: f64,
    /// Around the largest moving thing.
    pub region: Option<Region>,
    /// Number, from 0, of the zone in which its middle lies.
    pub zone: Option<usize>,
    /// The background is still being learned.
    pub warming: bool,
    /// The whole picture has changed, so that nothing is said of its parts.
    pub global: bool,
    /// Share of the whole picture, masks left out, that stands out.
    pub changed: f32,
    /// How many times wider than learned the strays are.
    pub spread: f32,
}

/// The state for one camera.
#[derive(Debug)]
pub struct Motion {
    wanted: Wanted,
    learned: Option<Learned>,
}

#[derive(Debug)]
struct Learned {
    frame_size: (usize, usize),
    factor: usize,
    picture: Field,
    background: Background,
    blobs: Blobs,
    tracks: Tracks,
    begin_nanos: i64,
    last_nanos: i64,
    global_pictures: u32,
}

fn seconds(nanos: i64) -> f32 {
    nanos as f32 * 1e-9
}

impl Motion {
    /// Knows nothing yet.
    #[must_use]
    pub fn new(wanted: Wanted) -> Self {
        Self {
            wanted,
            learned: None,
        }
    }

    /// The next picture.
    pub fn look(&mut self, frame: &Frame<'_>) -> Seen {
        let fresh = |learned: &Learned| {
            learned.frame_size == frame.size()
                && seconds(frame.captured_nanos.saturating_sub(learned.last_nanos))
                    < PAUSE_SECONDS_MAX
        };
        match self.learned.take_if(|learned| fresh(learned)) {
            Some(mut learned) => {
                let seen = learned.look(frame, &self.wanted);
                self.learned = Some(learned);
                seen
            }
            None => {
                self.learned = Some(Learned::new(frame, &self.wanted));
                Seen {
                    score: 0.0,
                    region: None,
                    zone: None,
                    warming: true,
                    global: false,
                    changed: 0.0,
                    spread: 1.0,
                }
            }
        }
    }
}

impl Learned {
    fn new(frame: &Frame<'_>, wanted: &Wanted) -> Self {
        let factor = frame.width().max(frame.height()).div_ceil(CELLS_MAX);
        let picture = Field::reduced(frame, factor);
        // Zones don't count in "the whole picture": a car may fill a small one.
        let counted = looked_at(&[], &wanted.masks, picture.size());
        let parts = looked_at(&wanted.zones, &wanted.masks, picture.size())
            .into_iter()
            .zip(counted)
            .map(|(looked_at, counts)| {
                u8::from(looked_at) * part::LOOKED_AT + u8::from(counts) * part::COUNTS
            })
            .collect();
        let cells = picture.values().len() as f64;
        Self {
            frame_size: frame.size(),
            factor,
            background: Background::new(&picture, parts),
            picture,
            blobs: Blobs::default(),
            tracks: Tracks::new((wanted.minimum_area * cells) as f32, cells as f32),
            begin_nanos: frame.captured_nanos,
            last_nanos: frame.captured_nanos,
            global_pictures: 0,
        }
    }

    fn look(&mut self, frame: &Frame<'_>, wanted: &Wanted) -> Seen {
        let apart = seconds(frame.captured_nanos.saturating_sub(self.last_nanos)).max(0.0);
        self.last_nanos = self.last_nanos.max(frame.captured_nanos);
        self.picture.reduce(frame, self.factor);
        let tuning = &wanted.tuning;
        let compared = self.background.compare(&self.picture, tuning);
        // Beyond what light is believed to do, as while a camera's filter swings before its sensor.
        let lit = (GAIN_MIN..=GAIN_MAX).contains(&compared.light);
        let global = compared.changed > GLOBAL_SHARE || compared.spread > GLOBAL_SPREAD || !lit;
        self.global_pictures = if global { self.global_pictures + 1 } else { 0 };
        let known = f64::from(seconds(self.last_nanos - self.begin_nanos));
        let warming =
            known < wanted.warm_up_seconds || self.background.pictures() < WARM_PICTURES_MIN;
        let sighting = if global || warming {
            self.tracks.clear();
            None
        } else {
            let blobs = self.find();
            self.tracks.step(blobs, apart < APART_SECONDS_MAX)
        };
        // One changed picture may be a flash; a second one says that it stays.
        let hurried = self.global_pictures > 1;
        self.background.learn(&self.picture, apart, hurried, tuning);
        Seen {
            score: sighting.map_or(0.0, |sighting| f64::from(sighting.score)),
            region: sighting.map(|sighting| self.region(&sighting.blob)),
            zone: sighting.and_then(|sighting| self.zone(&sighting, &wanted.zones)),
            warming,
            global,
            changed: compared.changed,
            spread: compared.spread,
        }
    }

    fn find(&mut self) -> Vec<Blob> {
        let background = &self.background;
        let residual = background.standing_out();
        let (tones, width) = (residual.values(), residual.width());
        self.blobs.find(background.marks(), width, |at| {
            let tone = tones.get(at).copied().unwrap_or_default();
            (tone, background.stray(at))
        })
    }

    fn region(&self, blob: &Blob) -> Region {
        let (width, height) = self.background.size();
        let (width, height) = (width as f64, height as f64);
        Region {
            left: blob.left as f64 / width,
            top: blob.top as f64 / height,
            width: (blob.right - blob.left) as f64 / width,
            height: (blob.bottom - blob.top) as f64 / height,
        }
    }

    fn zone(&self, sighting: &Sighting, zones: &[Area]) -> Option<usize> {
        let (width, height) = self.background.size();
        let x = (f64::from(sighting.blob.x) + 0.5) / width as f64;
        let y = (f64::from(sighting.blob.y) + 0.5) / height as f64;
        zones.iter().position(|zone| zone.contains(x, y))
    }
}
