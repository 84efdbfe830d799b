//! From the hold to plugins: every sink of every camera is one task with one sandbox.
//!
//! A plugin is of one of two worlds: sinks are handed coded units (`units`), analyzers are shown
//! decoded pictures (`analysis`) and say what they find (`sieve`, `reporter`). `runner` drives an
//! instance of either at its own pace; `cell` is what both are: a store, and calls that end in
//! time. `grants` is all that a plugin may call; `engine` loads plugins, those built in through the
//! same door as a stranger's.

mod account;
mod analysis;
mod cell;
mod clock;
mod engine;
mod grants;
mod instance;
mod judge;
mod memory;
mod reporter;
mod request;
mod runner;
mod sandbox;
mod sieve;
mod stderr;
mod surroundings;
mod timepiece;
mod units;
mod witness;

pub use analysis::AnalyzerInstance;
pub use cell::{EndedInstance, Usage};
pub(crate) use engine::EPOCH;
pub use engine::{Code, Compiled, Engine, LoadError, Plugin, Sum, World};
pub use instance::Instance;
pub use judge::judge;
pub(crate) use memory::MemoryBound;
pub use reporter::{Tell, Told};
pub use request::Wish;
pub use runner::SinkTask;
pub use sieve::Flaw;
pub(crate) use stderr::{Tail, one_line};
pub use surroundings::Surroundings;
pub use timepiece::Timepiece;
pub use units::{Handed, SinkInstance};

pub(crate) use units::{batch_max, runs};

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

    /// World `analyzer`: what it shares with `sink` is the same code.
    pub mod analyzer {
        wasmtime::component::bindgen!({
            path: "../wit",
            world: "analyzer",
            imports: { default: trappable },
            exports: { default: async },
            with: {
                "forebay:plugin/media": crate::sinks::bindings::forebay::plugin::media,
                "forebay:plugin/objects": crate::sinks::bindings::forebay::plugin::objects,
                "forebay:plugin/setting": crate::sinks::bindings::forebay::plugin::setting,
                "forebay:plugin/telemetry": crate::sinks::bindings::forebay::plugin::telemetry,
            },
        });
    }
}
