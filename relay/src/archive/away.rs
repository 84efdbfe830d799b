//! Whether the archive can be used, and since when not.
//!
//! One thread calls it, and may be left waiting in a call for hours. So another one looks at how long
//! that has been going on.

use std::io;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use super::ArchiveEvent;
use super::disk::is_outage;
use super::place::{NO_BUCKET, REFUSED};
use super::store::{Store, locked};
use crate::units::CaptureTime;

/// A call that takes longer counts as unanswered.
pub(super) const PATIENCE: Duration = Duration::from_secs(5);
/// A store is given longer, since the other side last took or sent something.
const FAR_PATIENCE: Duration = Duration::from_secs(15);

/// In what way the archive can't be used. Closed: a metric label.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AwayReason {
    /// A call has not come back, or a store can't be reached.
    Unanswered,
    /// It is not where it was: its disk is not mounted.
    Absent,
    /// It is there, and takes nothing: full, read-only, not ours, broken.
    Refuses,
}

impl AwayReason {
    /// Every reason.
    pub const ALL: [Self; 3] = [Self::Unanswered, Self::Absent, Self::Refuses];

    /// What an error of a store means; all that fails comes from there.
    pub(super) fn of_store(error: &io::Error) -> Self {
        match error.kind() {
            NO_BUCKET => Self::Absent,
            // It says so itself.
            io::ErrorKind::ResourceBusy | REFUSED => Self::Refuses,
            _ if is_outage(error) => Self::Unanswered,
            _ => Self::Refuses,
        }
    }

    /// The word for it in metrics and log.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Unanswered => "unanswered",
            Self::Absent => "absent",
            Self::Refuses => "refuses",
        }
    }
}

/// The archive can't be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Away {
    /// In what way.
    pub reason: AwayReason,
    /// Since when, by the wall clock.
    pub since: CaptureTime,
    /// The system's words, or what is waited for.
    pub detail: String,
}

#[derive(Debug, Default)]
pub(super) struct Whereabouts(Mutex<State>);

#[derive(Debug, Default)]
struct State {
    /// When the call was made that is waited for.
    asked: Option<Instant>,
    away: Option<Away>,
}

impl Store {
    /// A call on the archive is about to be made, or one step of many has come back.
    pub(super) fn asks(&self) {
        self.set_asked(Some(Instant::now()));
    }

    /// No call is waited for.
    pub(super) fn answered(&self) {
        self.set_asked(None);
    }

    fn set_asked(&self, asked: Option<Instant>) {
        let mut state = locked(&self.whereabouts.0);
        state.asked = asked;
        // A store that comes to no answer is given up after a while: that does not mean that it is back.
        if self.disk.is_far(&self.archive) {
            return;
        }
        let is_back = state
            .away
            .take_if(|away| away.reason == AwayReason::Unanswered);
        drop(state);
        if is_back.is_some() {
            self.tell(ArchiveEvent::Away(None));
        }
    }

    /// What a call came to: none, it is well.
    pub(super) fn found(&self, away: Option<(AwayReason, String)>) {
        let mut state = locked(&self.whereabouts.0);
        let before = state.away.as_ref();
        let same = before.map(|away| away.reason) == away.as_ref().map(|(reason, _)| *reason);
        if same {
            return;
        }
        let since = before.map_or_else(CaptureTime::now, |away| away.since);
        state.away = away.map(|(reason, detail)| Away {
            reason,
            since,
            detail,
        });
        let now = state.away.clone();
        drop(state);
        self.tell(ArchiveEvent::Away(now));
    }

    /// Looks whether a call is waited for in vain.
    pub(super) fn look_for_answer(&self) {
        let is_far = self.disk.is_far(&self.archive);
        let heard = self.disk.heard(&self.archive);
        let mut state = locked(&self.whereabouts.0);
        let since = |asked: Instant| heard.map_or(asked, |heard| heard.max(asked)).elapsed();
        let waited = state.asked.map_or(Duration::ZERO, since);
        let known = state.away.as_ref().map(|away| away.reason);
        let patience = if is_far { FAR_PATIENCE } else { PATIENCE };
        if waited < patience || known == Some(AwayReason::Unanswered) {
            return;
        }
        let now = CaptureTime::now().unix_nanos();
        let waited = i64::try_from(waited.as_nanos()).unwrap_or(i64::MAX);
        let away = Away {
            reason: AwayReason::Unanswered,
            since: CaptureTime::from_unix_nanos(now.saturating_sub(waited)),
            detail: format!("a call on {} has not come back", self.archive.display()),
        };
        state.away = Some(away.clone());
        drop(state);
        self.tell(ArchiveEvent::Away(Some(away)));
    }

    /// Since when, and why, the archive can't be used.
    pub(super) fn away(&self) -> Option<Away> {
        locked(&self.whereabouts.0).away.clone()
    }
}
