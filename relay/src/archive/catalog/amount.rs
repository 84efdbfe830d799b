//! How much footage takes.

use rusqlite::params;

use super::{Catalog, CatalogError, Of as _};
use crate::units::{CameraName, CaptureTime};

impl Catalog {
    /// Bytes of the files of whole footage that began at an instant or later, and the seconds of
    /// footage in them.
    ///
    /// # Errors
    /// The database's.
    pub fn footage_since(
        &self,
        camera: &CameraName,
        since: CaptureTime,
    ) -> Result<(u64, f64), CatalogError> {
        // A file has a row for each of its stretches.
        let sql = "SELECT coalesce(sum(bytes), 0), coalesce(sum(nanos), 0) FROM \
                   (SELECT max(bytes) AS bytes, sum(end - begin) AS nanos FROM footage \
                   WHERE camera = ?1 AND begin >= ?2 AND object NOT LIKE '%/key-frames/%' \
                   GROUP BY object)";
        let row = |row: &rusqlite::Row<'_>| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?));
        let sums = self.connection.query_row(sql, params![camera, since], row);
        let (bytes, nanos) = sums.of(&self.path)?;
        Ok((u64::try_from(bytes).unwrap_or(0), nanos as f64 / 1e9))
    }
}
