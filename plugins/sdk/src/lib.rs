//! What a plugin for Forebay is written with: the types of its interface, a trait to implement
//! and a macro that exports the implementation.
//!
//! A plugin gets the coded media of one camera and stores what it makes of it as objects of the
//! archive. It has nothing else: no files, no network, no environment.
//!
//! ```
//! use forebay_plugin_sdk::{AccessUnit, Configuration, Instant, Sink, Track, export_sink, telemetry};
//!
//! #[derive(serde::Deserialize)]
//! #[serde(deny_unknown_fields)]
//! struct Settings {
//!     /// Units larger than this are counted; bytes.
//!     large_bytes: u32,
//! }
//!
//! /// Counts large units.
//! struct Counter {
//!     settings: Settings,
//! }
//!
//! impl Sink for Counter {
//!     fn configure(configuration: Configuration) -> Result<Self, String> {
//!         let settings = configuration.settings().map_err(|e| e.to_string())?;
//!         Ok(Self { settings })
//!     }
//!
//!     fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
//!         tracks.iter().filter(|t| t.kind == "video").map(|t| t.id).collect()
//!     }
//!
//!     fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
//!         let large = |u: &&AccessUnit| u.info().size > self.settings.large_bytes;
//!         telemetry::count("large_units", units.iter().filter(large).count() as u64);
//!         Ok(())
//!     }
//!
//!     fn tick(&mut self, _now: Instant) {}
//!
//!     fn stop(&mut self) {}
//! }
//!
//! export_sink!(Counter);
//! # fn main() {}
//! ```
//!
//! Everything here compiles for the host too, so that a plugin's own logic can be tested by
//! `cargo test`. What asks the relay for something works in the sandbox alone: natively,
//! [`telemetry`] does nothing, and [`AccessUnit`] and [`Object`] panic. Logic to be tested is
//! therefore best written over a trait of the plugin's own, with records such as [`Track`] and
//! [`UnitInfo`], which are plain data.

// The generated code names its runtime by an absolute path, that it may be expanded in a plugin.
extern crate self as forebay_plugin_sdk;

#[doc(hidden)]
pub mod bindings;
mod export;
mod object;
mod settings;
pub mod telemetry;

pub use bindings::forebay::plugin::media::{AccessUnit, Instant, Track, UnitInfo};
pub use bindings::forebay::plugin::setting::Configuration;
#[doc(hidden)]
pub use export::Instance;
pub use export::Sink;
pub use object::{Object, ObjectError, Part};
pub use settings::SettingsError;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;
