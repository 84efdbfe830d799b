//! What the manifests say of the files that are there, and whether the catalog itself is sound.

use rusqlite::params;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};

use super::retired::SCHEMA_RETIRED;
use super::{Catalog, CatalogError, Of, VERSION, seal};
use crate::archive::MANIFESTS;
use crate::archive::checksum::{Checksum, Fingerprint};
use crate::archive::ledger::Span;
use crate::archive::manifest::Newest;
use crate::units::{CameraName, Name};

/// What version 3 has more.
pub(super) const SCHEMA_OBJECTS: &str = "
CREATE TABLE object (
    path TEXT PRIMARY KEY,
    camera TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    sha256 BLOB NOT NULL
) STRICT, WITHOUT ROWID;
";

impl ToSql for Checksum {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.as_bytes().as_slice().into())
    }
}

impl FromSql for Checksum {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        let bytes = value.as_blob()?.try_into();
        bytes.map(Self::new).map_err(FromSqlError::other)
    }
}

impl Catalog {
    /// Makes a catalog of version 2 one of version 3. It has yet to read the manifests; nothing had
    /// gone until then.
    pub(super) fn add_objects(&mut self) -> Result<(), CatalogError> {
        self.in_one(|transaction| {
            transaction.execute_batch(SCHEMA_OBJECTS)?;
            transaction.execute_batch(SCHEMA_RETIRED)?;
            seal::seal(transaction)?;
            transaction.pragma_update(None, "user_version", VERSION)
        })
    }

    /// Whether a manifest lists a file that is there.
    pub(in crate::archive) fn lists(&self, object: &str) -> Result<bool, CatalogError> {
        let sql = "SELECT 1 FROM object WHERE path = ?1";
        Ok(self.first(sql, [object], |_| Ok(()))?.is_some())
    }

    /// Whether the manifests have been read whole since the catalog was begun.
    pub(in crate::archive) fn knows_manifests(&self) -> Result<bool, CatalogError> {
        let rows: i64 = self.one("SELECT count(*) FROM complete WHERE yes = 2")?;
        Ok(rows > 0)
    }

    /// Some files of a camera that a manifest lists, or that are one: in the order of their names,
    /// from behind `after` on.
    pub(in crate::archive) fn objects(
        &self,
        camera: &CameraName,
        after: &str,
        number: usize,
    ) -> Result<Vec<(String, Fingerprint)>, CatalogError> {
        // `0` comes next behind `/`.
        let (first, end) = (format!("{camera}/"), format!("{camera}0"));
        let sql = "SELECT path, bytes, sha256 FROM object \
                   WHERE path > ?1 AND path < ?2 ORDER BY path LIMIT ?3";
        let number = i64::try_from(number).unwrap_or(i64::MAX);
        let after = after.max(&first);
        self.rows(sql, params![after, end, number], |row| {
            let fingerprint = Fingerprint {
                bytes: row.get::<_, i64>(1)?.try_into().unwrap_or(0),
                sha256: row.get(2)?,
            };
            Ok((row.get(0)?, fingerprint))
        })
    }

    /// What the catalog has of a file.
    pub(crate) fn fingerprint(&self, object: &str) -> Result<Option<Fingerprint>, CatalogError> {
        let sql = "SELECT bytes, sha256 FROM object WHERE path = ?1";
        self.first(sql, [object], |row| {
            let bytes = row.get::<_, i64>(0)?.try_into().unwrap_or(0);
            let sha256 = row.get(1)?;
            Ok(Fingerprint { bytes, sha256 })
        })
    }

    /// How many such files a folder has, and their bytes: `gate/footage/2026-05-04`.
    pub(in crate::archive) fn folder_bytes(
        &self,
        folder: &str,
    ) -> Result<(u64, u64), CatalogError> {
        let sql = "SELECT count(*), coalesce(sum(bytes), 0) FROM object \
                   WHERE path > ?1 AND path < ?2";
        let range = [format!("{folder}/"), format!("{folder}0")];
        let sums = self.first(sql, range, |row| Ok((row.get(0)?, row.get(1)?)))?;
        let (number, bytes): (i64, i64) = sums.unwrap_or_default();
        Ok((number.unsigned_abs(), bytes.unsigned_abs()))
    }

    /// The folders of days of a camera that such files are in: `gate/footage/2026-05-04`. One look
    /// at the index for each.
    pub(in crate::archive) fn folders(
        &self,
        camera: &CameraName,
    ) -> Result<Vec<String>, CatalogError> {
        let (mut after, end) = (format!("{camera}/"), format!("{camera}0"));
        let sql = "SELECT path FROM object WHERE path > ?1 AND path < ?2 ORDER BY path LIMIT 1";
        let mut folders = Vec::new();
        while let Some(path) = self.first(sql, [&after, &end], |row| row.get::<_, String>(0))? {
            match path.rsplit_once('/') {
                Some((folder, _)) if folder.len() > camera.as_str().len() => {
                    after = format!("{folder}0");
                    folders.push(folder.to_owned());
                }
                _ => after = path,
            }
        }
        Ok(folders)
    }

    /// The cameras of which there are such files.
    pub(in crate::archive) fn object_cameras(&self) -> Result<Vec<CameraName>, CatalogError> {
        let mut cameras = Vec::new();
        let mut after = String::new();
        loop {
            let sql = "SELECT path FROM object WHERE path > ?1 ORDER BY path LIMIT 1";
            let next = self.first(sql, [&after], |row| row.get::<_, String>(0))?;
            let Some(path) = next else {
                return Ok(cameras);
            };
            let camera = path.split('/').next().unwrap_or_default();
            cameras.extend(Name::new(camera));
            after = format!("{camera}0");
        }
    }

    /// What the catalog knows of the newest manifest of each camera.
    pub(in crate::archive) fn newest_manifests(
        &self,
    ) -> Result<Vec<(CameraName, Newest)>, CatalogError> {
        let sql = "SELECT path, sha256 FROM object WHERE path > ?1 AND path < ?2 \
                   ORDER BY path DESC LIMIT 1";
        let mut all = Vec::new();
        for camera in self.object_cameras()? {
            let folder = format!("{camera}/{MANIFESTS}");
            let range = [format!("{folder}/"), format!("{folder}0")];
            let newest = self.first(sql, range, |row| {
                let (name, sha256) = (row.get(0)?, Ok(row.get(1)?));
                Ok(Newest { name, sha256 })
            })?;
            all.extend(newest.map(|newest| (camera, newest)));
        }
        Ok(all)
    }

    /// From when to when the files of an object hold footage.
    pub(in crate::archive) fn footage_span(
        &self,
        object: &str,
    ) -> Result<Option<Span>, CatalogError> {
        let sql = "SELECT min(begin), max(end) FROM footage WHERE object = ?1";
        let span = self.first(sql, [object], |row| {
            let (begin, end): (Option<_>, Option<_>) = (row.get(0)?, row.get(1)?);
            Ok(begin
                .zip(end)
                .and_then(|(begin, end)| Span::new(begin, end)))
        })?;
        Ok(span.flatten())
    }

    /// Reads it whole and gives, in words, where it is not what was written.
    ///
    /// # Errors
    /// The database's.
    pub fn verify(&self) -> Result<Vec<String>, CatalogError> {
        let mut wrong = self.rows("PRAGMA integrity_check(20)", [], |row| row.get(0))?;
        wrong.retain(|words: &String| words != "ok");
        let broken = seal::broken(&self.connection).of(&self.path)?;
        wrong.extend(
            broken.into_iter().map(|table| {
                format!("the rows of the table {table} are not those that were written")
            }),
        );
        Ok(wrong)
    }
}
