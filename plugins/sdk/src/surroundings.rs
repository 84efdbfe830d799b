//! What the relay knows of the camera beside its media.

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
