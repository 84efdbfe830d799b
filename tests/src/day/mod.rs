//! A day of outages in compressed form: three cameras behind one uplink of the
//! [test bed](crate::bed), a relay that records them, and a script of outages. What is lost is set
//! against what no recorder could have had ([`figures`]).

pub mod figures;
pub mod play;

use std::time::Duration;

use fastrand::Rng;
use forebay_site::{Outage, OutageScript};

/// The cameras at the far end.
pub const CAMERAS: [&str; 3] = ["slipway", "gate", "mast-crane"];
/// What they hold back, the kernel's send buffer included, in kilobytes.
pub const BUFFERS: [u32; 3] = [540, 1080, 4000];
/// Pictures a second, and from key frame to key frame.
pub const FPS: u32 = 25;
/// Their bit rate.
pub const BITS_PER_SECOND: u32 = 1_000_000;
/// Least time between two outages, so that it can be told which of them has cost what.
pub const PAUSE_MIN: Duration = Duration::from_secs(2);

/// What is to be done.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    /// Of the day and of the choice from it.
    pub seed: u64,
    /// How many of its 180 outages.
    pub outages: usize,
    /// By how much they are shortened.
    pub shorten: f64,
    /// From the first picture on. What the outages leave is shared out among the pauses as on the
    /// day, but for [`PAUSE_MIN`] that each has.
    pub length: Duration,
}

/// How long a camera can hold everything back, in seconds.
#[must_use]
pub fn holds(camera: usize) -> f64 {
    f64::from(BUFFERS[camera]) * 8000.0 / f64::from(BITS_PER_SECOND)
}

impl Plan {
    /// The day in its compressed form. Of fewer than all outages each length has its share, and
    /// the longest is among them.
    #[must_use]
    pub fn script(&self) -> OutageScript {
        let day = OutageScript::day(self.seed);
        let mut by_length: Vec<Outage> = day.outages().to_vec();
        by_length.sort_by_key(|outage| std::cmp::Reverse(outage.length));
        let mut random = Rng::with_seed(self.seed);
        let count = self.outages.clamp(1, by_length.len());
        let step = by_length.len() as f64 / count as f64;
        let place = |index: usize| match index {
            0 => 0,
            _ => ((index as f64 + random.f64()) * step) as usize,
        };
        let chosen = (0..count).map(place).map(|at| by_length[at]).collect();
        let chosen = OutageScript::new(chosen);
        let shortened = chosen.compressed(1.0, self.shorten);
        let down = shortened.down();
        // What comes behind the last one is a pause too.
        let pauses: Duration = shortened.outages().last().map_or(down, Outage::end) - down;
        let least = PAUSE_MIN * (count as u32 + 1);
        let left = self.length.saturating_sub(down + least);
        let factor = pauses.as_secs_f64() / left.as_secs_f64().max(1e-3);
        let dense = shortened.compressed(factor, 1.0);
        let apart = dense.outages().iter().zip(1..);
        OutageScript::new(
            apart
                .map(|(outage, number)| Outage {
                    at: outage.at + PAUSE_MIN * number,
                    ..*outage
                })
                .collect(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_is_compressed() {
        let plan = Plan {
            seed: 4,
            outages: 30,
            shorten: 6.0,
            length: Duration::from_secs(180),
        };
        let script = plan.script();
        let outages = script.outages();
        assert_eq!(outages.len(), 30);
        assert_eq!(script, plan.script());
        let day = OutageScript::day(4);
        let longest = day.outages().iter().map(|outage| outage.length).max();
        let found = outages.iter().map(|outage| outage.length).max();
        assert!(found.unwrap().abs_diff(longest.unwrap() / 6) < Duration::from_millis(1));
        let short = outages
            .iter()
            .filter(|o| o.length.as_secs_f64() * 6.0 < 1.0);
        assert_eq!(short.count(), 15);
        assert!(
            outages
                .windows(2)
                .all(|two| two[0].end() + PAUSE_MIN <= two[1].at)
        );
        let end = outages[29].end() + PAUSE_MIN;
        assert!(
            end.abs_diff(plan.length) < Duration::from_secs(1),
            "{end:?}"
        );
        let whole = Plan {
            outages: 180,
            length: Duration::from_secs(1200),
            ..plan
        };
        assert_eq!(whole.script().outages().len(), 180);
    }
}
