//! Scenes with truth, real footage, and what it costs.

mod chance;
mod judge;
mod scene;
mod scenes;
