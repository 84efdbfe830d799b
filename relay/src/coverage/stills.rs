//! Stills by civil day: taken, late, missed.
//!
//! An instant at which a still was wanted has come to one end: a finding `still`, with `still-late`
//! beside it where it was late, or `still-missed`. Instants in a planned pause are not wanted and
//! have none. After a leap of the clock one `still-missed` stands for several instants of a day, and
//! its text begins with their number: `938 instants: `.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::days::zoned;
use crate::archive::findings::{Finding, Phase};

/// Stills of a stretch of time.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Stills {
    /// Taken, late ones included.
    pub taken: u64,
    /// Taken late.
    pub late: u64,
    /// Missed.
    pub missed: u64,
}

impl Stills {
    /// Instants that came to an end.
    #[must_use]
    pub fn wanted(&self) -> u64 {
        self.taken.saturating_add(self.missed)
    }
}

/// Those of a camera.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct StillDays(BTreeMap<Date, Stills>);

impl StillDays {
    /// Counts a finding, if it is of a still.
    pub fn note(&mut self, finding: &Finding, zone: &TimeZone) {
        type Pick = fn(&mut Stills) -> &mut u64;
        let (pick, number): (Pick, u64) = match finding.kind.as_str() {
            "still" => (|stills| &mut stills.taken, 1),
            "still-late" => (|stills| &mut stills.late, 1),
            "still-missed" => (|stills| &mut stills.missed, instants(&finding.text)),
            _ => return,
        };
        if finding.phase == Phase::Mark {
            let day = self.0.entry(zoned(finding.at, zone).date());
            let count = pick(day.or_default());
            *count = count.saturating_add(number);
        }
    }

    /// No still was wanted.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The days that have any, in order.
    pub fn days(&self) -> impl Iterator<Item = (Date, Stills)> {
        self.0.iter().map(|(date, stills)| (*date, *stills))
    }

    /// Over these days.
    #[must_use]
    pub fn totals(&self) -> Stills {
        self.0
            .values()
            .fold(Stills::default(), |sum, stills| Stills {
                taken: sum.taken.saturating_add(stills.taken),
                late: sum.late.saturating_add(stills.late),
                missed: sum.missed.saturating_add(stills.missed),
            })
    }
}

/// For how many instants a `still-missed` stands.
fn instants(text: &str) -> u64 {
    let number = text.split_once(" instants: ").map(|(number, _)| number);
    number.and_then(|number| number.parse().ok()).unwrap_or(1)
}

#[cfg(test)]
#[path = "stills_tests.rs"]
mod tests;
