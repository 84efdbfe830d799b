//! What belongs to one instance on the host's side: its handles, its bounds, its empty WASI.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use wasmtime::component::ResourceTable;
use wasmtime_wasi::{WasiCtx, WasiCtxView, WasiView};

use super::account::Account;
use super::clock::CallClock;
use super::memory::MemoryBound;
use super::reporter::Tell;
use super::sieve::Flaw;
use super::stderr::Tail;
use super::surroundings::Surroundings;
use super::timepiece::Timepiece;
use super::witness::SinkWitness;
use crate::archive::Archive;
use crate::config::{Limits, LivePlan};
use crate::telemetry::SinkEvents;
use crate::units::{CameraName, CaptureTime, SinkName};

/// The state of a store.
pub(super) struct Sandbox {
    wasi: WasiCtx,
    pub(super) table: ResourceTable,
    pub(super) memory: MemoryBound,
    pub(super) clock: Arc<CallClock>,
    pub(super) tail: Tail,
    /// Payload bytes kept alive by handles.
    pub(super) held_bytes: usize,
    pub(super) held_units: usize,
    pub(super) open_objects: usize,
    pub(super) limits: Limits,
    /// Instants of which it wants the picture, as far as nobody has taken the question yet.
    pub(super) asked: VecDeque<CaptureTime>,
    account: Arc<Mutex<Account>>,
    timepiece: Timepiece,
    /// What one instance leaves to the next.
    pub(super) left: Arc<Mutex<Option<String>>>,
    pub(super) plan: LivePlan,
    pub(super) camera: CameraName,
    pub(super) sink: SinkName,
    /// `None` while a configuration is only being checked: then nothing can be written.
    pub(super) archive: Option<Archive>,
    /// `None` then, too.
    pub(super) events: Option<SinkEvents>,
    pub(super) witness: SinkWitness,
    pub(super) tell: Tell,
}

impl std::fmt::Debug for Sandbox {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Sandbox")
            .field("camera", &self.camera)
            .field("sink", &self.sink)
            .field("held_bytes", &self.held_bytes)
            .finish_non_exhaustive()
    }
}

impl Sandbox {
    pub(super) fn new(surroundings: &Surroundings) -> Self {
        let limits = surroundings.sink.limits;
        let tail = Tail::default();
        let mut wasi = WasiCtx::builder();
        wasi.stdout(tail.clone())
            .stderr(tail.clone())
            .max_random_size(64 * 1024);
        surroundings.timepiece.set(&mut wasi);
        let mut table = ResourceTable::new();
        table.set_max_capacity(limits.handles as usize);
        Self {
            wasi: wasi.build(),
            table,
            memory: MemoryBound::new(limits.memory.as_usize()),
            clock: Arc::new(CallClock::new()),
            tail,
            held_bytes: 0,
            held_units: 0,
            open_objects: 0,
            asked: VecDeque::new(),
            limits,
            account: Arc::clone(&surroundings.account),
            timepiece: surroundings.timepiece.clone(),
            left: Arc::clone(&surroundings.left),
            plan: surroundings.plan.clone(),
            camera: surroundings.camera.clone(),
            sink: surroundings.sink.name.clone(),
            archive: surroundings.archive.clone(),
            events: surroundings.events.clone(),
            witness: surroundings.witness.clone(),
            tell: surroundings.tell.clone(),
        }
    }

    /// Asks the plugin's allowances.
    pub(super) fn with_account<T>(&self, take: impl FnOnce(&mut Account, Instant) -> T) -> T {
        let mut account = self.account.lock().unwrap_or_else(PoisonError::into_inner);
        take(&mut account, self.timepiece.now())
    }

    pub(super) fn limit_hit(&self, limit: &'static str) {
        self.limit_hits(limit, 1);
    }

    pub(super) fn limit_hits(&self, limit: &'static str, requests: u64) {
        if let Some(events) = &self.events {
            events.limit_hit(limit, requests);
        }
    }

    pub(super) fn flawed_finding(&self, flaw: Flaw, text: &str) {
        if let Some(events) = &self.events {
            events.finding_flawed(flaw, text);
        }
    }
}

impl WasiView for Sandbox {
    fn ctx(&mut self) -> WasiCtxView<'_> {
        WasiCtxView {
            ctx: &mut self.wasi,
            table: &mut self.table,
        }
    }
}
