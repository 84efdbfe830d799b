//! What analyzers have seen: one line of JSON a finding, a file a camera and day.

mod finding;

pub use finding::{Finding, Phase, Region};
