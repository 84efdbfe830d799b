//! Footage that was recorded and is not whole any more.

use rusqlite::params;

use super::{Catalog, CatalogError, SPAN_MAX, word};
use crate::archive::ledger::{Fate, Footage, Retired, Span};
use crate::units::CameraName;

/// What version 3 has more. Spans of one fate may overlap; none is longer than those of footage.
pub(super) const SCHEMA_RETIRED: &str = "
CREATE TABLE retired (
    camera TEXT NOT NULL,
    begin INTEGER NOT NULL,
    end INTEGER NOT NULL,
    fate TEXT NOT NULL,
    frame INTEGER NOT NULL,
    PRIMARY KEY (camera, begin, end, fate)
) STRICT, WITHOUT ROWID;
";

impl Catalog {
    /// What of a camera went that was recorded within a stretch, as it would be told.
    pub(in crate::archive) fn retired_within(
        &self,
        camera: &CameraName,
        near: Span,
    ) -> Result<Vec<Retired>, CatalogError> {
        let (from, to) = (near.begin.unix_nanos(), near.end.unix_nanos());
        let all = self.retired(camera, from.saturating_sub(SPAN_MAX), from, to)?;
        let of = |fate| Retired {
            camera: camera.clone(),
            fate,
            reason: String::new(),
            folder: String::new(),
            files: Vec::new(),
            bytes: 0,
            footage: all
                .iter()
                .filter(|(own, _)| *own == fate)
                .map(|(_, footage)| *footage)
                .collect(),
        };
        Ok([Fate::Thinned, Fate::Expired].map(of).into())
    }

    /// What of a camera began at `least` or later and reaches into `from` to `to`.
    pub(super) fn retired(
        &self,
        camera: &CameraName,
        least: i64,
        from: i64,
        to: i64,
    ) -> Result<Vec<(Fate, Footage)>, CatalogError> {
        let sql = "SELECT begin, end, fate, frame FROM retired \
                   WHERE camera = ?1 AND begin BETWEEN ?2 AND ?3 AND end > ?4";
        let rows = self.rows(sql, params![camera, least, to, from], |row| {
            let frame_nanos = row.get(3)?;
            let fate = word(row, 2, Fate::parse)?;
            let span = Span::new(row.get(0)?, row.get(1)?);
            Ok(span.map(|span| (fate, Footage { span, frame_nanos })))
        })?;
        Ok(rows.into_iter().flatten().collect())
    }
}
