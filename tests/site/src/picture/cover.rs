//! How much of each pixel a polygon covers.
//!
//! Each edge leaves, in the pixels that it passes, the signed area to its right; the running sum
//! along a row is then the coverage. Exact for straight edges and linear in the edges' length.

use super::Point;

/// Scratch memory, kept between polygons.
#[derive(Debug, Clone, Default)]
pub(super) struct Coverage {
    cells: Vec<f32>,
}

/// The part of the picture that a polygon touches, on even pixels so that chroma fits.
#[derive(Debug, Clone, Copy)]
pub(super) struct Area {
    pub(super) left: usize,
    pub(super) top: usize,
    pub(super) columns: usize,
    rows: usize,
}

impl Coverage {
    /// Traces closed outlines; `None` when they touch no pixel of a `width × height` picture.
    pub(super) fn trace(
        &mut self,
        outlines: &[&[Point]],
        width: usize,
        height: usize,
    ) -> Option<Area> {
        let points = || outlines.iter().flat_map(|outline| outline.iter());
        if points().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return None;
        }
        let span = |low: f32, high: f32, size: usize| {
            let low = low.floor().clamp(0.0, size as f32) as usize & !1;
            let high = (high.ceil().clamp(0.0, size as f32) as usize).next_multiple_of(2);
            (low < high).then_some((low, high.min(size) - low))
        };
        let bounds = |get: fn(&Point) -> f32| {
            points()
                .map(get)
                .fold((f32::MAX, f32::MIN), |(a, b), c| (a.min(c), b.max(c)))
        };
        let ((x0, x1), (y0, y1)) = (bounds(|p| p.0), bounds(|p| p.1));
        let (left, columns) = span(x0, x1, width)?;
        let (top, rows) = span(y0, y1, height)?;
        let area = Area {
            left,
            top,
            columns,
            rows,
        };
        self.cells.clear();
        self.cells.resize(columns * rows, 0.0);
        for outline in outlines {
            let mut from = *outline.last()?;
            for to in *outline {
                self.edge(area, from, *to);
                from = *to;
            }
        }
        for row in self.cells.chunks_exact_mut(columns) {
            let mut sum = 0.0_f32;
            for cell in row {
                sum += *cell;
                *cell = sum.abs().min(1.0);
            }
        }
        Some(area)
    }

    /// Rows of the traced area, two at a time: the upper one, then the lower one.
    pub(super) fn row_pairs(&self, area: Area) -> impl Iterator<Item = &[f32]> {
        self.cells.chunks_exact(2 * area.columns)
    }

    fn edge(&mut self, area: Area, from: Point, to: Point) {
        let (sense, upper, lower) = if from.1 < to.1 {
            (1.0, from, to)
        } else {
            (-1.0, to, from)
        };
        let (top, left) = (area.top as f32, area.left as f32);
        let (y0, y1) = (upper.1 - top, lower.1 - top);
        let slope = (lower.0 - upper.0) / (lower.1 - upper.1);
        let first = y0.max(0.0);
        let last = y1.min(area.rows as f32);
        if first >= last {
            return;
        }
        let right = area.columns as f32;
        let x_at = |y: f32| (upper.0 - left + (y - y0) * slope).clamp(0.0, right);
        let skip = first as usize;
        let rows = self
            .cells
            .chunks_exact_mut(area.columns)
            .enumerate()
            .skip(skip);
        for (row, cells) in rows.take(last.ceil() as usize - skip) {
            let (ya, yb) = (first.max(row as f32), last.min(row as f32 + 1.0));
            let (xa, xb) = (x_at(ya), x_at(yb));
            spread(cells, xa.min(xb), xa.max(xb), sense * (yb - ya));
        }
    }
}

/// Distributes `height`, the part of a row that an edge from `x0` to `x1` crosses.
fn spread(cells: &mut [f32], x0: f32, x1: f32, height: f32) {
    let mut put = |column: usize, value: f32| {
        if let Some(cell) = cells.get_mut(column) {
            *cell += value;
        }
    };
    let (first, last) = (x0 as usize, x1 as usize);
    for column in first..=last {
        let edge = column as f32;
        let (a, b) = (x0.max(edge), x1.min(edge + 1.0));
        let part = if first == last {
            height
        } else {
            height * (b - a) / (x1 - x0)
        };
        let beyond = part * ((a + b) * 0.5 - edge);
        put(column, part - beyond);
        put(column + 1, beyond);
    }
}
