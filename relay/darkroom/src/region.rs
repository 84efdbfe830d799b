//! Parts of the picture that are treated apart: polygons in a text file.
//!
//! ```toml
//! [[region]]
//! use = "level"              # level, align: it doesn't count there; blur, fill: it is hidden for good
//! points = [[0.0, 0.0], [1.0, 0.0], [1.0, 0.3], [0.0, 0.35]]
//! ```
//!
//! Points are shares of width and height, from the upper left corner.

use serde::Deserialize;

use crate::frame::{Frame, Plane};

const REGIONS_MAX: usize = 256;
const POINTS_MAX: usize = 1024;
/// Columns and rows of masks that only say what counts.
const GRID: (usize, usize) = (320, 180);

/// What a region is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Use {
    /// Its brightness does not count (a sky, a road).
    Level,
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

    fn of(&self, what: Use) -> impl Iterator<Item = &Region> {
        self.regions
            .iter()
            .filter(move |region| region.what == what)
    }

    /// Whether a point doesn't count for aligning.
    #[must_use]
    pub fn hides(&self, what: Use, x: f64, y: f64) -> bool {
        self.of(what).any(|region| region.contains(x, y))
    }

    /// 255 where something is hidden for a use; none where nothing is.
    #[must_use]
    pub fn mask(&self, what: Use) -> Option<Plane> {
        self.mask_of(what, GRID)
    }

    fn mask_of(&self, what: Use, (width, height): (usize, usize)) -> Option<Plane> {
        self.of(what).next()?;
        let mut mask = Plane::filled(width, height, 0);
        for (index, sample) in mask.samples.iter_mut().enumerate() {
            let x = ((index % width) as f64 + 0.5) / width as f64;
            let y = ((index / width) as f64 + 0.5) / height as f64;
            if self.hides(what, x, y) {
                *sample = 255;
            }
        }
        Some(mask)
    }

    /// Masks of what is blurred and filled, for frames of a size.
    #[must_use]
    pub fn cover(&self, size: (usize, usize)) -> Cover {
        Cover {
            blur: self.mask_of(Use::Blur, size),
            fill: self.mask_of(Use::Fill, size),
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
