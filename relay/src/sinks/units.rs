//! Sinks: an instance that is handed coded units, and what feeds it.

use std::collections::HashSet;
use std::sync::Arc;

use wasmtime::component::ResourceTableError;

use super::bindings::forebay::plugin::media;
use super::bindings::{Sink, SinkPre};
use super::cell::{Cell, EndedInstance, Usage, configured, too_many_handles};
use super::engine::Engine;
use super::runner::Feed;
use super::sandbox::Sandbox;
use super::stderr::one_line;
use super::surroundings::Surroundings;
use crate::config::Limits;
use crate::hold::{Cursor, Lapse, TrackSet, Unit};
use crate::telemetry::{EndReason, SinkEvents};
use crate::units::CaptureTime;

/// Units handed over in one call at the most.
const UNITS_MAX: usize = 128;
/// Share of `held` that one call may hand over, so that a plugin may keep some from before.
const HELD_SHARE: usize = 4;

/// How much one call hands over at the most: units, and bytes of payload beyond the first.
pub(crate) fn batch_max(limits: &Limits) -> (usize, usize) {
    let units = UNITS_MAX.min((limits.handles / 2).max(1) as usize);
    (units, limits.held.as_usize() / HELD_SHARE)
}

/// A sink.
#[derive(Debug)]
pub struct SinkInstance {
    cell: Cell<Sink>,
    wanted: Wanted,
}

/// What an instance wants of which tracks.
#[derive(Debug, Default)]
struct Wanted {
    generation: Option<u64>,
    ids: HashSet<u32>,
    /// The next unit comes after a loss that the instance must know of.
    lapsed: bool,
}

/// What came of handing over units.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Handed {
    /// Those that the plugin wanted.
    pub units: usize,
    /// The plugin's own error: it goes on.
    pub error: Option<String>,
}

impl SinkInstance {
    pub(super) async fn start(
        engine: &Engine,
        pre: &SinkPre<Sandbox>,
        surroundings: &Surroundings,
    ) -> Result<Self, EndedInstance> {
        let mut cell = Cell::new(engine, surroundings, async |store| {
            pre.instantiate_async(store).await
        })
        .await?;
        let configuration = surroundings.configuration()?;
        let answer = cell
            .call(async |guest, store| guest.call_configure(store, &configuration).await)
            .await?;
        configured(answer)?;
        let wanted = Wanted::default();
        Ok(Self { cell, wanted })
    }

    /// Hands over units that have the same set of tracks; tells the tracks first where they are
    /// new.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn hand(&mut self, run: Vec<Arc<Unit>>) -> Result<Handed, EndedInstance> {
        let Some(first) = run.first() else {
            return Ok(Handed::default());
        };
        if self.wanted.generation != Some(first.tracks.generation) {
            let ids = self.tracks(&first.tracks).await?;
            self.wanted.generation = Some(first.tracks.generation);
            let real = |id: &u32| first.tracks.tracks.iter().any(|track| track.id == *id);
            self.wanted.ids = ids.into_iter().filter(real).collect();
        }
        let units: Vec<_> = run
            .into_iter()
            .filter(|unit| self.wanted.ids.contains(&unit.track.id))
            .collect();
        if units.is_empty() {
            return Ok(Handed::default());
        }
        let count = units.len();
        let lapsed = std::mem::take(&mut self.wanted.lapsed);
        let error = self.handle(units, lapsed).await?.err();
        Ok(Handed {
            units: count,
            error,
        })
    }

    /// What comes next comes after a loss.
    fn lapsed(&mut self) {
        self.wanted.lapsed = true;
    }

    async fn tracks(&mut self, set: &TrackSet) -> Result<Vec<u32>, EndedInstance> {
        let tracks: Vec<media::Track> = set
            .tracks
            .iter()
            .map(|track| media::Track::from(&**track))
            .collect();
        self.cell
            .call(async |guest, store| guest.call_tracks(store, &tracks).await)
            .await
    }

    /// `lapsed`: something before the first of them is lost to this plugin.
    async fn handle(
        &mut self,
        units: Vec<Arc<Unit>>,
        mut lapsed: bool,
    ) -> Result<Result<(), String>, EndedInstance> {
        let bytes: usize = units.iter().map(|unit| unit.payload.len()).sum();
        let (held, held_max) = (self.held().1, self.cell.limits().held);
        if held.saturating_add(bytes) > held_max.as_usize() {
            return Err(EndedInstance::new(
                EndReason::Held,
                format!(
                    "it keeps {held} bytes of payload and can't be given {bytes} more: `held` is \
                     {held_max}"
                ),
            ));
        }
        let mut handles = Vec::with_capacity(units.len());
        for unit in units {
            let sandbox = self.cell.sandbox_mut();
            match sandbox.hold_unit(unit, std::mem::take(&mut lapsed)) {
                Ok(handle) => handles.push(handle),
                Err(ResourceTableError::Full) => {
                    return Err(too_many_handles(self.cell.limits()));
                }
                Err(error) => {
                    return Err(EndedInstance::new(EndReason::Internal, error.to_string()));
                }
            }
        }
        let answer = self
            .cell
            .call(async |guest, store| guest.call_handle(store, &handles).await)
            .await?;
        Ok(answer.map_err(|text| one_line(&text)))
    }

    /// A second has passed.
    ///
    /// # Errors
    /// The instance is over.
    pub async fn tick(&mut self, now: CaptureTime) -> Result<(), EndedInstance> {
        self.cell
            .call(async |guest, store| guest.call_tick(store, now.unix_nanos()).await)
            .await
    }

    /// Last call.
    ///
    /// # Errors
    /// The instance did not end as it should; it is over all the same.
    pub async fn stop(&mut self) -> Result<(), EndedInstance> {
        self.cell
            .call(async |guest, store| guest.call_stop(store).await)
            .await
    }

    /// What it was handed and has not let go of: units and their bytes. If it ends against its will
    /// they are lost to it.
    fn held(&self) -> (usize, usize) {
        let sandbox = self.cell.sandbox();
        (sandbox.held_units, sandbox.held_bytes)
    }

    /// What it has used up so far.
    #[must_use]
    pub fn usage(&self) -> Usage {
        self.cell.usage()
    }
}

/// Feeds sinks from the hold.
#[derive(Debug)]
pub(super) struct UnitFeed {
    cursor: Cursor,
    surroundings: Surroundings,
    events: SinkEvents,
    /// Until when units are left to gather.
    gathered: tokio::time::Instant,
}

impl UnitFeed {
    pub(super) fn new(cursor: Cursor, surroundings: Surroundings, events: SinkEvents) -> Self {
        Self {
            cursor,
            surroundings,
            events,
            gathered: tokio::time::Instant::now(),
        }
    }

    /// The pause comes first: mostly units have gathered when it ends, and intake need not wake
    /// anybody.
    fn gather(&mut self) {
        self.gathered = tokio::time::Instant::now() + self.surroundings.sink.gather;
    }

    fn lost_with_it(&self, (units, bytes): (usize, usize)) {
        if units > 0 {
            let (units, bytes) = (units as u64, bytes as u64);
            self.events.lapse(&Lapse {
                units,
                bytes,
                groups: 1,
                after: None,
            });
        }
    }
}

impl Feed for UnitFeed {
    type Instance = SinkInstance;

    fn begin(&mut self, _instance: &mut SinkInstance) {
        self.gather();
    }

    async fn ready(&mut self) {
        tokio::time::sleep_until(self.gathered).await;
        self.cursor.ready().await;
    }

    /// Hands over everything that is in the hold now.
    async fn hand_over(&mut self, instance: &mut SinkInstance) -> Result<(), EndedInstance> {
        self.gather();
        let (units_max, bytes_max) = batch_max(&self.surroundings.sink.limits);
        // Bounded: what arrives during the calls is for the next round, so that ticks come through.
        let mut left = self.cursor.lag();
        while left > 0 {
            let batch = self.cursor.read(units_max, bytes_max);
            if let Some(lapse) = &batch.lapse {
                self.events.lapse(lapse);
                instance.lapsed();
                let why = format!("{} units were dropped: it was behind", lapse.units);
                self.surroundings.witness.lapse(lapse.after, &why);
            }
            if batch.units.is_empty() {
                return Ok(());
            }
            left = left.saturating_sub(batch.units.len() as u64);
            let mut runs = runs(batch.units).into_iter();
            while let Some(run) = runs.next() {
                let (held, at_stake) = (instance.held(), lapse_of(&run));
                let captured = at_stake.after;
                match instance.hand(run).await {
                    Ok(handed) => {
                        if let Some(text) = handed.error {
                            self.events.plugin_error(&text);
                        }
                        self.events.handed(handed.units);
                    }
                    Err(ended) => {
                        // The instance takes what it was given with it, and what it was to be
                        // given.
                        self.lost_with_it(held);
                        for lost in std::iter::once(at_stake).chain(runs.map(|run| lapse_of(&run)))
                        {
                            self.events.lapse(&lost);
                        }
                        return Err(ended);
                    }
                }
                if let Some(captured) = captured {
                    self.surroundings.witness.goes_on(captured);
                }
            }
        }
        Ok(())
    }

    async fn tick(
        &mut self,
        instance: &mut SinkInstance,
        now: CaptureTime,
    ) -> Result<(), EndedInstance> {
        self.events.lag(self.cursor.lag());
        let held = instance.held();
        let ticked = instance.tick(now).await;
        if ticked.is_err() {
            self.lost_with_it(held);
        }
        ticked
    }

    async fn stop(&mut self, instance: &mut SinkInstance) -> Result<(), EndedInstance> {
        // What arrived until now is still recorded.
        self.hand_over(instance).await?;
        instance.stop().await
    }

    fn over(&mut self, ended: Option<&EndedInstance>) {
        let Some(ended) = ended else {
            return;
        };
        // What the instance was given last may be lost with it.
        let why = format!("the plugin ended ({}): {ended}", ended.reason.as_str());
        let last = self.cursor.last_captured();
        self.surroundings.witness.lapse(last, &why);
        self.cursor.break_group();
        // What the hold has dropped meanwhile is told now, not when an instance stands again: that
        // may be never.
        if let Some(lapse) = self.cursor.read(0, 0).lapse {
            self.events.lapse(&lapse);
        }
        self.events.lag(self.cursor.lag());
    }
}

/// Splits units where the set of tracks changes.
pub(crate) fn runs(units: Vec<Arc<Unit>>) -> Vec<Vec<Arc<Unit>>> {
    let mut runs: Vec<Vec<Arc<Unit>>> = Vec::new();
    let mut generation = None;
    for unit in units {
        if generation.replace(unit.tracks.generation) == Some(unit.tracks.generation)
            && let Some(run) = runs.last_mut()
        {
            run.push(unit);
        } else {
            runs.push(vec![unit]);
        }
    }
    runs
}

/// What is lost if these units are.
fn lapse_of(run: &[Arc<Unit>]) -> Lapse {
    Lapse {
        units: run.len() as u64,
        bytes: run.iter().map(|unit| unit.payload.len() as u64).sum(),
        groups: run.iter().filter(|unit| unit.starts_group()).count().max(1) as u64,
        after: run.first().map(|unit| unit.captured),
    }
}
