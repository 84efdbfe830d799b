//! The recorder, but units captured at certain times kill it: what is missing then is the sink's.

use forebay_plugin_sdk::{AccessUnit, Configuration, Instant, Sink, Track, export_sink};
use forebay_recorder::{Plugin, settings::Settings};

/// `[sink.settings]`.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Frail {
    /// Of the recorder.
    segment_seconds: u32,
    /// Begins and ends, in Unix seconds.
    deadly: Vec<(f64, f64)>,
}

struct Fragile {
    recorder: Plugin,
    deadly: Vec<(Instant, Instant)>,
}

impl Sink for Fragile {
    fn configure(configuration: Configuration) -> Result<Self, String> {
        let frail: Frail = configuration.settings().map_err(|e| e.to_string())?;
        let settings = Settings {
            segment_seconds: frail.segment_seconds,
            ..Settings::default()
        };
        let nanos = |seconds: f64| (seconds * 1e9) as Instant;
        let deadly = frail.deadly.into_iter();
        Ok(Self {
            recorder: Plugin::new(settings.checked().map_err(|e| e.to_string())?),
            deadly: deadly
                .map(|(from, until)| (nanos(from), nanos(until)))
                .collect(),
        })
    }

    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        self.recorder.tracks(tracks)
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        for unit in &units {
            let captured = unit.info().captured;
            let kills = |(from, until): &(Instant, Instant)| (*from..*until).contains(&captured);
            assert!(!self.deadly.iter().any(kills), "the pen broke");
        }
        self.recorder.handle(units)
    }

    fn tick(&mut self, now: Instant) {
        self.recorder.tick(now);
    }

    fn stop(&mut self) {
        self.recorder.stop();
    }
}

export_sink!(Fragile);
