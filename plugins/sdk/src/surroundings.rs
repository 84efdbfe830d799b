//! What the relay knows beside the camera's media.

use crate::Instant;
use crate::bindings::analyzer::forebay::plugin::surroundings as wit;

/// Whether the camera is wanted at that instant: false in a planned pause. Natively always true.
#[must_use]
pub fn wanted(at: Instant) -> bool {
    #[cfg(target_family = "wasm")]
    return wit::wanted(at);
    #[cfg(not(target_family = "wasm"))]
    {
        let _ = (wit::wanted, at);
        true
    }
}

/// Leaves a text to the instance that comes after this one, in the place of what was left before.
/// Instances end: a call took too long, or the clock was set back. Natively nothing is kept.
///
/// # Errors
/// Where it has more than 4096 bytes.
pub fn leave(text: &str) -> Result<(), String> {
    #[cfg(target_family = "wasm")]
    return wit::leave(text);
    #[cfg(not(target_family = "wasm"))]
    {
        let _ = (wit::leave, text);
        Ok(())
    }
}

/// What was left last, by this instance or one before it, while the relay has run. Natively nothing.
#[must_use]
pub fn left() -> Option<String> {
    #[cfg(target_family = "wasm")]
    return wit::left();
    #[cfg(not(target_family = "wasm"))]
    {
        let _ = wit::left;
        None
    }
}
