//! Sets of time as sorted spans that don't touch.

use super::Span;
use crate::units::CaptureTime;

impl Span {
    /// None where it would be empty.
    #[must_use]
    pub fn new(begin: CaptureTime, end: CaptureTime) -> Option<Self> {
        (begin < end).then_some(Self { begin, end })
    }

    /// Length in nanoseconds.
    #[must_use]
    pub fn nanos(self) -> i64 {
        self.end
            .unix_nanos()
            .saturating_sub(self.begin.unix_nanos())
    }

    /// What both cover.
    #[must_use]
    pub fn cut(self, other: Self) -> Option<Self> {
        Self::new(self.begin.max(other.begin), self.end.min(other.end))
    }
}

/// So many nanoseconds later (negative: earlier), as far as the type reaches.
pub(super) fn later(time: CaptureTime, nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(time.unix_nanos().saturating_add(nanos))
}

/// Everything that one of them covers.
pub(super) fn union(mut spans: Vec<Span>) -> Vec<Span> {
    spans.retain(|span| span.begin < span.end);
    spans.sort_unstable();
    let mut joined: Vec<Span> = Vec::with_capacity(spans.len());
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.begin <= last.end => last.end = last.end.max(span.end),
            _ => joined.push(span),
        }
    }
    joined
}

/// What the first set covers and the second doesn't.
pub(super) fn subtract(from: &[Span], what: &[Span]) -> Vec<Span> {
    let mut left = Vec::with_capacity(from.len());
    let mut rest = what;
    for span in from {
        let mut begin = span.begin;
        while let [first, others @ ..] = rest {
            if first.end <= begin {
                rest = others;
                continue;
            }
            if first.begin >= span.end {
                break;
            }
            left.extend(Span::new(begin, first.begin));
            begin = first.end;
            if first.end >= span.end {
                break;
            }
        }
        left.extend(Span::new(begin, span.end));
    }
    left
}

/// What both sets cover.
pub(super) fn intersect(a: &[Span], b: &[Span]) -> Vec<Span> {
    subtract(a, &subtract(a, b))
}

/// Length of a set in nanoseconds.
#[must_use]
pub fn total_nanos(spans: &[Span]) -> i64 {
    spans
        .iter()
        .fold(0, |sum, span| sum.saturating_add(span.nanos()))
}

#[cfg(test)]
pub(super) mod tests {
    use proptest::prelude::*;

    use super::*;

    pub(in crate::archive::ledger) fn at(nanos: i64) -> CaptureTime {
        CaptureTime::from_unix_nanos(nanos)
    }

    pub(in crate::archive::ledger) fn span(begin: i64, end: i64) -> Span {
        Span::new(at(begin), at(end)).unwrap()
    }

    fn set() -> impl Strategy<Value = Vec<Span>> {
        prop::collection::vec((0i64..60, 1i64..9), 0..8)
            .prop_map(|spans| union(spans.into_iter().map(|(b, n)| span(b, b + n)).collect()))
    }

    fn has(set: &[Span], time: i64) -> bool {
        set.iter().any(|s| s.begin <= at(time) && at(time) < s.end)
    }

    proptest! {
        #[test]
        fn sets_are_sets(a in set(), b in set()) {
            let (minus, both) = (subtract(&a, &b), intersect(&a, &b));
            for time in 0..70 {
                prop_assert_eq!(has(&minus, time), has(&a, time) && !has(&b, time));
                prop_assert_eq!(has(&both, time), has(&a, time) && has(&b, time));
            }
            for set in [&a, &minus, &both] {
                prop_assert!(set.windows(2).all(|w| w[0].end < w[1].begin));
            }
            prop_assert_eq!(total_nanos(&minus) + total_nanos(&both), total_nanos(&a));
        }
    }
}
