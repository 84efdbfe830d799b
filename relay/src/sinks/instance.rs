//! An instance of either world.

use super::analysis::AnalyzerInstance;
use super::cell::EndedInstance;
use super::engine::{Engine, Guest, Plugin};
use super::surroundings::Surroundings;
use super::units::SinkInstance;

/// A configured instance. After an error it is of no more use: drop it.
#[derive(Debug)]
pub enum Instance {
    /// Of world `sink`.
    Sink(SinkInstance),
    /// Of world `analyzer`.
    Analyzer(AnalyzerInstance),
}

impl Instance {
    /// Makes an instance and configures it.
    ///
    /// # Errors
    /// When it refuses, or does not come through its first calls.
    pub async fn start(
        engine: &Engine,
        plugin: &Plugin,
        surroundings: &Surroundings,
    ) -> Result<Self, EndedInstance> {
        Ok(match &plugin.guest {
            Guest::Sink(pre) => Self::Sink(SinkInstance::start(engine, pre, surroundings).await?),
            Guest::Analyzer(pre) => {
                Self::Analyzer(AnalyzerInstance::start(engine, pre, surroundings).await?)
            }
        })
    }
}
