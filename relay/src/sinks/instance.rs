//! One instance of a plugin: a store, and calls that end in time.

use std::future::Future;
use std::pin::pin;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use wasmtime::component::ResourceTableError;
use wasmtime::{Store, UpdateDeadline};

use super::account::Account;
use super::bindings::Sink;
use super::bindings::forebay::plugin::media;
use super::bindings::forebay::plugin::setting::Configuration;
use super::clock::CallClock;
use super::engine::{Engine, Plugin};
use super::sandbox::Sandbox;
use super::stderr::one_line;
use super::witness::SinkWitness;
use crate::archive::Archive;
use crate::archive::ledger::Ledger;
use crate::config::{self, Limits, Site};
use crate::hold::{TrackSet, Unit};
use crate::telemetry::{EndReason, SinkEvents};
use crate::units::{CameraName, CaptureTime};

/// How many times longer than the limit of its work a call may take in all: more is a guest that
/// sleeps in a call of the host, where epochs don't reach, and not a busy machine.
const IDLE_FACTOR: u32 = 2;
/// Least pause between two looks at it.
const LOOK: Duration = Duration::from_millis(500);

/// An instance that is over, with its reason.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{message}")]
pub struct EndedInstance {
    /// For policy and metrics.
    pub reason: EndReason,
    /// For people: one line.
    pub message: String,
}

impl EndedInstance {
    pub(super) fn new(reason: EndReason, message: impl Into<String>) -> Self {
        Self {
            reason,
            message: message.into(),
        }
    }
}

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
    pub(super) account: Arc<Mutex<Account>>,
    pub(super) witness: SinkWitness,
}

impl Surroundings {
    /// For a sink on a camera.
    #[must_use]
    pub fn new(
        camera: CameraName,
        site: Arc<Site>,
        sink: Arc<config::Sink>,
        archive: Option<Archive>,
        events: Option<SinkEvents>,
    ) -> Self {
        let account = Arc::new(Mutex::new(Account::new(&sink.limits, Instant::now())));
        Self {
            camera,
            site,
            sink,
            archive,
            events,
            account,
            witness: SinkWitness::default(),
        }
    }

    /// The same, which tells the ledger what goes wrong.
    #[must_use]
    pub fn with_ledger(mut self, ledger: &Ledger) -> Self {
        self.witness = SinkWitness::new(ledger, self.camera.clone(), self.sink.name.clone());
        self
    }

    fn configuration(&self) -> Result<Configuration, EndedInstance> {
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

/// A configured instance. After an error it is of no more use: drop it.
pub struct Instance {
    store: Store<Sandbox>,
    guest: Sink,
    clock: Arc<CallClock>,
    limits: Limits,
}

impl std::fmt::Debug for Instance {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Instance")
            .field("sandbox", self.store.data())
            .finish_non_exhaustive()
    }
}

impl Instance {
    /// Makes an instance and configures it.
    ///
    /// # Errors
    /// When it refuses, or does not come through its first calls.
    pub async fn start(
        engine: &Engine,
        plugin: &Plugin,
        surroundings: &Surroundings,
    ) -> Result<Self, EndedInstance> {
        let limits = surroundings.sink.limits;
        let sandbox = Sandbox::new(
            &limits,
            Arc::clone(&surroundings.account),
            surroundings.camera.clone(),
            surroundings.sink.name.clone(),
            surroundings.archive.clone(),
            surroundings.events.clone(),
            surroundings.witness.clone(),
        );
        let clock = Arc::clone(&sandbox.clock);
        let mut store = Store::new(engine.wasmtime(), sandbox);
        store.limiter(|sandbox| &mut sandbox.memory);
        // Every tick of the epoch a running guest gives way to other tasks and its time is looked
        // at; what counts is its own time, not the disk's.
        store.epoch_deadline_callback(move |context| {
            let sandbox = context.data();
            if sandbox.clock.busy() > sandbox.limits.call {
                Ok(UpdateDeadline::Interrupt)
            } else {
                Ok(UpdateDeadline::Yield(1))
            }
        });
        clock.begin();
        store.set_epoch_deadline(1);
        let making = plugin.pre.instantiate_async(&mut store);
        let guest = match in_time(&clock, limits.call, making).await {
            Some(Ok(guest)) => guest,
            Some(Err(error)) => return Err(ended(&store, &limits, &error)),
            None => return Err(too_slow(&limits)),
        };
        let mut instance = Self {
            store,
            guest,
            clock,
            limits,
        };
        let configuration = surroundings.configuration()?;
        let answer = instance
            .call(async |guest, store| guest.call_configure(store, &configuration).await)
            .await?;
        match answer {
            Ok(()) => Ok(instance),
            Err(text) => Err(EndedInstance::new(EndReason::Refused, one_line(&text))),
        }
    }

    /// Tells the tracks; returns the ids of those wanted.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn tracks(&mut self, set: &TrackSet) -> Result<Vec<u32>, EndedInstance> {
        let tracks: Vec<media::Track> = set
            .tracks
            .iter()
            .map(|track| media::Track::from(&**track))
            .collect();
        self.call(async |guest, store| guest.call_tracks(store, &tracks).await)
            .await
    }

    /// Hands units over; `lapsed`: something before the first of them is lost to this plugin. The
    /// inner error is the plugin's own: it goes on.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn handle(
        &mut self,
        units: Vec<Arc<Unit>>,
        mut lapsed: bool,
    ) -> Result<Result<(), String>, EndedInstance> {
        let bytes: usize = units.iter().map(|unit| unit.payload.len()).sum();
        let held_max = self.limits.held.as_usize();
        if self.store.data().held_bytes.saturating_add(bytes) > held_max {
            return Err(EndedInstance::new(
                EndReason::Held,
                format!(
                    "it keeps {} bytes of payload and can't be given {bytes} more: `held` is {}",
                    self.store.data().held_bytes,
                    self.limits.held
                ),
            ));
        }
        let mut handles = Vec::with_capacity(units.len());
        for unit in units {
            match self
                .store
                .data_mut()
                .hold_unit(unit, std::mem::take(&mut lapsed))
            {
                Ok(handle) => handles.push(handle),
                Err(ResourceTableError::Full) => return Err(self.too_many_handles()),
                Err(error) => {
                    return Err(EndedInstance::new(EndReason::Internal, error.to_string()));
                }
            }
        }
        let answer = self
            .call(async |guest, store| guest.call_handle(store, &handles).await)
            .await?;
        Ok(answer.map_err(|text| one_line(&text)))
    }

    /// A second has passed.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn tick(&mut self, now: CaptureTime) -> Result<(), EndedInstance> {
        self.call(async |guest, store| guest.call_tick(store, now.unix_nanos()).await)
            .await
    }

    /// Last call.
    ///
    /// # Errors
    /// The instance did not end as it should; it is over all the same.
    pub async fn stop(mut self) -> Result<(), EndedInstance> {
        self.call(async |guest, store| guest.call_stop(store).await)
            .await
    }

    /// What it was handed and has not let go of: units and their bytes. If it ends against its will
    /// they are lost to it.
    #[must_use]
    pub fn held(&self) -> (usize, usize) {
        let sandbox = self.store.data();
        (sandbox.held_units, sandbox.held_bytes)
    }

    fn too_many_handles(&self) -> EndedInstance {
        EndedInstance::new(
            EndReason::Handles,
            format!(
                "it keeps more than {} handles (`handles`)",
                self.limits.handles
            ),
        )
    }

    /// Makes a call that ends in time, and accounts for it.
    async fn call<T>(
        &mut self,
        call: impl AsyncFnOnce(&Sink, &mut Store<Sandbox>) -> wasmtime::Result<T>,
    ) -> Result<T, EndedInstance> {
        self.clock.begin();
        self.store.set_epoch_deadline(1);
        let result = {
            let calling = call(&self.guest, &mut self.store);
            in_time(&self.clock, self.limits.call, calling).await
        };
        let (busy, waited) = (self.clock.busy(), self.clock.storage());
        let sandbox = self.store.data();
        if let Some(events) = &sandbox.events {
            let held = (sandbox.held_bytes, sandbox.held_units);
            events.called(busy, waited, sandbox.memory.bytes, held);
        }
        match result {
            Some(Ok(value)) => Ok(value),
            Some(Err(error)) => Err(ended(&self.store, &self.limits, &error)),
            None => Err(too_slow(&self.limits)),
        }
    }
}

/// `None` when the call used up its time without being at work.
async fn in_time<T>(
    clock: &CallClock,
    limit: Duration,
    calling: impl Future<Output = T>,
) -> Option<T> {
    let calling = pin!(calling);
    let mut calling = pin!(clock.work(calling));
    let in_all = limit * IDLE_FACTOR + LOOK;
    let mut pause = in_all;
    loop {
        match tokio::time::timeout(pause, &mut calling).await {
            Ok(result) => return Some(result),
            // What is left of its time; at least a little, for it may be waiting for a disk.
            Err(_) => pause = in_all.checked_sub(clock.elapsed())?.max(LOOK),
        }
    }
}

fn too_slow(limits: &Limits) -> EndedInstance {
    EndedInstance::new(
        EndReason::Time,
        format!(
            "a call took longer than {} s (`call_seconds`)",
            limits.call.as_secs_f64()
        ),
    )
}

/// Why a call trapped, as far as can be told.
fn ended(store: &Store<Sandbox>, limits: &Limits, error: &wasmtime::Error) -> EndedInstance {
    let sandbox = store.data();
    if matches!(error.downcast_ref(), Some(wasmtime::Trap::Interrupt)) {
        return too_slow(limits);
    }
    if matches!(error.downcast_ref(), Some(ResourceTableError::Full)) {
        return EndedInstance::new(
            EndReason::Handles,
            format!("it keeps more than {} handles (`handles`)", limits.handles),
        );
    }
    let said = sandbox.tail.text();
    let detail = match error.downcast_ref::<wasmtime::Trap>() {
        Some(trap) => trap.to_string(),
        None => one_line(&error.root_cause().to_string()),
    };
    let (reason, text) = if sandbox.memory.denied {
        let text = format!(
            "it wanted more memory than {} (`memory`): {detail}",
            limits.memory
        );
        (EndReason::Memory, text)
    } else {
        (EndReason::Trap, detail)
    };
    let text = if said.is_empty() {
        text
    } else {
        format!("{text}; it said: {said}")
    };
    EndedInstance::new(reason, text)
}
