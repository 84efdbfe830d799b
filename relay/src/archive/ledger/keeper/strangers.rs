//! Another relay writes into the same archive: by accident, or since it has the lease now.
//!
//! Its lines are in its own spool until its manifests end. So what it has published is looked for, read
//! and listed by this relay, too: the catalog knows all that is there, the account is the union of
//! both, and nothing is without a line if the other relay never comes back. While that goes on, this
//! relay ends its manifests each minute, so that the other one learns of it what it writes, and what
//! it lets go.

use std::collections::HashSet;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::super::reader::Job;
use super::Keeper;
use crate::archive::Fingerprint;
use crate::archive::catalog::Change;

/// How often the archive is looked at: the names in the folders of two days.
const LOOK_PERIOD: Duration = Duration::from_secs(15);
/// How often it is looked for manifests that no other one names.
const TIPS_PERIOD: Duration = Duration::from_secs(3600);
/// After the last trace of it another relay is taken to be there for so long.
const PRESENCE: Duration = Duration::from_secs(600);
/// While it is there, manifests end after this.
const MANIFEST_PERIOD: Duration = Duration::from_secs(60);
/// Names that wait to be judged; what is more is found by the scan of a later start.
const UNSURE_MAX: usize = 1 << 13;
/// Names of what has gone that are remembered: all that goes within a minute or so.
const GONE_MAX: usize = 1 << 13;

/// What is known of them.
#[derive(Debug)]
pub(super) struct Strangers {
    looked: Instant,
    asked_for_tips: Instant,
    /// When something of theirs was seen last.
    seen: Option<Instant>,
    handed_in: Instant,
    /// Not yet known whether they are this relay's own.
    unsure: Vec<String>,
    /// What this relay has taken away of late.
    gone: HashSet<String>,
}

impl Strangers {
    pub(super) fn new() -> Self {
        let now = Instant::now();
        Self {
            looked: now,
            asked_for_tips: now,
            seen: None,
            handed_in: now,
            unsure: Vec::new(),
            gone: HashSet::new(),
        }
    }
}

impl Keeper {
    /// Does what is due. Not while a scan runs, which reads the same.
    pub(super) fn look_out(&mut self) {
        if self.scanning.is_none() && self.strangers.looked.elapsed() >= LOOK_PERIOD {
            self.strangers.looked = Instant::now();
            // Where it has no room, there will be some the next time.
            self.reader.ask(Job::Look);
            self.judge();
        }
        if self.strangers.asked_for_tips.elapsed() >= TIPS_PERIOD {
            self.strangers.asked_for_tips = Instant::now();
            self.reader.ask(Job::Manifests);
        }
        let present = self
            .strangers
            .seen
            .is_some_and(|at| at.elapsed() < PRESENCE);
        if present && self.strangers.handed_in.elapsed() >= MANIFEST_PERIOD {
            self.strangers.handed_in = Instant::now();
            for refused in self.manifests.finish() {
                self.events
                    .manifest_failed(&refused.camera, &refused.error, refused.lost);
            }
        }
    }

    /// Objects are there that were not some time ago; most are this relay's own.
    pub(super) fn seen(&mut self, objects: Vec<String>) {
        let unsure = &mut self.strangers.unsure;
        unsure.extend(objects);
        unsure.truncate(UNSURE_MAX);
        self.judge();
    }

    /// Asks for those that this relay has not written, as soon as it knows what it has.
    fn judge(&mut self) {
        let misses_some = self.rescan || self.missed.load(Ordering::Acquire);
        if self.catalog.is_none() || self.scanning.is_some() || misses_some {
            return;
        }
        for object in std::mem::take(&mut self.strangers.unsure) {
            // Where the catalog can't tell, it is not said of a file that it is a stranger's.
            if self.is_known(&object).unwrap_or(true) {
                continue;
            }
            if !self.reader.ask(Job::Adopt(object)) {
                self.events.dropped();
                self.rescan = true;
                return;
            }
        }
    }

    /// One that this relay has not written was there, and has been read.
    pub(super) fn adopted(
        &mut self,
        object: &str,
        changes: Vec<Change>,
        fingerprint: Option<Fingerprint>,
    ) {
        // It has gone since, or is on its way: then the file may have been seen for the last time.
        if self.strangers.gone.contains(object) {
            return;
        }
        self.events.stranger(object);
        if self.strangers.seen.replace(Instant::now()).is_none() {
            // The next manifests vouch for those of the other one.
            self.reader.ask(Job::Manifests);
        }
        self.scanned(changes);
        if let Some(fingerprint) = fingerprint {
            let path = self.root.join(object);
            self.list(&path, fingerprint, true);
        }
    }

    /// This relay takes an object away.
    pub(super) fn note_gone(&mut self, object: &str) {
        let gone = &mut self.strangers.gone;
        if gone.len() >= GONE_MAX {
            gone.clear();
        }
        gone.insert(object.to_owned());
    }
}

#[cfg(test)]
#[path = "strangers_tests.rs"]
mod tests;
