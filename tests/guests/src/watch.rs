//! Analyzers that misbehave.

use forebay_plugin_sdk::{Analyzer, Configuration, Finding, Instant, Picture, Request};

use crate::Settings;

/// An analyzer that looks at everything and sees nothing, but for what a guest puts in its place.
pub trait Watcher: Sized {
    /// Called in `configure`.
    ///
    /// # Errors
    /// Refuses the configuration.
    fn make(settings: Settings) -> Result<Self, String>;

    /// What pictures it wants: four a second, small.
    fn request(&self) -> Request {
        Request::gray(4.0, 160)
    }

    /// Gets a picture.
    ///
    /// # Errors
    /// Whatever the guest complains of.
    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        drop(picture);
        Ok(Vec::new())
    }

    /// A second has passed.
    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        let _ = now;
        Vec::new()
    }

    /// Last call.
    fn stop(&mut self) -> Vec<Finding> {
        Vec::new()
    }
}

/// An analyzer as the relay calls it.
#[derive(Debug)]
pub struct Watching<W>(W);

impl<W: Watcher> Analyzer for Watching<W> {
    fn configure(configuration: Configuration) -> Result<(Self, Request), String> {
        let settings = configuration
            .settings()
            .map_err(|error| error.to_string())?;
        let watcher = W::make(settings)?;
        let request = watcher.request();
        Ok((Self(watcher), request))
    }

    fn analyze(&mut self, picture: Picture) -> Result<Vec<Finding>, String> {
        self.0.analyze(picture)
    }

    fn tick(&mut self, now: Instant) -> Vec<Finding> {
        self.0.tick(now)
    }

    fn stop(&mut self) -> Vec<Finding> {
        self.0.stop()
    }
}
