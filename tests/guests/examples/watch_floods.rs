//! An analyzer that sees too much, in each call. `how`:
//! - `findings`: a thousand of one kind;
//! - `kinds`: a hundred of kinds that it invents, each new;
//! - `states`: begins a hundred states, each of a new kind, and ends none;
//! - `flicker`: begins and ends one state five hundred times;
//! - `answer`: a million findings, more than the relay should want to copy out of the sandbox;
//! - `texts`: a thousand findings with a megabyte of text each.

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Instant, Picture, export_analyzer};

struct Floods {
    how: String,
    calls: u64,
}

impl Floods {
    fn see(&mut self, at: Instant) -> Vec<Finding> {
        self.calls += 1;
        let new = |index: u64| format!("k{}-{index}", self.calls);
        match self.how.as_str() {
            "findings" => vec![Finding::mark("gull", 1.0, at); 1000],
            "kinds" => (0..100).map(|n| Finding::mark(new(n), 1.0, at)).collect(),
            "states" => (0..100).map(|n| Finding::begin(new(n), 1.0, at)).collect(),
            "flicker" => (0..500)
                .flat_map(|_| {
                    [
                        Finding::begin("gull", 1.0, at),
                        Finding::end("gull", 0.0, at),
                    ]
                })
                .collect(),
            "answer" => vec![Finding::mark("gull", 1.0, at); 1_000_000],
            "texts" => {
                // Not by `saying`, which cuts it.
                let mut gull = Finding::mark("gull", 1.0, at);
                gull.text = "gull".repeat(1 << 18);
                vec![gull; 4]
            }
            _ => Vec::new(),
        }
    }
}

impl Watcher for Floods {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self {
            how: settings.how,
            calls: 0,
        })
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        Ok(self.see(picture.captured))
    }

    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        self.see(now)
    }
}

export_analyzer!(Watching<Floods>);
