//! What a file of findings holds, and where such files are.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use super::{Phase, read_line};
use crate::archive::disk::{Disk, Sequence};
use crate::archive::jsonl::each_line;
use crate::units::{CaptureTime, SinkName};

/// Kinds that are told apart in a file, over all sinks; the configuration allows less.
const KINDS_MAX: usize = 1024;

/// Findings of one sink and kind in a file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tally {
    /// How many; a state that lasts counts where it begins.
    pub number: u64,
    /// The earliest instant, ends of states included.
    pub first: CaptureTime,
    /// The latest.
    pub last: CaptureTime,
    /// The greatest score.
    pub score_max: f64,
}

/// What a file of findings holds.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tallies {
    /// By sink and kind.
    pub kinds: BTreeMap<(SinkName, String), Tally>,
    /// Lines that can't be read.
    pub damaged: u64,
}

/// Reads a file.
///
/// # Errors
/// What the disk says. Damaged lines are no error.
pub(in crate::archive) fn tally(disk: &dyn Disk, path: &Path) -> io::Result<Tallies> {
    let mut tallies = Tallies::default();
    let mut unread = 0;
    let torn = each_line(Sequence::new(disk.open_to_read(path)?), &mut |line| {
        let Some(finding) = read_line(line) else {
            unread += 1;
            return true;
        };
        let full = tallies.kinds.len() >= KINDS_MAX;
        let key = (finding.sink, finding.kind);
        if full && !tallies.kinds.contains_key(&key) {
            unread += 1;
            return true;
        }
        let tally = tallies.kinds.entry(key).or_insert(Tally {
            number: 0,
            first: finding.at,
            last: finding.at,
            score_max: finding.score,
        });
        tally.number += u64::from(finding.phase != Phase::End);
        tally.first = tally.first.min(finding.at);
        tally.last = tally.last.max(finding.at);
        tally.score_max = tally.score_max.max(finding.score);
        true
    })?;
    tallies.damaged = torn + unread;
    Ok(tallies)
}
