//! What of the wanted time is in the archive, and what is not, with its cause.
//!
//! All of it is in capture time. What is recorded is read from the files themselves, once they are
//! durable; a gap is what is wanted and not recorded; its cause comes from evidence that those who
//! saw it happen have left. Nothing is a gap by opinion: without the files there is no coverage, and
//! without evidence footage that intake has seen is missing by fault of what comes after it.

mod account;
mod books;
pub mod footage;
mod journal;
mod keeper;
mod lookout;
mod pulse;
mod reader;
mod rebuild;
mod retired;
mod run;
mod scan;
mod spans;
mod types;

pub(super) use account::MARGIN;
pub use account::{Books, Footage, Run, Testimony, account};
pub(crate) use books::told_by_files;
pub(super) use journal::Journals;
pub use journal::PURPOSE as JOURNALS;
pub(super) use journal::retired_line;
pub use rebuild::{RebuildError, Rebuilt, rebuild};
pub use retired::join as join_footage;
pub use run::{Ledger, LedgerFeed, LedgerInbox, LedgerOptions};
pub(super) use scan::spool_names;
pub use scan::{FOOTAGE, Scanned};
pub(crate) use scan::{open_footage, spooled_footage};
pub use spans::total_nanos;
use spans::union;
pub use types::{ClockState, Coverage, Evidence, Fate, Gap, GapCause, Retired, Span, Witness};
