//! What happens to a packet on its way: pure, times in, times out.

use std::time::{Duration, Instant};

use fastrand::Rng;

/// An uplink. Everything holds for each direction by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkSpec {
    /// One way; the round trip takes twice as long.
    pub delay: Duration,
    /// Up to so much is added to the delay of each packet, evenly spread. Packets keep their order.
    pub jitter: Duration,
    /// Bits a second, IP headers included.
    pub rate_bits: u64,
    /// Bytes that may wait to be sent; what comes then is dropped.
    pub queue_bytes: u64,
    /// Share of the packets that get lost by chance, 0 to 1.
    pub loss: f64,
    /// Of jitter and loss.
    pub seed: u64,
}

impl Default for LinkSpec {
    /// A good mobile uplink: 60 ms there and back, 20 Mb/s, 100 ms of queue.
    fn default() -> Self {
        Self {
            delay: Duration::from_millis(30),
            jitter: Duration::ZERO,
            rate_bits: 20_000_000,
            queue_bytes: 250_000,
            loss: 0.0,
            seed: 1,
        }
    }
}

/// What went one way so far. Packets in flight are in none of the counts but `packets_offered`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Packets that came.
    pub packets_offered: u64,
    /// Packets handed over at the other end.
    pub packets: u64,
    /// Their bytes, IP headers included.
    pub bytes: u64,
    /// Packets that found the queue full.
    pub dropped_queue: u64,
    /// Packets lost by chance.
    pub dropped_loss: u64,
    /// Packets that met an outage, at either end.
    pub dropped_outage: u64,
}

/// One direction.
#[derive(Debug)]
pub(super) struct Shaper {
    spec: LinkSpec,
    random: Rng,
    /// When the last bit of what waits has left.
    free_at: Option<Instant>,
    /// When the packet before is due.
    last_due: Option<Instant>,
}

/// What becomes of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// It arrives then.
    Due(Instant),
    QueueFull,
    Lost,
}

impl Shaper {
    pub(super) fn new(spec: LinkSpec, direction: u64) -> Self {
        let random = Rng::with_seed(spec.seed.wrapping_mul(2).wrapping_add(direction));
        Self {
            spec,
            random,
            free_at: None,
            last_due: None,
        }
    }

    /// A packet of this size comes now.
    pub(super) fn offer(&mut self, now: Instant, bytes: usize) -> Fate {
        let rate = self.spec.rate_bits.max(1);
        let begin = self.free_at.map_or(now, |free| free.max(now));
        let waits = begin.saturating_duration_since(now).as_secs_f64() * rate as f64 / 8.0;
        if waits + bytes as f64 > self.spec.queue_bytes as f64 {
            return Fate::QueueFull;
        }
        let free = begin + Duration::from_secs_f64(bytes as f64 * 8.0 / rate as f64);
        // A packet that gets lost has taken its time on the line.
        self.free_at = Some(free);
        if self.random.f64() < self.spec.loss {
            return Fate::Lost;
        }
        let due = free + self.spec.delay + self.spec.jitter.mul_f64(self.random.f64());
        let due = self.last_due.map_or(due, |last| due.max(last));
        self.last_due = Some(due);
        Fate::Due(due)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    fn spec() -> LinkSpec {
        LinkSpec {
            delay: 30 * MS,
            // A packet of 1000 bytes takes 1 ms.
            rate_bits: 8_000_000,
            queue_bytes: 3000,
            ..LinkSpec::default()
        }
    }

    #[test]
    fn packets_wait_for_each_other_and_a_full_queue_drops() {
        let (mut shaper, now) = (Shaper::new(spec(), 0), Instant::now());
        let fates: Vec<_> = (0..4).map(|_| shaper.offer(now, 1000)).collect();
        assert_eq!(
            fates,
            [
                Fate::Due(now + 31 * MS),
                Fate::Due(now + 32 * MS),
                Fate::Due(now + 33 * MS),
                Fate::QueueFull
            ]
        );
        assert_eq!(shaper.offer(now + MS, 1000), Fate::Due(now + 34 * MS));
        assert_eq!(
            shaper.offer(now + 99 * MS, 500),
            Fate::Due(now + 129 * MS + MS / 2)
        );
    }

    #[test]
    fn loss_has_its_share_and_its_seed() {
        let lossy = LinkSpec {
            loss: 0.1,
            ..spec()
        };
        let lost = |direction| -> Vec<bool> {
            let (mut shaper, now) = (Shaper::new(lossy.clone(), direction), Instant::now());
            let offer = |number: u32| shaper.offer(now + number * 2 * MS, 1000) == Fate::Lost;
            (0..10_000).map(offer).collect()
        };
        let share = lost(0).iter().filter(|lost| **lost).count();
        // Five standard deviations of the binomial distribution (30) on either side.
        assert!((850..=1150).contains(&share), "{share}");
        assert_eq!(lost(0), lost(0));
        assert_ne!(lost(0), lost(1));
    }

    #[test]
    fn jitter_keeps_the_order() {
        let shaky = LinkSpec {
            jitter: 20 * MS,
            ..spec()
        };
        let (mut shaper, now) = (Shaper::new(shaky, 0), Instant::now());
        let mut last = now;
        let mut spread = Vec::new();
        for number in 0..1000 {
            let sent = now + number * 2 * MS;
            let Fate::Due(due) = shaper.offer(sent, 1000) else {
                panic!("dropped")
            };
            assert!(due >= last);
            last = due;
            spread.push(due - sent);
        }
        let (least, most) = (spread.iter().min().unwrap(), spread.iter().max().unwrap());
        assert!(*least >= 31 * MS && *most <= 51 * MS, "{least:?} {most:?}");
        assert!(*most - *least > 15 * MS);
    }
}
