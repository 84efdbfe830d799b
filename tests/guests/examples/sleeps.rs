//! Waits for the clock in the call that `how` names: a call of the host that does not end, where
//! no instruction of the guest is there to be interrupted.

use std::thread::sleep;
use std::time::Duration;

use forebay_bad_guests::{Guest, Misbehaving, Settings};
use forebay_plugin_sdk::{AccessUnit, export_sink};

struct Sleeps(Settings);

impl Sleeps {
    fn here(&self, place: &str) {
        if self.0.how == place {
            sleep(Duration::from_secs(3600));
        }
    }
}

impl Guest for Sleeps {
    fn make(settings: Settings) -> Result<Self, String> {
        let guest = Self(settings);
        guest.here("configure");
        Ok(guest)
    }

    fn handle(&mut self, _units: Vec<AccessUnit>) -> Result<(), String> {
        self.here("handle");
        Ok(())
    }

    fn stop(&mut self) {
        self.here("stop");
    }
}

export_sink!(Misbehaving<Sleeps>);
