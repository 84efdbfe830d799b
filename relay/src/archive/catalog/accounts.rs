//! What is asked of a stretch of a camera's time.

use rusqlite::params;

use super::{Catalog, CatalogError, Of as _, SPAN_MAX, indexes, witness_of, word};
use crate::archive::findings::{Tallies, Tally};
use crate::archive::ledger::{
    Books, Coverage, Footage, GapCause, MARGIN, Run, Span, Testimony, account,
};
use crate::units::{CameraName, CaptureTime, SiteName};

/// Longer evidence has an index of its own: bounds what a search looks at.
const EVIDENCE_MAX: i64 = 24 * 3600 * 1_000_000_000;
/// A file of findings is of one day.
const FINDINGS_MAX: i64 = 24 * 3600 * 1_000_000_000;
/// Runs before a window that are looked at: after leaps of the clock the last one to begin need not
/// be the last one to end.
const RUNS_BEFORE: i64 = 64;

impl Catalog {
    /// What the finished files hold of a camera's findings, by sink and kind: of all files that have
    /// any within a window, whole. The youngest findings are in no finished file yet.
    ///
    /// # Errors
    /// The database's.
    pub fn findings(&self, camera: &CameraName, window: Span) -> Result<Tallies, CatalogError> {
        let earliest = window.begin.unix_nanos().saturating_sub(FINDINGS_MAX);
        let earliest = CaptureTime::from_unix_nanos(earliest);
        let sql = "SELECT sink, kind, sum(number), min(findings.first), max(findings.last), \
                   max(score_max) FROM findings_file CROSS JOIN findings USING (object) \
                   WHERE camera = ?1 AND findings_file.first BETWEEN ?2 AND ?3 \
                   AND findings_file.first < ?3 AND findings_file.last >= ?4 GROUP BY sink, kind";
        let parameters = params![camera, earliest, window.end, window.begin];
        let rows = self.rows(sql, parameters, |row| {
            let tally = Tally {
                number: row.get::<_, i64>(2)?.try_into().unwrap_or(0),
                first: row.get(3)?,
                last: row.get(4)?,
                score_max: row.get(5)?,
            };
            Ok(((row.get(0)?, row.get(1)?), tally))
        })?;
        let sql = "SELECT (SELECT coalesce(sum(damaged), 0) FROM findings_file \
                   WHERE camera = ?1 AND first IS NULL) \
                   + (SELECT coalesce(sum(damaged), 0) FROM findings_file \
                   WHERE camera = ?1 AND first BETWEEN ?2 AND ?3 AND first < ?3 AND last >= ?4)";
        let damaged = self.first(sql, parameters, |row| row.get::<_, i64>(0))?;
        Ok(Tallies {
            kinds: rows.into_iter().collect(),
            damaged: damaged.unwrap_or(0).try_into().unwrap_or(0),
        })
    }

    /// The account of a camera over a window, as far as it is settled; none for a camera that was
    /// never configured.
    ///
    /// # Errors
    /// The database's.
    pub fn coverage(
        &self,
        camera: &CameraName,
        window: Span,
    ) -> Result<Option<Coverage>, CatalogError> {
        // One state of the catalog, while a relay writes to it.
        let transaction = self.connection.unchecked_transaction().of(&self.path)?;
        let until = self.settled(camera)?;
        let horizon = until.unwrap_or(CaptureTime::from_unix_nanos(i64::MIN));
        let coverage = self.coverage_to(camera, window, horizon);
        transaction.commit().of(&self.path)?;
        coverage
    }

    /// The account, to be taken as settled up to `horizon`.
    pub(in crate::archive) fn coverage_to(
        &self,
        camera: &CameraName,
        window: Span,
        horizon: CaptureTime,
    ) -> Result<Option<Coverage>, CatalogError> {
        let sql = "SELECT site FROM run_camera WHERE camera = ?1 ORDER BY run DESC LIMIT 1";
        let Some(site) = self.first(sql, [camera], |row| row.get(0))? else {
            return Ok(None);
        };
        let site: SiteName = site;
        let around = |time: CaptureTime, nanos: i64| time.unix_nanos().saturating_add(nanos);
        let from = around(window.begin, -MARGIN);
        let to = around(window.end, MARGIN);

        let sql = "SELECT begin, alive, run IS NOT NULL FROM run \
                   LEFT JOIN run_camera ON run = begin AND camera = ?1 \
                   WHERE begin >= coalesce((SELECT min(begin) FROM (SELECT begin FROM run \
                   WHERE begin < ?2 ORDER BY begin DESC LIMIT ?3)), ?2) \
                   AND begin <= coalesce((SELECT min(begin) FROM run WHERE begin > ?4), ?4)";
        let runs = self.rows(sql, params![camera, from, RUNS_BEFORE, to], |row| {
            let span = Span::new(row.get(0)?, row.get(1)?);
            let knows = row.get(2)?;
            Ok(span.map(|span| Run { span, knows }))
        })?;
        let runs: Vec<_> = runs.into_iter().flatten().collect();

        let sql = "SELECT begin, end, frame FROM footage \
                   WHERE camera = ?1 AND begin BETWEEN ?2 AND ?3 AND end > ?4";
        let least = from.saturating_sub(SPAN_MAX);
        let footage = self.rows(sql, params![camera, least, to, from], |row| {
            let frame_nanos = row.get(2)?;
            let span = Span::new(row.get(0)?, row.get(1)?);
            Ok(span.map(|span| Footage { span, frame_nanos }))
        })?;
        let footage: Vec<_> = footage.into_iter().flatten().collect();

        let retired = self.retired(camera, least, from, to)?;

        // What has no end ends with its run.
        let told = "SELECT witness, evidence.begin, coalesce(end, alive), cause, detail, \
                    end IS NULL AND NOT ended AND run = (SELECT max(begin) FROM run) \
                    FROM evidence CROSS JOIN run ON run = run.begin WHERE camera = ?1";
        let sql = format!(
            "{told} AND evidence.begin BETWEEN ?2 AND ?3 AND coalesce(end, alive) > ?4 \
             UNION ALL {told} AND evidence.begin < ?2 AND {} AND coalesce(end, alive) > ?4",
            indexes::LONG_EVIDENCE
        );
        let least = from.saturating_sub(EVIDENCE_MAX);
        let evidence = self.rows(&sql, params![camera, least, to, from], |row| {
            let Some(span) = Span::new(row.get(1)?, row.get(2)?) else {
                return Ok(None);
            };
            Ok(Some(Testimony {
                witness: word(row, 0, witness_of)?,
                span,
                cause: word(row, 3, GapCause::parse)?,
                detail: row.get(4)?,
                lasts: row.get(5)?,
            }))
        })?;
        let evidence: Vec<_> = evidence.into_iter().flatten().collect();
        let books = Books {
            camera,
            site: &site,
            runs: &runs,
            footage: &footage,
            retired: &retired,
            evidence: &evidence,
        };
        Ok(Some(account(books, window, horizon)))
    }
}
