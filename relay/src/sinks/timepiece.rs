//! By which clock a plugin lives: the home clock, or that of the footage that it is tried on.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rand::SeedableRng as _;
use rand::rngs::SmallRng;
use wasmtime_wasi::{HostMonotonicClock, HostWallClock, WasiCtxBuilder};

use crate::units::CaptureTime;

/// The clock of a plugin's allowances and of its WASI. Clones share it. The default is the home
/// clock.
///
/// A trial runs faster than the footage and must come out the same each time: there a minute is a
/// minute of footage, and nothing that the plugin can ask tells when, or how fast, it is tried.
#[derive(Debug, Clone, Default)]
pub struct Timepiece(Option<Arc<Footage>>);

#[derive(Debug)]
struct Footage {
    /// What stands for `begin`.
    origin: Instant,
    begin: CaptureTime,
    /// Nanoseconds after `begin`.
    passed: AtomicU64,
}

impl Timepiece {
    /// A clock that stands at `begin` until it is [advanced](Self::advance).
    #[must_use]
    pub fn footage(begin: CaptureTime) -> Self {
        Self(Some(Arc::new(Footage {
            origin: Instant::now(),
            begin,
            passed: AtomicU64::new(0),
        })))
    }

    /// Sets a clock of footage; it never goes back. The home clock is left alone.
    pub fn advance(&self, to: CaptureTime) {
        if let Some(footage) = &self.0 {
            let passed = to
                .unix_nanos()
                .saturating_sub(footage.begin.unix_nanos())
                .max(0);
            footage
                .passed
                .fetch_max(passed.unsigned_abs(), Ordering::Relaxed);
        }
    }

    pub(super) fn now(&self) -> Instant {
        match &self.0 {
            None => Instant::now(),
            Some(footage) => footage.origin + footage.passed(),
        }
    }

    /// Gives a guest this clock, and with that of footage the same random numbers each time.
    pub(super) fn set(&self, wasi: &mut WasiCtxBuilder) {
        if let Some(footage) = &self.0 {
            wasi.wall_clock(GuestClock(Arc::clone(footage)))
                .monotonic_clock(GuestClock(Arc::clone(footage)))
                .secure_random(SmallRng::seed_from_u64(SEED))
                .insecure_random(SmallRng::seed_from_u64(SEED))
                .insecure_random_seed(SEED.into());
        }
    }
}

/// Any number does.
const SEED: u64 = 0x666f_7265_6261_7921;

impl Footage {
    fn passed(&self) -> Duration {
        Duration::from_nanos(self.passed.load(Ordering::Relaxed))
    }
}

struct GuestClock(Arc<Footage>);

/// Grain that the guest is told of.
const GRAIN: Duration = Duration::from_millis(1);

impl HostWallClock for GuestClock {
    fn resolution(&self) -> Duration {
        GRAIN
    }

    fn now(&self) -> Duration {
        let begin = self.0.begin.unix_nanos().max(0);
        Duration::from_nanos(begin.unsigned_abs()) + self.0.passed()
    }
}

impl HostMonotonicClock for GuestClock {
    fn resolution(&self) -> u64 {
        u64::try_from(GRAIN.as_nanos()).unwrap_or(u64::MAX)
    }

    fn now(&self) -> u64 {
        u64::try_from(self.0.passed().as_nanos()).unwrap_or(u64::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_of_footage_stands_still_and_never_goes_back() {
        let at = |seconds: i64| CaptureTime::from_unix_nanos(seconds * 1_000_000_000);
        let timepiece = Timepiece::footage(at(1000));
        let begin = timepiece.now();
        assert_eq!(timepiece.now(), begin);
        timepiece.advance(at(1060));
        timepiece.advance(at(1030));
        timepiece.advance(at(10));
        assert_eq!(timepiece.now() - begin, Duration::from_secs(60));
    }
}
