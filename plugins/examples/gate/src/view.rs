//! The zone as a few numbers, and how like two of them are.

use std::fmt;

use forebay_plugin_sdk::Raster;

/// Cells across.
const COLUMNS: usize = 12;
/// Cells down.
const ROWS: usize = 8;
/// Cells of a view.
const CELLS: usize = COLUMNS * ROWS;
/// Hexadecimal digits of a view.
const DIGITS: usize = CELLS * 2;
/// Standard deviation of the cells, in levels of 255, below which a view shows next to nothing:
/// what is left is noise, and noise is like anything.
pub(crate) const CONTRAST_MIN: f64 = 2.0;

/// Why a text is no view.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub(crate) enum ViewError {
    #[error("has {0} characters; a view has {DIGITS}, each of 0-9 and a-f")]
    Length(usize),
    #[error("has a character that is none of 0-9 and a-f")]
    Digit,
    #[error(
        "shows next to nothing: its contrast is {0:.1} of 255, at least {CONTRAST_MIN} is needed"
    )]
    Flat(f64),
}

/// Mean luma, 0 to 255, of each cell of the zone, row by row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct View(Vec<f64>);

impl View {
    /// What a zone shows; nothing where it has no pixels.
    pub(crate) fn of(zone: Raster<'_>) -> Option<Self> {
        let cells = zone.grid(COLUMNS, ROWS);
        (cells.len() == CELLS).then_some(Self(cells))
    }

    /// Reads what `Display` wrote.
    pub(crate) fn parse(text: &str) -> Result<Self, ViewError> {
        let digits: Vec<char> = text.trim().chars().collect();
        if digits.len() != DIGITS {
            return Err(ViewError::Length(digits.len()));
        }
        let cell = |pair: &[char]| {
            let mut each = pair.iter().map(|digit| digit.to_digit(16));
            each.try_fold(0, |cell, digit| Some(cell * 16 + digit?))
        };
        let cells: Option<Vec<f64>> = digits
            .chunks(2)
            .map(|pair| cell(pair).map(f64::from))
            .collect();
        cells.map(Self).ok_or(ViewError::Digit)
    }

    /// Standard deviation of the cells.
    pub(crate) fn contrast(&self) -> f64 {
        length(&centred(&self.0)) / (CELLS as f64).sqrt()
    }

    /// The view without its light: shifted to a mean of 0 and scaled to a length of 1, so that
    /// neither a cloud nor the camera's exposure changes it, as they add to all cells or multiply
    /// all of them.
    pub(crate) fn shape(&self) -> Result<Shape, ViewError> {
        let contrast = self.contrast();
        if contrast < CONTRAST_MIN {
            return Err(ViewError::Flat(contrast));
        }
        Ok(Shape(unit(&self.0)))
    }
}

impl fmt::Display for View {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut cells = self.0.iter();
        // A cast cuts off at 0 and 255.
        cells.try_for_each(|cell| write!(f, "{:02x}", cell.round() as u8))
    }
}

/// What a view shows, without its light.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Shape(Vec<f64>);

impl Shape {
    /// Normalised cross-correlation (Pearson's coefficient): 1 is the same but for the light, 0
    /// has nothing in common, -1 is the negative.
    pub(crate) fn likeness(&self, other: &Self) -> f64 {
        dot(&self.0, &other.0)
    }

    /// How far this is on the way from one shape to another: 0 is there, 1 is here, by the place
    /// on the line between them that is nearest.
    pub(crate) fn between(&self, from: &Self, to: &Self) -> f64 {
        let line: Vec<f64> = to.0.iter().zip(&from.0).map(|(b, a)| b - a).collect();
        let this: Vec<f64> = self.0.iter().zip(&from.0).map(|(x, a)| x - a).collect();
        (dot(&this, &line) / dot(&line, &line)).clamp(0.0, 1.0)
    }
}

fn centred(values: &[f64]) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|value| value - mean).collect()
}

fn unit(values: &[f64]) -> Vec<f64> {
    let centred = centred(values);
    let length = length(&centred);
    centred.iter().map(|value| value / length).collect()
}

fn length(values: &[f64]) -> f64 {
    dot(values, values).sqrt()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn likeness_is_pearsons_coefficient() {
        // F. J. Anscombe, "Graphs in Statistical Analysis", The American Statistician 27 (1973),
        // data set I; the coefficient that is published for it is 0.816.
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [
            8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68,
        ];
        let likeness = Shape(unit(&x)).likeness(&Shape(unit(&y)));
        assert!((likeness - 0.816).abs() < 0.0005, "{likeness}");
    }

    #[test]
    fn views_are_read_as_they_are_written() {
        let bytes: Vec<u8> = (0..CELLS as u8).map(|cell| cell * 2).collect();
        let raster = Raster::new(&bytes, COLUMNS, ROWS, COLUMNS, 1).unwrap();
        let view = View::of(raster).unwrap();
        let text = view.to_string();
        assert!(
            text.starts_with("00020406") && text.len() == DIGITS,
            "{text}"
        );
        assert_eq!(View::parse(&text), Ok(view));
        assert_eq!(View::parse(&text[1..]), Err(ViewError::Length(DIGITS - 1)));
        assert_eq!(
            View::parse(&text.replace("02", "0g")),
            Err(ViewError::Digit)
        );
        let signed = text.replace("02", "+2");
        assert_eq!(View::parse(&signed), Err(ViewError::Digit));
        let flat = View::parse(&"7f".repeat(CELLS)).unwrap();
        assert_eq!(flat.shape(), Err(ViewError::Flat(0.0)));
    }

    #[test]
    fn half_the_way_is_a_half() {
        let shape = |values: [f64; 4]| Shape(values.to_vec());
        let (from, to) = (shape([1.0, 0.0, 0.0, 0.0]), shape([0.0, 1.0, 0.0, 0.0]));
        for (x, expected) in [
            ([1.0, 0.0, 0.0, 0.0], 0.0),
            ([0.5, 0.5, 0.7, 0.0], 0.5),
            ([0.0, 1.0, 0.0, 0.0], 1.0),
            ([0.0, 5.0, 0.0, 0.0], 1.0),
        ] {
            assert_eq!(shape(x).between(&from, &to), expected, "{x:?}");
        }
    }
}
