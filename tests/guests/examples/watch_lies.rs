//! An analyzer whose findings are none: each call gives one after another of those that
//! `wit/findings.wit` forbids, and with each a good one of kind `honest`, which must come through.
//! Counter `told` for the good ones, `lies` for the
//! others, `odd` for those that are only strange.

use forebay_bad_guests::{Settings, Watcher, Watching};
use forebay_plugin_sdk::{Finding, Instant, Picture, Region, export_analyzer, telemetry};

struct Lies(usize);

fn lies(at: Instant) -> Vec<Finding> {
    let honest = Finding::mark("lie", 0.5, at);
    let mut lies = Vec::new();
    for score in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -0.1, 1.1] {
        lies.push(Finding {
            score,
            ..honest.clone()
        });
    }
    let huge = "a".repeat(1 << 20);
    let kinds = [
        "",
        "9th",
        "-x",
        "Upper",
        "a_b",
        "a.b",
        "é",
        "a b",
        "a\n",
        "a\0",
        "a\"}",
        "../x",
        &huge[..33],
        &huge,
    ];
    lies.extend(kinds.iter().map(|kind| Finding::mark(*kind, 0.5, at)));
    for phase in ["middle", "Begin", "begin ", &huge] {
        lies.push(Finding {
            phase: phase.into(),
            ..honest.clone()
        });
    }
    for text in [
        &huge[..257],
        &huge,
        "two\nlines",
        "\x1b[2J",
        "nul\0",
        "\u{9b}31m",
    ] {
        lies.push(Finding {
            text: text.into(),
            ..honest.clone()
        });
    }
    for (left, top, width, height) in [
        (-0.1, 0.0, 0.5, 0.5),
        (0.0, 0.0, 1.5, 0.5),
        (0.6, 0.6, 0.5, 0.3),
        (0.0, 0.0, -0.5, 0.5),
        (f64::NAN, 0.0, 0.5, 0.5),
        (0.0, 0.0, f64::INFINITY, 0.5),
    ] {
        lies.push(honest.clone().within(Region {
            left,
            top,
            width,
            height,
        }));
    }
    // Odd, but for all that `wit/` says they may be: before there were cameras, when there will be
    // none, and a state that nobody began.
    for at in [Instant::MIN, -1, Instant::MAX] {
        lies.push(Finding::mark("odd", 0.5, at));
    }
    lies.push(Finding::end("odd", 0.5, at));
    lies
}

impl Watcher for Lies {
    fn make(_settings: Settings) -> Result<Self, String> {
        Ok(Self(0))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        let at = picture.captured;
        let mut all = lies(at);
        let turn = self.0 % all.len();
        self.0 += 1;
        let lie = all.swap_remove(turn);
        telemetry::count("told", 1);
        telemetry::count(if lie.kind == "odd" { "odd" } else { "lies" }, 1);
        Ok(vec![lie, Finding::mark("honest", 1.0, at)])
    }
}

export_analyzer!(Watching<Lies>);
