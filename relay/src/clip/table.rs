//! The sample tables of one track (ISO/IEC 14496-12 §8.6, §8.7), gathered sample by sample.

/// A run of samples with the same value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Run<T> {
    pub(crate) samples: u32,
    pub(crate) value: T,
}

fn push<T: PartialEq>(runs: &mut Vec<Run<T>>, value: T) {
    match runs.last_mut() {
        Some(last) if last.value == value && last.samples < u32::MAX => last.samples += 1,
        _ => runs.push(Run { samples: 1, value }),
    }
}

/// A sample with its place in the clip; ticks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Sample {
    pub(crate) decode: i64,
    pub(crate) shown: i64,
    pub(crate) duration: u32,
    pub(crate) size: u32,
    pub(crate) sync: bool,
}

/// The tables of a track.
#[derive(Debug, Default)]
pub(crate) struct Table {
    pub(crate) sizes: Vec<u32>,
    pub(crate) durations: Vec<Run<u32>>,
    /// Presentation time − decode time; may be negative.
    offsets: Vec<Run<i64>>,
    /// Numbers of the sync samples, from 1.
    pub(crate) syncs: Vec<u32>,
    /// Decode times of the first and of the last sample, and the latter's own duration.
    span: Option<(i64, i64, u32)>,
    /// When the first is shown, and where the last ends.
    shown: Option<(i64, i64)>,
}

impl Table {
    /// Adds a sample. A decode time that is not after the one before is raised: decoding has an order
    /// and no clock.
    pub(crate) fn push(&mut self, sample: Sample) {
        let mut decode = sample.decode;
        let first = match self.span {
            Some((first, last, _)) => {
                decode = decode.max(last.saturating_add(1));
                let step = decode.saturating_sub(last);
                push(&mut self.durations, u32::try_from(step).unwrap_or(u32::MAX));
                first
            }
            None => decode,
        };
        self.span = Some((first, decode, sample.duration.max(1)));
        push(&mut self.offsets, sample.shown.saturating_sub(decode));
        let end = sample.shown.saturating_add(sample.duration.max(1).into());
        self.shown = Some(match self.shown {
            Some((begin, last)) => (begin.min(sample.shown), last.max(end)),
            None => (sample.shown, end),
        });
        self.sizes.push(sample.size);
        if sample.sync {
            self.syncs
                .push(u32::try_from(self.sizes.len()).unwrap_or(u32::MAX));
        }
    }

    /// The last sample has its own duration: nothing follows it.
    pub(crate) fn finish(&mut self) {
        if let Some((_, _, duration)) = self.span {
            push(&mut self.durations, duration);
        }
    }

    pub(crate) fn samples(&self) -> usize {
        self.sizes.len()
    }

    pub(crate) fn is_all_sync(&self) -> bool {
        self.syncs.len() == self.sizes.len()
    }

    /// About what it takes in the file, in bytes.
    pub(crate) fn bytes(&self) -> usize {
        let runs = self.durations.len() + self.offsets.len();
        4 * self.sizes.len() + 8 * runs + 4 * self.syncs.len()
    }

    /// Composition offsets, none of them negative: a lawful form for those exists, but older players
    /// know this one alone. With how much was added, which an edit takes back.
    pub(crate) fn offsets(&self) -> (Vec<Run<u32>>, i64) {
        let least = self.offsets.iter().map(|run| run.value).min();
        let delay = least.unwrap_or(0).saturating_neg().max(0);
        let runs = self.offsets.iter().map(|run| Run {
            samples: run.samples,
            value: u32::try_from(run.value.saturating_add(delay)).unwrap_or(u32::MAX),
        });
        (runs.collect(), delay)
    }

    /// Sum of the durations; ticks.
    pub(crate) fn duration(&self) -> u64 {
        let of = |run: &Run<u32>| u64::from(run.samples) * u64::from(run.value);
        self.durations.iter().map(of).sum()
    }

    /// When the first sample is decoded, when the first is shown, and where the last ends; ticks.
    pub(crate) fn times(&self) -> (i64, i64, i64) {
        let decoded = self.span.map_or(0, |(first, ..)| first);
        let (begin, end) = self.shown.unwrap_or((decoded, decoded));
        (decoded, begin, end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(samples: &[(i64, i64)]) -> Table {
        let mut table = Table::default();
        for (decode, shown) in samples {
            table.push(Sample {
                decode: *decode,
                shown: *shown,
                duration: 10,
                size: 7,
                sync: *decode == 0,
            });
        }
        table.finish();
        table
    }

    #[test]
    fn a_gap_is_the_duration_of_the_sample_before_it() {
        let table = table(&[(0, 0), (10, 10), (20, 20), (500, 500), (510, 510)]);
        let runs: Vec<_> = table
            .durations
            .iter()
            .map(|r| (r.samples, r.value))
            .collect();
        assert_eq!(runs, [(2, 10), (1, 480), (2, 10)]);
        assert_eq!(table.duration(), 520);
        assert_eq!(table.times(), (0, 0, 520));
        assert_eq!(
            table.offsets(),
            (
                vec![Run {
                    samples: 5,
                    value: 0
                }],
                0
            )
        );
        assert_eq!(table.syncs, [1]);
    }

    #[test]
    fn offsets_are_raised_and_decode_times_rise() {
        // I P B B, decoded at the times at which pictures are shown.
        let table = table(&[(0, 0), (10, 30), (20, 10), (20, 20)]);
        let (offsets, delay) = table.offsets();
        assert_eq!(delay, 10);
        let runs: Vec<_> = offsets.iter().map(|r| (r.samples, r.value)).collect();
        assert_eq!(runs, [(1, 10), (1, 30), (1, 0), (1, 9)]);
        let runs: Vec<_> = table
            .durations
            .iter()
            .map(|r| (r.samples, r.value))
            .collect();
        assert_eq!(runs, [(2, 10), (1, 1), (1, 10)]);
    }
}
