//! Connected parts of what stands out.

use crate::background::mark;

/// One connected part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blob {
    /// Cells that stand out.
    pub cells: u32,
    /// First column and row, and those behind the last.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Column behind the last.
    pub right: usize,
    /// Row behind the last.
    pub bottom: usize,
    /// Sum over the cells of how far they stand out, in deviations.
    pub strays: f32,
    /// Mean residual with its sign, in grey levels.
    pub tone: f32,
    /// Middle of its cells.
    pub x: f32,
    /// Middle of its cells.
    pub y: f32,
    /// Mean width across its longer axis, in cells.
    pub breadth: f32,
}

impl Blob {
    /// The longer side of the box around it, in cells.
    #[must_use]
    pub fn length(&self) -> usize {
        (self.right - self.left).max(self.bottom - self.top)
    }
}

/// Cells further apart than this are not of one part.
const GAP: usize = 2;
/// Parts are looked for until there are so many: in such a picture none means anything.
pub const BLOBS_MAX: usize = 400;

/// Memory for the search.
#[derive(Debug, Default)]
pub struct Blobs {
    seen: Vec<bool>,
    stack: Vec<(usize, usize)>,
}

#[derive(Debug, Default)]
struct Moments {
    count: f32,
    x: f32,
    y: f32,
    xx: f32,
    yy: f32,
    xy: f32,
    tone: f32,
    strays: f32,
}

impl Blobs {
    /// The parts of `marks` (rows of `width`) that have at least one strong cell, in the order of
    /// their first cell; at most [`BLOBS_MAX`]. `weigh` gives residual and strays of a cell.
    pub fn find(
        &mut self,
        marks: &[u8],
        width: usize,
        weigh: impl Fn(usize) -> (f32, f32),
    ) -> Vec<Blob> {
        let width = width.max(1);
        let height = marks.len() / width;
        self.seen.clear();
        self.seen.resize(marks.len(), false);
        let mut blobs = Vec::new();
        for (start, &mark) in marks.iter().enumerate() {
            if mark != mark::STRONG || self.seen.get(start).is_none_or(|&seen| seen) {
                continue;
            }
            if blobs.len() == BLOBS_MAX {
                break;
            }
            self.stack.clear();
            self.stack.push((start % width, start / width));
            if let Some(seen) = self.seen.get_mut(start) {
                *seen = true;
            }
            let (mut left, mut top, mut right, mut bottom) = (width, height, 0, 0);
            let mut sums = Moments::default();
            while let Some((x, y)) = self.stack.pop() {
                (left, right) = (left.min(x), right.max(x + 1));
                (top, bottom) = (top.min(y), bottom.max(y + 1));
                let (tone, strays) = weigh(y * width + x);
                let (fx, fy) = (x as f32, y as f32);
                sums.count += 1.0;
                sums.x += fx;
                sums.y += fy;
                sums.xx += fx * fx;
                sums.yy += fy * fy;
                sums.xy += fx * fy;
                sums.tone += tone;
                sums.strays += strays;
                for ny in y.saturating_sub(GAP)..(y + GAP + 1).min(height) {
                    for nx in x.saturating_sub(GAP)..(x + GAP + 1).min(width) {
                        let at = ny * width + nx;
                        let Some(seen) = self.seen.get_mut(at) else {
                            continue;
                        };
                        if !*seen && marks.get(at).is_some_and(|&m| m != mark::NONE) {
                            *seen = true;
                            self.stack.push((nx, ny));
                        }
                    }
                }
            }
            blobs.push(finished(&sums, (left, top, right, bottom)));
        }
        blobs
    }
}

fn finished(sums: &Moments, (left, top, right, bottom): (usize, usize, usize, usize)) -> Blob {
    let n = sums.count.max(1.0);
    let (x, y) = (sums.x / n, sums.y / n);
    let (xx, yy, xy) = (
        (sums.xx / n - x * x).max(0.0),
        (sums.yy / n - y * y).max(0.0),
        sums.xy / n - x * y,
    );
    // The larger eigenvalue of the covariance; an evenly filled bar of length L has L²/12.
    let half = (xx + yy) * 0.5;
    let root = ((xx - yy) * 0.5).hypot(xy);
    let length = ((half + root) * 12.0 + 1.0).sqrt();
    Blob {
        cells: sums.count as u32,
        left,
        top,
        right,
        bottom,
        strays: sums.strays,
        tone: sums.tone / n,
        x,
        y,
        breadth: n / length,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(rows: &[&str]) -> (Vec<u8>, usize) {
        let marks = rows.iter().flat_map(|row| {
            row.bytes().map(|b| match b {
                b'#' => mark::STRONG,
                b'+' => mark::WEAK,
                _ => mark::NONE,
            })
        });
        (marks.collect(), rows[0].len())
    }

    #[test]
    fn parts_are_found_with_their_boxes() {
        let (marks, width) = drawn(&[
            "..........", //
            ".+#+....++",
            ".+++....+.",
            "..........",
            "...+......",
            "..........",
            "..........",
            "#.......##",
        ]);
        let mut blobs = Blobs::default();
        let found = blobs.find(&marks, width, |_| (2.0, 4.0));
        let boxes: Vec<_> = found
            .iter()
            .map(|b| (b.cells, b.left, b.top, b.right, b.bottom))
            .collect();
        // The weak one alone is none; the weak cell two rows below the first part belongs to it.
        assert_eq!(boxes, [(7, 1, 1, 4, 5), (1, 0, 7, 1, 8), (2, 8, 7, 10, 8)]);
        assert_eq!((found[0].tone, found[0].strays), (2.0, 28.0));
    }

    #[test]
    fn breadth_is_that_of_a_bar_in_any_direction() {
        let mut marks = vec![mark::NONE; 60 * 60];
        for i in 0..50 {
            for across in 0..3 {
                marks[(i + 2) * 60 + i + across] = mark::STRONG;
            }
        }
        let found = Blobs::default().find(&marks, 60, |_| (1.0, 1.0));
        // 150 cells along a diagonal of 70.7: 2.1 across.
        assert!((found[0].breadth - 2.12).abs() < 0.1, "{found:?}");
        let full = vec![mark::STRONG; 10 * 30];
        let found = Blobs::default().find(&full, 10, |_| (1.0, 1.0));
        assert!((found[0].breadth - 10.0).abs() < 0.5, "{found:?}");
    }
}
