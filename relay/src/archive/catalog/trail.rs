//! Where a camera's findings of any age are.

use std::collections::BTreeMap;

use rusqlite::params;

use super::{Catalog, CatalogError, Of as _};
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
    /// Of each sink and kind of a camera: the finished files nearest to an instant that have such
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
        // In the order of an index, so that nothing is sorted.
        let (sql, bound) = match side {
            Side::Before => (
                "SELECT sink, kind, object, findings.first, findings.last \
                 FROM findings_file CROSS JOIN findings USING (object) \
                 WHERE camera = ?1 AND findings_file.first < ?2 AND findings.first < ?3 \
                 ORDER BY findings_file.first DESC",
                at,
            ),
            Side::After => (
                "SELECT sink, kind, object, findings.first, findings.last \
                 FROM findings_file CROSS JOIN findings USING (object) \
                 WHERE camera = ?1 AND findings_file.first >= ?2 AND findings.last >= ?3 \
                 ORDER BY findings_file.first",
                earliest,
            ),
        };
        let mut trail = BTreeMap::new();
        let read = |row: &rusqlite::Row<'_>| {
            let key: (SinkName, String) = (row.get(0)?, row.get(1)?);
            if trail.len() >= KINDS_MAX && !trail.contains_key(&key) {
                return Ok(());
            }
            let traces: &mut Vec<Trace> = trail.entry(key).or_default();
            if traces.len() < number {
                traces.push(Trace {
                    object: row.get(2)?,
                    first: row.get(3)?,
                    last: row.get(4)?,
                });
            }
            Ok(())
        };
        let worked = self.connection.prepare(sql).and_then(|mut statement| {
            let rows = statement.query_map(params![camera, bound, at], read)?;
            rows.collect::<Result<(), _>>()
        });
        worked.of(&self.path)?;
        for traces in trail.values_mut() {
            traces.sort_by_key(|trace| side.distance(trace, at));
        }
        Ok(trail)
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
        let started = self
            .connection
            .query_row(sql, [after, until], |row| row.get(0));
        started.of(&self.path)
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
