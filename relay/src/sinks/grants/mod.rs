//! All that a plugin may call: one file an interface of `wit/`.

mod media;
mod objects;
mod pictures;
mod surroundings;
mod telemetry;

#[allow(unreachable_pub, reason = "the generated bindings export them again")]
pub use media::HeldUnit;
#[allow(unreachable_pub, reason = "the generated bindings export them again")]
pub use objects::OpenObject;
