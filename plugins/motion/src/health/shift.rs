//! By how much one picture is moved against another.
//!
//! First whole pixels of reduced pictures, by phase correlation (Kuglin, Hines: "The Phase
//! Correlation Image Alignment Method", Proc. Int. Conf. Cybernetics and Society, 1975) of their
//! gradients as complex numbers, which light and noise disturb less than levels (Fitch, Kadyrov,
//! Christmas, Kittler: "Orientation Correlation", BMVC 2002). Then parts of a pixel of the full
//! pictures, by least squares on their difference (Lucas, Kanade: "An Iterative Image Registration
//! Technique", IJCAI 1981) with the gradients of the reference, which are computed once (Baker,
//! Matthews: "Lucas-Kanade 20 Years On", IJCV 56 (3), 2004).

use super::edges::kept;
use super::fft::{Complex, Transform};
use super::refine::{Sampler, refined};
use crate::field::{Field, greater};
use crate::frame::Frame;

/// The grid of the transform.
const GRID: (usize, usize) = (256, 128);
/// The least squares look at about so many pixels of a row, and at as many rows in proportion.
const COLUMNS: usize = 213;
/// A picture and its reference are alike where their gradients correlate as much as this.
const ALIKE_MIN: f32 = 0.25;
/// A peak must make the pictures so much more alike than no shift does.
const BETTER_MIN: f32 = 0.1;

/// Tiles that the view is divided into, across and down.
const TILES: (usize, usize) = (8, 5);
/// A tile with less than this share of the mean one's gradients says nothing.
const PLAIN_SHARE: f64 = 0.1;
/// A tile has nothing left of the view where its gradients correlate less than this.
const TILE_LOST: f64 = 0.25;

/// How a picture compares with the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// How it is moved; `None`: it has too little in common with the reference.
    pub shift: Option<Shift>,
    /// Share of the parts with structure that show nothing of the reference.
    pub lost: f32,
    /// Energy of its gradients over that of the reference's.
    pub structure: f32,
    /// By how much the edges of the lost parts go together better in their place than beside it,
    /// whichever side of them is the brighter; 0 where nothing is lost.
    pub kept: f32,
}

/// How a picture is moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Pixels to the right that the picture's content has moved by.
    pub right: f32,
    /// Pixels down.
    pub down: f32,
    /// Correlation of the gradients once moved back, −1 to 1.
    pub alike: f32,
}

/// A view that others are compared with.
#[derive(Debug)]
pub struct Reference {
    full: Field,
    factor: usize,
    transform: Transform,
    reduced: Field,
    /// Gradients of the reduced reference, and the conjugate of their transform.
    gradients: Vec<Complex>,
    spectrum: Vec<Complex>,
    stale: bool,
}

impl Reference {
    /// Begins with a picture.
    #[must_use]
    pub fn new(frame: &Frame<'_>) -> Self {
        let across = frame.width().div_ceil(GRID.0);
        let factor = across.max(frame.height().div_ceil(GRID.1));
        Self {
            full: Field::reduced(frame, 1),
            factor,
            transform: Transform::new((frame.width() / factor, frame.height() / factor)),
            reduced: Field::new((1, 1), 0.0),
            gradients: Vec::new(),
            spectrum: Vec::new(),
            stale: true,
        }
    }

    /// The learned picture.
    #[must_use]
    pub fn picture(&self) -> &Field {
        &self.full
    }

    /// Learns a share of a picture, moved back by its shift, so that a view which creeps away
    /// isn't followed.
    pub fn learn(&mut self, frame: &Frame<'_>, shift: &Shift, share: f32) {
        let height = frame.height();
        let width = frame.width();
        let sampler = Sampler::new(shift.right, shift.down);
        for (y, row) in self.full.rows_mut().enumerate() {
            let Some((upper, lower)) = sampler.rows(frame, y, height) else {
                continue;
            };
            for (x, cell) in row.iter_mut().enumerate() {
                if let Some(value) = sampler.at(upper, lower, x, width) {
                    *cell += share * (value - *cell);
                }
            }
        }
        self.stale = true;
    }

    fn refresh(&mut self) {
        if !self.stale {
            return;
        }
        self.stale = false;
        self.reduced = shrunk(&self.full, self.factor);
        self.gradients = gradients(&self.reduced, self.transform.size());
        self.spectrum.clone_from(&self.gradients);
        self.transform.forward(&mut self.spectrum);
        for value in &mut self.spectrum {
            *value = value.conjugate();
        }
    }

    /// How a picture of the same size compares with the reference.
    pub fn compare(&mut self, frame: &Frame<'_>) -> Comparison {
        self.refresh();
        let reduced = Field::reduced(frame, self.factor);
        let grid = self.transform.size();
        let now = gradients(&reduced, grid);
        let still = correlation(&self.gradients, &now, grid.0, (0, 0));
        let mut best = (still, (0, 0));
        // The transform is worth its time only where the view isn't plainly where it was.
        if still < 0.9 {
            let peak = self.peak(&now);
            let alike = correlation(&self.gradients, &now, grid.0, peak);
            if alike > still + BETTER_MIN {
                best = (alike, peak);
            }
        }
        let (alike, (right, down)) = best;
        let energy = |gradients: &[Complex]| {
            let squares = gradients
                .iter()
                .map(|g| f64::from(g.re * g.re + g.im * g.im));
            squares.sum::<f64>().max(1e-6)
        };
        let structure = (energy(&now) / energy(&self.gradients)) as f32;
        let used = (frame.width() / self.factor, frame.height() / self.factor);
        let tiles = Tiles::new(&self.gradients, &now, grid.0, used, (right, down));
        let lost = tiles.lost();
        if alike < ALIKE_MIN {
            let counts = |x: usize, y: usize| x < used.0 && y < used.1 && tiles.is_lost(x, y);
            return Comparison {
                shift: None,
                lost,
                structure,
                kept: kept(&self.gradients, &now, grid.0, counts),
            };
        }
        // Whole cells are too coarse a guess for edges that are a pixel wide: first the parts of a
        // cell.
        let guess = (right as f32, down as f32);
        let (right, down) = refined(&self.reduced, &reduced, guess, 1);
        let scale = self.factor as f32;
        let guess = (right * scale, down * scale);
        let step = (frame.width() / COLUMNS).max(1);
        let (right, down) = refined(&self.full, frame, guess, step);
        Comparison {
            shift: Some(Shift { right, down, alike }),
            lost,
            structure,
            kept: 0.0,
        }
    }

    /// The peak of the phase correlation, in cells of the reduced picture.
    fn peak(&mut self, now: &[Complex]) -> (isize, isize) {
        let mut product = now.to_vec();
        self.transform.forward(&mut product);
        for (value, reference) in product.iter_mut().zip(&self.spectrum) {
            let cross = value.times(*reference);
            let size = greater(cross.size(), 1e-6);
            *value = Complex {
                re: cross.re / size,
                im: cross.im / size,
            };
        }
        self.transform.backward(&mut product);
        let (width, height) = self.transform.size();
        let highest = product
            .iter()
            .enumerate()
            .max_by(|(_, a), (_, b)| a.re.total_cmp(&b.re))
            .map_or(0, |(at, _)| at);
        let signed = |at: usize, length: usize| {
            let (at, length) = (at as isize, length as isize);
            if at > length / 2 { at - length } else { at }
        };
        (
            signed(highest % width, width),
            signed(highest / width, height),
        )
    }
}

fn shrunk(full: &Field, factor: usize) -> Field {
    let mut small = Field::new((full.width() / factor, full.height() / factor), 0.0);
    let scale = 1.0 / (factor * factor) as f32;
    let mut rows = full.rows();
    for target in small.rows_mut() {
        for source in rows.by_ref().take(factor) {
            for (cell, group) in target.iter_mut().zip(source.chunks_exact(factor)) {
                *cell += group.iter().sum::<f32>() * scale;
            }
        }
    }
    small
}

/// Gradients in the middle of a grid of zeros, fading out towards the edges (Hann), where what
/// moves in or out of the picture has no partner.
fn gradients(small: &Field, (width, height): (usize, usize)) -> Vec<Complex> {
    let mut grid = vec![Complex::default(); width * height];
    let fade = |at: usize, length: usize| {
        let turn = std::f32::consts::TAU * (at as f32 + 0.5) / length as f32;
        // Half of Hann's window: the middle counts fully.
        (1.0 - turn.cos()).min(1.0)
    };
    let across: Vec<f32> = (0..small.width()).map(|x| fade(x, small.width())).collect();
    for (y, target) in grid.chunks_exact_mut(width).enumerate().skip(1) {
        if y + 1 >= small.height() {
            break;
        }
        let down = fade(y, small.height());
        let (above, here, below) = (small.row(y - 1), small.row(y), small.row(y + 1));
        let columns = here.windows(3).zip(above.iter().zip(below).skip(1));
        let cells = target.iter_mut().zip(&across).skip(1);
        for ((value, across), (three, (above, below))) in cells.zip(columns) {
            if let [left, _, right] = three {
                let weight = across * down;
                *value = Complex {
                    re: (right - left) * weight,
                    im: (below - above) * weight,
                };
            }
        }
    }
    grid
}

/// Of the gradients of a reference and a picture that is moved by whole cells.
fn correlation(
    reference: &[Complex],
    now: &[Complex],
    width: usize,
    (right, down): (isize, isize),
) -> f32 {
    let (mut both, mut first, mut second) = (0.0f64, 0.0f64, 0.0f64);
    let height = reference.len() / width;
    for y in 0..height {
        let Some(moved) = y.checked_add_signed(down).filter(|&moved| moved < height) else {
            continue;
        };
        let line = |grid: &[Complex], y: usize| y * width..((y + 1) * width).min(grid.len());
        let (Some(a), Some(b)) = (reference.get(line(reference, y)), now.get(line(now, moved)))
        else {
            continue;
        };
        let (skip_a, skip_b) = ((-right).max(0) as usize, right.max(0) as usize);
        for (a, b) in a.iter().skip(skip_a).zip(b.iter().skip(skip_b)) {
            both += f64::from(a.re * b.re + a.im * b.im);
            first += f64::from(a.re * a.re + a.im * a.im);
            second += f64::from(b.re * b.re + b.im * b.im);
        }
    }
    (both / (first * second).sqrt().max(1e-9)) as f32
}

/// The gradients of a reference and of a picture that is moved back, tile by tile: of both, of the
/// reference, of the picture. What has moved out of the picture doesn't count.
struct Tiles {
    sums: [[[f64; 3]; TILES.0]; TILES.1],
    /// Cells of the grid that belong to the picture.
    used: (usize, usize),
    /// Of the reference, in a tile on the average.
    mean: f64,
}

impl Tiles {
    fn new(
        reference: &[Complex],
        now: &[Complex],
        width: usize,
        used: (usize, usize),
        (right, down): (isize, isize),
    ) -> Self {
        let mut sums = [[[0.0f64; 3]; TILES.0]; TILES.1];
        let rows = reference.chunks_exact(width).take(used.1);
        for (y, a) in rows.enumerate() {
            let moved = y.checked_add_signed(down).filter(|&moved| moved < used.1);
            let Some(b) = moved.and_then(|moved| now.get(moved * width..(moved + 1) * width))
            else {
                continue;
            };
            let Some(line) = sums.get_mut(y * TILES.1 / used.1) else {
                continue;
            };
            for (x, a) in a.iter().take(used.0).enumerate() {
                let moved = x.checked_add_signed(right).filter(|&moved| moved < used.0);
                let Some(b) = moved.and_then(|moved| b.get(moved)) else {
                    continue;
                };
                if let Some([both, first, second]) = line.get_mut(x * TILES.0 / used.0) {
                    *both += f64::from(a.re * b.re + a.im * b.im);
                    *first += f64::from(a.re * a.re + a.im * a.im);
                    *second += f64::from(b.re * b.re + b.im * b.im);
                }
            }
        }
        let all = sums.iter().flatten().map(|tile| tile[1]).sum::<f64>();
        Self {
            sums,
            used,
            mean: all / (TILES.0 * TILES.1) as f64,
        }
    }

    /// It has enough structure to say something.
    fn tells(&self, [_, first, _]: &[f64; 3]) -> bool {
        *first > PLAIN_SHARE * self.mean
    }

    /// Share of the tiles with structure in which nothing of the reference is left.
    fn lost(&self) -> f32 {
        let telling = || self.sums.iter().flatten().filter(|sums| self.tells(sums));
        let gone = telling().filter(|sums| is_gone(sums));
        gone.count() as f32 / telling().count().max(1) as f32
    }

    /// Whether a cell lies in a tile with structure in which nothing of the reference is left.
    fn is_lost(&self, x: usize, y: usize) -> bool {
        let line = self.sums.get(y * TILES.1 / self.used.1.max(1));
        let tile = line.and_then(|line| line.get(x * TILES.0 / self.used.0.max(1)));
        tile.is_some_and(|sums| self.tells(sums) && is_gone(sums))
    }
}

fn is_gone([both, first, second]: &[f64; 3]) -> bool {
    // Of a tile that has gone plain, what is left is noise.
    let faint = *second < 0.04 * first;
    faint || *both < TILE_LOST * (first * second).sqrt()
}
