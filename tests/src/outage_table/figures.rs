//! What was lost, doubled, out of order, late, and at which wrong time.

use std::collections::{BTreeMap, BTreeSet};

use super::lane::{Footage, Run};
use super::{FPS, Plan};
use crate::recording::Mark;

/// An outage takes pictures of before it along: what was on its way or in the camera's queue.
const BEFORE_SECONDS: f64 = 5.0;

/// What one outage cost one recorder of one camera; seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// Length of the outage.
    pub outage: f64,
    /// Footage that is missing.
    pub lost: f64,
    /// Of that, more than what no recorder could have: outage less the camera's buffer.
    pub beyond: f64,
    /// From the end of the outage to new media.
    pub resumed: Option<f64>,
}

/// All that is known of one recorder and one camera.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// Of each outage.
    pub costs: Vec<Cost>,
    /// Pictures that are there more than once.
    pub duplicates: u64,
    /// Pictures that come before one of a lower number.
    pub reorderings: u64,
    /// Pictures missing where no outage was.
    pub lost_in_between: u64,
    /// Time by the file less time by the camera and less the link's delay, in seconds, of each
    /// picture after the time of learning; empty where the files tell no time.
    pub errors: Vec<f64>,
}

/// Recorder and index of the camera.
pub type Key = (&'static str, usize);

/// Sums up all runs. The link's delay is taken off capture times: a recorder can't know it.
#[must_use]
pub fn sum_up(plan: &Plan, runs: &[Run]) -> BTreeMap<Key, Figures> {
    let mut all: BTreeMap<Key, Figures> = BTreeMap::new();
    let delay = plan.link.delay.as_secs_f64();
    for run in runs {
        for footage in &run.footage {
            let sum = all.entry((footage.recorder, footage.camera)).or_default();
            account(sum, run, footage, plan.holds_seconds(footage.camera));
            let late = footage
                .marks
                .iter()
                .filter(|mark| mark.captured >= run.learned);
            let errors = late.filter_map(|mark| Some(mark.told? - mark.captured - delay));
            sum.errors.extend(errors);
        }
    }
    all
}

fn account(sum: &mut Figures, run: &Run, footage: &Footage, holds: f64) {
    let numbers: BTreeSet<u64> = footage.marks.iter().map(|mark| mark.number).collect();
    let (Some(first), Some(last)) = (footage.marks.iter().min_by_key(number), numbers.last())
    else {
        // Nothing at all: each outage has cost all of its time, and it shows in the table.
        sum.costs.extend(run.outages.iter().map(|outage| Cost {
            outage: outage.seconds,
            lost: outage.seconds,
            beyond: outage.seconds,
            resumed: None,
        }));
        return;
    };
    sum.duplicates += (footage.marks.len() - numbers.len()) as u64;
    let steps = footage.marks.windows(2);
    sum.reorderings += steps.filter(|two| two[1].number < two[0].number).count() as u64;
    // The cameras take their pictures at even times.
    let captured = |number: u64| first.captured + (number - first.number) as f64 / FPS;
    let mut lost = vec![0_u64; run.outages.len()];
    for missing in (first.number..*last).filter(|number| !numbers.contains(number)) {
        let at = captured(missing);
        let after = run
            .outages
            .partition_point(|outage| outage.begin - BEFORE_SECONDS <= at);
        match after.checked_sub(1) {
            Some(outage) => lost[outage] += 1,
            None => sum.lost_in_between += 1,
        }
    }
    for (outage, lost) in run.outages.iter().zip(lost) {
        let lost = lost as f64 / FPS;
        let unavoidable = (outage.seconds - holds).max(0.0);
        let next = footage.arrivals.partition_point(|at| *at < outage.end);
        sum.costs.push(Cost {
            outage: outage.seconds,
            lost,
            beyond: (lost - unavoidable).max(0.0),
            resumed: footage.arrivals.get(next).map(|at| at - outage.end),
        });
    }
}

fn number(mark: &&Mark) -> u64 {
    mark.number
}

/// The value that `share` of the values do not exceed (nearest rank); nothing of nothing.
#[must_use]
pub fn percentile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.max(1) - 1).copied()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::super::lane::Happened;
    use super::*;
    use crate::bed::LinkSpec;

    fn mark(number: u64) -> Mark {
        let captured = 1000.0 + number as f64 / FPS;
        Mark {
            number,
            captured,
            told: Some(captured + 0.04),
        }
    }

    #[test]
    fn losses_belong_to_their_outage() {
        // 40 s of pictures; outages at 12 s (2 s long) and at 25 s (1 s long).
        let numbers = (0..1000).filter(|n| !(310..360).contains(n) && *n != 30 && *n != 640);
        let mut marks: Vec<Mark> = numbers.map(mark).collect();
        marks.insert(500, mark(500));
        let happened = |seconds, begin: f64| Happened {
            seconds,
            begin,
            end: begin + seconds,
        };
        let run = Run {
            outages: vec![happened(2.0, 1012.0), happened(1.0, 1025.0)],
            learned: 1039.0,
            footage: vec![Footage {
                recorder: "forebay",
                camera: 0,
                marks,
                arrivals: vec![1013.9, 1014.5, 1030.0],
            }],
        };
        let plan = Plan {
            outages: Vec::new(),
            runs: 1,
            send_buffers: [64_000; 2],
            holds: Some([512_000, 4_000_000]),
            gop: 25,
            learn: Duration::ZERO,
            rest: Duration::ZERO,
            seed: 1,
            link: LinkSpec::default(),
            ffmpeg: false,
            tolerant: true,
        };
        let figures = &sum_up(&plan, &[run])[&("forebay", 0)];
        let [first, second] = figures.costs[..] else {
            panic!("{figures:?}")
        };
        assert!((first.lost - 2.0).abs() < 1e-9 && (second.lost - 0.04).abs() < 1e-9);
        // The buffer of 512 kB holds 1.024 s.
        assert!((first.beyond - 1.024).abs() < 1e-9, "{first:?}");
        assert!((first.resumed.unwrap() - 0.5).abs() < 1e-6);
        assert!((second.resumed.unwrap() - 4.0).abs() < 1e-6);
        assert_eq!((figures.duplicates, figures.lost_in_between), (1, 1));
        assert_eq!(figures.reorderings, 1);
        assert_eq!(figures.errors.len(), 25);
        assert!(
            figures
                .errors
                .iter()
                .all(|error| (error - 0.01).abs() < 1e-6)
        );
    }

    #[test]
    fn percentiles_by_nearest_rank() {
        let values = [5.0, 1.0, 4.0, 2.0, 3.0];
        assert_eq!(percentile(&values, 0.5), Some(3.0));
        assert_eq!(percentile(&values, 0.95), Some(5.0));
        assert_eq!(percentile(&values, 0.0), Some(1.0));
        assert_eq!(percentile(&[], 0.5), None);
    }
}
