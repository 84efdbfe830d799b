//! `forebay:plugin/telemetry`: bounded in names and lines.

use crate::sinks::account::Account;
use crate::sinks::bindings::forebay::plugin::telemetry::{Host, Level};
use crate::sinks::sandbox::Sandbox;
use crate::sinks::stderr::one_line;
use crate::telemetry::SinkEvents;

impl Sandbox {
    fn named(&self, name: &str) -> Option<&SinkEvents> {
        let known = self.with_account(|account, now| account.metric_name(name, now));
        if !known {
            self.limit_hit("metric_names");
        }
        self.events.as_ref().filter(|_| known)
    }
}

impl Host for Sandbox {
    fn log(&mut self, level: Level, message: String) -> wasmtime::Result<()> {
        if !self.with_account(Account::take_log_line) {
            self.limit_hit("log_lines_per_minute");
            return Ok(());
        }
        let level = match level {
            Level::Error => tracing::Level::ERROR,
            Level::Warn => tracing::Level::WARN,
            Level::Info => tracing::Level::INFO,
            Level::Debug => tracing::Level::DEBUG,
        };
        if let Some(events) = &self.events {
            events.plugin_log(level, &one_line(&message));
        }
        Ok(())
    }

    fn count(&mut self, name: String, amount: u64) -> wasmtime::Result<()> {
        if let Some(events) = self.named(&name) {
            events.plugin_count(&name, amount);
        }
        Ok(())
    }

    fn gauge(&mut self, name: String, value: f64) -> wasmtime::Result<()> {
        if let Some(events) = self.named(&name) {
            events.plugin_gauge(&name, value);
            self.tell.gauge(&name, value);
        }
        Ok(())
    }

    fn observe(&mut self, name: String, value: f64) -> wasmtime::Result<()> {
        // The sum of a histogram rises only (OpenMetrics 1.0): such a value would spoil the page.
        if !value.is_finite() || value < 0.0 {
            self.limit_hit("observed_value");
            return Ok(());
        }
        if let Some(events) = self.named(&name) {
            events.plugin_observation(&name, value);
        }
        Ok(())
    }
}
