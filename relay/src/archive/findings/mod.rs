//! What analyzers have seen: one line of JSON a finding.
//!
//! `<archive>/<camera>/findings/<day>/<begin>.jsonl`, the day in UTC by the capture time that a
//! finding is about. A file is handed in to the archive after an hour at the latest; until then it
//! lies in the spool, where what is older than some seconds is durable.

mod edges;
mod episode;
mod files;
mod finding;
mod line;
mod read;
mod row;
mod run;
mod told;

pub use edges::{Edged, Edges, Kind};
pub use episode::{Episode, Episodes};
pub use files::{Passed, each};
pub use finding::{Finding, Phase, Region, is_kind};
pub use line::read_line;
pub(super) use read::tally;
pub use read::{Tallies, Tally};
pub use row::{Row, utc};
pub use run::FindingsHandle;
pub use told::{Asked, told};

/// The purpose of files of findings; in names of the spool it stands for the sink, too.
pub const PURPOSE: &str = "findings";
