//! Has a plugin judge its settings before anything runs.

use std::sync::Arc;

use super::engine::{Engine, Plugin};
use super::instance::Instance;
use super::surroundings::Surroundings;
use crate::config::{Config, Sink};

/// Makes an instance for each camera of a sink, in its sandbox and without anything to write to, and
/// lets it look at its settings.
///
/// # Errors
/// The camera, and what the plugin says: of the first camera for which it refuses, as the settings
/// are the same for the others.
pub async fn judge(
    engine: &Engine,
    plugin: &Plugin,
    sink: &Sink,
    config: &Config,
) -> Result<(), String> {
    let cameras = config.cameras.iter();
    for camera in cameras.filter(|camera| sink.cameras.contains(&camera.name)) {
        let Some(site) = config.site(&camera.site) else {
            continue;
        };
        let surroundings = Surroundings::new(
            camera.name.clone(),
            Arc::new(site.clone()),
            Arc::new(sink.clone()),
            None,
            None,
        );
        if let Err(error) = Instance::start(engine, plugin, &surroundings).await {
            return Err(format!(
                "sink {}, camera {}: {error}",
                sink.name, camera.name
            ));
        }
    }
    Ok(())
}
