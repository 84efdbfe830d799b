//! The analyzer: pictures in, findings out.

use forebay_plugin_sdk::{
    Analyzer, Configuration, Episode, Finding, Instant, Picture, Region, Request, telemetry,
};

use crate::settings::Settings;
use crate::sight::{Judge, Sight};
use crate::view::View;

/// Between two views that are told while learning.
const VIEWS_APART: Instant = 5_000_000_000;

/// One camera's gate.
#[derive(Debug)]
pub(crate) struct Gate {
    zone: Region,
    judge: Judge,
    /// When the last view was told; `None` where none is to be told.
    learning: Option<Instant>,
    open: Episode,
    unclear: Episode,
}

impl Analyzer for Gate {
    fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
        let settings: Settings = configuration.settings().map_err(|e| e.to_string())?;
        settings.check()?;
        let judge = Judge::new(&settings.open, &settings.closed, settings.likeness)
            .map_err(|e| e.to_string())?;
        let episode = |kind: &str| Episode::new(kind).seconds(settings.seconds, settings.seconds);
        let gate = Self {
            zone: settings.zone.region(),
            judge,
            learning: settings.learn.then_some(Instant::MIN),
            open: episode("gate-open").levels(0.65, 0.35),
            unclear: episode("gate-unclear"),
        };
        // A zone that is a tenth of the picture still has some pixels for each cell of a view.
        Ok((gate, Request::gray(1.0, 480)))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        let zone = picture.luma().map_err(|e| e.to_string())?.crop(&self.zone);
        let view = View::of(zone).ok_or("a picture without pixels")?;
        let at = picture.captured;
        let found = match self.learning {
            Some(last) => self.learn(&view, at, last),
            None => self.judge(&view, at),
        };
        Ok(found.into_iter().map(|f| f.within(self.zone)).collect())
    }
}

impl Gate {
    fn learn(&mut self, view: &View, at: Instant, last: Instant) -> Vec<Finding> {
        if at.saturating_sub(last) < VIEWS_APART {
            return Vec::new();
        }
        self.learning = Some(at);
        telemetry::info(&format!("view {view}"));
        // Scored by contrast: a good view has a standard deviation of some tens of levels.
        let finding = Finding::mark("view", view.contrast() / 64.0, at);
        vec![finding.saying(view.to_string())]
    }

    fn judge(&mut self, view: &View, at: Instant) -> Vec<Finding> {
        let sight = self.judge.look(view);
        let (Sight::Gate { likeness, .. } | Sight::Unclear { likeness }) = sight;
        telemetry::gauge("likeness", likeness);
        let mut found = Vec::new();
        let unclear = match sight {
            Sight::Unclear { .. } => 1.0,
            Sight::Gate { openness, .. } => {
                telemetry::gauge("openness", openness);
                found.extend(self.open.observe(openness, at));
                0.0
            }
        };
        found.extend(self.unclear.observe(unclear, at));
        found
    }
}

#[cfg(test)]
mod tests;
