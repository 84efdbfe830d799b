//! What a plugin may use up over time. Outlives its instances: a plugin that traps and comes back
//! has not earned a new allowance.

use std::collections::HashSet;
use std::time::{Duration, Instant};

use crate::config::Limits;

/// A bucket that refills evenly and holds at most one period's allowance.
#[derive(Debug)]
struct Bucket {
    size: f64,
    per_second: f64,
    level: f64,
    at: Instant,
}

impl Bucket {
    fn new(size: u64, period: Duration, now: Instant) -> Self {
        let size = size as f64;
        Self {
            size,
            per_second: size / period.as_secs_f64(),
            level: size,
            at: now,
        }
    }

    fn take(&mut self, amount: u64, now: Instant) -> bool {
        let since = now.saturating_duration_since(self.at).as_secs_f64();
        self.level = (self.level + since * self.per_second).min(self.size);
        self.at = now;
        let enough = self.level >= amount as f64;
        if enough {
            self.level -= amount as f64;
        }
        enough
    }
}

/// Each value costs a look into a table that all share: a thousand a second is more than any
/// monitoring reads.
const METRIC_VALUES_PER_MINUTE: u64 = 60_000;

/// The allowances of one sink on one camera.
#[derive(Debug)]
pub(super) struct Account {
    object_bytes: Bucket,
    log_lines: Bucket,
    objects: Bucket,
    metric_values: Bucket,
    metric_names: HashSet<String>,
    metric_names_max: usize,
    findings: Bucket,
    finding_kinds: HashSet<String>,
    finding_kinds_max: usize,
}

impl Account {
    pub(super) fn new(limits: &Limits, now: Instant) -> Self {
        const HOUR: Duration = Duration::from_secs(3600);
        const MINUTE: Duration = Duration::from_secs(60);
        Self {
            object_bytes: Bucket::new(limits.object_bytes_per_hour.bytes(), HOUR, now),
            objects: Bucket::new(limits.objects_per_minute.into(), MINUTE, now),
            log_lines: Bucket::new(limits.log_lines_per_minute.into(), MINUTE, now),
            metric_values: Bucket::new(METRIC_VALUES_PER_MINUTE, MINUTE, now),
            metric_names: HashSet::new(),
            metric_names_max: limits.metric_names as usize,
            findings: Bucket::new(limits.findings_per_minute.into(), MINUTE, now),
            finding_kinds: HashSet::new(),
            finding_kinds_max: limits.finding_kinds as usize,
        }
    }

    pub(super) fn take_object_bytes(&mut self, bytes: u64, now: Instant) -> bool {
        self.object_bytes.take(bytes, now)
    }

    pub(super) fn take_object(&mut self, now: Instant) -> bool {
        self.objects.take(1, now)
    }

    pub(super) fn take_log_line(&mut self, now: Instant) -> bool {
        self.log_lines.take(1, now)
    }

    pub(super) fn take_finding(&mut self, now: Instant) -> bool {
        self.findings.take(1, now)
    }

    /// Whether findings of this kind may be published: it is known, or there is room for another.
    /// `kind` follows the grammar.
    pub(super) fn finding_kind(&mut self, kind: &str) -> bool {
        self.finding_kinds.contains(kind)
            || self.finding_kinds.len() < self.finding_kinds_max
                && self.finding_kinds.insert(kind.to_owned())
    }

    /// Whether a value may go to a metric of this name: there are not too many, it follows the grammar of `wit/telemetry.wit` and is
    /// known, or there is room for another.
    pub(super) fn metric_name(&mut self, name: &str, now: Instant) -> bool {
        if !self.metric_values.take(1, now) {
            return false;
        }
        if self.metric_names.contains(name) {
            return true;
        }
        let fits = name.len() <= 48
            && name.starts_with(|c: char| c.is_ascii_lowercase())
            && name
                .chars()
                .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        fits && self.metric_names.len() < self.metric_names_max
            && self.metric_names.insert(name.to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn buckets_refill_evenly() {
        let start = Instant::now();
        let mut bucket = Bucket::new(60, Duration::from_secs(60), start);
        assert!(bucket.take(60, start));
        assert!(!bucket.take(1, start));
        assert!(bucket.take(10, start + Duration::from_secs(10)));
        assert!(!bucket.take(1, start + Duration::from_secs(10)));
        assert!(!bucket.take(61, start + Duration::from_secs(1000)));
    }
}
