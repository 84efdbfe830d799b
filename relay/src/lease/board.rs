//! Where a lease is written.

use super::contest::{Outcome, Sight};

/// Reads and writes a lease. Calls may block for as long as they like: what comes late counts for
/// nothing. Errors are words for the log.
pub(super) trait Board: Send {
    /// The lease as it is now; none where there has never been one.
    fn look(&mut self) -> Result<Option<Sight>, String>;
    /// Takes it, if it still is what was seen.
    fn claim(&mut self, over: Option<&Sight>) -> Result<Outcome, String>;
    /// Says that its holder of an epoch lives.
    fn renew(&mut self, epoch: u64) -> Result<Outcome, String>;
    /// Gives it back.
    fn release(&mut self, epoch: u64) -> Result<(), String>;
}
