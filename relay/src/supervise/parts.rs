//! All that runs, as far as another configuration can change it.

use std::sync::Arc;

use tokio::runtime::Handle;

use super::crew::Crew;
use super::member::Member;
use super::reload::{self, Next, Reload};
use super::{Shutdown, depot, heartbeat, systemd};
use crate::archive::Archive;
use crate::archive::ladder::{LadderHandle, LadderOptions};
use crate::archive::ledger::Ledger;
use crate::archive::scrub::Scrubber;
use crate::config::{Config, Secret};
use crate::outlet::Doors;
use crate::sinks::Engine;
use crate::telemetry::{ArchiveEvents, SupervisorEvents, Telemetry, logs};

/// What of a running relay another configuration may change.
pub(super) struct Parts {
    /// The one that it runs by.
    pub(super) config: Config,
    /// As it was read at the start.
    pub(super) token: Option<Secret>,
    pub(super) crew: Crew,
    pub(super) engine: Arc<Engine>,
    pub(super) ladder: Option<LadderHandle>,
    pub(super) scrubber: Option<Scrubber>,
    pub(super) heartbeat: Option<Member>,
    pub(super) doors: Doors,
    /// Of those who look on.
    pub(super) http_shutdown: Shutdown,
    pub(super) archive: Archive,
    pub(super) archive_events: ArchiveEvents,
    pub(super) ledger: Ledger,
    pub(super) telemetry: Arc<Telemetry>,
    pub(super) events: SupervisorEvents,
}

impl Parts {
    /// Follows the file as often as it is asked to; without one, for ever nothing. May be cut off at any
    /// time for the end of all that runs.
    pub(super) async fn follow(&mut self, reload: Option<Reload>) {
        let Some(mut reload) = reload else {
            return std::future::pending().await;
        };
        loop {
            reload.asked().await;
            systemd::reloading();
            let status = self.reload(&reload).await;
            systemd::ready(&status);
        }
    }

    /// Reads the configuration again, and follows it where it is right. Gives what to say of it.
    async fn reload(&mut self, reload: &Reload) -> String {
        let present = (&self.config, self.token.as_ref());
        match reload::read(reload.path(), present, &self.engine).await {
            Ok(next) => {
                let fixed = next.fixed.clone();
                self.take(next, reload.level_is_given()).await;
                match fixed.is_empty() {
                    true => "recording".to_owned(),
                    false => format!("recording; restart to apply: {}", fixed.join(", ")),
                }
            }
            Err(problems) => {
                self.events.reload_refused(&problems);
                let first = problems.lines().next().unwrap_or_default();
                format!("recording; the new configuration is refused: {first}")
            }
        }
    }

    async fn take(&mut self, next: Next, level_is_given: bool) {
        let Next {
            config,
            difference,
            fixed,
            plugins,
            warnings,
        } = next;
        for problem in &warnings {
            self.events.reload_warns(&problem.message, &problem.advice);
        }
        // What runs goes on with the code that it has; what is begun gets the new one.
        self.engine.replace(plugins);
        for camera in &config.cameras {
            self.archive_events.camera(&camera.name);
        }
        self.crew.change(&config, &difference).await;
        self.telemetry.keep_only(&config);
        self.doors.open(
            &config,
            self.archive.disk(),
            &self.crew.running(),
            &self.http_shutdown,
        );
        if difference.ladder {
            self.change_ladder(&config);
        }
        if difference.scrub {
            self.change_scrub(&config);
        }
        if difference.heartbeat || difference.is_other_set() {
            // The one before ends first.
            self.heartbeat = None;
            self.heartbeat = start_heartbeat(&config, &self.crew, &self.telemetry);
        }
        if difference.log_level && !level_is_given {
            logs::set_level(config.relay.log_level);
        }
        self.config = config;
        self.events.reload_fixed(&fixed);
        match difference.words() {
            words if words.is_empty() => self.events.reload_changed_nothing(),
            words => self.events.reloaded(&words.join("; ")),
        }
    }

    fn change_ladder(&mut self, next: &Config) {
        match &self.ladder {
            Some(ladder) => ladder.change(LadderOptions::new(next)),
            None => match depot::start_ladder(next, &self.archive, &self.ledger, &self.telemetry) {
                Ok(ladder) => self.ladder = ladder,
                Err(error) => tracing::error!(%error, "can't start the ladder"),
            },
        }
    }

    fn change_scrub(&mut self, next: &Config) {
        // It ends at its next file, and leaves behind where it was.
        self.scrubber = None;
        match depot::start_scrub(next, &self.archive, &self.ledger, &self.telemetry) {
            Ok(scrubber) => self.scrubber = scrubber,
            Err(error) => tracing::error!(%error, "can't start the scrub"),
        }
    }
}

/// Sends signs of life, where it is to.
pub(super) fn start_heartbeat(
    config: &Config,
    crew: &Crew,
    telemetry: &Arc<Telemetry>,
) -> Option<Member> {
    let heartbeat = config.heartbeat.clone()?;
    let cameras = config.cameras.iter().map(|c| c.name.clone()).collect();
    let (intake, telemetry) = (crew.intake(), Arc::clone(telemetry));
    let beating = heartbeat::beat(heartbeat, cameras, intake, telemetry);
    Some(Member::start(&Handle::current(), |_| beating))
}
