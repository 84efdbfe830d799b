//! Drives an instance over footage.

use std::fmt::Display;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::lens::Lens;
use super::meter::Figures;
use super::outcome::Outcome;
use crate::archive::Archive;
use crate::config::{self, Plan, Site};
use crate::hold::Unit;
use crate::pictures::{Decoder, DecoderOptions, Picture, Source};
use crate::sinks::{
    AnalyzerInstance, EndedInstance, Engine, Instance, LoadError, SinkInstance, Surroundings, Tell,
    Timepiece, Told, Usage, batch_max, runs,
};
use crate::telemetry::{SinkEvents, Telemetry};
use crate::units::{CameraName, CaptureTime};

const SECOND: i64 = 1_000_000_000;
/// Seconds that are counted out where nothing was captured; a longer stretch is leapt over.
const TICKS_MAX: i64 = 24 * 3600;

/// What a plugin is tried with.
#[derive(Debug, Clone)]
pub struct Stage {
    /// The camera that the plugin is told of.
    pub camera: CameraName,
    /// Where it stands.
    pub site: Site,
    /// When it is wanted.
    pub plan: Plan,
    /// The plugin, its settings and its limits.
    pub sink: config::Sink,
    /// Which of a camera's streams the footage stands for; nothing: the one that the analyzer
    /// wants.
    pub source: Option<Source>,
    /// What decoding may use.
    pub decoder: DecoderOptions,
    /// Where objects go.
    pub archive: Archive,
    /// What the input is called.
    pub input: String,
}

/// How far a trial is.
#[derive(Debug, Clone, Copy)]
pub struct Progress {
    /// Capture time of the newest unit.
    pub at: CaptureTime,
    /// Length of the footage so far.
    pub footage: Duration,
    /// Findings so far.
    pub findings: usize,
}

/// Why there is no outcome.
#[derive(Debug, thiserror::Error)]
pub enum TrialError {
    /// The plugin can't be loaded.
    #[error("{0}")]
    Load(#[from] LoadError),
    /// It refuses its settings, or does not come through its first calls.
    #[error("the plugin does not start ({reason}): {0}", reason = .0.reason.as_str())]
    Start(EndedInstance),
    /// Nothing of the footage can be read.
    #[error("{0}")]
    Input(String),
    /// There is none.
    #[error("there is no footage in {0}")]
    Empty(String),
}

/// Tries a plugin on footage. `progress` is called with each unit.
///
/// # Errors
/// [`TrialError`]. A plugin that ends on its way is an [`Outcome`] that says so.
pub async fn run<E: Display>(
    engine: &Arc<Engine>,
    stage: Stage,
    units: impl Iterator<Item = Result<Arc<Unit>, E>>,
    mut progress: impl FnMut(&Progress),
) -> Result<(Outcome, Figures), TrialError> {
    let began = Instant::now();
    let plugin = engine.load(&stage.sink.plugin).await?;
    let mut units = units.peekable();
    let mut unreadable = Vec::new();
    let begin = loop {
        match units.peek() {
            Some(Ok(unit)) => break unit.captured,
            Some(Err(error)) => unreadable.push(error.to_string()),
            None => {
                return Err(match unreadable.into_iter().next() {
                    Some(error) => TrialError::Input(error),
                    None => TrialError::Empty(stage.input),
                });
            }
        }
        units.next();
    };
    let mut trial = Trial::new(&stage, begin);
    for error in unreadable {
        trial.outcome.seen.unreadable(error);
    }
    trial.outcome.world = Some(plugin.world());
    let surroundings = trial.surroundings(&stage);
    let starting = Instance::start(engine, &plugin, &surroundings);
    let instance = trial.figures.call("configure", starting).await;
    let mut actor = match instance.map_err(TrialError::Start)? {
        Instance::Sink(instance) => Actor::Sink {
            instance,
            pending: Vec::new(),
            bytes: 0,
        },
        Instance::Analyzer(instance) => {
            let request = instance.wish().request;
            let source = stage.source.unwrap_or(request.source);
            let decoder = Decoder::new(Arc::clone(engine), stage.decoder.clone());
            Actor::Analyzer {
                instance,
                lens: Box::new(Lens::new(decoder, request, source)),
            }
        }
    };
    let mut ended = None;
    for unit in units {
        let unit = match unit {
            Ok(unit) => unit,
            // One broken file of a stretch hides no other.
            Err(error) => {
                trial.outcome.seen.unreadable(error.to_string());
                continue;
            }
        };
        trial.arrived(&unit);
        if let Err(over) = trial.step(&mut actor, unit).await {
            ended = Some(over);
            break;
        }
        progress(&trial.progress());
    }
    if ended.is_none() {
        ended = trial.finish(&mut actor).await.err();
    }
    let usage = actor.usage();
    // An instance that is over ends the states that it has left open.
    drop(actor);
    trial.gather();
    trial.figures.compiled = engine.compiled();
    Ok(trial.into_outcome(ended, usage, began))
}

/// The plugin at work.
enum Actor {
    Sink {
        instance: SinkInstance,
        /// Units that gather for one call.
        pending: Vec<Arc<Unit>>,
        bytes: usize,
    },
    Analyzer {
        instance: AnalyzerInstance,
        lens: Box<Lens>,
    },
}

impl Actor {
    fn usage(&self) -> Usage {
        match self {
            Self::Sink { instance, .. } => instance.usage(),
            Self::Analyzer { instance, .. } => instance.usage(),
        }
    }
}

/// What the plugin has said in a call.
#[derive(Default)]
struct Said {
    told: Vec<Told>,
    gauges: Vec<(String, f64)>,
}

struct Trial {
    timepiece: Timepiece,
    telemetry: Arc<Telemetry>,
    events: SinkEvents,
    said: Arc<Mutex<Said>>,
    outcome: Outcome,
    figures: Figures,
    sink: config::Sink,
    begin: CaptureTime,
    /// The newest capture time.
    now: CaptureTime,
    /// What the plugin is looking at.
    scene: CaptureTime,
    /// When the next second is over, in nanoseconds.
    tick: i64,
}

impl Trial {
    fn new(stage: &Stage, begin: CaptureTime) -> Self {
        let telemetry = Arc::new(Telemetry::new());
        let sink = stage.sink.clone();
        let plugin = match &sink.plugin {
            config::Plugin::Builtin(name) => PathBuf::from(format!("builtin:{name}")),
            config::Plugin::File(path) => path.clone(),
        };
        Self {
            events: SinkEvents::new(&telemetry, &stage.camera, &sink.name, &sink.limits),
            telemetry,
            timepiece: Timepiece::footage(begin),
            said: Arc::default(),
            outcome: Outcome {
                plugin: plugin.display().to_string(),
                input: stage.input.clone(),
                memory_bytes_max: sink.limits.memory.bytes(),
                ..Outcome::default()
            },
            figures: Figures::default(),
            sink,
            begin,
            now: begin,
            scene: begin,
            tick: begin.unix_nanos(),
        }
    }

    fn surroundings(&self, stage: &Stage) -> Surroundings {
        let [told, gauges] = [&self.said, &self.said].map(Arc::clone);
        Surroundings::new(
            stage.camera.clone(),
            Arc::new(stage.site.clone()),
            Arc::new(stage.sink.clone()),
            Some(stage.archive.clone()),
            Some(self.events.clone()),
        )
        .with_plan(stage.plan.clone())
        .with_timepiece(self.timepiece.clone())
        .with_findings(
            Tell::to(move |_, finding| locked(&told).told.push(finding)).and_gauges_to(
                move |name, value| locked(&gauges).gauges.push((name.to_owned(), value)),
            ),
        )
    }

    fn arrived(&mut self, unit: &Unit) {
        self.now = self.now.max(unit.captured);
        self.outcome.units += 1;
        self.outcome.span = Some((self.begin, self.now));
    }

    fn progress(&self) -> Progress {
        let nanos = self
            .now
            .unix_nanos()
            .saturating_sub(self.begin.unix_nanos());
        Progress {
            at: self.now,
            footage: Duration::from_nanos(nanos.max(0).unsigned_abs()),
            findings: self.outcome.findings.len(),
        }
    }

    /// Takes what the plugin has found.
    fn gather(&mut self) {
        let said = std::mem::take(&mut *locked(&self.said));
        for finding in said.told {
            self.outcome.told(finding);
        }
        for (name, value) in said.gauges {
            self.outcome.gauge(name, self.scene, value);
        }
    }

    /// The seconds up to now, then a unit.
    async fn step(&mut self, actor: &mut Actor, unit: Arc<Unit>) -> Result<(), EndedInstance> {
        self.seconds(actor).await?;
        self.timepiece.advance(self.now);
        match actor {
            Actor::Sink { pending, bytes, .. } => {
                let (units_max, bytes_max) = batch_max(&self.sink.limits);
                *bytes += unit.payload.len();
                let full = pending.len() + 1 >= units_max || *bytes > bytes_max;
                let waited = pending.first().map_or(0, |first| {
                    unit.captured
                        .unix_nanos()
                        .saturating_sub(first.captured.unix_nanos())
                });
                let gather = i64::try_from(self.sink.gather.as_nanos()).unwrap_or(i64::MAX);
                pending.push(unit);
                if full || waited >= gather {
                    self.hand_over(actor).await?;
                }
            }
            Actor::Analyzer { lens, .. } => {
                let decoding = Instant::now();
                let pictures = lens.take(&unit, &mut self.outcome.seen).await;
                self.figures.decoding += decoding.elapsed();
                for picture in pictures {
                    self.show(actor, &picture).await?;
                }
            }
        }
        Ok(())
    }

    /// The seconds of the footage that are over.
    async fn seconds(&mut self, actor: &mut Actor) -> Result<(), EndedInstance> {
        let now = self.now.unix_nanos();
        if now.saturating_sub(self.tick) > TICKS_MAX * SECOND {
            self.outcome.seen.leaps += 1;
            self.tick = now;
        }
        while self.tick <= now {
            let at = CaptureTime::from_unix_nanos(self.tick);
            // A damaged time may be the last that there is.
            let Some(next) = self.tick.checked_add(SECOND) else {
                break;
            };
            self.tick = next;
            self.hand_over(actor).await?;
            self.timepiece.advance(at);
            self.scene = at;
            match actor {
                Actor::Sink { instance, .. } => {
                    self.figures.call("tick", instance.tick(at)).await?;
                }
                Actor::Analyzer { instance, .. } => {
                    self.figures.call("tick", instance.tick(at)).await?;
                }
            }
            self.settle(actor);
        }
        Ok(())
    }

    /// Units that have gathered.
    async fn hand_over(&mut self, actor: &mut Actor) -> Result<(), EndedInstance> {
        let Actor::Sink {
            instance,
            pending,
            bytes,
        } = actor
        else {
            return Ok(());
        };
        *bytes = 0;
        self.scene = self.now;
        for run in runs(std::mem::take(pending)) {
            let handed = self.figures.call("handle", instance.hand(run)).await?;
            self.outcome.seen.units += handed.units as u64;
            if let Some(text) = handed.error {
                self.outcome.error(self.now, text);
            }
            self.gather();
        }
        Ok(())
    }

    async fn show(
        &mut self,
        actor: &mut Actor,
        picture: &Arc<Picture>,
    ) -> Result<(), EndedInstance> {
        let Actor::Analyzer { instance, .. } = actor else {
            return Ok(());
        };
        self.scene = picture.captured;
        self.outcome.seen.pictures += 1;
        self.outcome.album.show(picture);
        let analyzing = instance.analyze(picture);
        let analyzed = self.figures.call("analyze", analyzing).await;
        self.gather();
        if let Err(text) = analyzed? {
            self.outcome.error(picture.captured, text);
        }
        self.settle(actor);
        Ok(())
    }

    /// After each call: what was found and what was asked.
    fn settle(&mut self, actor: &mut Actor) {
        self.gather();
        if let Actor::Analyzer { instance, lens } = actor {
            for at in instance.asked() {
                lens.ask(at, self.now);
            }
        }
    }

    async fn finish(&mut self, actor: &mut Actor) -> Result<(), EndedInstance> {
        self.hand_over(actor).await?;
        self.scene = self.now;
        match actor {
            Actor::Sink { instance, .. } => self.figures.call("stop", instance.stop()).await,
            Actor::Analyzer { instance, .. } => {
                let stopping = instance.stop(self.now);
                self.figures.call("stop", stopping).await
            }
        }
    }

    fn into_outcome(
        mut self,
        ended: Option<EndedInstance>,
        usage: Usage,
        began: Instant,
    ) -> (Outcome, Figures) {
        let calls = self.figures.calls.iter();
        self.outcome.calls = calls.map(|(name, call)| (*name, call.calls)).collect();
        self.outcome.memory_bytes = usage.memory_bytes;
        self.outcome.ended =
            ended.map(|over| (self.now, format!("{} ({})", over, over.reason.as_str())));
        self.outcome.metrics = self
            .telemetry
            .render()
            .map(|page| metrics(&page))
            .unwrap_or_default();
        self.figures.wall = began.elapsed();
        (self.outcome, self.figures)
    }
}

fn locked(said: &Mutex<Said>) -> MutexGuard<'_, Said> {
    said.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Those of a page of metrics that tell of the plugin's own doing, sorted, without the labels that
/// are the same for all. `page`: OpenMetrics text.
fn metrics(page: &str) -> Vec<(String, String)> {
    const OWN: [&str; 6] = [
        "forebay_plugin_events_total{",
        "forebay_plugin_level{",
        "forebay_plugin_observed_sum{",
        "forebay_plugin_observed_count{",
        "forebay_plugin_limit_hits_total{",
        "forebay_sink_flawed_findings_total{",
    ];
    let mut found: Vec<_> = page
        .lines()
        .filter(|line| OWN.iter().any(|own| line.starts_with(own)))
        .filter_map(|line| {
            let (series, value) = line.rsplit_once(' ')?;
            let (name, labels) = series.split_once('{')?;
            let labels = labels.trim_end_matches('}').split(',');
            let own: Vec<_> = labels
                .filter(|label| !label.starts_with("camera=") && !label.starts_with("sink="))
                .collect();
            Some((format!("{name}{{{}}}", own.join(",")), value.to_owned()))
        })
        .filter(|(name, value)| value != "0" || name.starts_with("forebay_plugin_level"))
        .collect();
    found.sort();
    found
}

#[cfg(test)]
#[path = "drive_tests.rs"]
mod tests;
