//! What the outages cost, and what they had to.
//!
//! A camera that drops whole groups of pictures when its buffer is full, behind a link that is down
//! from `b` to `e`, can save its buffer's length `h` and goes on with its first key frame after
//! `e`, taken at `k`. So nothing is unavoidably lost where e − b ≤ h, and k − b − h elsewhere: the
//! outage and the wait for the next key frame, less the camera's buffer. What is lost more than
//! that is the relay's, or TCP's, which sends again only some time after the link is back.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::play::{Happened, Memory, Outcome};
use super::{BUFFERS, CAMERAS, FPS, Plan, holds};
use crate::outage_table::figures::percentile;
use crate::recording::Mark;

/// A dropout of the line begins after so long a silence (`dropout_seconds` of the configuration).
/// What the relay hears of an outage is shorter by what was on its way, and longer until TCP sends
/// again.
const DROPOUT: (f64, f64) = (0.4, 1.2);
/// Pictures that were on their way when the link went down belong to the outage.
const BEFORE: f64 = 0.5;

/// What must hold.
#[derive(Debug, Clone, Copy)]
pub struct Bars {
    /// Seconds lost beyond the unavoidable by one outage on one camera, 95 % of them.
    pub beyond_p95: f64,
    /// Sum over all outages, as a share of what is wanted. The costs of single ones have no bar: a
    /// kick that fails costs what the camera's socket held, and outages close to each other can't be
    /// told apart.
    pub beyond_share: f64,
    /// By how much the highest memory of the last third may be above that of the second; bytes.
    pub growth: u64,
    /// By how much a camera's recorded seconds by the ledger may differ from those of its
    /// pictures, for each gap: a picture at each edge.
    pub ledger_per_gap: f64,
}

impl Default for Bars {
    fn default() -> Self {
        Self {
            beyond_p95: 2.0,
            beyond_share: 0.1,
            growth: 6 << 20,
            ledger_per_gap: 2.0 / f64::from(FPS),
        }
    }
}

/// What one outage cost one camera; seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cost {
    /// Length of the outage.
    pub outage: f64,
    /// Pictures that are not in the files.
    pub lost: f64,
    /// What of them had to be lost.
    pub unavoidable: f64,
}

/// The figures of one camera; seconds.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// From its first picture to its last.
    pub wanted: f64,
    /// What of it is in the files.
    pub recorded: f64,
    /// The same by the ledger, which counts from the relay's start.
    pub ledger: (f64, f64),
    /// Gaps that the ledger tells.
    pub gaps: usize,
    /// Of those, the ones between the first and the last picture that are not the uplink's.
    pub misnamed: usize,
    /// Of each outage.
    pub costs: Vec<Cost>,
    /// Pictures missing where no outage was.
    pub lost_in_between: f64,
    /// Pictures that are there more than once.
    pub duplicates: usize,
}

/// Of each camera.
#[must_use]
pub fn sum_up(outcome: &Outcome) -> Vec<Figures> {
    (0..CAMERAS.len())
        .map(|camera| of_camera(outcome, camera))
        .collect()
}

fn of_camera(outcome: &Outcome, camera: usize) -> Figures {
    let footage = &outcome.footage[camera];
    let pictures: BTreeMap<u64, f64> = footage
        .iter()
        .map(|m: &Mark| (m.number, m.captured))
        .collect();
    let (Some((first, begin)), Some((last, _))) =
        (pictures.first_key_value(), pictures.last_key_value())
    else {
        return Figures::default();
    };
    let frame = 1.0 / f64::from(FPS);
    // The cameras take their pictures at even times.
    let captured = |number: u64| begin + (number - first) as f64 * frame;
    let mut lost = vec![0_u64; outcome.outages.len()];
    let mut in_between = 0;
    for number in (*first..*last).filter(|number| !pictures.contains_key(number)) {
        let at = captured(number);
        let after = outcome
            .outages
            .partition_point(|outage| outage.begin - BEFORE <= at);
        match after.checked_sub(1) {
            Some(outage) => lost[outage] += 1,
            None => in_between += 1,
        }
    }
    let gop = u64::from(FPS);
    let next_key = |after: f64| {
        let number = first + ((after - begin) / frame).max(0.0).ceil() as u64;
        captured(number.next_multiple_of(gop))
    };
    let cost = |(outage, lost): (&Happened, u64)| Cost {
        outage: outage.end - outage.begin,
        lost: lost as f64 * frame,
        unavoidable: match outage.end - outage.begin <= holds(camera) {
            true => 0.0,
            false => next_key(outage.end) - outage.begin - holds(camera),
        },
    };
    let account = outcome
        .accounts
        .iter()
        .find(|told| told.camera == CAMERAS[camera]);
    let inside = |begin_of: f64| begin_of > *begin && begin_of < captured(*last);
    let gaps = account.map_or(&[][..], |account| &account.gaps);
    let misnamed = |gap: &&crate::truth::ledger::Gap| {
        inside(gap.begin) && gap.cause != crate::truth::Cause::Uplink
    };
    Figures {
        wanted: (last + 1 - first) as f64 * frame,
        recorded: pictures.len() as f64 * frame,
        ledger: account.map_or((0.0, 0.0), |account| (account.wanted, account.recorded)),
        gaps: gaps.len(),
        misnamed: gaps.iter().filter(misnamed).count(),
        costs: outcome.outages.iter().zip(lost).map(cost).collect(),
        lost_in_between: in_between as f64 * frame,
        duplicates: footage.len() - pictures.len(),
    }
}

impl Figures {
    fn beyond(&self) -> Vec<f64> {
        let each = self.costs.iter();
        each.map(|cost| (cost.lost - cost.unavoidable).max(0.0))
            .collect()
    }
}

fn dropouts(outcome: &Outcome) -> (usize, usize) {
    let longer = |least: f64| {
        let outages = outcome.outages.iter();
        outages
            .filter(|outage| outage.end - outage.begin >= least)
            .count()
    };
    (longer(DROPOUT.1), longer(DROPOUT.0))
}

/// The highest memory of each third of the time.
fn thirds(memory: &[Memory], value: fn(&Memory) -> u64) -> [u64; 3] {
    let third = memory.len().div_ceil(3).max(1);
    let mut parts = memory
        .chunks(third)
        .map(|part| part.iter().map(value).max().unwrap_or(0));
    [(); 3].map(|()| parts.next().unwrap_or(0))
}

/// For people.
#[must_use]
pub fn table(plan: &Plan, outcome: &Outcome, all: &[Figures]) -> String {
    let down: f64 = outcome
        .outages
        .iter()
        .map(|outage| outage.end - outage.begin)
        .sum();
    let (least, most) = dropouts(outcome);
    let mut text = format!(
        "seed {}: {} outages, {down:.1} s in all, in {:.0} s; shortened {} times\n\
         dropouts of the site: {} found, {least} outages of {} s and more, {most} of {} s and more\n\n\
         {:<10} {:>7} {:>8} {:>9} {:>9} {:>5} {:>9} {:>9} {:>8} {:>12} {:>20}\n",
        plan.seed,
        outcome.outages.len(),
        plan.length.as_secs_f64(),
        plan.shorten,
        outcome.dropouts,
        DROPOUT.1,
        DROPOUT.0,
        "camera",
        "buffer",
        "wanted",
        "recorded",
        "ledger's",
        "gaps",
        "coverage",
        "lost",
        "of that",
        "unavoidable",
        "beyond p50/p95/max",
    );
    for (camera, figures) in all.iter().enumerate() {
        let lost: f64 = figures.costs.iter().map(|cost| cost.lost).sum();
        let unavoidable: f64 = figures.costs.iter().map(|cost| cost.unavoidable).sum();
        let beyond = figures.beyond();
        let shares = [0.5, 0.95, 1.0].map(|share| {
            percentile(&beyond, share).map_or("-".to_owned(), |value| format!("{value:.2}"))
        });
        // Writing to a string can't fail.
        writeln!(
            text,
            "{:<10} {:>4} kB {:>8.2} {:>9.2} {:>9.2} {:>5} {:>8.3}% {:>9.2} {:>8.2} {:>12.2} {:>20}",
            CAMERAS[camera],
            BUFFERS[camera],
            figures.wanted,
            figures.recorded,
            figures.ledger.1,
            figures.gaps,
            100.0 * figures.recorded / figures.wanted,
            lost,
            beyond.iter().sum::<f64>(),
            unavoidable,
            shares.join(" / "),
        )
        .ok();
    }
    let megabytes = |bytes: [u64; 3]| {
        bytes
            .map(|bytes| format!("{:.1}", bytes as f64 / 1e6))
            .join(" / ")
    };
    writeln!(
        text,
        "\nseconds; \"of that\": beyond the unavoidable. Relay's memory, highest of each third of the \
         time: RSS {} MB, PSS {} MB",
        megabytes(thirds(&outcome.memory, |memory| memory.rss)),
        megabytes(thirds(&outcome.memory, |memory| memory.pss)),
    )
    .ok();
    text
}

/// What does not hold, a line each.
#[must_use]
pub fn failures(outcome: &Outcome, all: &[Figures], bars: &Bars) -> Vec<String> {
    let mut failures = Vec::new();
    let mut demand = |what: String, value: f64, most: f64| {
        if value.is_nan() || value > most {
            failures.push(format!("{what} is {value:.3}, allowed is {most:.3}"));
        }
    };
    for (name, figures) in CAMERAS.into_iter().zip(all) {
        let beyond = figures.beyond();
        let share = |share| percentile(&beyond, share).unwrap_or(f64::INFINITY);
        demand(
            format!("{name}: p95 of what is lost beyond the unavoidable"),
            share(0.95),
            bars.beyond_p95,
        );
        demand(
            format!("{name}: share of the wanted that is lost beyond the unavoidable"),
            beyond.iter().sum::<f64>() / figures.wanted,
            bars.beyond_share,
        );
        demand(
            format!("{name}: lost without an outage"),
            figures.lost_in_between,
            0.0,
        );
        demand(
            format!("{name}: pictures doubled"),
            figures.duplicates as f64,
            0.0,
        );
        demand(
            format!("{name}: gaps that are not put down to the uplink"),
            figures.misnamed as f64,
            0.0,
        );
        let (_, recorded) = figures.ledger;
        let slack = bars.ledger_per_gap * (figures.gaps + 1) as f64;
        demand(
            format!("{name}: ledger's seconds less those of the pictures"),
            (recorded - figures.recorded).abs(),
            slack,
        );
    }
    let (least, most) = dropouts(outcome);
    demand(
        "dropouts found, less outages".to_owned(),
        outcome.dropouts as f64,
        most as f64,
    );
    demand(
        "outages, less dropouts found".to_owned(),
        least as f64,
        outcome.dropouts as f64,
    );
    let [_, middle, last] = thirds(&outcome.memory, |memory| memory.rss);
    demand(
        "resident memory's growth".to_owned(),
        last.saturating_sub(middle) as f64,
        bars.growth as f64,
    );
    failures
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outcome(missing: std::ops::Range<u64>, outage: Happened) -> Outcome {
        let mark = |number: u64| Mark {
            number,
            captured: 1000.0 + number as f64 / f64::from(FPS),
            told: None,
        };
        let footage: Vec<Mark> = (0..1000)
            .filter(|number| !missing.contains(number))
            .map(mark)
            .collect();
        Outcome {
            begin: 1000.0,
            outages: vec![outage],
            footage: vec![footage; 3],
            accounts: Vec::new(),
            dropouts: 1,
            memory: [10, 30, 20].map(|rss| Memory { rss, pss: rss }).to_vec(),
        }
    }

    #[test]
    fn what_is_unavoidable_is_told_from_the_rest() {
        // Down for 8 s from picture 260 on; the next key frame after it is number 475.
        let outage = Happened {
            begin: 1010.4,
            end: 1018.4,
        };
        let outcome = outcome(350..500, outage);
        let all = sum_up(&outcome);
        // 540 kB at 1 Mb/s are 4.32 s, 1080 kB are more than 8 s.
        for (figures, unavoidable) in all.iter().zip([8.6 - 4.32, 0.0, 0.0]) {
            let [cost] = figures.costs[..] else {
                panic!("{figures:?}")
            };
            assert!((cost.lost - 6.0).abs() < 1e-6, "{cost:?}");
            assert!((cost.unavoidable - unavoidable).abs() < 1e-6, "{cost:?}");
            assert!((figures.wanted - 40.0).abs() < 1e-6);
            assert!((figures.recorded - 34.0).abs() < 1e-6);
        }
        let told = failures(&outcome, &all, &Bars::default()).join("\n");
        assert!(told.contains("gate: share of the wanted"), "{told}");
        assert!(!told.contains("slipway: share"), "{told}");
        assert!(!told.contains("memory"), "{told}");
    }

    #[test]
    fn losses_without_an_outage_are_told() {
        let outage = Happened {
            begin: 1030.0,
            end: 1030.3,
        };
        let outcome = outcome(10..11, outage);
        let told = failures(&outcome, &sum_up(&outcome), &Bars::default()).join("\n");
        assert!(told.contains("lost without an outage"), "{told}");
        assert!(told.contains("dropouts found"), "{told}");
    }
}
