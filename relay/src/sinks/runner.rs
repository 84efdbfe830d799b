//! The task of one sink on one camera: makes an instance again when one ends, and feeds it, at its
//! own pace, with what its world is made for.

use std::future::Future;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::time::MissedTickBehavior;

use super::analysis::PictureFeed;
use super::cell::EndedInstance;
use super::engine::{Engine, World};
use super::instance::Instance;
use super::surroundings::Surroundings;
use super::units::UnitFeed;
use crate::hold::Cursor;
use crate::pictures::PictureBoard;
use crate::supervise::Shutdown;
use crate::telemetry::{EndReason, SinkEvents};
use crate::units::CaptureTime;

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
    /// Where a sink's units come from.
    pub cursor: Cursor,
    /// Where an analyzer's pictures come from.
    pub board: PictureBoard,
    /// Logs and metrics.
    pub events: SinkEvents,
}

/// What instances of one world are fed with.
pub(super) trait Feed {
    type Instance;

    /// There is a new instance.
    fn begin(&mut self, instance: &mut Self::Instance);
    /// Waits until there is something to hand over. Cancel-safe.
    fn ready(&mut self) -> impl Future<Output = ()> + Send;
    /// Hands it over.
    fn hand_over(
        &mut self,
        instance: &mut Self::Instance,
    ) -> impl Future<Output = Result<(), EndedInstance>> + Send;
    /// A second has passed.
    fn tick(
        &mut self,
        instance: &mut Self::Instance,
        now: CaptureTime,
    ) -> impl Future<Output = Result<(), EndedInstance>> + Send;
    /// Hands over what is left, and makes the last call.
    fn stop(
        &mut self,
        instance: &mut Self::Instance,
    ) -> impl Future<Output = Result<(), EndedInstance>> + Send;
    /// The instance is over, against its will where `ended` says why; or none could be made.
    fn over(&mut self, ended: Option<&EndedInstance>);
}

/// How serving an instance came to its end.
enum Served {
    ShutDown,
    Over(EndedInstance),
}

impl SinkTask {
    /// Runs until shutdown.
    pub async fn run(self, mut shutdown: Shutdown) {
        let Self {
            engine,
            surroundings,
            cursor,
            board,
            events,
        } = self;
        let mut units = UnitFeed::new(cursor, surroundings.clone(), events.clone());
        let mut pictures = PictureFeed::new(board, events.clone());
        let mut rest = REST_MIN;
        while !shutdown.is_requested() {
            let began = Instant::now();
            let (world, started) = start(&engine, &surroundings).await;
            if started.is_ok() {
                events.started();
            }
            let served = match started {
                Ok(Instance::Sink(instance)) => {
                    serve(&mut units, instance, &events, &mut shutdown).await
                }
                Ok(Instance::Analyzer(instance)) => {
                    serve(&mut pictures, instance, &events, &mut shutdown).await
                }
                Err(ended) => Served::Over(ended),
            };
            let Served::Over(ended) = served else {
                return;
            };
            if began.elapsed() > WELL_AFTER {
                rest = REST_MIN;
            }
            events.ended(ended.reason, &ended.message, rest);
            match world {
                Some(World::Analyzer) => pictures.over(Some(&ended)),
                // What can't be loaded may be meant to record.
                Some(World::Sink) | None => units.over(Some(&ended)),
            }
            tokio::select! {
                () = tokio::time::sleep(rest) => {}
                () = shutdown.requested() => {}
            }
            rest = (rest * 2).min(REST_MAX);
        }
    }
}

/// Loads the plugin and makes an instance; also tells the world, where the plugin could be loaded.
async fn start(
    engine: &Engine,
    surroundings: &Surroundings,
) -> (Option<World>, Result<Instance, EndedInstance>) {
    match engine.load(&surroundings.sink.plugin).await {
        Ok(plugin) => {
            let instance = Instance::start(engine, &plugin, surroundings).await;
            (Some(plugin.world()), instance)
        }
        Err(error) => {
            let ended = EndedInstance::new(EndReason::Load, error.to_string());
            (None, Err(ended))
        }
    }
}

/// Feeds an instance until it is over.
async fn serve<F: Feed>(
    feed: &mut F,
    mut instance: F::Instance,
    events: &SinkEvents,
    shutdown: &mut Shutdown,
) -> Served {
    let mut tick = tokio::time::interval(Duration::from_secs(1));
    tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
    feed.begin(&mut instance);
    loop {
        let called = tokio::select! {
            () = feed.ready() => feed.hand_over(&mut instance).await,
            _ = tick.tick() => feed.tick(&mut instance, CaptureTime::now()).await,
            () = shutdown.requested() => {
                stop(feed, instance, events).await;
                return Served::ShutDown;
            }
        };
        if let Err(ended) = called {
            return Served::Over(ended);
        }
    }
}

async fn stop<F: Feed>(feed: &mut F, mut instance: F::Instance, events: &SinkEvents) {
    let stopping = feed.stop(&mut instance);
    match tokio::time::timeout(STOP_TIME, stopping).await {
        Ok(Ok(())) => {
            events.stopped();
            feed.over(None);
        }
        Ok(Err(ended)) => {
            events.ended(ended.reason, &ended.message, Duration::ZERO);
            feed.over(Some(&ended));
        }
        Err(_) => {
            let text = "the last call did not end in time; what is open is repaired at the next \
                        start";
            events.ended(EndReason::Time, text, Duration::ZERO);
            feed.over(None);
        }
    }
}
