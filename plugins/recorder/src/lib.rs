//! Records a camera: coded units as they came, in fragmented MP4 files that begin at wall-clock
//! multiples. The sandbox border is here; the rest knows nothing of it.

pub mod host;
pub mod mux;
pub mod segment;
pub mod settings;
pub mod timing;

mod entry;
mod file;
mod fragment;

pub use fragment::{BYTES_MAX, UNITS_MAX};

#[cfg(feature = "component")]
use forebay_plugin_sdk::export_sink;
use forebay_plugin_sdk::{
    AccessUnit, Configuration, Instant, Object, Part, Sink, Track, telemetry,
};

use host::Host;
use segment::Recorder;
use settings::Settings;

const PURPOSE: &str = "footage";
const EXTENSION: &str = "mp4";

/// The relay behind the sandbox's border.
#[derive(Debug)]
struct Relay;

impl Host for Relay {
    type Unit = AccessUnit;
    type Object = Object;

    fn create(&mut self, begin: Instant) -> Result<Object, String> {
        Object::create(PURPOSE, EXTENSION, begin).map_err(|e| format!("can't begin a file: {e}"))
    }

    fn append(
        &mut self,
        object: &Object,
        head: Vec<u8>,
        payloads: &[&AccessUnit],
    ) -> Result<(), String> {
        let payloads = payloads.iter().copied().map(Part::from);
        let parts: Vec<Part<'_>> = [Part::from(head)].into_iter().chain(payloads).collect();
        object
            .append(&parts)
            .map(drop)
            .map_err(|e| format!("can't write to a file: {e}"))
    }

    fn patch(&mut self, object: &Object, offset: u64, bytes: &[u8]) -> Result<(), String> {
        object
            .patch(offset, bytes)
            .map_err(|e| format!("can't write a file's duration: {e}"))
    }

    fn finish(&mut self, object: Object, end: Instant) -> Result<(), String> {
        object
            .finish(end)
            .map_err(|e| format!("can't finish a file: {e}"))
    }

    fn count(&mut self, name: &str, amount: u64) {
        telemetry::count(name, amount);
    }

    fn gauge(&mut self, name: &str, value: f64) {
        telemetry::gauge(name, value);
    }

    fn warn(&mut self, message: &str) {
        telemetry::warn(message);
    }
}

/// The recorder as the relay drives it.
#[derive(Debug)]
pub struct Plugin(Recorder<Relay>);

impl Plugin {
    /// With settings that have been [checked](Settings::checked).
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        Self(Recorder::new(settings, Relay))
    }
}

impl Sink for Plugin {
    fn configure(configuration: Configuration) -> Result<Self, String> {
        let settings: Settings = configuration.settings().map_err(|e| e.to_string())?;
        let sink = &configuration.sink;
        let settings = settings
            .checked()
            .map_err(|e| format!("[sink.settings] of sink {sink:?}: {e}"))?;
        Ok(Self::new(settings))
    }

    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        self.0.tracks(tracks)
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        self.0
            .handle(units.into_iter().map(|unit| (unit.info(), unit)))
    }

    fn tick(&mut self, now: Instant) {
        self.0.tick(now);
    }

    fn stop(&mut self) {
        self.0.stop();
    }
}

#[cfg(feature = "component")]
export_sink!(Plugin);
