//! `forebay:plugin/pictures` and `findings`: what an analyzer asks for. Pictures come, and findings
//! go, with the calls of its world.

use crate::sinks::bindings::analyzer::forebay::plugin::{findings, pictures};
use crate::sinks::sandbox::Sandbox;
use crate::units::CaptureTime;

/// Questions that wait at a time.
const ASKED_MAX: usize = 16;

impl pictures::Host for Sandbox {
    fn ask(&mut self, at: i64) -> wasmtime::Result<()> {
        if self.asked.len() >= ASKED_MAX {
            self.asked.pop_front();
            self.limit_hit("asked");
        }
        self.asked.push_back(CaptureTime::from_unix_nanos(at));
        Ok(())
    }
}

impl findings::Host for Sandbox {}
