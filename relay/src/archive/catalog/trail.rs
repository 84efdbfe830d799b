//! Where a camera's findings of any age are.

use std::collections::BTreeMap;

use rusqlite::params;

use super::indexes::OWNER;
use super::{Catalog, CatalogError};
use crate::units::{CameraName, CaptureTime, SinkName};

/// Kinds of findings that are followed at a time, over all sinks.
const KINDS_MAX: usize = 4096;
/// A file of findings is of one day.
const FILE_NANOS_MAX: i64 = 24 * 3600 * 1_000_000_000;

/// Which way from an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// What is earlier.
    Before,
    /// What is of that instant or later.
    After,
}

/// A file with findings of a sink and kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trace {
    /// As in [`Change::Findings`](super::Change::Findings).
    pub object: String,
    /// The earliest of them.
    pub first: CaptureTime,
    /// The latest.
    pub last: CaptureTime,
}

impl Catalog {
    /// Of each sink and kind of a camera: the files of the archive nearest to an instant that have such
    /// findings on one side of it, the nearest first and `number` at the most.
    ///
    /// # Errors
    /// The database's.
    pub fn trail(
        &self,
        camera: &CameraName,
        at: CaptureTime,
        side: Side,
        number: usize,
    ) -> Result<BTreeMap<(SinkName, String), Vec<Trace>>, CatalogError> {
        let earliest = CaptureTime::from_unix_nanos(at.unix_nanos().saturating_sub(FILE_NANOS_MAX));
        let number = i64::try_from(number).unwrap_or(i64::MAX);
        // In the order of an index, so that nothing is sorted, and no further than needed.
        let of = format!("SELECT object, first, last FROM findings WHERE {OWNER} = ?1");
        let (sql, bound) = match side {
            Side::Before => (
                format!(
                    "{of} AND sink = ?2 AND kind = ?3 AND first < ?4 AND first < ?5 \
                     ORDER BY first DESC LIMIT ?6"
                ),
                at,
            ),
            Side::After => (
                format!(
                    "{of} AND sink = ?2 AND kind = ?3 AND first >= ?4 AND last >= ?5 \
                     ORDER BY first LIMIT ?6"
                ),
                earliest,
            ),
        };
        let mut trail = BTreeMap::new();
        for (sink, kind) in self.kinds(camera)? {
            let parameters = params![camera, sink, kind, bound, at, number];
            let traces = self.rows(&sql, parameters, |row| {
                Ok(Trace {
                    object: row.get(0)?,
                    first: row.get(1)?,
                    last: row.get(2)?,
                })
            })?;
            if !traces.is_empty() {
                trail.insert((sink, kind), traces);
            }
        }
        for traces in trail.values_mut() {
            traces.sort_by_key(|trace| side.distance(trace, at));
        }
        Ok(trail)
    }

    /// Sinks and kinds of a camera's findings in the archive: one look at the index for each.
    fn kinds(&self, camera: &CameraName) -> Result<Vec<(SinkName, String)>, CatalogError> {
        let of = format!("SELECT sink, kind FROM findings WHERE {OWNER} = ?1");
        let first = format!("{of} ORDER BY sink, kind LIMIT 1");
        let next = format!("{of} AND (sink, kind) > (?2, ?3) ORDER BY sink, kind LIMIT 1");
        let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?));
        let mut kinds: Vec<(SinkName, String)> = Vec::new();
        let mut found = self.first(&first, [camera], read)?;
        while let Some((sink, kind)) = found.take().filter(|_| kinds.len() < KINDS_MAX) {
            found = self.first(&next, params![camera, sink, kind], read)?;
            kinds.push((sink, kind));
        }
        Ok(kinds)
    }

    /// Whether a relay was started after the first of two instants, and up to the second.
    ///
    /// # Errors
    /// The database's.
    pub fn started_within(
        &self,
        after: CaptureTime,
        until: CaptureTime,
    ) -> Result<bool, CatalogError> {
        let sql = "SELECT EXISTS (SELECT 1 FROM run WHERE begin > ?1 AND begin <= ?2)";
        let started = self.first(sql, [after, until], |row| row.get(0))?;
        Ok(started.unwrap_or(false))
    }
}

impl Side {
    /// How near to an instant findings of a file can be, in nanoseconds.
    #[must_use]
    pub fn distance(self, trace: &Trace, at: CaptureTime) -> u64 {
        let (at, near) = match self {
            Self::Before => (at, trace.last.min(at)),
            Self::After => (trace.first.max(at), at),
        };
        at.unix_nanos().abs_diff(near.unix_nanos())
    }
}
