//! `forebay:plugin/surroundings`: what the relay knows of the camera beside its media.

use crate::sinks::bindings::analyzer::forebay::plugin::surroundings::Host;
use crate::sinks::sandbox::Sandbox;
use crate::units::CaptureTime;

impl Host for Sandbox {
    fn wanted(&mut self, at: i64) -> wasmtime::Result<bool> {
        Ok(self.plan.is_wanted(CaptureTime::from_unix_nanos(at)))
    }
}
