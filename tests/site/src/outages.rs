//! When the uplink is down: written by hand, or like a bad day of a site.

use std::time::Duration;

use fastrand::Rng;

/// The uplink is down for a while.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outage {
    /// From the script's begin.
    pub at: Duration,
    /// How long.
    pub length: Duration,
}

/// Outages in their order, none within another.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OutageScript {
    outages: Vec<Outage>,
}

const DAY: Duration = Duration::from_secs(86_400);
/// Least time between two outages of a day.
const PAUSE: Duration = Duration::from_secs(1);
/// How many outages a day has, by their lengths in seconds: 180 of about 1500 s in all, half of
/// them short, 1 % long. Within a class the logarithm of the length is spread evenly.
const CLASSES: [(usize, f64, f64); 3] = [(90, 0.1, 1.0), (88, 1.0, 50.0), (2, 90.0, 300.0)];

impl OutageScript {
    /// Those outages. What overlaps is merged.
    #[must_use]
    pub fn new(mut outages: Vec<Outage>) -> Self {
        outages.sort_by_key(|outage| outage.at);
        let mut merged: Vec<Outage> = Vec::new();
        for outage in outages {
            match merged.last_mut() {
                Some(last) if outage.at <= last.end() => {
                    last.length = last.length.max(outage.end() - last.at);
                }
                _ => merged.push(outage),
            }
        }
        Self { outages: merged }
    }

    /// A day with 180 outages of about 1500 s in all; half take less than 1 s, 1 % take 90–300 s.
    /// The same seed gives the same day.
    #[must_use]
    pub fn day(seed: u64) -> Self {
        let mut random = Rng::with_seed(seed);
        let mut lengths = Vec::new();
        for (count, least, most) in CLASSES {
            for _ in 0..count {
                let length = least * (most / least).powf(random.f64());
                lengths.push(Duration::from_secs_f64(length));
            }
        }
        random.shuffle(&mut lengths);
        // What is left of the day is shared out among the pauses at random.
        let pauses = lengths.len() as u32 + 1;
        let left = DAY - lengths.iter().sum::<Duration>() - PAUSE * pauses;
        let shares: Vec<f64> = (0..pauses).map(|_| -(1.0 - random.f64()).ln()).collect();
        let whole: f64 = shares.iter().sum();
        let mut now = Duration::ZERO;
        let mut outages = Vec::new();
        for (length, share) in lengths.into_iter().zip(shares) {
            let at = now + PAUSE + left.mul_f64(share / whole);
            outages.push(Outage { at, length });
            now = at + length;
        }
        Self { outages }
    }

    /// The same outages with shorter pauses, and shorter themselves: both are divided. A camera's
    /// buffer does not shrink with them, so better leave the lengths as they are (1.0) where it
    /// matters what is lost. Less than a millionth counts as that.
    #[must_use]
    pub fn compressed(&self, pauses: f64, lengths: f64) -> Self {
        let [pauses, lengths] = [pauses, lengths].map(|factor| factor.max(1e-6));
        let (mut now, mut before) = (Duration::ZERO, Duration::ZERO);
        let mut outages = Vec::new();
        for outage in &self.outages {
            let at = now + (outage.at - before).div_f64(pauses);
            let length = outage.length.div_f64(lengths);
            outages.push(Outage { at, length });
            (now, before) = (at + length, outage.end());
        }
        Self { outages }
    }

    /// In order.
    #[must_use]
    pub fn outages(&self) -> &[Outage] {
        &self.outages
    }

    /// Sum of all lengths.
    #[must_use]
    pub fn down(&self) -> Duration {
        self.outages.iter().map(|outage| outage.length).sum()
    }

    /// Whether the uplink works so long after the begin.
    #[must_use]
    pub fn is_up(&self, at: Duration) -> bool {
        let begun = self.outages.partition_point(|outage| outage.at <= at);
        let last = begun.checked_sub(1).and_then(|last| self.outages.get(last));
        last.is_none_or(|outage| outage.end() <= at)
    }
}

impl Outage {
    /// When the uplink is back, from the script's begin.
    #[must_use]
    pub fn end(&self) -> Duration {
        self.at + self.length
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outage(at: u64, length: u64) -> Outage {
        let seconds = Duration::from_secs;
        Outage {
            at: seconds(at),
            length: seconds(length),
        }
    }

    #[test]
    fn days_have_their_shares() {
        for seed in 0..50 {
            let day = OutageScript::day(seed);
            let outages = day.outages();
            assert_eq!(outages.len(), 180);
            assert!(
                outages
                    .windows(2)
                    .all(|two| two[0].end() + PAUSE <= two[1].at)
            );
            assert!(outages.last().unwrap().end() < DAY);
            let between = |least: f64, most: f64| {
                let within = |o: &&Outage| (least..most).contains(&o.length.as_secs_f64());
                outages.iter().filter(within).count()
            };
            assert_eq!((between(0.0, 1.0), between(90.0, 300.0)), (90, 2));
            let down = day.down().as_secs();
            assert!((1000..2000).contains(&down), "{down}");
        }
        assert_eq!(OutageScript::day(7), OutageScript::day(7));
        assert_ne!(OutageScript::day(7), OutageScript::day(8));
    }

    #[test]
    fn overlaps_are_merged() {
        let script = OutageScript::new(vec![
            outage(10, 5),
            outage(1, 2),
            outage(12, 1),
            outage(15, 2),
        ]);
        assert_eq!(script.outages(), [outage(1, 2), outage(10, 7)]);
        let up = |seconds| script.is_up(Duration::from_secs(seconds));
        let told: Vec<bool> = [0, 1, 2, 3, 9, 10, 16, 17].map(up).into();
        assert_eq!(told, [true, false, false, true, true, false, false, true]);
    }

    #[test]
    fn compression_divides() {
        let script = OutageScript::new(vec![outage(10, 4), outage(34, 6)]);
        let short = script.compressed(10.0, 2.0);
        assert_eq!(short.outages(), [outage(1, 2), outage(5, 3)]);
        assert_eq!(script.compressed(1.0, 1.0), script);
    }
}
