//! One stream of groups of all files that hold something of a stretch: each instant once.
//!
//! Files follow each other, mostly. Where two relays or two recorders have recorded the same camera,
//! what one lacks is taken from the other.

use std::collections::VecDeque;
use std::io;
use std::path::{Path, PathBuf};

use super::ClipError;
use super::group::{Group, Groups};
use super::manifest::Passed;
use super::sources::{Candidate, Place, SourceFile};
use crate::archive::is_outage;
use crate::archive::ledger::Span;
use crate::archive::replay::{Fault, Film};
use crate::units::CaptureTime;

/// Two files that hold the same picture agree on its capture time to this.
const SAME_NANOS: i64 = 200_000_000;
/// A file may hold what is a little earlier than its name says: capture times are repaired.
const EARLY_NANOS: i64 = 2_000_000_000;

/// An open file, and its next group.
#[derive(Debug)]
struct Open {
    groups: Groups,
    next: Group,
}

/// Gives groups in the order of their capture times.
#[derive(Debug)]
pub(super) struct Union<'a> {
    place: Place<'a>,
    window: Span,
    with_sound: bool,
    waiting: VecDeque<Candidate>,
    open: Vec<Open>,
    /// Up to where there is something.
    covered: Option<CaptureTime>,
    last: Option<usize>,
    unreached: Option<ClipError>,
    /// Every file that was opened; groups tell theirs by its number.
    pub(super) sources: Vec<SourceFile>,
    /// What could not be read.
    pub(super) passed: Vec<Passed>,
}

impl<'a> Union<'a> {
    pub(super) fn new(
        place: Place<'a>,
        window: Span,
        with_sound: bool,
        waiting: VecDeque<Candidate>,
    ) -> Self {
        Self {
            place,
            window,
            with_sound,
            waiting,
            open: Vec::new(),
            covered: None,
            last: None,
            unreached: None,
            sources: Vec::new(),
            passed: Vec::new(),
        }
    }

    /// The next group; none at the end of the stretch.
    ///
    /// # Errors
    /// Where a file can't be reached now: it is not left out for that.
    pub(super) fn next(&mut self) -> Result<Option<Group>, ClipError> {
        self.open_due();
        match self.unreached.take() {
            Some(error) => Err(error),
            None => Ok(self.first()),
        }
    }

    fn first(&mut self) -> Option<Group> {
        let begin = self.open.iter().map(|open| open.next.span.begin).min()?;
        let candidates = || {
            let all = self.open.iter().enumerate();
            all.filter(|(_, open)| near(open.next.span.begin, begin) <= SAME_NANOS)
        };
        // The one with the most of it; where they are alike, the file that it came from so far.
        let end = candidates().map(|(_, open)| open.next.span.end).max()?;
        let long = || candidates().filter(|(_, o)| near(end, o.next.span.end) <= SAME_NANOS);
        let same = long().find(|(_, open)| Some(open.next.source) == self.last);
        let (index, _) = same.or_else(|| long().next())?;
        let group = self.advance(index)?;
        self.last = Some(group.source);
        self.drop_covered();
        Some(group)
    }

    /// Opens what may hold something before what is known.
    fn open_due(&mut self) {
        loop {
            let known = self.open.iter().map(|open| open.next.span.begin).min();
            let due = self.waiting.pop_front_if(|candidate| {
                known.is_none_or(|known| near(candidate.begin, known) <= EARLY_NANOS)
            });
            let Some(candidate) = due else { return };
            self.open_file(&candidate);
        }
    }

    fn open_file(&mut self, candidate: &Candidate) {
        let (path, film) = match self.film(candidate) {
            Ok(Some(opened)) => opened,
            Ok(None) => return,
            Err(Fault::Read(error)) if self.is_only_now(&candidate.path, &error) => {
                self.unreached = Some(ClipError::read(&candidate.path, error));
                return;
            }
            Err(fault) => return self.pass(&candidate.path, &fault),
        };
        let number = self.sources.len();
        let (bytes, _) = film.progress();
        self.sources.push(SourceFile {
            path,
            begin: candidate.begin,
            bytes,
        });
        if let Some(groups) = Groups::new(film, number, self.with_sound) {
            self.ready(groups, number);
        }
    }

    /// Opens a file, also where it was carried from the spool to the archive meanwhile; none where
    /// the archive's is listed already.
    fn film(&self, candidate: &Candidate) -> Result<Option<(PathBuf, Film)>, Fault> {
        let path = &candidate.path;
        match self.open_film(path, candidate.begin) {
            Ok(film) => Ok(Some((path.clone(), film))),
            Err(Fault::Read(error)) if error.kind() == io::ErrorKind::NotFound => {
                let listed = |path: &PathBuf| {
                    self.waiting.iter().any(|waits| waits.path == *path)
                        || self.sources.iter().any(|source| source.path == *path)
                };
                let carried = self.place.carried(candidate.begin)?;
                let Some(path) = carried.into_iter().find(|path| !listed(path)) else {
                    return Ok(None);
                };
                let film = self.open_film(&path, candidate.begin)?;
                Ok(Some((path, film)))
            }
            Err(fault) => Err(fault),
        }
    }

    /// Whether it may be had another time. What can't be brought here from far says nothing of the
    /// file, unless it is damaged or gone.
    fn is_only_now(&self, path: &Path, error: &io::Error) -> bool {
        use io::ErrorKind as Kind;
        let is_its_own = matches!(
            error.kind(),
            Kind::NotFound | Kind::InvalidData | Kind::UnexpectedEof
        );
        is_outage(error) || self.place.disk.is_far(path) && !is_its_own
    }

    fn open_film(&self, path: &Path, begin: CaptureTime) -> Result<Film, Fault> {
        Film::open(self.place.disk.fetch(path)?, Some(begin))
    }

    /// The next group of a file that is of the stretch and not there yet.
    fn wanted(&mut self, groups: &mut Groups, number: usize) -> Option<Group> {
        loop {
            let group = match groups.next() {
                Ok(group) => group?,
                Err(fault) => {
                    let path = self.sources.get(number)?.path.clone();
                    self.pass(&path, &fault);
                    return None;
                }
            };
            if group.span.begin >= self.window.end {
                return None;
            }
            if group.span.end > self.window.begin && !self.is_covered(&group) {
                return group.before(self.window.end);
            }
        }
    }

    fn is_covered(&self, group: &Group) -> bool {
        // An overlap of less comes from capture times that were repaired: nothing is there twice.
        self.covered
            .is_some_and(|covered| near(covered, group.span.begin) > group.span.nanos() / 2)
    }

    /// Takes a file's group, and has the next one ready.
    fn advance(&mut self, index: usize) -> Option<Group> {
        if index >= self.open.len() {
            return None;
        }
        let Open { groups, next } = self.open.swap_remove(index);
        self.covered = self.covered.max(Some(next.span.end));
        self.ready(groups, next.source);
        Some(next)
    }

    /// Keeps a file open as long as it has something.
    fn ready(&mut self, mut groups: Groups, number: usize) {
        if let Some(next) = self.wanted(&mut groups, number) {
            self.open.push(Open { groups, next });
        }
    }

    fn drop_covered(&mut self) {
        let find = |union: &Self| {
            let mut open = union.open.iter();
            open.position(|open| union.is_covered(&open.next))
        };
        while let Some(index) = find(self) {
            let Open { groups, next } = self.open.swap_remove(index);
            self.ready(groups, next.source);
        }
    }

    fn pass(&mut self, path: &Path, fault: &Fault) {
        self.passed.push(Passed {
            source: self.place.name(path),
            fault: chain(fault),
        });
    }
}

/// An error and what caused it, on one line.
fn chain(fault: &Fault) -> String {
    let mut text = fault.to_string();
    let mut source = std::error::Error::source(fault);
    while let Some(error) = source {
        text.push_str(": ");
        text.push_str(&error.to_string());
        source = error.source();
    }
    text
}

/// From the second to the first; nanoseconds, negative where the first is earlier.
fn near(a: CaptureTime, b: CaptureTime) -> i64 {
    a.unix_nanos().saturating_sub(b.unix_nanos())
}
