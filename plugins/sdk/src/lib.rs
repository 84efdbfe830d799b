//! What a plugin for Forebay is written with: the types of its interface, a trait to implement
//! and a macro that exports the implementation.
//!
//! A plugin is one of two things, and has nothing but what its world in `wit/` grants: no files, no
//! network, no environment.
//!
//! # An analyzer
//!
//! It gets decoded pictures of one camera, in the size and the format that it asks for, and returns
//! what it has seen as findings. This is a whole one:
//!
//! ```
//! use forebay_plugin_sdk::{
//!     Analyzer, Configuration, Episode, Finding, Picture, Request, export_analyzer,
//! };
//!
//! /// `[sink.settings]`
//! #[derive(serde::Deserialize)]
//! #[serde(default, deny_unknown_fields)]
//! struct Settings {
//!     /// Mean brightness, 0 to 255, below which it is dark.
//!     below: f64,
//! }
//!
//! impl Default for Settings {
//!     fn default() -> Self {
//!         Self { below: 40.0 }
//!     }
//! }
//!
//! /// Tells when it is dark.
//! struct Dark {
//!     below: f64,
//!     dark: Episode,
//! }
//!
//! impl Analyzer for Dark {
//!     fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
//!         let Settings { below } = configuration.settings().map_err(|e| e.to_string())?;
//!         let dark = Episode::new("dark").seconds(2.0, 2.0);
//!         // A picture a second, 64 pixels wide, of luma alone.
//!         Ok((Self { below, dark }, Request::gray(1.0, 64)))
//!     }
//!
//!     fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
//!         let mean = picture.luma().map_err(|e| e.to_string())?.mean();
//!         let score = if mean < self.below { 1.0 } else { 0.0 };
//!         let finding = self.dark.observe(score, picture.captured);
//!         Ok(finding.into_iter().collect())
//!     }
//! }
//!
//! export_analyzer!(Dark);
//! # fn main() {}
//! ```
//!
//! # A sink
//!
//! It gets coded media of one camera as handles, and stores what it makes of it as objects of the
//! archive:
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
//! # Tests
//!
//! Everything here compiles for the host too, so that a plugin's own logic can be tested by
//! `cargo test`. What asks the relay for something works in the sandbox alone: natively,
//! [`telemetry`] and [`pictures::ask`] do nothing, a camera is always wanted and nothing was left
//! ([`surroundings`]), and [`AccessUnit`] and [`Object`] panic. Logic to be tested is therefore
//! best written over a trait of the plugin's own, with records such as [`Track`] and
//! [`UnitInfo`], which are plain data; [`Picture`] and [`Finding`] are such records too, so that an
//! analyzer can be called as it is.

// The generated code names its runtime by an absolute path, that it may be expanded in a plugin.
extern crate self as forebay_plugin_sdk;

mod analyzer;
#[doc(hidden)]
pub mod bindings;
mod episode;
mod finding;
mod instance;
mod object;
pub mod pictures;
mod raster;
mod settings;
mod sink;
pub mod surroundings;
pub mod telemetry;

pub use analyzer::Analyzer;
pub use bindings::analyzer::forebay::plugin::findings::{Finding, Region};
pub use bindings::analyzer::forebay::plugin::pictures::{Picture, Plane, Request};
pub use bindings::forebay::plugin::media::{AccessUnit, Instant, Track, UnitInfo};
pub use bindings::forebay::plugin::setting::Configuration;
pub use episode::Episode;
#[doc(hidden)]
pub use instance::Instance;
pub use object::{Object, ObjectError, Part};
pub use raster::{Raster, RasterError};
pub use settings::SettingsError;
pub use sink::Sink;

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct Readme;
