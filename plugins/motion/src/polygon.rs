//! Parts of the picture, as polygons in shares of its width and height.

use serde::Deserialize;

/// A part of the picture.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Area {
    /// For people; it stands in the text of findings.
    #[serde(default)]
    pub name: Option<String>,
    /// Corners in order, each `[x, y]`: [0, 0] is left and top, [1, 1] right and bottom.
    pub polygon: Vec<[f64; 2]>,
}

/// An area that can't be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AreaError {
    /// Not an area.
    #[error("its polygon has {0} corners: give at least 3, each [x, y]")]
    Few(usize),
    /// More than is reasonable.
    #[error("its polygon has {0} corners: give at most {CORNERS_MAX}")]
    Many(usize),
    /// Outside of the picture, or not a number.
    #[error(
        "corner {number} of its polygon is [{x}, {y}]: give shares of width and height, 0.0 to 1.0"
    )]
    Outside {
        /// Counted from 1.
        number: usize,
        /// As given.
        x: f64,
        /// As given.
        y: f64,
    },
    /// All corners on a line.
    #[error("its polygon encloses nothing: its corners lie on a line")]
    Flat,
    /// The name is too long or has control characters.
    #[error("its name must be 1 to {NAME_MAX} bytes without control characters")]
    Name,
}

/// Corners of a polygon.
pub const CORNERS_MAX: usize = 64;
/// Bytes of a name.
pub const NAME_MAX: usize = 48;

impl Area {
    /// Whether it can be used.
    ///
    /// # Errors
    /// [`AreaError`] says what is wrong with it.
    pub fn check(&self) -> Result<(), AreaError> {
        match self.polygon.len() {
            few @ 0..3 => return Err(AreaError::Few(few)),
            many if many > CORNERS_MAX => return Err(AreaError::Many(many)),
            _ => {}
        }
        for (at, &[x, y]) in self.polygon.iter().enumerate() {
            if !(0.0..=1.0).contains(&x) || !(0.0..=1.0).contains(&y) {
                let number = at + 1;
                return Err(AreaError::Outside { number, x, y });
            }
        }
        let first = self.polygon.first().copied().unwrap_or_default();
        let flat = self.edges().all(|([ax, ay], [bx, by])| {
            let cross = (ax - first[0]) * (by - first[1]) - (bx - first[0]) * (ay - first[1]);
            cross.abs() < 1e-9
        });
        if flat {
            return Err(AreaError::Flat);
        }
        let bad = |name: &String| {
            name.is_empty() || name.len() > NAME_MAX || name.chars().any(char::is_control)
        };
        if self.name.as_ref().is_some_and(bad) {
            return Err(AreaError::Name);
        }
        Ok(())
    }

    fn edges(&self) -> impl Iterator<Item = ([f64; 2], [f64; 2])> {
        let next = self.polygon.iter().cycle().skip(1);
        self.polygon.iter().copied().zip(next.copied())
    }

    /// Whether a point lies in it, by the even-odd rule.
    #[must_use]
    pub fn contains(&self, x: f64, y: f64) -> bool {
        let crossings = self.edges().filter(|([ax, ay], [bx, by])| {
            (*ay > y) != (*by > y) && x < (bx - ax) * (y - ay) / (by - ay) + ax
        });
        crossings.count() % 2 == 1
    }

    /// For each cell of a grid, row by row, whether its middle lies in it.
    pub fn cells(&self, (width, height): (usize, usize)) -> impl Iterator<Item = bool> {
        (0..width * height).map(move |at| {
            let (x, y) = (at % width, at / width);
            self.contains(
                (x as f64 + 0.5) / width as f64,
                (y as f64 + 0.5) / height as f64,
            )
        })
    }
}

/// The cells that are looked at: those of any zone (of the whole picture, where there is none)
/// that no mask covers.
#[must_use]
pub fn looked_at(zones: &[Area], masks: &[Area], size: (usize, usize)) -> Vec<bool> {
    let mut cells = vec![zones.is_empty(); size.0 * size.1];
    for zone in zones {
        for (cell, inside) in cells.iter_mut().zip(zone.cells(size)) {
            *cell |= inside;
        }
    }
    for mask in masks {
        for (cell, inside) in cells.iter_mut().zip(mask.cells(size)) {
            *cell &= !inside;
        }
    }
    cells
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(polygon: &[[f64; 2]]) -> Area {
        Area {
            name: None,
            polygon: polygon.to_vec(),
        }
    }

    #[test]
    fn cells_of_zones_without_masks() {
        let left = area(&[[0.0, 0.0], [0.5, 0.0], [0.5, 1.0], [0.0, 1.0]]);
        let below = area(&[[0.0, 0.5], [1.0, 0.5], [1.0, 1.0], [0.0, 1.0]]);
        let drawn = |zones: &[Area], masks: &[Area]| -> String {
            let cells = looked_at(zones, masks, (4, 4));
            let rows = cells.chunks(4).map(|row| {
                let row = row.iter().map(|&c| if c { '#' } else { '.' });
                row.collect::<String>()
            });
            rows.collect::<Vec<_>>().join("|")
        };
        assert_eq!(drawn(&[], &[]), "####|####|####|####");
        assert_eq!(
            drawn(std::slice::from_ref(&left), &[]),
            "##..|##..|##..|##.."
        );
        assert_eq!(
            drawn(&[left.clone(), below.clone()], &[]),
            "##..|##..|####|####"
        );
        assert_eq!(drawn(&[left], &[below]), "##..|##..|....|....");
    }

    #[test]
    fn a_corner_that_points_inwards_is_outside() {
        // An arrow head that points up, notched from below.
        let arrow = area(&[[0.0, 1.0], [0.5, 0.0], [1.0, 1.0], [0.5, 0.5]]);
        assert!(arrow.contains(0.5, 0.3) && arrow.contains(0.15, 0.8));
        assert!(!arrow.contains(0.5, 0.8) && !arrow.contains(0.1, 0.3));
        assert_eq!(arrow.check(), Ok(()));
    }

    #[test]
    fn bad_areas_are_named() {
        let few = area(&[[0.1, 0.1], [0.2, 0.2]]).check().unwrap_err();
        assert_eq!(
            few.to_string(),
            "its polygon has 2 corners: give at least 3, each [x, y]"
        );
        let outside = area(&[[0.0, 0.0], [1.5, 0.0], [1.0, 1.0]])
            .check()
            .unwrap_err();
        assert!(
            outside
                .to_string()
                .starts_with("corner 2 of its polygon is [1.5, 0]")
        );
        assert!(
            area(&[[0.0, 0.0], [f64::NAN, 0.0], [1.0, 1.0]])
                .check()
                .is_err()
        );
        let flat = area(&[[0.0, 0.0], [0.5, 0.5], [1.0, 1.0]]).check();
        assert_eq!(flat, Err(AreaError::Flat));
        assert_eq!(area(&[[0.5, 0.5]; 65]).check(), Err(AreaError::Many(65)));
        let mut named = area(&[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]);
        named.name = Some("a\nb".into());
        assert_eq!(named.check(), Err(AreaError::Name));
    }
}
