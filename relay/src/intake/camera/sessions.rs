//! The sessions of a camera's task: begun, made the kept one, ended.

use std::time::{Duration, Instant};

use super::super::cause::{EndCause, SessionError};
use super::super::desk::Desk;
use super::super::lull::Begin;
use super::super::session::{Item, Session, farewell};
use super::super::step::{Event, Slot, Why};
use super::Work;
use crate::hold::TrackKind;
use crate::telemetry::{HedgeOutcome, KickOutcome};

/// How often a session that is left alone in a silence is looked at.
const GLANCE: Duration = Duration::from_millis(20);
/// A connection that a camera ends so soon after a report was ended by it.
pub(super) const REPORT_ANSWER: Duration = Duration::from_millis(1500);
/// After as many such ends in a row it gets no more reports.
const REPORT_STRIKES_MAX: u32 = 2;

/// A session that plays, and its desk.
pub(super) struct Active {
    pub(super) session: Session,
    pub(super) desk: Desk,
    /// It is left alone until there is something to read.
    pub(super) rests: bool,
    /// When a report was sent last.
    pub(super) reported: Option<Instant>,
}

impl Active {
    /// The next item; of a session that is left alone, once there is one to have.
    pub(super) async fn next(&mut self) -> Result<Item, SessionError> {
        while self.rests {
            if self.session.has_unread() {
                self.rests = false;
            } else {
                tokio::time::sleep(GLANCE).await;
            }
        }
        self.session.next().await
    }

    pub(super) fn stream_of(&self, kind: TrackKind) -> Option<usize> {
        self.session
            .assemblers()
            .find(|(_, assembler)| assembler.codec().kind() == kind)
            .map(|(index, _)| index)
    }
}

impl Work<'_> {
    pub(super) fn playing(&mut self, session: Session) {
        let now = Instant::now();
        self.line.on(Event::Playing, now);
        self.task.events.session_began(&session_summary(&session));
        let desk = Desk::new(&session, &mut self.outflow.clock);
        let active = Active {
            session,
            desk,
            rests: false,
            reported: None,
        };
        if self.kept.is_some() {
            self.fresh = Some(active);
        } else {
            self.keep(active);
        }
    }

    /// Makes a session the kept one.
    pub(super) fn keep(&mut self, active: Active) {
        let before = self.last_session;
        let session = &active.session;
        self.outflow
            .keep_tracks(|index| Some(session.assembler(index)?.codec()));
        for (index, assembler) in session.assemblers() {
            // Most cameras tell their parameters before the first unit: then all tracks are
            // known at once, and a recorder need not begin twice.
            if let Some(track) = assembler.track() {
                self.outflow.update_track(index, track);
            }
        }
        self.outflow.take_over(
            active.desk.has_video(),
            |kind| active.stream_of(kind),
            (before, active.desk.id),
        );
        self.last_session = Some(active.desk.id);
        if let Some(before) = before {
            self.outflow.clock.end(before);
        }
        self.heard = active.session.heard();
        self.kicked = false;
        if self.heard.is_some() {
            self.speaks_again();
        }
        self.kept = Some(active);
    }

    /// The fresh session takes the kept one's place, which is left.
    pub(super) fn splice(&mut self) {
        let Some(fresh) = self.fresh.take() else {
            return;
        };
        let old = self.kept.take();
        self.finish_kick(false);
        self.keep(fresh);
        self.line.on(Event::Spliced, Instant::now());
        self.task.events.hedge(HedgeOutcome::TookOver);
        // Its good-bye is said in the background.
        drop(old);
    }

    pub(super) async fn not_opened(&mut self, error: &SessionError) {
        self.outflow.note(error);
        if self.hedging {
            let refused = error.cause.is_refusal();
            self.task.events.hedge(if refused {
                HedgeOutcome::Refused
            } else {
                HedgeOutcome::Failed
            });
        }
        self.task.status.note(error);
        self.task.events.session_ended(error);
        self.line
            .on(Event::Ended(Slot::Fresh, error.cause), Instant::now());
        // Half a session may stand at the camera.
        if self.kept.is_none() && error.cause.leaves_link() {
            farewell(&self.group).await;
        }
    }

    pub(super) async fn ended(&mut self, slot: Slot, error: &SessionError) {
        let now = Instant::now();
        self.task.status.note(error);
        self.task.events.session_ended(error);
        let active = self.slot(slot).take();
        if let (Slot::Fresh, Some(fresh)) = (slot, &active) {
            self.outflow.forget_fresh(fresh.desk.id);
            self.task.events.hedge(HedgeOutcome::Failed);
            self.line.on(Event::Ended(slot, error.cause), now);
            return;
        }
        let Some(active) = active else { return };
        let flowed = self.line.silent_since(now).is_none();
        self.finish_kick(false);
        self.refuses_reports(&active, error, flowed, now);
        if flowed {
            self.outflow
                .lull(Begin::Ended, active.session.heard().unwrap_or(now));
            self.testify(None);
        }
        self.outflow.note(error);
        self.line.on(Event::Ended(slot, error.cause), now);
        self.leave(active, error.cause.leaves_link()).await;
    }

    /// A camera that ends the connection right after a report while all is well can't stand it.
    pub(super) fn refuses_reports(
        &mut self,
        active: &Active,
        error: &SessionError,
        flowed: bool,
        now: Instant,
    ) {
        let soon = |at: Instant| now.saturating_duration_since(at) < REPORT_ANSWER;
        if !(flowed && error.cause == EndCause::Closed && active.reported.is_some_and(soon)) {
            return;
        }
        // Once may be chance.
        self.report_strikes += 1;
        if self.report_strikes == REPORT_STRIKES_MAX {
            self.line.on(Event::NoReports, now);
            self.task.events.no_reports();
        }
    }

    /// The kept session is over: the fresh one, if there is one, goes on alone.
    pub(super) async fn leave(&mut self, active: Active, polite: bool) {
        let session = active.session;
        match self.fresh.take() {
            Some(fresh) => {
                self.keep(fresh);
                self.task.events.hedge(HedgeOutcome::TookOver);
                drop(session);
            }
            None => {
                self.heard = None;
                if polite && self.opening.is_none() {
                    session.close(&self.group).await;
                }
            }
        }
    }

    pub(super) async fn drop_session(&mut self, slot: Slot, why: Why) {
        let now = Instant::now();
        if slot == Slot::Fresh {
            let opening = self.opening.take();
            if opening.is_some() && self.kept.is_none() {
                drop(opening);
                return;
            }
            if let Some(fresh) = self.fresh.take() {
                self.outflow.forget_fresh(fresh.desk.id);
            }
            if why == Why::NoUnit {
                self.task.events.session_ended(&self.silent_error(why));
            }
            self.task.events.hedge(if why == Why::NotNeeded {
                HedgeOutcome::NotNeeded
            } else {
                HedgeOutcome::Failed
            });
            return;
        }
        let Some(active) = self.kept.take() else {
            return;
        };
        self.finish_kick(false);
        if why == Why::NotWanted {
            self.testify(None);
            (self.silent, self.unanswered) = (None, None);
            self.probes.clear();
            active.session.close(&self.group).await;
            return;
        }
        if why != Why::Silent && self.silent.is_none() {
            // It was not silent, and is away from now on.
            self.testify(None);
        }
        let error = self.silent_error(why);
        self.task.status.note(&error);
        self.task.events.session_ended(&error);
        self.outflow
            .lull(Begin::Silence, active.session.heard().unwrap_or(now));
        self.outflow.note(&error);
        // Over a path that is alive a good-bye is heard, and one with few sessions needs it.
        let polite = why == Why::Silent && !self.line.tolerance(now).second_session;
        self.leave(active, polite).await;
    }

    pub(super) fn silent_error(&self, why: Why) -> SessionError {
        let camera = &self.task.camera;
        let text = match why {
            Why::NoUnit => format!(
                "no unit arrived within {} s",
                camera.first_unit.as_secs_f64()
            ),
            Why::NoWholeUnit => {
                let limit = camera.silence.as_secs_f64();
                format!("no unit arrived for {limit} s although packets did")
            }
            _ => "the session stayed silent although the path is alive".to_owned(),
        };
        SessionError::new(EndCause::Silent, text)
    }

    pub(super) fn finish_kick(&mut self, resumed: bool) {
        if std::mem::take(&mut self.kicked) {
            self.task.events.kick(if resumed {
                KickOutcome::Resumed
            } else {
                KickOutcome::Unanswered
            });
        }
    }
}

fn session_summary(session: &Session) -> String {
    let codecs: Vec<_> = session
        .assemblers()
        .map(|(_, assembler)| assembler.codec().as_str())
        .collect();
    codecs.join("+")
}
