//! Parts of the picture that are treated apart: polygons in a text file.
//!
//! ```toml
//! [[region]]
//! use = "apart"              # see `Use`
//! points = [[0.0, 0.0], [1.0, 0.0], [1.0, 0.3], [0.0, 0.35]]
//! ```
//!
//! Points are shares of width and height, from the upper left corner.

use serde::Deserialize;

use crate::frame::{Frame, Plane};
use crate::resample::{Area, scaled};

const REGIONS_MAX: usize = 256;
const POINTS_MAX: usize = 1024;
/// Columns and rows of masks that only say what counts.
const GRID: (usize, usize) = (320, 180);
/// Cells of it over which one treatment turns into another, to each side of an edge.
const SOFT: usize = 3;

/// What a region is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Use {
    /// Its brightness does not count (a road, a crane): what is found for the rest is done to it, too.
    Level,
    /// It is levelled by itself, since it has a light of its own (a sky).
    Apart,
    /// Its movement does not count.
    Align,
    /// It is blurred beyond recognition, for good.
    Blur,
    /// It is filled with one colour, for good.
    Fill,
}

/// A polygon.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// What it is for.
    #[serde(rename = "use")]
    pub what: Use,
    /// Its corners, in shares of width and height.
    pub points: Vec<[f64; 2]>,
}

/// All of a file.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Regions {
    /// In the order of the file.
    #[serde(default, rename = "region")]
    pub regions: Vec<Region>,
}

impl Regions {
    /// Reads the text of a file.
    ///
    /// # Errors
    /// What is wrong with it, with the line.
    pub fn parse(text: &str) -> Result<Self, String> {
        let regions: Self = toml::from_str(text).map_err(|error| error.to_string())?;
        if regions.regions.len() > REGIONS_MAX {
            return Err(format!("it has more than {REGIONS_MAX} regions"));
        }
        for (region, number) in regions.regions.iter().zip(1..) {
            if !(3..=POINTS_MAX).contains(&region.points.len()) {
                return Err(format!("region {number} needs 3 to {POINTS_MAX} points"));
            }
            let inside = |point: &[f64; 2]| point.iter().all(|share| (-0.5..=1.5).contains(share));
            if !region.points.iter().all(inside) {
                return Err(format!(
                    "region {number}: points are shares of width and height, 0 to 1, not pixels"
                ));
            }
        }
        Ok(regions)
    }

    /// Whether a point's movement doesn't count.
    #[must_use]
    pub fn moves_apart(&self, x: f64, y: f64) -> bool {
        let own = |region: &Region| region.what == Use::Align && region.contains(x, y);
        self.regions.iter().any(own)
    }

    /// 255 where the brightness does not count for the rest of the picture; none where all of it does.
    #[must_use]
    pub fn level_mask(&self) -> Option<Plane> {
        self.mask_of(&[Use::Level, Use::Apart], GRID)
    }

    /// 255 where the brightness does not count for what is levelled by itself; none where nothing is.
    #[must_use]
    pub fn apart_mask(&self) -> Option<Plane> {
        let mut mask = self.mask_of(&[Use::Apart], GRID)?;
        let rest = self.mask_of(&[Use::Level], GRID);
        for (index, sample) in mask.samples.iter_mut().enumerate() {
            let hidden = rest.as_ref().and_then(|rest| rest.samples.get(index));
            *sample = (255 - *sample).max(hidden.copied().unwrap_or(0));
        }
        Some(mask)
    }

    /// How much each sample of a frame belongs to what is levelled by itself, 0 to 255, with soft edges;
    /// none where nothing is.
    #[must_use]
    pub fn apart(&self, size: (usize, usize)) -> Option<Frame> {
        let mask = self.mask_of(&[Use::Apart], GRID)?;
        let (width, height) = GRID;
        let mut soft = Frame::filled(width, height, [0; 3]);
        let [luma, cb, cr] = &mut soft.planes;
        for (index, sample) in luma.samples.iter_mut().enumerate() {
            let near = |at: usize, end: usize| at.saturating_sub(SOFT)..(at + SOFT + 1).min(end);
            let across = near(index % width, width);
            let (mut sum, mut count) = (0, 0);
            for y in near(index / width, height) {
                let row = mask.row(y).get(across.clone()).unwrap_or_default();
                sum += row.iter().map(|sample| u32::from(*sample)).sum::<u32>();
                count += row.len() as u32;
            }
            *sample = (sum / count.max(1)) as u8;
        }
        let half = luma.shrunk(2);
        (*cb, *cr) = (half.clone(), half);
        Some(scaled(&soft, Area::whole(GRID), size))
    }

    fn mask_of(&self, uses: &[Use], (width, height): (usize, usize)) -> Option<Plane> {
        let own = || {
            self.regions
                .iter()
                .filter(|region| uses.contains(&region.what))
        };
        own().next()?;
        let mut mask = Plane::filled(width, height, 0);
        for (index, sample) in mask.samples.iter_mut().enumerate() {
            let x = ((index % width) as f64 + 0.5) / width as f64;
            let y = ((index / width) as f64 + 0.5) / height as f64;
            if own().any(|region| region.contains(x, y)) {
                *sample = 255;
            }
        }
        Some(mask)
    }

    /// Whether anything is to be hidden for good.
    #[must_use]
    pub fn hides(&self) -> bool {
        let hides = |region: &Region| matches!(region.what, Use::Blur | Use::Fill);
        self.regions.iter().any(hides)
    }

    /// Masks of what is blurred and filled, for frames of a size.
    #[must_use]
    pub fn cover(&self, size: (usize, usize)) -> Cover {
        Cover {
            blur: self.mask_of(&[Use::Blur], size),
            fill: self.mask_of(&[Use::Fill], size),
        }
    }
}

impl Region {
    /// By how often a line to the right crosses its edge.
    fn contains(&self, x: f64, y: f64) -> bool {
        let ends = self.points.iter().cycle().skip(1);
        let mut inside = false;
        for ([ax, ay], [bx, by]) in self.points.iter().zip(ends) {
            if (*ay > y) != (*by > y) && x < ax + (y - ay) / (by - ay) * (bx - ax) {
                inside = !inside;
            }
        }
        inside
    }
}

/// What is hidden for good, for frames of one size.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cover {
    blur: Option<Plane>,
    fill: Option<Plane>,
}

impl Cover {
    /// Hides it. Blurred parts become blocks of a 24th of the height: what made up a face or a number
    /// plate is not there any more.
    pub fn apply(&self, frame: &mut Frame) {
        let (width, height) = frame.size();
        let block = (height / 24).max(8).next_multiple_of(2);
        for (nth, plane) in frame.planes.iter_mut().enumerate() {
            let (step, block) = if nth == 0 { (1, block) } else { (2, block / 2) };
            let hidden = |mask: &Plane, x: usize, y: usize| {
                let (x, y) = ((x * step).min(width - 1), (y * step).min(height - 1));
                mask.row(y).get(x).is_some_and(|hidden| *hidden > 0)
            };
            if let Some(mask) = &self.blur {
                let small = plane.shrunk(block);
                for (index, sample) in plane.samples.iter_mut().enumerate() {
                    let (x, y) = (index % plane.width, index / plane.width);
                    if hidden(mask, x, y) {
                        let column = (x / block).min(small.width - 1);
                        let row = (y / block).min(small.height - 1);
                        *sample = small.row(row).get(column).copied().unwrap_or(128);
                    }
                }
            }
            if let Some(mask) = &self.fill {
                let value = if nth == 0 { 64 } else { 128 };
                for (index, sample) in plane.samples.iter_mut().enumerate() {
                    if hidden(mask, index % plane.width, index / plane.width) {
                        *sample = value;
                    }
                }
            }
        }
    }
}
