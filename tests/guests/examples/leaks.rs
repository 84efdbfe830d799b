//! Keeps what it is given. `how`: `handles`, every unit; `payloads`, their bytes too, in its own
//! memory, and lets go of the units.

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, export_sink};

struct Leaks {
    how: String,
    units: Vec<AccessUnit>,
    payloads: Vec<Vec<u8>>,
}

impl Guest for Leaks {
    fn make(settings: Settings) -> Result<Self, String> {
        Ok(Self {
            how: settings.how,
            units: Vec::new(),
            payloads: Vec::new(),
        })
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        if self.how == "payloads" {
            let read = |unit: &AccessUnit| unit.read(0, u32::MAX);
            self.payloads.extend(units.iter().map(read));
        } else {
            self.units.extend(units);
        }
        Ok(())
    }
}

export_sink!(Misbehaving<Leaks>);
