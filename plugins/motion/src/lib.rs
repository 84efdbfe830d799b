//! Scores motion and watches over the camera's view. The sandbox border is in [`plugin`]; the rest
//! knows nothing of it.

pub mod background;
pub mod blobs;
pub mod field;
pub mod frame;
pub mod health;
pub mod lasting;
pub mod light;
pub mod motion;
pub mod plugin;
pub mod polygon;
pub mod settings;
pub mod tracks;
pub mod watcher;
