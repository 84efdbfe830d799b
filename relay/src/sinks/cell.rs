//! What every instance is, whichever its world: a store, and calls that end in time.

use std::future::Future;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use wasmtime::component::ResourceTableError;
use wasmtime::{Store, UpdateDeadline};

use super::clock::CallClock;
use super::engine::Engine;
use super::sandbox::Sandbox;
use super::stderr::one_line;
use super::surroundings::Surroundings;
use crate::config::Limits;
use crate::telemetry::EndReason;

/// How many times longer than the limit of its work a call may take in all: more is a guest that
/// sleeps in a call of the host, where epochs don't reach, and not a busy machine.
const IDLE_FACTOR: u32 = 2;
/// Bytes that one call carries out of the sandbox, at most.
const CARRIED_BYTES_MAX: usize = 128 << 20;
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

/// A running guest in its store. After an error it is of no more use: drop it.
pub(super) struct Cell<G> {
    store: Store<Sandbox>,
    guest: G,
    clock: Arc<CallClock>,
    limits: Limits,
    usage: Usage,
}

/// What an instance has used up.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Usage {
    /// Most linear memory in bytes: it never shrinks.
    pub memory_bytes: usize,
    /// Calls into the plugin.
    pub calls: u64,
}

impl<G> std::fmt::Debug for Cell<G> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Cell")
            .field("sandbox", self.store.data())
            .finish_non_exhaustive()
    }
}

impl<G> Cell<G> {
    /// Makes a store, and a guest in it by `make`.
    pub(super) async fn new(
        engine: &Engine,
        surroundings: &Surroundings,
        make: impl AsyncFnOnce(&mut Store<Sandbox>) -> wasmtime::Result<G>,
    ) -> Result<Self, EndedInstance> {
        let limits = surroundings.sink.limits;
        let sandbox = Sandbox::new(surroundings);
        let clock = Arc::clone(&sandbox.clock);
        let mut store = Store::new(engine.wasmtime(), sandbox);
        store.limiter(|sandbox| &mut sandbox.memory);
        // What one call may carry out of the sandbox: a list may name the same bytes many times.
        store.set_hostcall_fuel(limits.memory.as_usize().min(CARRIED_BYTES_MAX));
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
        let made = {
            let making = make(&mut store);
            in_time(&clock, limits.call, making).await
        };
        let guest = match made {
            Some(Ok(guest)) => guest,
            Some(Err(error)) => return Err(ended(&store, &limits, &error)),
            None => return Err(too_slow(&limits)),
        };
        Ok(Self {
            store,
            guest,
            clock,
            limits,
            usage: Usage::default(),
        })
    }

    /// Makes a call that ends in time, and accounts for it.
    pub(super) async fn call<T>(
        &mut self,
        call: impl AsyncFnOnce(&G, &mut Store<Sandbox>) -> wasmtime::Result<T>,
    ) -> Result<T, EndedInstance> {
        self.clock.begin();
        self.store.set_epoch_deadline(1);
        let result = {
            let calling = call(&self.guest, &mut self.store);
            in_time(&self.clock, self.limits.call, calling).await
        };
        let (busy, waited) = (self.clock.busy(), self.clock.storage());
        let sandbox = self.store.data();
        self.usage = Usage {
            memory_bytes: sandbox.memory.bytes,
            calls: self.usage.calls + 1,
        };
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

    pub(super) fn sandbox(&self) -> &Sandbox {
        self.store.data()
    }

    pub(super) fn sandbox_mut(&mut self) -> &mut Sandbox {
        self.store.data_mut()
    }

    pub(super) fn limits(&self) -> &Limits {
        &self.limits
    }

    pub(super) fn usage(&self) -> Usage {
        self.usage
    }
}

/// What `configure` answered, or why there is no instance.
pub(super) fn configured<T>(answer: Result<T, String>) -> Result<T, EndedInstance> {
    answer.map_err(|text| EndedInstance::new(EndReason::Refused, one_line(&text)))
}

pub(super) fn too_many_handles(limits: &Limits) -> EndedInstance {
    EndedInstance::new(
        EndReason::Handles,
        format!("it keeps more than {} handles (`handles`)", limits.handles),
    )
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
        return too_many_handles(limits);
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
