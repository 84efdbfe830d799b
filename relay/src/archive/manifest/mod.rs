//! Manifests: what the archive holds, written down beside it, so that what is changed or lost shows.
//!
//! `<archive>/<camera>/manifest/<day>/<begin>.jsonl`, by the UTC day of publishing: a line of JSON
//! for each object of the camera, with its length and SHA-256, and one for each that was taken away
//! on purpose. Of lines for the same object the last one counts.
//!
//! Nothing of a manifest can go or change without a trace. Each line ends with a check of itself
//! and of the line before (`line.rs`), and the first line of each file names the camera's file
//! before and its SHA-256 (`chain.rs`), and those of other relays that wrote here meanwhile. What
//! happens to the newest file as a whole is seen beside the objects themselves, and the catalog.

mod chain;
mod late;
mod line;
mod pages;
mod verdict;
mod writer;

pub(super) use chain::{Before, Chain, Newest};
pub(super) use late::unlisted;
pub(super) use line::{Link, Record};
pub(super) use pages::{
    Entries, Entry, Page, PageAt, State, Wanted, entries, names, newest_spooled, page_of, pages,
    read, read_all, tips,
};
pub(super) use verdict::Gone;
pub(super) use writer::Manifests;

use crate::archive::ladder::pins::PURPOSE as PINS;

/// The purpose of manifests; in names of the spool it stands for the sink, too.
pub const PURPOSE: &str = "manifest";
/// Purposes whose files no manifest lists: manifests vouch for each other, and pins are made and
/// ended by hand.
pub(in crate::archive) const UNLISTED: [&str; 2] = [PURPOSE, PINS];
