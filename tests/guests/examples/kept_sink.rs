//! A sink that uses all that world `sink` of 0.1.0 has, and behaves. `kept/` holds it as compiled
//! in its time.
//!
//! Of the first ten units with which decoding can begin it makes an object of purpose `kept`: a
//! line of its own, patched, and the payload twice: once by its handle, once as read. Counters
//! `units`, `tracks`, `ticks` and `amiss` (an answer that is none of those promised), gauge
//! `unit_bytes`, histogram `unit_seconds`.

use forebay_plugin_sdk::{
    AccessUnit, Configuration, Instant, Object, ObjectError, Part, Sink, Track, export_sink,
    telemetry,
};

/// Objects that are made.
const OBJECTS: usize = 10;

struct Kept {
    made: usize,
    last: Option<u64>,
}

impl Kept {
    fn look(&mut self, unit: &AccessUnit) -> Result<(), ObjectError> {
        let info = unit.info();
        telemetry::count("units", 1);
        telemetry::gauge("unit_bytes", f64::from(info.size));
        telemetry::observe("unit_seconds", info.uncertainty as f64 / 1e9);
        let payload = unit.read(0, u32::MAX);
        let rises = self.last.is_none_or(|last| info.sequence > last);
        self.last = Some(info.sequence);
        if payload.len() != info.size as usize || !rises || info.captured <= 0 {
            telemetry::count("amiss", 1);
            telemetry::error(&format!("amiss: {info:?}, {} bytes", payload.len()));
        }
        if info.random_access && self.made < OBJECTS {
            self.made += 1;
            let object = Object::create("kept", "bin", info.captured)?;
            object.append(&[
                Part::from(b"kept at 0.0.0\n".to_vec()),
                Part::from(unit),
                Part::from(payload),
            ])?;
            object.patch(8, b"0.1.0")?;
            object.finish(info.captured)?;
        }
        Ok(())
    }
}

impl Sink for Kept {
    fn configure(configuration: Configuration) -> Result<Self, String> {
        let Configuration { camera, sink, .. } = &configuration;
        telemetry::info(&format!("kept: {camera} {sink} {}", configuration.settings));
        Ok(Self {
            made: 0,
            last: None,
        })
    }

    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        telemetry::count("tracks", tracks.len() as u64);
        let video = tracks.iter().filter(|track| track.kind == "video");
        video.map(|track| track.id).collect()
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        let each = units.iter().map(|unit| self.look(unit));
        each.collect::<Result<(), _>>().map_err(|e| e.to_string())
    }

    fn tick(&mut self, _now: Instant) {
        telemetry::count("ticks", 1);
    }

    fn stop(&mut self) {
        telemetry::info("kept: stopped");
    }
}

export_sink!(Kept);
