//! What the recorder asks of the relay, as a trait, so that tests stand in for it.

use std::fmt::Debug;

use forebay_plugin_sdk::Instant;

/// The relay. Errors are texts for the operator; after one on an object, that object is dropped.
pub trait Host {
    /// An access unit's handle.
    type Unit: Debug;
    /// A file of the archive.
    type Object: Debug;

    /// Opens an object; `begin` is the capture time of what comes first in it.
    ///
    /// # Errors
    /// A text for the operator, as from all that follow.
    fn create(&mut self, begin: Instant) -> Result<Self::Object, String>;

    /// Appends, in one piece, bytes and then payloads.
    ///
    /// # Errors
    /// As [`create`](Self::create).
    fn append(
        &mut self,
        object: &Self::Object,
        head: Vec<u8>,
        payloads: &[&Self::Unit],
    ) -> Result<(), String>;

    /// Overwrites bytes.
    ///
    /// # Errors
    /// As [`create`](Self::create).
    fn patch(&mut self, object: &Self::Object, offset: u64, bytes: &[u8]) -> Result<(), String>;

    /// Publishes an object; `end` is the capture time at which its content ends.
    ///
    /// # Errors
    /// As [`create`](Self::create).
    fn finish(&mut self, object: Self::Object, end: Instant) -> Result<(), String>;

    /// Adds to a counter.
    fn count(&mut self, name: &str, amount: u64);

    /// Sets a gauge.
    fn gauge(&mut self, name: &str, value: f64);

    /// Tells the operator of something to look at.
    fn warn(&mut self, message: &str);
}
