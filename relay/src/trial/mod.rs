//! `forebay try`: a plugin at work on footage that is there already, as fast as it goes.
//!
//! The plugin meets what it meets in a running relay: the same sandbox, calls, limits and choice of
//! pictures. What differs is the clock: seconds, allowances and the guest's own clock follow the
//! capture times of the footage, so that the same input gives the same [`Outcome`] each time. What
//! a call costs does not, and is kept apart ([`Figures`]).

mod album;
mod cache;
mod curve;
mod drive;
mod lens;
mod meter;
mod outcome;
mod page;
mod settings;
mod tell;

#[cfg(test)]
mod sample;

pub use cache::engine;
pub use drive::{Progress, Stage, TrialError, run};
pub use meter::{CallFigures, Figures};
pub use outcome::{Kind, Outcome, Seen};
pub use page::page;
pub use settings::{SettingsError, settings};
pub use tell::{figures_json, figures_text, json, text};
