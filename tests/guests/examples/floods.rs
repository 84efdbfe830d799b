//! Logs, and invents metrics and values, as fast as it can in each call: hundreds of lines and
//! names, by turns, with control characters, and numbers that are none.

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, export_sink, telemetry};

struct Floods {
    calls: u64,
}

impl Guest for Floods {
    fn make(_settings: Settings) -> Result<Self, String> {
        Ok(Self { calls: 0 })
    }

    fn handle(&mut self, _units: Vec<AccessUnit>) -> Result<(), String> {
        self.calls += 1;
        let long = "x".repeat(20_000);
        let odd = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1.0, f64::MAX];
        for (index, value) in odd.into_iter().enumerate() {
            let name = format!("odd_{index}");
            telemetry::gauge(&name, value);
            telemetry::observe(&name, value);
            telemetry::count(&name, u64::MAX);
        }
        for index in 0..500 {
            telemetry::error(&format!("\x1b[2J\n{{\"level\":\"forged\"}}\r\0 {long}"));
            let name = format!("invented_{}_{index}", self.calls);
            telemetry::count(&name, 1);
            telemetry::gauge(&name, 1.0);
            telemetry::observe(&name, 1.0);
        }
        for name in ["", "9", "Upper", "a-b", "quote\"}", "\n# EOF\n", &long] {
            telemetry::count(name, 1);
        }
        Err(format!("complaint {}\n\x1b[31m{long}", self.calls))
    }
}

export_sink!(Misbehaving<Floods>);
