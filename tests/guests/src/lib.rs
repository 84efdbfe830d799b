//! What the misbehaving plugins share: a sink and an analyzer whose calls do nothing unless told to,
//! and the setting that says where and how it misbehaves.

mod watch;

use forebay_plugin_sdk::{AccessUnit, Configuration, Instant, Sink, Track};

pub use watch::{Watcher, Watching};

/// `[sink.settings]` of every guest.
#[derive(Debug, Default, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Which of its ways of misbehaving; each guest has its own list, and a first one for "".
    pub how: String,
    /// For those ways that take a time.
    pub seconds: f64,
}

/// A plugin that takes everything and does nothing with it, but for what a guest puts in its
/// place. Its settings are all its state.
pub trait Guest: Sized {
    /// Called in `configure`.
    ///
    /// # Errors
    /// Refuses the configuration.
    fn make(settings: Settings) -> Result<Self, String>;

    /// Gets the camera's tracks; names those wanted.
    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        tracks.iter().map(|track| track.id).collect()
    }

    /// Gets units, and drops them.
    ///
    /// # Errors
    /// Whatever the guest complains of.
    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        drop(units);
        Ok(())
    }

    /// A second has passed.
    fn tick(&mut self) {}

    /// Last call.
    fn stop(&mut self) {}
}

/// A guest as the relay calls it.
#[derive(Debug)]
pub struct Misbehaving<G>(G);

impl<G: Guest> Sink for Misbehaving<G> {
    fn configure(configuration: Configuration) -> Result<Self, String> {
        let settings = configuration
            .settings()
            .map_err(|error| error.to_string())?;
        G::make(settings).map(Self)
    }

    fn tracks(&mut self, tracks: &[Track]) -> Vec<u32> {
        self.0.tracks(tracks)
    }

    fn handle(&mut self, units: Vec<AccessUnit>) -> Result<(), String> {
        self.0.handle(units)
    }

    fn tick(&mut self, _now: Instant) {
        self.0.tick();
    }

    fn stop(&mut self) {
        self.0.stop();
    }
}
