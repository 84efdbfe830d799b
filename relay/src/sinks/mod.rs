//! From the hold to plugins: every sink of every camera is one task with one sandbox.
//!
//! In the order of the data: `runner` reads units at its own pace and drives an `instance`;
//! `grants` is all that a plugin may call; `engine` loads plugins, those built in through the
//! same door as a stranger's.

mod account;
mod clock;
mod engine;
mod grants;
mod instance;
mod runner;
mod sandbox;
mod stderr;
mod witness;

pub(crate) use engine::EPOCH;
pub use engine::{Engine, LoadError, Plugin};
pub use instance::{EndedInstance, Instance, Surroundings};
pub use runner::SinkTask;

#[allow(
    missing_debug_implementations,
    unreachable_pub,
    clippy::missing_errors_doc,
    reason = "generated code"
)]
mod bindings {
    wasmtime::component::bindgen!({
        path: "../wit",
        world: "sink",
        imports: {
            "forebay:plugin/objects.create": async | trappable,
            "forebay:plugin/objects.[method]object.append": async | trappable,
            "forebay:plugin/objects.[method]object.patch": async | trappable,
            "forebay:plugin/objects.[method]object.finish": async | trappable,
            default: trappable,
        },
        exports: { default: async },
        with: {
            "forebay:plugin/media.access-unit": crate::sinks::grants::HeldUnit,
            "forebay:plugin/objects.object": crate::sinks::grants::OpenObject,
        },
    });
}
