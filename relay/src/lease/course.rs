//! How a lease in a file is read, taken and renewed, one operation on the files at a time. Pure.
//!
//! `FILE` holds the lease: who holds it, its epoch, a count of renewals. Its holder replaces it as a
//! whole. Files know no compare and swap, so taking over goes by a second file, `FILE.EPOCH`, that can
//! be made only once: whoever makes it may be the holder of that epoch, and nobody else. A contender
//! that had looked long before and comes late finds that the lease has changed since. One that dies
//! in between leaves a claim, and the next one goes by that: the epoch counts as seen.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::contest::{Outcome, Sight, Timing};

/// The content of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Record {
    /// None where it was given back.
    pub(super) holder: Option<String>,
    pub(super) epoch: u64,
    /// Counts renewals.
    pub(super) beat: u64,
    /// By the holder's clock, for people to read: nothing goes by it.
    pub(super) renewed: String,
    pub(super) expires_seconds: f64,
}

/// What was read.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Reading {
    /// The file as it is; none where there is none.
    pub(super) text: Option<Vec<u8>>,
    /// The greatest epoch that was ever claimed, by the names of claims.
    pub(super) claimed: u64,
}

/// An operation.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Step {
    /// Read the file, and look for claims.
    Read,
    /// Make the claim of an epoch, unless it is there.
    Reserve(u64),
    /// Put this in the place of the file.
    Replace(Record),
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Answer {
    Read(Reading),
    /// Made, or it had been there.
    Reserved(bool),
    Replaced,
    /// It may have had its effect, or not. On real files that ends the course.
    #[cfg(test)]
    Failed,
}

/// What to do next, or what came of all of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Turn {
    Do(Step),
    Seen(Option<Sight>),
    End(Outcome),
}

/// A longest promise that is believed: a file that says more is damaged.
const EXPIRE_MAX: Duration = Duration::from_secs(3600);

/// What is to be done.
#[derive(Debug, Clone)]
pub(super) enum Course {
    Look,
    Claim {
        /// The mark of what was seen.
        over: String,
        record: Record,
    },
    /// Also to give it back: then the record has no holder.
    Renew(Record),
}

impl Record {
    pub(super) fn new(me: &str, epoch: u64, timing: &Timing) -> Self {
        Self {
            holder: Some(me.to_owned()),
            epoch,
            beat: 1,
            renewed: String::new(),
            expires_seconds: timing.expire.as_secs_f64(),
        }
    }
}

/// What a reading tells. What can't be understood, or is not there although it was, is somebody's: it
/// holds until it has not changed for long.
fn sight(reading: &Reading) -> Option<Sight> {
    if reading.text.is_none() && reading.claimed == 0 {
        return None;
    }
    let text = reading.text.as_deref().unwrap_or_default();
    let somebody = |holder: &str| Some(holder.to_owned());
    let (holder, epoch, expire) = match serde_json::from_slice::<Record>(text) {
        Ok(record) => {
            let expire = Duration::try_from_secs_f64(record.expires_seconds);
            // Somebody is about to take it, or has, and an earlier holder's last words came late: it
            // is neither free nor anybody's own.
            let holder = match reading.claimed > record.epoch {
                true => somebody("a contender"),
                false => record.holder,
            };
            (holder, record.epoch, expire.unwrap_or(EXPIRE_MAX))
        }
        Err(_) => (somebody("somebody"), 0, Duration::ZERO),
    };
    Some(Sight {
        holder,
        epoch: epoch.max(reading.claimed),
        mark: mark(reading),
        expire: expire.min(EXPIRE_MAX),
    })
}

fn mark(reading: &Reading) -> String {
    let text = reading.text.as_deref().unwrap_or_default();
    String::from_utf8_lossy(text).into_owned()
}

impl Course {
    /// A claim over what was seen.
    pub(super) fn claim(me: &str, over: Option<&Sight>, timing: &Timing) -> Self {
        let epoch = over.map_or(0, |sight| sight.epoch).saturating_add(1);
        Self::Claim {
            over: over.map(|sight| sight.mark.clone()).unwrap_or_default(),
            record: Record::new(me, epoch, timing),
        }
    }

    /// The first operation.
    pub(super) fn begin(&self) -> Step {
        match self {
            Self::Look | Self::Renew(_) => Step::Read,
            Self::Claim { record, .. } => Step::Reserve(record.epoch),
        }
    }

    /// What follows from the answer to the last one.
    pub(super) fn go_on(&self, answer: &Answer) -> Turn {
        match (self, answer) {
            (Self::Look, Answer::Read(reading)) => Turn::Seen(sight(reading)),
            (Self::Claim { .. }, Answer::Reserved(true)) => Turn::Do(Step::Read),
            (Self::Claim { .. }, Answer::Reserved(false)) => Turn::End(Outcome::Beaten),
            // Nothing has changed since that was decided, but for our own claim.
            (Self::Claim { over, record }, Answer::Read(reading))
                if mark(reading) == *over && reading.claimed <= record.epoch =>
            {
                Turn::Do(Step::Replace(record.clone()))
            }
            (Self::Claim { .. }, Answer::Read(_)) => Turn::End(Outcome::Beaten),
            (Self::Renew(record), Answer::Read(reading)) => {
                let text = reading.text.as_deref().unwrap_or_default();
                match serde_json::from_slice::<Record>(text) {
                    Ok(there) if there.epoch > record.epoch => Turn::End(Outcome::Beaten),
                    // Also where it was damaged or removed, or where the last words of an earlier
                    // holder came late.
                    _ => Turn::Do(Step::Replace(record.clone())),
                }
            }
            (Self::Claim { record, .. } | Self::Renew(record), Answer::Replaced) => {
                Turn::End(Outcome::Ours(record.epoch))
            }
            _ => Turn::End(Outcome::Unknown),
        }
    }
}
