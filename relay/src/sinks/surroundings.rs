//! What an instance is made for.

use std::sync::{Arc, Mutex};

use super::account::Account;
use super::bindings::forebay::plugin::setting::Configuration;
use super::cell::EndedInstance;
use super::reporter::Tell;
use super::timepiece::Timepiece;
use super::witness::SinkWitness;
use crate::archive::Archive;
use crate::archive::ledger::Ledger;
use crate::config::{self, LivePlan, Plan, Site};
use crate::telemetry::{EndReason, SinkEvents};
use crate::units::CameraName;

/// What an instance is made for.
#[derive(Debug, Clone)]
pub struct Surroundings {
    /// Whose media it gets.
    pub camera: CameraName,
    /// Where the camera stands.
    pub site: Arc<Site>,
    /// What was configured.
    pub sink: Arc<config::Sink>,
    /// Where objects go; `None` while a configuration is only being checked.
    pub archive: Option<Archive>,
    /// Logs and metrics; `None` then, too.
    pub events: Option<SinkEvents>,
    pub(super) plan: LivePlan,
    pub(super) tell: Tell,
    pub(super) timepiece: Timepiece,
    pub(super) account: Arc<Mutex<Account>>,
    /// What one instance leaves to the next.
    pub(super) left: Arc<Mutex<Option<String>>>,
    pub(super) witness: SinkWitness,
}

impl Surroundings {
    /// For a sink on a camera that is always wanted.
    #[must_use]
    pub fn new(
        camera: CameraName,
        site: Arc<Site>,
        sink: Arc<config::Sink>,
        archive: Option<Archive>,
        events: Option<SinkEvents>,
    ) -> Self {
        let timepiece = Timepiece::default();
        let account = Account::new(&sink.limits, timepiece.now());
        Self {
            camera,
            site,
            sink,
            archive,
            events,
            plan: Plan::always().into(),
            tell: Tell::default(),
            account: Arc::new(Mutex::new(account)),
            left: Arc::default(),
            timepiece,
            witness: SinkWitness::default(),
        }
    }

    /// The same, which tells the ledger what goes wrong.
    #[must_use]
    pub fn with_ledger(mut self, ledger: &Ledger) -> Self {
        self.witness = SinkWitness::new(ledger, self.camera.clone(), self.sink.name.clone());
        self
    }

    /// The same, of a camera that is not always wanted.
    #[must_use]
    pub fn with_plan(mut self, plan: impl Into<LivePlan>) -> Self {
        self.plan = plan.into();
        self
    }

    /// The same, whose findings go somewhere.
    #[must_use]
    pub fn with_findings(mut self, tell: Tell) -> Self {
        self.tell = tell;
        self
    }

    /// The same by another clock, with whole allowances.
    #[must_use]
    pub fn with_timepiece(mut self, timepiece: Timepiece) -> Self {
        let account = Account::new(&self.sink.limits, timepiece.now());
        self.account = Arc::new(Mutex::new(account));
        self.timepiece = timepiece;
        self
    }

    pub(super) fn configuration(&self) -> Result<Configuration, EndedInstance> {
        let settings = serde_json::to_string(&self.sink.settings)
            .map_err(|error| EndedInstance::new(EndReason::Refused, error.to_string()))?;
        Ok(Configuration {
            camera: self.camera.to_string(),
            sink: self.sink.name.to_string(),
            site: self.site.name.to_string(),
            time_zone: self.site.time_zone_name.clone(),
            latitude: self.site.position.map(|position| position.latitude),
            longitude: self.site.position.map(|position| position.longitude),
            settings,
        })
    }
}
