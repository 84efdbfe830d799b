//! What the plugin asks of the relay, as a trait, so that tests stand in for it.

use forebay_plugin_sdk::Instant;

/// The relay.
pub trait Host {
    /// Asks for the key frame nearest to an instant.
    fn ask(&mut self, at: Instant);

    /// Whether the camera is wanted at an instant: not in a planned pause.
    fn wanted(&mut self, at: Instant) -> bool;

    /// Stores a still that was captured then.
    ///
    /// # Errors
    /// A text for the operator.
    fn store(&mut self, captured: Instant, jpeg: Vec<u8>) -> Result<(), String>;

    /// Leaves to the next instance: up to then all is told.
    fn leave(&mut self, told: Instant);

    /// What was left by an instance before this one, while the relay has run.
    fn left(&mut self) -> Option<Instant>;

    /// Adds to a counter.
    fn count(&mut self, name: &str, amount: u64);

    /// Sets a gauge.
    fn gauge(&mut self, name: &str, value: f64);

    /// Tells the operator of something to look at.
    fn warn(&mut self, message: &str);
}
