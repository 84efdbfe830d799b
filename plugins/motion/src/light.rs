//! What the light has done since the background was learned, taken out again.
//!
//! Shade, a cloud, dusk and exposure control multiply what a surface sends (and a raised black
//! level adds to it), smoothly over the picture; an object replaces it. So each neighbourhood of
//! the picture is fitted as `gain` × background + `offset`, and what remains is what has changed.
//! This is the local linear model of the guided filter (He, Sun, Tang: "Guided Image Filtering",
//! ECCV 2010) with the background as the guide. Where the background is flat, gain and offset
//! can't be told apart; there it leans to a pure gain, the ratio test for shadows in grey pictures
//! (Jacques, Jung, Musse: "Background Subtraction and Shadow Detection in Grayscale Video
//! Sequences", SIBGRAPI 2005).

use crate::field::{Field, greater};

/// Side of a block in cells.
const BLOCK: usize = 8;
/// Variance of the background (grey levels squared) below which the fit leans to a pure gain.
const FLAT_VARIANCE: f32 = 9.0;
/// Less light than this share of what was learned is no shade.
const GAIN_MIN: f32 = 0.15;
/// As the headlight of a car against the night.
const GAIN_MAX: f32 = 12.0;
/// This share of what the light has changed is put down to the fit being coarse.
const COARSE_SHARE: f32 = 0.08;
/// A neighbourhood of which less than this share fits is fitted as a whole.
const INLIERS_MIN: f32 = 0.3;
/// The highest grey level.
const WHITE: f32 = 255.0;

/// Sums over the cells of a block.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    count: f32,
    m: f32,
    x: f32,
    mm: f32,
    mx: f32,
}

impl Sums {
    fn add(&mut self, other: &Self, weight: f32) {
        self.count += weight * other.count;
        self.m += weight * other.m;
        self.x += weight * other.x;
        self.mm += weight * other.mm;
        self.mx += weight * other.mx;
    }

    /// Gain and offset of the least squares, leaning to a pure gain.
    fn fit(&self) -> (f32, f32) {
        let count = self.count.max(1.0);
        let (m, x) = (self.m / count, self.x / count);
        let variance = (self.mm / count - m * m).max(0.0);
        let covariance = self.mx / count - m * x;
        let pure = (x + 1.0) / (m + 1.0);
        let gain = (covariance + FLAT_VARIANCE * pure) / (variance + FLAT_VARIANCE);
        let gain = gain.clamp(GAIN_MIN, GAIN_MAX);
        (gain, x - gain * m)
    }
}

/// The fit, and memory for it.
#[derive(Debug)]
pub struct Light {
    columns: usize,
    all: Vec<Sums>,
    inliers: Vec<Sums>,
    /// Gain and offset, block by block down, cell by cell across.
    gains: Vec<f32>,
    offsets: Vec<f32>,
    width: usize,
    /// For each column, its place among the blocks.
    places: Vec<(usize, f32)>,
}

impl Light {
    /// For pictures of this size in cells.
    #[must_use]
    pub fn new((width, height): (usize, usize)) -> Self {
        let (columns, rows) = (width.div_ceil(BLOCK), height.div_ceil(BLOCK));
        Self {
            columns,
            all: vec![Sums::default(); columns * rows],
            inliers: vec![Sums::default(); columns * rows],
            gains: vec![1.0; width * rows],
            offsets: vec![0.0; width * rows],
            width,
            places: (0..width).map(|x| position(x, columns)).collect(),
        }
    }

    /// Writes to `residual` what `picture` differs from `background` once the light is taken out.
    /// `allowed` gets what of that may come of the fit being coarse. `reach` is, for each cell, the residual beyond which it does not count in the second fit.
    pub fn residual(
        &mut self,
        picture: &Field,
        background: &Field,
        reach: &Field,
        residual: &mut Field,
        allowed: &mut Field,
    ) {
        gather(picture, background, None, self.columns, &mut self.all);
        self.fit(false);
        self.subtract(picture, background, residual, allowed);
        let spread = self.spread_of(residual);
        let outside = Some((&*residual, reach, spread.as_slice()));
        gather(
            picture,
            background,
            outside,
            self.columns,
            &mut self.inliers,
        );
        self.fit(true);
        self.subtract(picture, background, residual, allowed);
    }

    /// Fits each neighbourhood of 3 × 3 blocks, and spreads the fits over the cells of a row.
    fn fit(&mut self, trimmed: bool) {
        let columns = self.columns;
        let rows = self.all.len() / columns;
        let mut fits = Vec::with_capacity(columns);
        for row in 0..rows {
            fits.clear();
            for column in 0..columns {
                let all = neighbourhood(&self.all, columns, row, column);
                let mut sums = all;
                if trimmed {
                    let inliers = neighbourhood(&self.inliers, columns, row, column);
                    if inliers.count > INLIERS_MIN * all.count {
                        sums = inliers;
                    }
                }
                fits.push(sums.fit());
            }
            let span = row * self.width..(row + 1) * self.width;
            if let (Some(gains), Some(offsets)) =
                (self.gains.get_mut(span.clone()), self.offsets.get_mut(span))
            {
                spread(&fits, &self.places, gains, offsets);
            }
        }
    }

    /// For each block, the root mean square of the residual about it. An object pulls the first
    /// fit its way, but what lies beyond this is still rather the object than what is behind it.
    fn spread_of(&self, residual: &Field) -> Vec<f32> {
        let columns = self.columns;
        let mut squares = vec![Sums::default(); self.all.len()];
        for (row, blocks) in squares.chunks_exact_mut(columns).enumerate() {
            let top = row * BLOCK;
            for y in top..(top + BLOCK).min(residual.height()) {
                for (sums, cells) in blocks.iter_mut().zip(residual.row(y).chunks(BLOCK)) {
                    sums.count += cells.len() as f32;
                    sums.x += cells.iter().map(|r| r * r).sum::<f32>();
                }
            }
        }
        let spread = |at: usize| {
            let sums = neighbourhood(&squares, columns, at / columns, at % columns);
            (sums.x / sums.count.max(1.0)).sqrt()
        };
        (0..squares.len()).map(spread).collect()
    }

    fn subtract(
        &self,
        picture: &Field,
        background: &Field,
        residual: &mut Field,
        allowed: &mut Field,
    ) {
        let blocks = self.gains.len() / self.width;
        let line = |values: &'_ [f32], block: usize| -> std::ops::Range<usize> {
            let begin = block.min(blocks - 1) * self.width;
            begin..(begin + self.width).min(values.len())
        };
        let rows = residual
            .rows_mut()
            .zip(allowed.rows_mut())
            .zip(picture.rows())
            .zip(background.rows());
        for (y, (((target, allowed), x), m)) in rows.enumerate() {
            let (upper, share) = position(y, blocks);
            let gains = (
                self.gains.get(line(&self.gains, upper)),
                self.gains.get(line(&self.gains, upper + 1)),
            );
            let offsets = (
                self.offsets.get(line(&self.offsets, upper)),
                self.offsets.get(line(&self.offsets, upper + 1)),
            );
            let ((Some(g0), Some(g1)), (Some(o0), Some(o1))) = (gains, offsets) else {
                continue;
            };
            let cells = target.iter_mut().zip(allowed).zip(x).zip(m);
            let fits = g0.iter().zip(g1).zip(o0.iter().zip(o1));
            for ((((target, allowed), &x), &m), ((g0, g1), (o0, o1))) in cells.zip(fits) {
                let gain = g0 + (g1 - g0) * share;
                let offset = o0 + (o1 - o0) * share;
                let lit = (gain * m + offset).clamp(0.0, WHITE);
                // In light of so many times the learned one, noise and texture are that much
                // stronger: all is brought back to the learned light.
                let scale = 1.0 / greater(gain, 1.0);
                *target = (x - lit) * scale;
                *allowed = COARSE_SHARE * (lit - m).abs() * scale;
            }
        }
    }
}

/// The block before a cell's middle (of so many in a row), and how far the cell is on the way from
/// there to the next one. At the edges the way leads on beyond the last one: light that changes
/// over the picture does not stop there.
fn position(cell: usize, blocks: usize) -> (usize, f32) {
    let last = blocks.saturating_sub(1);
    if last == 0 {
        return (0, 0.0);
    }
    // A neighbourhood is cut off at the edge: its middle lies a third of a block further in.
    let middle = |block: usize| match block {
        0 => 1.0 / 3.0,
        block if block == last => block as f32 - 1.0 / 3.0,
        block => block as f32,
    };
    let at = (cell as f32 + 0.5) / BLOCK as f32 - 0.5;
    let before = (at.max(0.0) as usize).min(last - 1);
    let (from, to) = (middle(before), middle(before + 1));
    (before, (at - from) / (to - from))
}

fn spread(fits: &[(f32, f32)], places: &[(usize, f32)], gains: &mut [f32], offsets: &mut [f32]) {
    let last = fits.len().saturating_sub(1);
    for ((gain, offset), &(left, share)) in gains.iter_mut().zip(offsets).zip(places) {
        let (g0, o0) = fits.get(left).copied().unwrap_or((1.0, 0.0));
        let (g1, o1) = fits.get((left + 1).min(last)).copied().unwrap_or((g0, o0));
        *gain = g0 + (g1 - g0) * share;
        *offset = o0 + (o1 - o0) * share;
    }
}

/// Binomial weights: the middle counts most.
fn neighbourhood(blocks: &[Sums], columns: usize, row: usize, column: usize) -> Sums {
    let mut sums = Sums::default();
    for (y, down) in
        (row.saturating_sub(1)..=row + 1).map(|y| (y, if y == row { 2.0 } else { 1.0 }))
    {
        let begin = y * columns;
        let Some(line) = blocks.get(begin..begin + columns) else {
            continue;
        };
        for x in column.saturating_sub(1)..=column + 1 {
            if let Some(block) = line.get(x) {
                sums.add(block, down * if x == column { 2.0 } else { 1.0 });
            }
        }
    }
    sums
}

/// Sums of a block, column by column: eight at a time are one vector operation.
#[derive(Clone, Copy, Default)]
struct Columns {
    count: [f32; BLOCK],
    m: [f32; BLOCK],
    x: [f32; BLOCK],
    mm: [f32; BLOCK],
    mx: [f32; BLOCK],
}

impl Columns {
    fn add(&mut self, x: &[f32; BLOCK], m: &[f32; BLOCK], weights: &[f32; BLOCK]) {
        let sums = self.count.iter_mut().zip(&mut self.m).zip(&mut self.x);
        let sums = sums.zip(self.mm.iter_mut().zip(&mut self.mx));
        let cells = x.iter().zip(m).zip(weights);
        for ((((count, sum_m), sum_x), (mm, mx)), ((x, m), weight)) in sums.zip(cells) {
            let weighted = weight * m;
            *count += weight;
            *sum_m += weighted;
            *sum_x += weight * x;
            *mm += weighted * m;
            *mx += weighted * x;
        }
    }

    fn sums(&self) -> Sums {
        let sum = |lanes: &[f32; BLOCK]| lanes.iter().sum::<f32>();
        Sums {
            count: sum(&self.count),
            m: sum(&self.m),
            x: sum(&self.x),
            mm: sum(&self.mm),
            mx: sum(&self.mx),
        }
    }
}

/// The first eight of a row that may be shorter, filled up with 0.
fn padded(cells: &[f32]) -> [f32; BLOCK] {
    let mut eight = [0.0; BLOCK];
    for (to, from) in eight.iter_mut().zip(cells) {
        *to = *from;
    }
    eight
}

fn gather(
    picture: &Field,
    background: &Field,
    outside: Option<(&Field, &Field, &[f32])>,
    columns: usize,
    blocks: &mut [Sums],
) {
    let mut line = vec![Columns::default(); columns];
    for (row, blocks) in blocks.chunks_exact_mut(columns).enumerate() {
        line.fill(Columns::default());
        let top = row * BLOCK;
        for y in top..(top + BLOCK).min(picture.height()) {
            let (x, m) = (picture.row(y), background.row(y));
            let (x_eights, x_rest) = x.as_chunks::<BLOCK>();
            let (m_eights, m_rest) = m.as_chunks::<BLOCK>();
            let mut sums = line.iter_mut();
            let cells = x_eights.iter().zip(m_eights);
            if let Some((residual, reach, spread)) = outside {
                let mut spread = spread.iter().skip(row * columns);
                let (r_eights, r_rest) = residual.row(y).as_chunks::<BLOCK>();
                let (reach_eights, reach_rest) = reach.row(y).as_chunks::<BLOCK>();
                let marks = r_eights.iter().zip(reach_eights);
                let marks = marks.zip(spread.by_ref());
                for (((x, m), ((r, reach), spread)), sums) in cells.zip(marks).zip(sums.by_ref()) {
                    sums.add(x, m, &weights(x, r, reach, *spread));
                }
                if let (Some(sums), false) = (sums.next(), x_rest.is_empty()) {
                    let x = padded(x_rest);
                    let mut weights = weights(
                        &x,
                        &padded(r_rest),
                        &padded(reach_rest),
                        spread.next().copied().unwrap_or_default(),
                    );
                    for beyond in weights.iter_mut().skip(x_rest.len()) {
                        *beyond = 0.0;
                    }
                    sums.add(&x, &padded(m_rest), &weights);
                }
            } else {
                for ((x, m), sums) in cells.zip(sums.by_ref()) {
                    sums.add(x, m, &[1.0; BLOCK]);
                }
                if let Some(sums) = sums.next() {
                    let mut weights = [0.0; BLOCK];
                    for within in weights.iter_mut().take(x_rest.len()) {
                        *within = 1.0;
                    }
                    sums.add(&padded(x_rest), &padded(m_rest), &weights);
                }
            }
        }
        for (sums, columns) in blocks.iter_mut().zip(&line) {
            *sums = columns.sums();
        }
    }
}

/// 1 for the cells that count, 0 for the others.
fn weights(
    x: &[f32; BLOCK],
    residual: &[f32; BLOCK],
    reach: &[f32; BLOCK],
    spread: f32,
) -> [f32; BLOCK] {
    let mut weights = [0.0; BLOCK];
    let marks = residual.iter().zip(reach).zip(x);
    for (weight, ((r, reach), x)) in weights.iter_mut().zip(marks) {
        *weight = f32::from(u8::from(
            (r.abs() <= greater(*reach, spread)) & (*x < WHITE),
        ));
    }
    weights
}

#[cfg(test)]
mod tests {
    use super::*;

    fn textured(size: (usize, usize)) -> Field {
        let mut field = Field::new(size, 0.0);
        for (y, row) in field.rows_mut().enumerate() {
            for (x, cell) in row.iter_mut().enumerate() {
                let wave = (x as f32 * 0.7).sin() * 20.0 + (y as f32 * 0.45).cos() * 15.0;
                *cell = 100.0 + wave + ((x * 7 + y * 13) % 11) as f32;
            }
        }
        field
    }

    fn worst(field: &Field) -> f32 {
        field
            .values()
            .iter()
            .fold(0.0, |worst, v| worst.max(v.abs()))
    }

    #[test]
    fn gain_and_offset_and_a_soft_shadow_leave_nothing() {
        let size = (160, 90);
        let background = textured(size);
        let reach = Field::new(size, 4.0);
        let mut light = Light::new(size);
        let mut residual = Field::new(size, 0.0);
        let mut allowed = residual.clone();
        let mut picture = background.clone();
        for cell in picture.values_mut() {
            *cell = *cell * 0.6 + 12.0;
        }
        light.residual(&picture, &background, &reach, &mut residual, &mut allowed);
        assert!(worst(&residual) < 1.0, "{}", worst(&residual));
        // A shadow that takes 40 in 100, its edge 40 cells wide.
        let mut picture = background.clone();
        for row in picture.rows_mut() {
            for (x, cell) in row.iter_mut().enumerate() {
                let way = ((x as f32 - 60.0) / 40.0).clamp(0.0, 1.0);
                *cell *= 1.0 - 0.4 * way * way * (3.0 - 2.0 * way);
            }
        }
        light.residual(&picture, &background, &reach, &mut residual, &mut allowed);
        assert!(worst(&residual) < 3.5, "{}", worst(&residual));
    }

    #[test]
    fn an_object_remains_whatever_the_light() {
        let size = (160, 90);
        let background = textured(size);
        let reach = Field::new(size, 4.0);
        let mut light = Light::new(size);
        let mut residual = Field::new(size, 0.0);
        let mut allowed = residual.clone();
        let mut picture = background.clone();
        for cell in picture.values_mut() {
            *cell *= 0.7;
        }
        for row in picture.rows_mut().skip(30).take(16) {
            for cell in row.iter_mut().skip(70).take(7) {
                *cell = 30.0;
            }
        }
        light.residual(&picture, &background, &reach, &mut residual, &mut allowed);
        for (y, row) in residual.rows().enumerate() {
            for (x, &cell) in row.iter().enumerate() {
                let inside = (30..46).contains(&y) && (70..77).contains(&x);
                if inside {
                    assert!(cell < -12.0, "{x} {y}: {cell}");
                } else {
                    assert!(cell.abs() < 6.0, "{x} {y}: {cell}");
                }
            }
        }
    }
}
