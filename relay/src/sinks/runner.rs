//! The task of one sink on one camera: reads at its own pace, makes an instance again when one
//! ends, and says what was lost meanwhile.

use std::collections::HashSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::time::MissedTickBehavior;

use super::engine::Engine;
use super::instance::{EndedInstance, Instance, Surroundings};
use crate::hold::{Cursor, Lapse, Unit};
use crate::supervise::Shutdown;
use crate::telemetry::{EndReason, SinkEvents};
use crate::units::CaptureTime;

/// Units handed over in one call at the most.
const UNITS_MAX: usize = 128;
/// Share of `held` that one call may hand over, so that a plugin may keep some from before.
const HELD_SHARE: usize = 4;
const REST_MIN: Duration = Duration::from_secs(1);
const REST_MAX: Duration = Duration::from_secs(60);
/// An instance that lived for so long was well: the next rest is short again.
const WELL_AFTER: Duration = Duration::from_secs(60);
/// How long the last call may take, disk included: within the time that shutdown has.
const STOP_TIME: Duration = Duration::from_millis(2600);

/// Drives one plugin for one camera.
#[derive(Debug)]
pub struct SinkTask {
    /// Where plugins come from.
    pub engine: Arc<Engine>,
    /// What the instance is made for.
    pub surroundings: Surroundings,
    /// Where its units come from.
    pub cursor: Cursor,
    /// Logs and metrics.
    pub events: SinkEvents,
}

/// How serving an instance came to its end.
enum Served {
    ShutDown,
    Over(EndedInstance),
}

impl SinkTask {
    /// Runs until shutdown.
    pub async fn run(mut self, mut shutdown: Shutdown) {
        let mut rest = REST_MIN;
        while !shutdown.is_requested() {
            let began = Instant::now();
            let ended = match self.start().await {
                Ok(instance) => match self.serve(instance, &mut shutdown).await {
                    Served::ShutDown => return,
                    Served::Over(ended) => ended,
                },
                Err(ended) => ended,
            };
            if began.elapsed() > WELL_AFTER {
                rest = REST_MIN;
            }
            self.events.ended(ended.reason, &ended.message, rest);
            self.witness_end(&ended);
            self.cursor.break_group();
            // What the hold has dropped meanwhile is told now, not when an instance stands again:
            // that may be never.
            if let Some(lapse) = self.cursor.read(0, 0).lapse {
                self.events.lapse(&lapse);
            }
            self.events.lag(self.cursor.lag());
            tokio::select! {
                () = tokio::time::sleep(rest) => {}
                () = shutdown.requested() => {}
            }
            rest = (rest * 2).min(REST_MAX);
        }
    }

    /// What the instance was given last may be lost with it.
    fn witness_end(&self, ended: &EndedInstance) {
        let why = format!("the plugin ended ({}): {ended}", ended.reason.as_str());
        let last = self.cursor.last_captured();
        self.surroundings.witness.lapse(last, &why);
    }

    async fn start(&self) -> Result<Instance, EndedInstance> {
        let plugin = self
            .engine
            .load(&self.surroundings.sink.plugin)
            .await
            .map_err(|error| EndedInstance::new(EndReason::Load, error.to_string()))?;
        let instance = Instance::start(&self.engine, &plugin, &self.surroundings).await?;
        self.events.started();
        Ok(instance)
    }

    async fn serve(&mut self, mut instance: Instance, shutdown: &mut Shutdown) -> Served {
        let mut tick = tokio::time::interval(Duration::from_secs(1));
        tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let mut wanted = Wanted::default();
        let gather = self.surroundings.sink.gather;
        // The pause comes first: mostly units have gathered when it ends, and intake need not wake
        // anybody.
        let mut gathered = tokio::time::Instant::now() + gather;
        loop {
            tokio::select! {
                () = ready_after(gathered, &mut self.cursor) => {
                    gathered = tokio::time::Instant::now() + gather;
                    if let Err(ended) = self.hand_over(&mut instance, &mut wanted).await {
                        return Served::Over(ended);
                    }
                }
                _ = tick.tick() => {
                    self.events.lag(self.cursor.lag());
                    let held = instance.held();
                    if let Err(ended) = instance.tick(CaptureTime::now()).await {
                        self.lost_with_it(held);
                        return Served::Over(ended);
                    }
                }
                () = shutdown.requested() => {
                    self.stop(instance, &mut wanted).await;
                    return Served::ShutDown;
                }
            }
        }
    }

    /// Hands over everything that is in the hold now.
    async fn hand_over(
        &mut self,
        instance: &mut Instance,
        wanted: &mut Wanted,
    ) -> Result<(), EndedInstance> {
        let limits = &self.surroundings.sink.limits;
        let bytes_max = limits.held.as_usize() / HELD_SHARE;
        let units_max = UNITS_MAX.min((limits.handles / 2).max(1) as usize);
        // Bounded: what arrives during the calls is for the next round, so that ticks come through.
        let mut left = self.cursor.lag();
        while left > 0 {
            let batch = self.cursor.read(units_max, bytes_max);
            if let Some(lapse) = &batch.lapse {
                self.events.lapse(lapse);
                wanted.lapsed = true;
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
                if let Err(ended) = self.hand_run(instance, wanted, run).await {
                    // The instance takes what it was given with it, and what it was to be given.
                    self.lost_with_it(held);
                    for lost in std::iter::once(at_stake).chain(runs.map(|run| lapse_of(&run))) {
                        self.events.lapse(&lost);
                    }
                    return Err(ended);
                }
                if let Some(captured) = captured {
                    self.surroundings.witness.goes_on(captured);
                }
            }
        }
        Ok(())
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

    /// Hands over units that have the same set of tracks.
    async fn hand_run(
        &self,
        instance: &mut Instance,
        wanted: &mut Wanted,
        run: Vec<Arc<Unit>>,
    ) -> Result<(), EndedInstance> {
        let Some(first) = run.first() else {
            return Ok(());
        };
        if wanted.generation != Some(first.tracks.generation) {
            let ids = instance.tracks(&first.tracks).await?;
            wanted.generation = Some(first.tracks.generation);
            let real = |id: &u32| first.tracks.tracks.iter().any(|track| track.id == *id);
            wanted.ids = ids.into_iter().filter(real).collect();
        }
        let units: Vec<_> = run
            .into_iter()
            .filter(|unit| wanted.ids.contains(&unit.track.id))
            .collect();
        if units.is_empty() {
            return Ok(());
        }
        let count = units.len();
        let lapsed = std::mem::take(&mut wanted.lapsed);
        if let Err(text) = instance.handle(units, lapsed).await? {
            self.events.plugin_error(&text);
        }
        self.events.handed(count);
        Ok(())
    }

    async fn stop(&mut self, mut instance: Instance, wanted: &mut Wanted) {
        let stopping = async {
            // What arrived until now is still recorded.
            self.hand_over(&mut instance, wanted).await?;
            instance.stop().await
        };
        match tokio::time::timeout(STOP_TIME, stopping).await {
            Ok(Ok(())) => self.events.stopped(),
            Ok(Err(ended)) => {
                self.events
                    .ended(ended.reason, &ended.message, Duration::ZERO);
                self.witness_end(&ended);
            }
            Err(_) => {
                let text = "the last call did not end in time; what is open is repaired at the \
                            next start";
                self.events.ended(EndReason::Time, text, Duration::ZERO);
            }
        }
    }
}

/// Waits until this instant is past and there is something to hand over. Cancel-safe.
async fn ready_after(instant: tokio::time::Instant, cursor: &mut Cursor) {
    tokio::time::sleep_until(instant).await;
    cursor.ready().await;
}

/// What an instance wants of which tracks.
#[derive(Debug, Default)]
struct Wanted {
    generation: Option<u64>,
    ids: HashSet<u32>,
    /// The next unit comes after a loss that the instance must know of.
    lapsed: bool,
}

/// Splits units where the set of tracks changes.
fn runs(units: Vec<Arc<Unit>>) -> Vec<Vec<Arc<Unit>>> {
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
