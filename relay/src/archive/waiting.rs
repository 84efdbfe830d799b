//! What waits in the spool to be carried, kept in memory: a spool of days holds tens of thousands of
//! files, and is not listed each time somebody asks.

use std::collections::BTreeMap;

use super::names::{Order, SpoolName};
use crate::units::CaptureTime;

/// Files whose names are kept, some 200 bytes each; of more, only number and length.
const NAMED_MAX: usize = 1 << 18;

/// Finished objects that have not reached the archive.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    named: BTreeMap<Order, u64>,
    named_bytes: u64,
    others: u64,
    others_bytes: u64,
}

impl Waiting {
    /// Can be told again.
    pub(super) fn add(&mut self, name: &SpoolName, bytes: u64) {
        let order = order(name);
        if self.named.len() >= NAMED_MAX && !self.named.contains_key(&order) {
            self.others += 1;
            self.others_bytes = self.others_bytes.saturating_add(bytes);
            return;
        }
        let before = self.named.insert(order, bytes).unwrap_or(0);
        self.named_bytes = self
            .named_bytes
            .saturating_sub(before)
            .saturating_add(bytes);
    }

    /// It has left the spool; one that is not known is none.
    pub(super) fn remove(&mut self, name: &SpoolName, bytes: u64) {
        match self.named.remove(&order(name)) {
            Some(bytes) => self.named_bytes = self.named_bytes.saturating_sub(bytes),
            None if self.others > 0 => {
                self.others -= 1;
                self.others_bytes = self.others_bytes.saturating_sub(bytes);
            }
            None => {}
        }
    }

    pub(super) fn objects(&self) -> u64 {
        self.named.len() as u64 + self.others
    }

    pub(super) fn bytes(&self) -> u64 {
        self.named_bytes.saturating_add(self.others_bytes)
    }

    /// Begin of the oldest.
    pub(super) fn oldest(&self) -> Option<CaptureTime> {
        self.named.first_key_value().map(|((begin, _), _)| *begin)
    }

    /// All with their lengths, the oldest first.
    pub(super) fn all(&self) -> impl Iterator<Item = (SpoolName, u64)> + '_ {
        let names = self.named.iter();
        names.filter_map(|((_, name), bytes)| Some((SpoolName::decode(name)?, *bytes)))
    }

    /// Those of a purpose.
    pub(super) fn of_purpose<'a>(
        &'a self,
        purpose: &'a str,
    ) -> impl Iterator<Item = (SpoolName, u64)> + 'a {
        self.all()
            .filter(move |(name, _)| name.key.purpose == purpose)
    }
}

/// By the name alone, which keeps the begin to the millisecond: whoever wrote the object knows it
/// better than whoever carries it.
fn order(name: &SpoolName) -> Order {
    let text = name.encode();
    let begin = SpoolName::decode(&text).map_or(name.key.begin, |read| read.key.begin);
    (begin, text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::ObjectKey;
    use crate::units::Name;

    fn name(purpose: &str, second: i64) -> SpoolName {
        SpoolName {
            key: ObjectKey {
                camera: Name::new("gate").unwrap(),
                sink: Name::new("footage").unwrap(),
                purpose: purpose.into(),
                extension: "mp4".into(),
                begin: CaptureTime::from_unix_nanos(second * 1_000_000_000),
            },
            epoch: 7,
            number: second.unsigned_abs(),
            end: None,
        }
    }

    #[test]
    fn what_comes_and_goes_adds_up() {
        let mut waiting = Waiting::default();
        for (purpose, second, bytes) in [("footage", 30, 10), ("stills", 10, 1), ("footage", 20, 5)]
        {
            waiting.add(&name(purpose, second), bytes);
            waiting.add(&name(purpose, second), bytes);
        }
        assert_eq!((waiting.objects(), waiting.bytes()), (3, 16));
        let oldest = waiting.oldest().map(CaptureTime::unix_nanos);
        assert_eq!(oldest, Some(10_000_000_000));
        let footage: Vec<_> = waiting.of_purpose("footage").collect();
        assert_eq!(
            footage,
            [(name("footage", 20), 5), (name("footage", 30), 10)]
        );
        waiting.remove(&name("footage", 20), 5);
        waiting.remove(&name("footage", 20), 5);
        assert_eq!((waiting.objects(), waiting.bytes()), (2, 11));
        // Its writer knows it to the nanosecond.
        let mut exact = name("footage", 40);
        exact.key.begin = CaptureTime::from_unix_nanos(40_000_000_777);
        waiting.add(&exact, 7);
        waiting.remove(&SpoolName::decode(&exact.encode()).unwrap(), 7);
        assert_eq!((waiting.objects(), waiting.bytes()), (2, 11));
    }
}
