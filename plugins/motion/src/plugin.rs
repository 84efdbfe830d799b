//! The analyzer: the relay's records in, the relay's records out.

use forebay_plugin_sdk::{
    Analyzer, Configuration, Finding, Instant, Picture, Region, Request, telemetry,
};

use crate::frame::Frame;
use crate::settings::Settings;
use crate::watcher::{Note, Phase, Watcher};

/// Motion and health of one camera.
#[derive(Debug)]
pub struct Plugin(Watcher);

impl Analyzer for Plugin {
    fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
        let settings: Settings = configuration.settings().map_err(|e| e.to_string())?;
        let sink = &configuration.sink;
        let settings = settings
            .checked()
            .map_err(|e| format!("[sink.settings] of sink {sink:?}: {e}"))?;
        let request = Request::gray(settings.pictures_per_second, settings.longest_side);
        Ok((Self(Watcher::new(settings)), request))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        let plane = picture
            .planes
            .first()
            .filter(|_| picture.format == "gray8")
            .ok_or_else(|| format!("a picture in {:?}, not in gray8", picture.format))?;
        let size = (plane.width as usize, plane.height as usize);
        let stride = plane.stride as usize;
        let key = picture.random_access;
        let frame = Frame::new(size, stride, &plane.bytes, picture.captured, key)
            .map_err(|e| e.to_string())?;
        let notes = self.0.watch(&frame);
        for (name, value) in self.0.gauges() {
            telemetry::gauge(name, value);
        }
        Ok(findings(notes))
    }

    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        findings(self.0.tick(now))
    }

    fn stop(&mut self) -> Vec<Finding> {
        findings(self.0.stop())
    }
}

fn findings(notes: Vec<Note>) -> Vec<Finding> {
    notes.into_iter().map(finding).collect()
}

fn finding(note: Note) -> Finding {
    let make: fn(&'static str, f64, Instant) -> Finding = match note.phase {
        Phase::Mark => Finding::mark,
        Phase::Begin => Finding::begin,
        Phase::End => Finding::end,
    };
    let finding = make(note.kind, note.score, note.at_nanos).saying(note.text);
    match note.region {
        None => finding,
        Some(region) => finding.within(Region {
            left: region.left,
            top: region.top,
            width: region.width,
            height: region.height,
        }),
    }
}

forebay_plugin_sdk::export_analyzer!(Plugin);
