//! Which samples of a row make one of the scaled row, and with what weights. Pure.
//!
//! Area average: a sample stands for the interval of length 1 that it covers, an output sample is
//! the mean over the interval that it covers in the input. An interval narrower than one input
//! sample is widened to 1 about its middle: the mean over it is then the linear interpolation
//! between the two nearest input samples. Beyond the edges the last sample goes on.

/// Sum of the weights of one output sample.
pub(super) const UNITY: u32 = 1 << SHIFT;
/// Bits of [`UNITY`].
pub(super) const SHIFT: u32 = 15;

/// Where input samples lie.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    /// Samples of the input in this direction; at least 1.
    pub(super) samples: usize,
    /// Input samples for a pixel of the input picture: 1 for luma, 0.5 for subsampled chroma.
    pub(super) density: f64,
    /// Where the picture's edge lies in input samples: 0 where samples are centred in the pixels
    /// that they stand for; 0.25 for chroma that stands at the left pixel of two.
    pub(super) origin: f64,
}

/// One output sample.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Tap {
    /// The first input sample.
    pub(super) start: usize,
    /// Weights of it and those that follow; the sum is [`UNITY`].
    pub(super) weights: Vec<u32>,
}

/// All output samples of one direction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Taps {
    pub(super) taps: Vec<Tap>,
    /// Each output sample is the input sample of its place.
    pub(super) identity: bool,
    /// The same taps where none has more than two samples: the usual case of chroma that is drawn
    /// out, and much faster in this form.
    pub(super) pairs: Option<Vec<Pair>>,
}

/// A sample between two of the input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Pair {
    pub(super) first: u32,
    /// Beside the first, or the first itself at an edge.
    pub(super) second: u32,
    pub(super) weights: [u32; 2],
}

impl Pair {
    fn new(tap: &Tap) -> Option<Self> {
        let first = u32::try_from(tap.start).ok()?;
        let (second, weights) = match tap.weights.as_slice() {
            [one] => (first, [*one, 0]),
            [one, two] => (first + 1, [*one, *two]),
            _ => return None,
        };
        Some(Self {
            first,
            second,
            weights,
        })
    }
}

impl Taps {
    /// `pixels_in`, `pixels_out`: length of the picture before and after; `step`: pixels of the
    /// output that an output sample covers (2 for subsampled chroma; the last one what is left).
    pub(super) fn new(axis: Axis, (pixels_in, pixels_out): (usize, usize), step: usize) -> Self {
        let (pixels_in, pixels_out) = (pixels_in.max(1), pixels_out.max(1));
        let ratio = pixels_in as f64 / pixels_out as f64 * axis.density;
        let samples_out = pixels_out.div_ceil(step.max(1));
        let taps: Vec<Tap> = (0..samples_out)
            .map(|index| {
                let first = index * step;
                let begin = first as f64 * ratio + axis.origin;
                let end = (first + step).min(pixels_out) as f64 * ratio + axis.origin;
                tap(axis.samples.max(1), begin, end)
            })
            .collect();
        let identity = taps.len() == axis.samples
            && taps
                .iter()
                .enumerate()
                .all(|(index, tap)| tap.start == index && tap.weights == [UNITY]);
        let pairs = taps.iter().map(Pair::new).collect();
        Self {
            taps,
            identity,
            pairs,
        }
    }
}

/// The mean over an interval of the input.
fn tap(samples: usize, begin: f64, end: f64) -> Tap {
    let (begin, end) = if end - begin < 1.0 {
        let middle = f64::midpoint(begin, end);
        (middle - 0.5, middle + 0.5)
    } else {
        (begin, end)
    };
    let last = (samples - 1) as f64;
    // The sample that holds a place, with the edge's for places beyond it.
    let start = begin.floor().clamp(0.0, last) as usize;
    let stop = (end - 1e-9).floor().clamp(start as f64, last) as usize;
    // Rounded sums, not weights: they add up to exactly 1, and a flat picture stays as it is.
    let share = |upto: f64| {
        let part = ((upto - begin) / (end - begin)).clamp(0.0, 1.0);
        (part * f64::from(UNITY)).round() as u32
    };
    let mut before = 0;
    let weights: Vec<u32> = (start..=stop)
        .map(|sample| {
            let upto = if sample == stop {
                UNITY
            } else {
                share((sample + 1) as f64)
            };
            let weight = upto - before;
            before = upto;
            weight
        })
        .collect();
    trimmed(start, weights)
}

/// Without samples of no weight at the ends.
fn trimmed(start: usize, mut weights: Vec<u32>) -> Tap {
    while weights.len() > 1 && weights.last() == Some(&0) {
        weights.pop();
    }
    let idle = weights.iter().take_while(|weight| **weight == 0).count();
    let idle = idle.min(weights.len().saturating_sub(1));
    weights.drain(..idle);
    Tap {
        start: start + idle,
        weights,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const LUMA: f64 = 1.0;

    fn luma(samples: usize) -> Axis {
        Axis {
            samples,
            density: LUMA,
            origin: 0.0,
        }
    }

    fn weights(taps: &Taps, index: usize) -> (usize, Vec<f64>) {
        let tap = &taps.taps[index];
        let share = |weight: &u32| f64::from(*weight) / f64::from(UNITY);
        (tap.start, tap.weights.iter().map(share).collect())
    }

    #[test]
    fn an_integer_ratio_is_a_plain_mean() {
        let taps = Taps::new(luma(1920), (1920, 480), 1);
        assert_eq!(weights(&taps, 3), (12, vec![0.25; 4]));
    }

    #[test]
    fn three_to_two_by_hand() {
        // The first output covers all of sample 0 and half of sample 1: 2/3 and 1/3.
        let taps = Taps::new(luma(3), (3, 2), 1);
        let (start, shares) = weights(&taps, 0);
        assert_eq!(start, 0);
        assert!((shares[0] - 2.0 / 3.0).abs() < 1e-4 && shares.len() == 2);
    }

    #[test]
    fn left_chroma_is_centred_by_three_quarters_and_one() {
        // Samples stand at pixel centres 0, 2, 4 …; wanted between pixels 0 and 1, 2 and 3 …, a
        // quarter of the distance to the next.
        let axis = Axis {
            samples: 8,
            density: 0.5,
            origin: 0.25,
        };
        let taps = Taps::new(axis, (16, 16), 2);
        assert_eq!(weights(&taps, 2), (2, vec![0.75, 0.25]));
        assert_eq!(weights(&taps, 7), (7, vec![1.0]));
    }

    #[test]
    fn centred_chroma_is_drawn_out_by_three_quarters_and_one() {
        // JPEG's usual "triangle" upsampling: 3/4 of the nearer, 1/4 of the farther sample.
        let axis = Axis {
            samples: 8,
            density: 0.5,
            origin: 0.0,
        };
        let taps = Taps::new(axis, (16, 16), 1);
        assert_eq!(weights(&taps, 4), (1, vec![0.25, 0.75]));
        assert_eq!(weights(&taps, 5), (2, vec![0.75, 0.25]));
        assert_eq!(weights(&taps, 0), (0, vec![1.0]));
    }

    proptest! {
        /// Whatever the sizes: as many outputs as asked for, weights that add up to 1, no sample
        /// beyond the input, and the middle of weights where the output lies.
        #[test]
        fn weights_are_means(
            pixels_in in 1_usize..4000, smaller in 0.01_f64..1.0, half in any::<bool>(),
            left in any::<bool>(), step in 1_usize..3,
        ) {
            let pixels_out = ((pixels_in as f64 * smaller) as usize).max(1);
            let axis = Axis {
                samples: if half { pixels_in.div_ceil(2) } else { pixels_in },
                density: if half { 0.5 } else { 1.0 },
                origin: if half && left { 0.25 } else { 0.0 },
            };
            let taps = Taps::new(axis, (pixels_in, pixels_out), step);
            prop_assert_eq!(taps.taps.len(), pixels_out.div_ceil(step));
            let ratio = pixels_in as f64 / pixels_out as f64 * axis.density;
            for (index, tap) in taps.taps.iter().enumerate() {
                prop_assert_eq!(tap.weights.iter().sum::<u32>(), UNITY);
                prop_assert!(tap.start + tap.weights.len() <= axis.samples);
                let middle: f64 = tap.weights.iter().enumerate()
                    .map(|(at, w)| (tap.start + at) as f64 * f64::from(*w) + 0.5 * f64::from(*w))
                    .sum::<f64>() / f64::from(UNITY);
                let first = index * step;
                let wanted = f64::midpoint(first as f64, (first + step).min(pixels_out) as f64)
                    * ratio + axis.origin;
                // The middle of a mean over whole samples is off by no more than half a sample;
                // edges go on beyond.
                prop_assert!((middle - wanted).abs() <= 0.76, "{} {}", middle, wanted);
            }
        }
    }
}
