//! Scenes with truth, real footage, and what it costs.

mod chance;
mod cost;
mod footage;
mod health;
mod judge;
mod peers;
mod scene;
mod scenes;
