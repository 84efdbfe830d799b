//! An analyzer that asks for pictures that there can't be: `how` says what is wrong with it.

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Picture, Request, export_analyzer, telemetry};

struct Requests(String);

impl Watcher for Requests {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self(settings.how))
    }

    fn request(&self) -> Request {
        let mut request = Request::gray(1.0, 160);
        match self.0.as_str() {
            "rate-nan" => request.rate = f64::NAN,
            "rate-negative" => request.rate = -1.0,
            "rate-infinite" => request.rate = f64::INFINITY,
            "rate-huge" => request.rate = 1e300,
            "side-one" => request.longest_side = 1,
            "side-huge" => request.longest_side = u32::MAX,
            "format-empty" => request.format.clear(),
            "format-unknown" => request.format = "rgb16".into(),
            "format-huge" => request.format = "gray8".repeat(1 << 18),
            "source-unknown" => request.source = "attic\n\x1b[2J".into(),
            "score-nan" => request.minimum_score = f64::NAN,
            "score-negative" => request.minimum_score = -1.0,
            "score-high" => request.minimum_score = 2.0,
            _ => {}
        }
        request
    }

    fn analyze(&mut self, _picture: Picture) -> Result<Vec<Finding>, String> {
        telemetry::count("pictures", 1);
        Ok(Vec::new())
    }
}

export_analyzer!(Watching<Requests>);
