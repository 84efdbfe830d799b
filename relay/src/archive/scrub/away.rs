//! A scrub whose archive is away waits: what can't be had now is not unreadable for that.

use std::io;
use std::time::Duration;

use super::chain::Folders;
use super::{Scrub, ScrubEvent};
use crate::archive::catalog::Catalog;
use crate::archive::disk::is_outage;
use crate::archive::place::REFUSED;
use crate::units::CameraName;

/// Pauses between tries: doubled each time.
const REST_FIRST: Duration = Duration::from_secs(1);
const REST_MAX: Duration = Duration::from_secs(60);
/// A failure now and then is nothing to tell of.
const TELL_AFTER: u32 = 2;
/// What fails so often, while the archive answers, fails by itself.
const TRIES: u32 = 6;
/// Of manifests, which are read whole each time.
const MANIFEST_TRIES: u32 = 3;

impl Scrub<'_> {
    /// Does something of the archive, and again until that is not away.
    ///
    /// # Errors
    /// What is wrong with what is asked for; or the outage, where the scrub is told to stop.
    pub(super) fn had<T>(&mut self, work: impl Fn(&Self) -> io::Result<T>) -> io::Result<T> {
        let mut rest = REST_FIRST;
        let mut tries = 0;
        loop {
            let error = match work(self) {
                Err(error) if is_outage(&error) => error,
                result => {
                    self.is_back(tries);
                    return result;
                }
            };
            tries += 1;
            if tries == TELL_AFTER {
                (self.tell)(ScrubEvent::Away(error.to_string()));
            }
            // Keys that are not taken are not the object's fault.
            if tries >= TRIES && error.kind() != REFUSED && self.answers().is_ok() {
                self.is_back(tries);
                return Err(error);
            }
            if !self.pace.rest(rest) {
                self.scrubbed.stopped = true;
                return Err(error);
            }
            rest = (rest * 2).min(REST_MAX);
        }
    }

    fn is_back(&mut self, tries: u32) {
        if tries >= TELL_AFTER {
            (self.tell)(ScrubEvent::Back);
        }
    }

    fn answers(&self) -> io::Result<()> {
        match self.disk.each_entry(self.archive, &mut |_| {}) {
            Err(error) if is_outage(&error) => Err(error),
            _ => Ok(()),
        }
    }

    /// A camera's manifests. Why they can't be read is told only when the archive answers.
    pub(super) fn manifests_at_last(
        &mut self,
        camera: &CameraName,
        catalog: Option<&Catalog>,
    ) -> Option<Folders> {
        for tries in 1..=MANIFEST_TRIES {
            self.scrubbed.holds = tries < MANIFEST_TRIES;
            let folders = self.manifests(camera, catalog);
            self.scrubbed.holds = false;
            if folders.is_some() {
                return folders;
            }
            if tries < MANIFEST_TRIES && self.had(Self::answers).is_err() {
                return None;
            }
        }
        None
    }
}

#[cfg(test)]
#[path = "away_tests.rs"]
mod tests;
