//! A look at each candidate: what is measured of it before any is chosen (pure but for its file).

use serde::{Deserialize, Serialize};

use crate::frame::{Frame, Plane};

/// Columns and rows of cells that a picture is looked at in.
pub const COLUMNS: usize = 16;
/// Rows.
pub const ROWS: usize = 9;
/// Cells of a picture.
pub const CELLS: usize = COLUMNS * ROWS;
/// Steps of an edge strength that is `e` times another's.
pub(crate) const EDGE_STEPS: f64 = 32.0;

/// What was measured of a candidate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Look {
    /// Pixels.
    pub width: u32,
    /// Pixels.
    pub height: u32,
    /// Mean luma, 0 to 255.
    pub mean: f32,
    /// Standard deviation of the cells' luma.
    pub spread: f32,
    /// Share of pixels that are black (below 8).
    pub dark: f32,
    /// Share of pixels that are white (above 248).
    pub bright: f32,
    /// How much of the edges is in the finest detail: the mean Laplacian by the mean gradient.
    pub fine: f32,
    /// Mean luma of each cell.
    #[serde(with = "hexadecimal")]
    pub cells: Vec<u8>,
    /// Mean strength of the edges in each cell, as a logarithm: 32 more are e times as strong.
    #[serde(with = "hexadecimal")]
    pub edges: Vec<u8>,
}

impl Look {
    /// Looks at a frame.
    #[must_use]
    pub fn at(frame: &Frame) -> Self {
        let luma = frame.luma();
        // Noise of single pixels is no detail of the scene: pairs are averaged first, more of them in
        // larger pictures.
        let by = (luma.width / 960).max(1);
        let small = luma.shrunk(by);
        let mut histogram = [0u32; 256];
        for sample in &small.samples {
            if let Some(count) = histogram.get_mut(usize::from(*sample)) {
                *count += 1;
            }
        }
        let pixels = small.samples.len().max(1) as f32;
        let share = |range: std::ops::Range<usize>| {
            let counts = histogram.get(range).unwrap_or_default();
            counts.iter().sum::<u32>() as f32 / pixels
        };
        let (mut cells, mut edges) = (vec![0f64; CELLS], vec![0f64; CELLS]);
        let mut counts = vec![0u32; CELLS];
        let (mut gradient, mut laplacian) = (0f64, 0f64);
        for y in 1..small.height.saturating_sub(1) {
            let row = y * ROWS / small.height.max(1);
            let line = Line::of(&small, y);
            for (column, sums) in line.into_iter().enumerate() {
                let index = row * COLUMNS + column;
                let slots = cells
                    .get_mut(index)
                    .zip(edges.get_mut(index))
                    .zip(counts.get_mut(index));
                if let Some(((cell, edge), count)) = slots {
                    *cell += f64::from(sums.luma);
                    *edge += f64::from(sums.gradient);
                    *count += sums.count;
                }
                gradient += f64::from(sums.gradient);
                laplacian += f64::from(sums.laplacian);
            }
        }
        let mean_of = |sum: &f64, count: &u32| sum / f64::from((*count).max(1));
        let luma: Vec<f64> = cells
            .iter()
            .zip(&counts)
            .map(|(s, c)| mean_of(s, c))
            .collect();
        let mean = luma.iter().sum::<f64>() / CELLS as f64;
        let variance = luma.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / CELLS as f64;
        let edges = edges.iter().zip(&counts).map(|(sum, count)| {
            let strength = mean_of(sum, count);
            (EDGE_STEPS * (1.0 + 4.0 * strength).ln()).min(255.0) as u8
        });
        Self {
            width: frame.size().0 as u32,
            height: frame.size().1 as u32,
            mean: small.mean() as f32,
            spread: variance.sqrt() as f32,
            dark: share(0..8),
            bright: share(249..256),
            fine: (laplacian / gradient.max(1.0)) as f32,
            edges: edges.collect(),
            cells: luma.iter().map(|l| l.clamp(0.0, 255.0) as u8).collect(),
        }
    }
}

/// Sums over the part of a row that is in one cell.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    luma: u32,
    gradient: u32,
    laplacian: u32,
    count: u32,
}

impl Line {
    fn of(plane: &Plane, y: usize) -> [Self; COLUMNS] {
        let (above, row, below) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
        fn part(row: &[u8], from: usize, to: usize) -> &[u8] {
            row.get(from..to).unwrap_or_default()
        }
        let mut lines = [Self::default(); COLUMNS];
        let inner = plane.width.saturating_sub(2);
        for (column, line) in lines.iter_mut().enumerate() {
            let from = column * inner / COLUMNS;
            let to = (column + 1) * inner / COLUMNS;
            let part = |row, shift| part(row, from + shift, to + shift);
            let (left, middle, right) = (part(row, 0), part(row, 1), part(row, 2));
            let (up, down) = (part(above, 1), part(below, 1));
            for ((((l, m), r), u), d) in left.iter().zip(middle).zip(right).zip(up).zip(down) {
                let [l, m, r, u, d] = [*l, *m, *r, *u, *d].map(i32::from);
                line.luma += m as u32;
                line.gradient += (r - l).unsigned_abs() + (d - u).unsigned_abs();
                line.laplacian += (4 * m - l - r - u - d).unsigned_abs();
            }
            line.count = (to - from) as u32;
        }
        lines
    }
}

/// Bytes as text of two digits each.
mod hexadecimal {
    use serde::{Deserialize as _, Deserializer, Serializer, de::Error as _};

    pub(crate) fn serialize<S: Serializer>(bytes: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
        let digit = |value: u8| char::from_digit(value.into(), 16).unwrap_or('0');
        let text: String = bytes
            .iter()
            .flat_map(|b| [digit(b >> 4), digit(b & 15)])
            .collect();
        serializer.serialize_str(&text)
    }

    pub(crate) fn deserialize<'a, D: Deserializer<'a>>(
        deserializer: D,
    ) -> Result<Vec<u8>, D::Error> {
        let text = String::deserialize(deserializer)?;
        let (pairs, rest) = text.as_bytes().as_chunks::<2>();
        let digit = |c: &u8| char::from(*c).to_digit(16).map(|d| d as u8);
        let bytes = pairs
            .iter()
            .map(|[high, low]| Some(digit(high)? << 4 | digit(low)?));
        let bytes: Option<Vec<u8>> = bytes.collect();
        let whole = bytes.filter(|bytes| rest.is_empty() && bytes.len() == super::CELLS);
        whole.ok_or_else(|| D::Error::custom("not the bytes of all cells"))
    }
}
