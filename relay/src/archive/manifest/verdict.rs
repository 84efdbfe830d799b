//! What counts where two relays have written of the same object: their manifests overlap in time.

use std::collections::{BTreeMap, VecDeque};

use super::pages::{Entry, State};
use crate::units::CaptureTime;

/// Whether what is read later takes the place of what was read before. Manifests are read in the order
/// in which they began, so it is later as a rule; but one that began later may tell of earlier times
/// than one that another relay began before.
pub(super) fn takes_the_place(before: &Entry, next: &Entry) -> bool {
    match (&before.state, &next.state) {
        (State::Gone(_), State::There(_)) => !is_earlier(next.at, before.at),
        // What somebody found later says less than what its writer has said.
        (State::There(_), State::There(_)) => before.late || !next.late,
        (_, State::Gone(_)) => true,
    }
}

/// Whether a line was written no later than another one.
fn is_earlier(at: Option<CaptureTime>, than: Option<CaptureTime>) -> bool {
    at.zip(than).is_some_and(|(at, than)| at <= than)
}

/// When objects went, by their names.
type Times = BTreeMap<String, Option<CaptureTime>>;

/// What has gone by manifests that reach into the time of the next ones: those of one relay alone
/// never do, so there is little to remember.
#[derive(Debug, Default)]
pub(in crate::archive) struct Gone {
    /// Of each manifest, when its last line was written, and what it says has gone.
    pages: VecDeque<(Option<CaptureTime>, Times)>,
}

impl Gone {
    /// A manifest begins; those that ended before are of no use any more.
    pub(in crate::archive) fn begin(&mut self, begin: CaptureTime) {
        self.pages
            .retain(|(last, gone)| !gone.is_empty() && last.is_none_or(|last| last >= begin));
        self.pages.push_back((None, BTreeMap::new()));
    }

    /// An object has gone by the manifest that was begun last.
    pub(in crate::archive) fn note(&mut self, object: &str, at: Option<CaptureTime>) {
        if let Some((last, gone)) = self.pages.back_mut() {
            *last = at.max(*last);
            gone.insert(object.to_owned(), at);
        }
    }

    /// Whether an object that is there by a line of this time has gone since, by another manifest.
    pub(in crate::archive) fn has(&self, object: &str, at: Option<CaptureTime>) -> bool {
        let others = self.pages.iter().rev().skip(1);
        others
            .filter_map(|(_, gone)| gone.get(object))
            .any(|gone| is_earlier(at, *gone))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::checksum::Fingerprinting;

    fn at(second: i64) -> Option<CaptureTime> {
        Some(CaptureTime::from_unix_nanos(second * 1_000_000_000))
    }

    fn there(second: i64, late: bool) -> Entry {
        Entry {
            at: at(second),
            state: State::There(Fingerprinting::default().finish()),
            late,
        }
    }

    fn gone(second: i64) -> Entry {
        Entry {
            at: at(second),
            state: State::Gone("age".into()),
            late: false,
        }
    }

    #[test]
    fn a_manifest_that_began_later_may_tell_of_earlier_times() {
        // One writer's lines, in their order.
        assert!(takes_the_place(&there(1, false), &gone(2)));
        assert!(takes_the_place(&there(1, false), &there(2, false)));
        assert!(takes_the_place(&gone(1), &there(2, false)));
        // Its clock was set back.
        assert!(takes_the_place(&there(9, false), &gone(2)));
        // Another one's manifest began later.
        assert!(!takes_the_place(&gone(9), &there(2, false)));
        // Found by another one.
        assert!(!takes_the_place(&there(1, false), &there(2, true)));
        assert!(takes_the_place(&there(1, true), &there(2, false)));
        assert!(takes_the_place(&there(1, true), &there(2, true)));
    }

    #[test]
    fn what_has_gone_is_known_as_long_as_manifests_overlap() {
        let mut known = Gone::default();
        known.begin(CaptureTime::from_unix_nanos(0));
        known.note("a", at(9));
        // Of its own lines their order tells.
        assert!(!known.has("a", at(5)));
        known.begin(CaptureTime::from_unix_nanos(1));
        assert!(known.has("a", at(5)));
        assert!(!known.has("a", at(10)));
        assert!(!known.has("b", at(5)));
        known.begin(CaptureTime::from_unix_nanos(10_000_000_000));
        assert!(!known.has("a", at(5)));
    }
}
