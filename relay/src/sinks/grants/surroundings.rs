//! `forebay:plugin/surroundings`: what the relay knows beside the camera's media.

use std::sync::PoisonError;

use crate::sinks::bindings::analyzer::forebay::plugin::surroundings::Host;
use crate::sinks::sandbox::Sandbox;
use crate::units::CaptureTime;

/// Bytes of what an instance leaves to the next one.
const LEFT_BYTES_MAX: usize = 4096;

impl Host for Sandbox {
    fn wanted(&mut self, at: i64) -> wasmtime::Result<bool> {
        Ok(self.plan.now().is_wanted(CaptureTime::from_unix_nanos(at)))
    }

    fn leave(&mut self, text: String) -> wasmtime::Result<Result<(), String>> {
        if text.len() > LEFT_BYTES_MAX {
            return Ok(Err(format!(
                "{} bytes can't be left to the next instance: {LEFT_BYTES_MAX} at most",
                text.len()
            )));
        }
        *self.left.lock().unwrap_or_else(PoisonError::into_inner) = Some(text);
        Ok(Ok(()))
    }

    fn left(&mut self) -> wasmtime::Result<Option<String>> {
        let left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(left.clone())
    }
}
