//! Pictures that repeat: the camera sends, but what it sends has stopped.
//!
//! A sensor is never still: two of its pictures differ in noise, if in nothing else. A camera whose
//! encoder gets the same picture again and again sends copies: without a change between key frames,
//! and with the changes of coding at each of them. Those are told from noise by comparing key frame
//! with key frame: both are coded alike. A still view of which an encoder skips whatever has hardly
//! changed repeats, too, until the next key frame; so without that comparison little is believed.

use crate::frame::Frame;
use crate::lasting::PAUSE_NANOS;

/// Side of a block in pixels.
const BLOCK: usize = 16;
/// A pixel has changed where it differs by as much as this; below is rounding.
const CHANGED: u8 = 2;
/// Share of changed pixels up to which two pictures are one.
const SAME_SHARE: f32 = 0.0002;
/// Two codings of one picture: root mean square of the difference, and share of changed pixels.
const RECODED_RMS: f32 = 0.35;
/// See above.
const RECODED_SHARE: f32 = 0.02;
/// What coding anew may change between a key frame and its neighbour, root mean square.
const PULSE_RMS: f32 = 2.0;
/// A camera that was never seen to change, or of which no two key frames of the run could be
/// compared, is not held to be frozen before this.
const UNSURE_NANOS: i64 = 60_000_000_000;
/// Pictures in a row before anything is said.
const PICTURES_MIN: u32 = 4;

/// How two pictures differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Share of changed pixels.
    pub changed: f32,
    /// Root mean square over all pixels.
    pub rms: f32,
    /// Variance of the noise: half the median over the blocks of the mean square.
    pub noise: f32,
}

#[derive(Debug)]
struct Copy {
    size: (usize, usize),
    bytes: Vec<u8>,
}

impl Copy {
    fn of(frame: &Frame<'_>) -> Self {
        let mut copy = Self {
            size: (0, 0),
            bytes: Vec::new(),
        };
        copy.take(frame);
        copy
    }

    fn take(&mut self, frame: &Frame<'_>) {
        self.size = frame.size();
        self.bytes.clear();
        for row in frame.rows() {
            self.bytes.extend_from_slice(row);
        }
    }
}

/// What is remembered of the pictures.
#[derive(Debug, Default)]
pub struct Still {
    last: Option<Copy>,
    last_was_key: bool,
    /// The last key frame of the run of pictures that repeat.
    key: Option<Copy>,
    run_begin_nanos: i64,
    run_pictures: u32,
    /// Two key frames of the run were compared, and they are one.
    proven: bool,
    frozen: bool,
    has_changed: bool,
    last_nanos: i64,
    /// When the last key frame was.
    key_nanos: Option<i64>,
    /// The longest distance of two key frames.
    key_apart_nanos: i64,
    /// For each block, whether it is looked at.
    looked_at: Vec<bool>,
    squares: Vec<f32>,
}

/// What a picture says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stillness {
    /// For how long the same picture has come; nanoseconds.
    pub for_nanos: i64,
    /// It is long enough to be no chance.
    pub frozen: bool,
    /// Against the picture before; `None` for the first one.
    pub difference: Option<Difference>,
}

impl Still {
    /// The next picture. `masked` tells of a point, in shares of the sides, whether it is not looked
    /// at: a clock that is written into the picture goes on.
    pub fn look(
        &mut self,
        frame: &Frame<'_>,
        frozen_nanos: i64,
        masked: impl Fn(f64, f64) -> bool,
    ) -> Stillness {
        let now = frame.captured_nanos;
        let paused = now.saturating_sub(self.last_nanos) > PAUSE_NANOS;
        self.last_nanos = now;
        if frame.key {
            let before = self.key_nanos.replace(now).filter(|_| !paused);
            let apart = before.map_or(0, |before| now.saturating_sub(before));
            self.key_apart_nanos = self.key_apart_nanos.max(apart);
        }
        let known = self.last.take().filter(|last| last.size == frame.size());
        let Some(mut last) = known else {
            self.looked_at = blocks(frame.size()).map(|(x, y)| !masked(x, y)).collect();
            self.last = Some(Copy::of(frame));
            self.last_was_key = frame.key;
            self.begin_run(frame);
            return Stillness {
                for_nanos: 0,
                frozen: false,
                difference: None,
            };
        };
        let difference = self.difference(&last, frame);
        let repeats = self.repeats(frame, &difference);
        if repeats && paused && !self.frozen {
            // Nobody knows what was meanwhile.
            self.begin_run(frame);
        } else if repeats {
            self.run_pictures = self.run_pictures.saturating_add(1);
            if frame.key {
                self.keep_key(frame);
            }
        } else {
            self.has_changed = true;
            self.begin_run(frame);
        }
        last.take(frame);
        self.last = Some(last);
        self.last_was_key = frame.key;
        let for_nanos = now.saturating_sub(self.run_begin_nanos).max(0);
        let mut wait = frozen_nanos;
        if !self.proven || !self.has_changed {
            wait = wait.max(UNSURE_NANOS);
        }
        if !self.proven {
            // A still view may repeat from behind one key frame to the second one after it.
            wait = wait.max(self.key_apart_nanos.saturating_mul(2));
        }
        self.frozen = for_nanos >= wait && self.run_pictures >= PICTURES_MIN;
        Stillness {
            for_nanos,
            frozen: self.frozen,
            difference: Some(difference),
        }
    }

    fn begin_run(&mut self, frame: &Frame<'_>) {
        self.run_begin_nanos = frame.captured_nanos;
        self.run_pictures = 1;
        self.proven = false;
        self.key = None;
        if frame.key {
            self.keep_key(frame);
        }
    }

    fn keep_key(&mut self, frame: &Frame<'_>) {
        match &mut self.key {
            Some(key) => key.take(frame),
            None => self.key = Some(Copy::of(frame)),
        }
    }

    fn repeats(&mut self, frame: &Frame<'_>, difference: &Difference) -> bool {
        let same = difference.changed <= SAME_SHARE;
        let pulse = (frame.key || self.last_was_key) && difference.rms <= PULSE_RMS;
        if !same && !pulse {
            return false;
        }
        if !frame.key {
            // A copy, or the first one behind a key frame, which itself was judged.
            return true;
        }
        let Some(key) = self.key.take() else {
            return true;
        };
        let against = if self.last_was_key {
            *difference
        } else {
            self.difference(&key, frame)
        };
        self.key = Some(key);
        let alike = against.rms <= RECODED_RMS && against.changed <= RECODED_SHARE;
        self.proven |= alike;
        alike
    }

    fn difference(&mut self, before: &Copy, frame: &Frame<'_>) -> Difference {
        let width = frame.width();
        let columns = width.div_ceil(BLOCK);
        let (mut changed, mut squares_all, mut pixels) = (0u32, 0.0f64, 0u32);
        self.squares.clear();
        let mut line: Vec<(u32, u32)> = vec![(0, 0); columns];
        let mut old_rows = before.bytes.chunks_exact(width);
        let mut rows = frame.rows();
        let mut masks = self.looked_at.chunks_exact(columns);
        for _ in 0..frame.height().div_ceil(BLOCK) {
            line.fill((0, 0));
            let mut height = 0;
            for (row, old) in rows.by_ref().zip(old_rows.by_ref()).take(BLOCK) {
                height += 1;
                let (chunks, rest) = row.as_chunks::<BLOCK>();
                let (old_chunks, old_rest) = old.as_chunks::<BLOCK>();
                let mut blocks = line.iter_mut();
                for ((a, b), sums) in chunks.iter().zip(old_chunks).zip(blocks.by_ref()) {
                    add(a, b, sums);
                }
                if let Some(sums) = blocks.next() {
                    add(rest, old_rest, sums);
                }
            }
            let Some(mask) = masks.next() else { break };
            for (at, (&(count, squares), &looked_at)) in line.iter().zip(mask).enumerate() {
                if !looked_at {
                    continue;
                }
                let area = height * (width - at * BLOCK).min(BLOCK) as u32;
                pixels += area;
                changed += count;
                squares_all += f64::from(squares);
                self.squares.push(squares as f32 / area.max(1) as f32);
            }
        }
        let pixels = pixels.max(1);
        Difference {
            changed: changed as f32 / pixels as f32,
            rms: (squares_all / f64::from(pixels)).sqrt() as f32,
            noise: 0.5 * crate::field::quantile(&mut self.squares, 0.5),
        }
    }
}

fn add(a: &[u8], b: &[u8], (changed, squares): &mut (u32, u32)) {
    let (mut count, mut sum) = (0u32, 0u32);
    for (&a, &b) in a.iter().zip(b) {
        let difference = a.abs_diff(b);
        count += u32::from(difference >= CHANGED);
        sum += u32::from(u16::from(difference) * u16::from(difference));
    }
    *changed += count;
    *squares += sum;
}

/// The middles of the blocks, in shares of the sides.
fn blocks((width, height): (usize, usize)) -> impl Iterator<Item = (f64, f64)> {
    let (columns, rows) = (width.div_ceil(BLOCK), height.div_ceil(BLOCK));
    let middle = |at: usize, side: usize| {
        let begin = at * BLOCK;
        let end = (begin + BLOCK).min(side);
        (begin + end) as f64 * 0.5 / side as f64
    };
    (0..columns * rows).map(move |at| {
        let (x, y) = (at % columns, at / columns);
        (middle(x, width), middle(y, height))
    })
}
