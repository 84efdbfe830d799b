//! What belongs to one instance on the host's side: its handles, its bounds, its empty WASI.

use std::sync::{Arc, Mutex};

use wasmtime::component::ResourceTable;
use wasmtime_wasi::{WasiCtx, WasiCtxView, WasiView};

use super::account::Account;
use super::clock::CallClock;
use super::stderr::Tail;
use super::witness::SinkWitness;
use crate::archive::Archive;
use crate::config::Limits;
use crate::telemetry::SinkEvents;
use crate::units::{CameraName, SinkName};

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
    pub(super) account: Arc<Mutex<Account>>,
    pub(super) camera: CameraName,
    pub(super) sink: SinkName,
    /// `None` while a configuration is only being checked: then nothing can be written.
    pub(super) archive: Option<Archive>,
    /// `None` then, too.
    pub(super) events: Option<SinkEvents>,
    pub(super) witness: SinkWitness,
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
    pub(super) fn new(
        limits: &Limits,
        account: Arc<Mutex<Account>>,
        camera: CameraName,
        sink: SinkName,
        archive: Option<Archive>,
        events: Option<SinkEvents>,
        witness: SinkWitness,
    ) -> Self {
        let tail = Tail::default();
        let wasi = WasiCtx::builder()
            .stdout(tail.clone())
            .stderr(tail.clone())
            .max_random_size(64 * 1024)
            .build();
        let mut table = ResourceTable::new();
        table.set_max_capacity(limits.handles as usize);
        Self {
            wasi,
            table,
            memory: MemoryBound::new(limits.memory.as_usize()),
            clock: Arc::new(CallClock::new()),
            tail,
            held_bytes: 0,
            held_units: 0,
            open_objects: 0,
            limits: *limits,
            account,
            camera,
            sink,
            archive,
            events,
            witness,
        }
    }

    pub(super) fn limit_hit(&self, limit: &'static str) {
        if let Some(events) = &self.events {
            events.limit_hit(limit);
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

/// Bounds linear memory and remembers that it said no: a guest that is denied memory ends in a
/// trap which looks like any other.
#[derive(Debug)]
pub(super) struct MemoryBound {
    bytes_max: usize,
    /// Of all memories of the instance.
    pub(super) bytes: usize,
    pub(super) denied: bool,
    /// Of all tables of the instance.
    table_elements: usize,
}

/// Function tables of real guests have some thousand entries.
const TABLE_ELEMENTS_MAX: usize = 100_000;

impl MemoryBound {
    fn new(bytes_max: usize) -> Self {
        Self {
            bytes_max,
            bytes: 0,
            denied: false,
            table_elements: 0,
        }
    }
}

/// A component of one program has a handful of core modules, adapters among them.
const MODULES_MAX: usize = 64;

impl wasmtime::ResourceLimiter for MemoryBound {
    fn instances(&self) -> usize {
        MODULES_MAX
    }

    fn memories(&self) -> usize {
        MODULES_MAX
    }

    fn tables(&self) -> usize {
        MODULES_MAX
    }

    fn memory_growing(
        &mut self,
        current: usize,
        desired: usize,
        _maximum: Option<usize>,
    ) -> wasmtime::Result<bool> {
        let bytes = self.bytes.saturating_add(desired.saturating_sub(current));
        if bytes > self.bytes_max {
            self.denied = true;
            return Ok(false);
        }
        self.bytes = bytes;
        Ok(true)
    }

    fn table_growing(
        &mut self,
        current: usize,
        desired: usize,
        _maximum: Option<usize>,
    ) -> wasmtime::Result<bool> {
        let elements = self
            .table_elements
            .saturating_add(desired.saturating_sub(current));
        if elements > TABLE_ELEMENTS_MAX {
            return Ok(false);
        }
        self.table_elements = elements;
        Ok(true)
    }
}
